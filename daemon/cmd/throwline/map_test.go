package main

import (
	"strings"
	"testing"
	"time"

	"throwline/ingest"
	"throwline/ingest/sparkplug"
	"throwline/ingest/wire"
)

func TestMap(t *testing.T) {
	dir := t.TempDir()
	config := write(t, dir, "c.yaml", `
mqtt:
  mapped:
    - name: pm
      topic: plant/{cabinet}/pm/{turnout}
      throw:
        to: {at: /dir, values: {N: normal, R: reverse}}
        started_at: {at: /ts, as: unix_s}
        completed: {at: /ok}
        channels:
          - {drive: main, quantity: motor_current, unit: A, sample_rate_hz: 50, scale: 0.5, samples: {at: /i}}
`)
	const good = `{"dir":"R","ts":1772345647,"ok":true,"i":[0,1,2,3,4,5,6,7]}`
	file := write(t, dir, "good.json", good)
	code, out, errs := throwline(t, "", "map", "--config", config, "--name", "pm", "--topic", "plant/BOX/pm/W1", file)
	if code != exitDone || errs != "" {
		t.Fatalf("found %d, %s", code, errs)
	}
	// What is printed is a throw that a cabinet of the contract could send.
	throw, err := wire.NewDecoder(wire.DefaultLimits()).Throw([]byte(out))
	if err != nil || throw.Turnout != "W1" || throw.To != ingest.Reverse || !throw.StartedAt.Equal(time.Unix(1772345647, 0)) || throw.Channels[0].Scale != 0.5 {
		t.Errorf("found %+v, %v", throw, err)
	}
	for _, c := range []struct {
		in   string
		args []string
		code int
		want string
	}{
		{good, []string{"--name", "pm", "-"}, exitDone, `"turnout":"TURNOUT"`},
		{strings.Replace(good, `"R"`, "7", 1), []string{"--name", "pm", "-"}, exitFailed, `/dir (to): expected one of "N", "R", found 7` + "\n"},
		{strings.Replace(good, `"ok":true`, `"i2":[]`, 1), []string{"--name", "pm", "-"}, exitFailed, "/ok (completed): expected true or false, found nothing\n"},
		{"{", []string{"--name", "pm", "-"}, exitFailed, "expected JSON after RFC 8259"},
		{good, []string{"--name", "pn", "-"}, exitFailed, `mapping: expected pm, found "pn"`},
		{good, []string{"--name", "pm", "--topic", "plant/BOX", "-"}, exitFailed, `topic: expected one of plant/{cabinet}/pm/{turnout}, found "plant/BOX"`},
		{good, []string{"--name", "pm", dir + "/none.json"}, exitFailed, "no such file"},
		{good, []string{"--name", "pm"}, exitWrongUse, "accepts 1 arg"},
	} {
		code, out, errs := throwline(t, c.in, append([]string{"map", "--config", config}, c.args...)...)
		if code != c.code || !strings.Contains(out+errs, c.want) {
			t.Errorf("%v: expected %d %q, found %d %q %q", c.args, c.code, c.want, code, out, errs)
		}
	}
	if code, _, errs := throwline(t, good, "map", "--config", write(t, dir, "bad.yaml", "mqtt: {mapped: [{}]}"), "--name", "pm", "-"); code != exitBadConfig || !strings.Contains(errs, "mqtt.mapped[0].throw.to.at: expected a JSON pointer") {
		t.Errorf("found %d, %s", code, errs)
	}
}

func TestMapSparkplug(t *testing.T) {
	dir := t.TempDir()
	config := write(t, dir, "c.yaml", `
mqtt:
  sparkplug:
    groups: [YARD]
    throws:
      - name: pm
        trigger: Trace
        throw:
          to: {at: Dir, values: {N: normal, R: reverse}}
          started_at: {at: Trace@timestamp, as: unix_ms}
          completed: {at: OK}
          channels:
            - {drive: main, quantity: motor_current, unit: A, sample_rate_at: Trace@Rate, samples: {at: Trace}}
`)
	const at = 1772345647123
	birth := write(t, dir, "birth", string(sparkplug.Append(nil, &sparkplug.Payload{Metrics: []sparkplug.Metric{
		{Name: "Trace", Alias: 1, Aliased: true, Type: sparkplug.FloatArray, Null: true, Properties: []sparkplug.Property{{Key: "Rate", Type: sparkplug.Double, Value: sparkplug.Float64(50)}}},
		{Name: "Dir", Alias: 2, Aliased: true, Type: sparkplug.Text, Null: true}, {Name: "OK", Type: sparkplug.Boolean, Value: sparkplug.Bool(true)},
	}})))
	data := func(dir string) string {
		return string(sparkplug.Append(nil, &sparkplug.Payload{Metrics: []sparkplug.Metric{
			{Alias: 1, Aliased: true, Timestamp: at, Timed: true, Value: sparkplug.Bytes(sparkplug.PackArray(sparkplug.FloatArray, []float64{0, 1, 2, 3, 4, 5, 6, 7.5}))},
			{Alias: 2, Aliased: true, Value: sparkplug.String(dir)},
		}}))
	}
	code, out, errs := throwline(t, data("R"), "map", "--config", config, "--name", "pm", "--birth", birth, "--topic", "spBv1.0/YARD/DDATA/BOX/W1", "-")
	if code != exitDone || errs != "" {
		t.Fatalf("found %d, %s%s", code, out, errs)
	}
	x, err := wire.NewDecoder(wire.DefaultLimits()).Throw([]byte(out))
	if err != nil || x.Turnout != "W1" || x.To != ingest.Reverse || !x.StartedAt.Equal(time.UnixMilli(at)) || !x.Completed || x.Channels[0].SampleRate != 50 || x.Channels[0].Samples[7] != 7.5 {
		t.Errorf("found %+v, %v", x, err)
	}
	for _, c := range []struct {
		in   string
		args []string
		want string
	}{
		{data("R"), []string{"-"}, "message: expected metrics that explain themselves, or the birth that does, found alias 1"},
		{data("x"), []string{"--birth", birth, "-"}, `Dir (to): expected one of "N", "R", found "x"`},
		{"{", []string{"-"}, "expected a protobuf message"},
		{data("R"), []string{"--birth", dir + "/none", "-"}, "birth: open"},
		{data("R"), []string{"--birth", birth, "--topic", "spBv1.0/YARD/NCMD/BOX", "-"}, "topic: expected one like spBv1.0/GROUP/DDATA/NODE/DEVICE"},
	} {
		if code, out, errs := throwline(t, c.in, append([]string{"map", "--config", config, "--name", "pm"}, c.args...)...); code != exitFailed || !strings.Contains(out+errs, c.want) {
			t.Errorf("%v: expected %q, found %d %q %q", c.args, c.want, code, out, errs)
		}
	}
}
