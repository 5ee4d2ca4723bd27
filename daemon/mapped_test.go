package daemon

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
	"throwline/ingest/wire"
)

// sampleMapping is the example of the sample configuration, no comment any more.
func sampleMapping(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(data), "the broker forgets our session. For example\n")
	example, _, ok2 := strings.Cut(rest, "  mapped:\n")
	if !ok || !ok2 {
		t.Fatal("the sample has no example of a mapping")
	}
	return "mqtt:\n  mapped:\n" + strings.ReplaceAll("\n"+example, "\n  # ", "\n  ")[1:]
}

// mappedMessage is a throw as the sample's cabinet sends it.
func mappedMessage(t *testing.T, x *ingest.Throw) []byte {
	t.Helper()
	b, err := json.Marshal(map[string]any{
		"id": x.ID, "head": map[string]any{"dir": map[ingest.End]string{ingest.Normal: "N", ingest.Reverse: "R"}[x.To], "ts": x.StartedAt.UnixMilli()},
		"status": map[bool]string{true: "ok", false: "timeout"}[x.Completed],
		"det":    []any{3100}, "curve": map[string]any{"i": x.Channels[0].Samples},
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A message of a cabinet that cannot be changed becomes a throw like any other,
// over a real broker, or is set aside with the pointer that is wrong.
func TestMappedCabinet(t *testing.T) {
	m := startMosquitto(t)
	mapped, err := ReadConfig("sample", []byte(sampleMapping(t)), nil)
	if err != nil {
		t.Fatal(err)
	}
	c := configOf(m, t.TempDir())
	c.MQTT.Mapped = mapped.MQTT.Mapped
	r := serving(t, c)
	cab := newCabinet(t, m.URL())
	x := invented("TOLB-W01", 0, 0)
	x.RailTemperature = ingest.Reading{}
	x.Cabinet = "TOLB-1"
	good := mappedMessage(t, x)
	cab.publish("plant/TOLB-1/pm/TOLB-W01", good)
	cab.publish("plant/TOLB-1/pm/TOLB-W01", good) // sent again: filed once
	bad := strings.Replace(string(good), `"N"`, `"left"`, 1)
	cab.publish("plant/TOLB-1/pm/TOLB-W02", []byte(bad))
	cab.publish("plant/TOLB-1/pm/W 3", good)
	cab.throw("TOLB-9", invented("TOLB-W09", 0, 0)) // the contract's own go on
	eventually(t, "all to be filed", func() bool {
		items, _, err := r.store.Quarantine(t.Context(), "", 10)
		return err == nil && len(items) == 2 && r.count(stored) == 2
	})
	got, _, err := r.store.Throw(t.Context(), x.Key())
	if err != nil {
		t.Fatal(err)
	}
	if got.Cabinet != "TOLB-1" || got.Turnout != x.Turnout || !got.StartedAt.Equal(x.StartedAt) || got.To != x.To || !got.Completed {
		t.Errorf("found %+v", got)
	}
	items, _, err := r.store.Quarantine(t.Context(), "", 10)
	if err != nil {
		t.Fatal(err)
	}
	why := map[string]string{}
	for _, a := range items {
		why[a.Topic] = (&ingest.Refusal{Faults: a.Faults}).Error()
		if a.Topic == "plant/TOLB-1/pm/TOLB-W02" && string(a.Payload) != bad {
			t.Errorf("found another payload: %.80s", a.Payload)
		}
	}
	want := map[string]string{
		"plant/TOLB-1/pm/TOLB-W02": `/head/dir (to): expected one of "N", "R", found "left"`,
		"plant/TOLB-1/pm/W 3":      `topic (turnout): expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 3"`,
	}
	if !reflect.DeepEqual(why, want) {
		t.Errorf("expected %q\nfound %q", want, why)
	}
	// Sent through again it is refused for the same, by the same mapping.
	for _, a := range items {
		if err := r.Retry(t.Context(), a.ID); err == nil || err.Error() != want[a.Topic] {
			t.Errorf("%s: found %v", a.Topic, err)
		}
	}

	next := c
	next.MQTT.Mapped = nil
	var restart *ConfigError
	if err := r.Reload(t.Context(), next); !errors.As(err, &restart) || !strings.Contains(err.Error(), "mqtt.mapped: expected the same until the next restart") {
		t.Errorf("found %v", err)
	}
	if err := r.Reload(t.Context(), c); err != nil {
		t.Error(err)
	}
	for _, s := range Examine(t.Context(), &c, time.Millisecond) {
		if s.What == "subscription" && !strings.Contains(s.Said, "plant/+/pm/+") {
			t.Errorf("found %+v", s)
		}
	}
}

func TestMappedConfig(t *testing.T) {
	good := sampleMapping(t)
	c, err := ReadConfig("c.yaml", []byte(good), nil)
	if err != nil {
		t.Fatal(err)
	}
	// What is printed is read back to the same.
	printed, err := c.Print()
	if err != nil {
		t.Fatal(err)
	}
	if back, err := ReadConfig("printed", printed, nil); err != nil || !reflect.DeepEqual(back.MQTT.Mapped[0].Throw.Channels, c.MQTT.Mapped[0].Throw.Channels) || !reflect.DeepEqual(back.MQTT.Mapped[0].Throw.To, c.MQTT.Mapped[0].Throw.To) {
		t.Errorf("%v in\n%s", err, printed)
	}
	for _, x := range []struct{ old, new, want string }{
		{"name: pm", `name: "p m"`, `line 3: mqtt.mapped[0].name: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "p m"`},
		{"topic: plant/{cabinet}/pm/{turnout}", "topic: plant/#", `line 4: mqtt.mapped[0].topic: expected levels of a topic with {cabinet}, {turnout} and + as levels of their own, found "plant/#"`},
		{"topic: plant/{cabinet}/pm/{turnout}", "topic: '{cabinet}/v1/+/throw/{turnout}'", `line 4: mqtt.mapped[0].topic: expected topics of its own, found some that are throwline/v1/+/throw/+ as well`},
		{"topic: plant/{cabinet}/pm/{turnout}", "topic: plant/+/pm/{turnout}", `line 7: mqtt.mapped[0].throw.cabinet: expected {cabinet} in the topic, or at or is here, found none of them`},
		{"at: /head/dir", "at: head.dir", `line 10: mqtt.mapped[0].throw.to.at: expected a JSON pointer, which begins with /, found "head.dir"`},
		{"R: reverse", "R: right", `line 10: mqtt.mapped[0].throw.to.values[R]: expected normal or reverse, found "right"`},
		{"as: unix_ms", "as: 5", `line 11: mqtt.mapped[0].throw.started_at.as: expected a text, found 5`},
		{"unit: A", "unit: W", `mqtt.mapped[0].throw.channels[0].unit: expected A for motor_current, found "W"`},
		{"zero: 0", "zeros: 0", `mqtt.mapped[0].throw.channels[0].zeros: expected one of drive, quantity`},
	} {
		if strings.Count(good, x.old) != 1 {
			t.Fatalf("%q does not stand once in\n%s", x.old, good)
		}
		_, err := ReadConfig("c.yaml", []byte(strings.Replace(good, x.old, x.new, 1)), nil)
		if err == nil || !strings.Contains(err.Error(), x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: expected %s\nfound %v", x.new, x.want, err)
		}
	}
	twice := good + strings.TrimPrefix(good, "mqtt:\n  mapped:\n")
	_, err = ReadConfig("c.yaml", []byte(twice), nil)
	for _, want := range []string{`mqtt.mapped[1].name: expected a name of its own, found "pm", as in mqtt.mapped[0]`, `mqtt.mapped[1].topic: expected topics of its own`} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("expected %s, found %v", want, err)
		}
	}
	if _, err := LoadConfig(filepath.Join("..", "deploy", "throwline.yaml"), nil); err != nil {
		t.Error(err)
	}
}

// After a fault of ours the limits are those of the configuration still.
func TestLimitsAfterAFault(t *testing.T) {
	r := newReader(wire.Limits{Bytes: 100})
	p := &parcel{kind: aMapped, cabinet: "C", turnout: "W", payload: []byte("{}")} // no mapping: that trips one
	if r.read(p); p.faulty == nil || p.refusal == nil {
		t.Fatalf("found %+v", p)
	}
	p = &parcel{kind: aThrow, cabinet: "C", turnout: "W", payload: make([]byte, 101)}
	if r.read(p); p.refusal == nil || p.refusal.Error() != "message: expected at most 100 bytes, found 101" {
		t.Errorf("found %v", p.refusal)
	}
}
