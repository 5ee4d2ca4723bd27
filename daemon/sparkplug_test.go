package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/ingest"
	"throwline/ingest/sparkplug"
)

// sampleSparkplug is the example of the sample configuration, no comment any
// more, for all groups.
func sampleSparkplug(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(data), "shows what a captured one becomes.\n")
	example, _, ok2 := strings.Cut(rest, "    throws:\n")
	if !ok || !ok2 {
		t.Fatal("the sample has no example of Sparkplug")
	}
	return "mqtt:\n  sparkplug:\n    groups: [YARD]\n    rebirth_every: 1s\n    throws:\n" + strings.ReplaceAll("\n"+example, "\n    # ", "\n    ")[1:]
}

// edgeNode is an edge node as the specification wants it: a Will at QoS 1 that
// is not retained, everything else at QoS 0, aliases after the births.
type edgeNode struct {
	t     *testing.T
	c     paho.Client
	name  string
	bdSeq uint64

	mu       sync.Mutex
	seq      uint64
	rebirths int
	silent   bool // it does not answer
	devices  []string
	said     []string // STATE, in order
}

const yardGroup = "YARD"

func startEdgeNode(t *testing.T, m *mosquitto, name string, bdSeq uint64, devices ...string) *edgeNode {
	t.Helper()
	e := &edgeNode{t: t, name: name, bdSeq: bdSeq, devices: devices}
	o := paho.NewClientOptions().AddBroker(m.URL()).SetClientID("edge-" + name).SetAutoReconnect(false)
	o.SetBinaryWill("spBv1.0/"+yardGroup+"/NDEATH/"+name, sparkplug.Append(nil, &sparkplug.Payload{Metrics: []sparkplug.Metric{e.bd()}}), 1, false)
	e.c = paho.NewClient(o)
	e.done(e.c.Connect())
	t.Cleanup(func() { e.c.Disconnect(100) })
	e.done(e.c.Subscribe("spBv1.0/"+yardGroup+"/NCMD/"+name, 1, func(_ paho.Client, m paho.Message) {
		p, err := sparkplug.Decode(m.Payload(), sparkplug.Limits{})
		if err != nil || len(p.Metrics) != 1 || p.Metrics[0].Name != "Node Control/Rebirth" || p.Metrics[0].Value.Bits != 1 || m.Qos() != 0 || m.Retained() || !p.Timed || p.Numbered {
			t.Errorf("found the command %+v, %v, QoS %d, retained %v", p, err, m.Qos(), m.Retained())
		}
		e.mu.Lock()
		e.rebirths++
		answers := !e.silent
		e.mu.Unlock()
		if answers {
			go e.births()
		}
	}))
	e.done(e.c.Subscribe("spBv1.0/STATE/+", 1, func(_ paho.Client, m paho.Message) {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.said = append(e.said, strings.TrimPrefix(m.Topic(), "spBv1.0/STATE/")+" "+string(m.Payload()))
	}))
	return e
}

func (e *edgeNode) done(token paho.Token) {
	e.t.Helper()
	if !token.WaitTimeout(time.Minute) || token.Error() != nil {
		e.t.Fatalf("edge node: %v", token.Error())
	}
}

func (e *edgeNode) bd() sparkplug.Metric {
	return sparkplug.Metric{Name: "bdSeq", Type: sparkplug.Int64, Value: sparkplug.Long(e.bdSeq)}
}

// send sends a message of the edge node, or of a device, numbered.
func (e *edgeNode) send(what sparkplug.MessageType, device string, metrics ...sparkplug.Metric) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.publish(what, device, metrics...)
}

func (e *edgeNode) publish(what sparkplug.MessageType, device string, metrics ...sparkplug.Metric) {
	if what == sparkplug.NBirth {
		e.seq = 0
	}
	p := &sparkplug.Payload{Timestamp: uint64(time.Now().UnixMilli()), Timed: true, Metrics: metrics, Seq: e.seq, Numbered: true}
	e.seq = (e.seq + 1) % 256
	topic := sparkplug.Topic{Group: yardGroup, Type: what, Node: e.name, Device: device}.String()
	e.c.Publish(topic, 0, false, sparkplug.Append(nil, p)).WaitTimeout(time.Minute)
}

func (e *edgeNode) births() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.publish(sparkplug.NBirth, "", e.bd(), sparkplug.Metric{Name: sparkplug.RebirthMetric, Type: sparkplug.Boolean, Value: sparkplug.Bool(false)},
		sparkplug.Metric{Name: "Rail/Temperature", Type: sparkplug.Float, Value: sparkplug.Float32(11.5)})
	for i, d := range e.devices {
		var metrics []sparkplug.Metric
		for j, m := range []sparkplug.Metric{
			{Name: "Throw/Count", Type: sparkplug.UInt32, Value: sparkplug.Int(0)}, {Name: "Throw/Direction", Type: sparkplug.Text, Value: sparkplug.String("N")},
			{Name: "Throw/Start", Type: sparkplug.DateTime, Null: true}, {Name: "Throw/Detected", Type: sparkplug.Boolean, Value: sparkplug.Bool(true)},
			{Name: "Trace/Rate", Type: sparkplug.Double, Value: sparkplug.Float64(100)}, {Name: "Trace/Current", Type: sparkplug.UInt16Array, Value: sparkplug.Bytes(nil)},
		} {
			m.Alias, m.Aliased = uint64(100*i+j+1), true
			metrics = append(metrics, m)
		}
		e.publish(sparkplug.DBirth, d, metrics...)
	}
}

// throw sends a throw of the i-th device, by aliases, without what has not changed.
func (e *edgeNode) throw(i, count int, x *ingest.Throw, historical bool, more ...sparkplug.Metric) {
	samples := make([]float64, len(x.Channels[0].Samples))
	for j, s := range x.Channels[0].Samples {
		samples[j] = max(s, 0)
	}
	x.Channels[0].Samples = samples
	metrics := append([]sparkplug.Metric{
		{Alias: 1, Value: sparkplug.Int(int32(count))}, {Alias: 2, Value: sparkplug.String(map[ingest.End]string{ingest.Normal: "N", ingest.Reverse: "R"}[x.To])},
		{Alias: 3, Value: sparkplug.Long(uint64(x.StartedAt.UnixMilli()))}, {Alias: 6, Value: sparkplug.Bytes(sparkplug.PackArray(sparkplug.UInt16Array, samples))},
	}, more...)
	for j := range metrics {
		metrics[j].Alias += uint64(100 * i)
		metrics[j].Aliased, metrics[j].Historical = true, historical
	}
	e.send(sparkplug.DData, e.devices[i], metrics...)
}

func (e *edgeNode) asked() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.rebirths
}

func sparkConfig(t *testing.T, m *mosquitto, dir string) Config {
	t.Helper()
	read, err := ReadConfig("sample", []byte(sampleSparkplug(t)), nil)
	if err != nil {
		t.Fatal(err)
	}
	c := configOf(m, dir)
	c.MQTT.Sparkplug = read.MQTT.Sparkplug
	return c
}

// ticking starts a daemon whose clock goes on from that of these tests.
func ticking(t *testing.T, c Config) *running {
	t.Helper()
	began := time.Now()
	r := &running{t: t, log: &logged{}, registry: prometheus.NewRegistry()}
	var err error
	r.Daemon, err = New(t.Context(), c, Options{
		Log: slog.New(slog.NewTextHandler(r.log, nil)), Registry: r.registry, Version: "test",
		Now: func() time.Time { return yardTime().Add(time.Since(began)) },
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.halt)
	if err := r.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	soon(t, "the daemon to be ready", func() bool { return r.Ready(t.Context()) == nil })
	return r
}

// soon is eventually with the patience that a busy machine asks for.
func soon(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(90 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("expected %s, found nothing of it in 90 s", what)
		}
	}
}

func (r *running) online(cabinet string) func() bool {
	return func() bool {
		for _, c := range r.Cabinets() {
			if c.Cabinet == cabinet {
				return c.Online
			}
		}
		return false
	}
}

// An edge node's throws come into the store over a real broker; a lost message
// and a restart have it asked for its births; its death makes the cabinet offline.
func TestSparkplug(t *testing.T) {
	m := startMosquitto(t)
	c := sparkConfig(t, m, t.TempDir())
	c.MQTT.Sparkplug.HostID = "throwline-1"
	r := ticking(t, c)
	e := startEdgeNode(t, m, "TOLB-1", 4, "TOLB-W01", "TOLB-W02")
	soon(t, "our STATE", func() bool {
		e.mu.Lock()
		defer e.mu.Unlock()
		return len(e.said) > 0 && strings.HasPrefix(e.said[len(e.said)-1], `throwline-1 {"online":true,"timestamp":1`)
	})
	e.births()
	soon(t, "the cabinet to be online", r.online("TOLB-1"))
	x := invented("TOLB-W01", 0, 0)
	e.throw(0, 1, x, false)
	soon(t, "the throw to be filed", func() bool { return r.count(stored) == 1 })
	x.ID = ""
	got, channels, err := r.store.Throw(t.Context(), x.Key())
	if err != nil {
		t.Fatal(err)
	}
	if got.Cabinet != "TOLB-1" || got.To != x.To || !got.Completed || got.RailTemperature != ingest.Known(11.5) || len(channels) != 1 ||
		fmt.Sprint(channels[0].Samples) != fmt.Sprint(x.Channels[0].Samples) || channels[0].SampleRate != 100 || channels[0].Scale != 0.01 {
		t.Errorf("found %+v, %+v", got, channels)
	}
	if n := e.asked(); n != 0 {
		t.Errorf("expected no request for a rebirth, found %d", n)
	}

	// A message is lost: the one after it waits for the births, which are asked for.
	e.mu.Lock()
	e.seq++
	e.mu.Unlock()
	e.throw(1, 1, invented("TOLB-W02", 1, 0), false)
	soon(t, "a rebirth to be asked for", func() bool { return e.asked() > 0 })
	soon(t, "the throw after the gap", func() bool { return r.count(stored) == 2 })

	// A broken one is set aside with all that explains it, and can go through again.
	bad := invented("TOLB-W02", 3, 0)
	bad.To = 0
	e.throw(1, 2, bad, false)
	soon(t, "the broken throw to be set aside", func() bool { return r.count(refused) == 1 })
	items, _, err := r.store.Quarantine(t.Context(), "", 10)
	if err != nil || len(items) != 1 {
		t.Fatalf("found %d, %v", len(items), err)
	}
	const why = `Throw/Direction (to): expected one of "N", "R", found ""`
	if f := (&ingest.Refusal{Faults: items[0].Faults}).Error(); f != why || items[0].Turnout != "TOLB-W02" || items[0].Topic != "spBv1.0/YARD/DDATA/TOLB-1/TOLB-W02" {
		t.Errorf("found %q, %+v", f, items[0])
	}
	if err := r.Retry(t.Context(), items[0].ID); err == nil || err.Error() != why {
		t.Errorf("found %v", err)
	}
	birthless, err := c.MapSparkplug("pm", items[0].Topic, nil, items[0].Payload, r.Now())
	if birthless != nil || err == nil || err.Error() != why {
		t.Errorf("found %v", err)
	}

	// After a restart the edge node is asked at once, for its name is in the store.
	r.halt()
	asked := e.asked()
	soon(t, "our STATE to be taken back", func() bool {
		e.mu.Lock()
		defer e.mu.Unlock()
		return strings.HasPrefix(e.said[len(e.said)-1], `throwline-1 {"online":false,"timestamp":1`)
	})
	r = ticking(t, c)
	soon(t, "a rebirth to be asked for after the restart", func() bool { return e.asked() > asked })
	e.throw(0, 2, invented("TOLB-W01", 4, 0), false)
	soon(t, "a throw after the restart", func() bool { return r.count(stored) == 1 })

	// A STATE of ours that says that we are gone, of an older connection, is put right.
	e.done(e.c.Publish("spBv1.0/STATE/throwline-1", 1, true, []byte(`{"online":false,"timestamp":1}`)))
	soon(t, "our STATE to be put right", func() bool {
		e.mu.Lock()
		defer e.mu.Unlock()
		last := e.said[len(e.said)-1]
		return strings.HasPrefix(last, `throwline-1 {"online":true,"timestamp":1`)
	})

	var sign alerting.Sign
	soon(t, "the doctor to know of the edge node", func() bool {
		for _, s := range r.Examine(t.Context()) {
			if s.What == "sparkplug" {
				sign = s
			}
		}
		return sign.Word == alerting.Good && strings.Contains(sign.Said, "1 edge nodes, 1 of them online, 2 devices")
	})
	if !strings.Contains(sign.Said, "QoS 0") || !strings.Contains(sign.Said, "rebirths asked for") {
		t.Errorf("found %+v", sign)
	}
	heard := Examine(t.Context(), &c, time.Millisecond)
	if s := heard[slices.IndexFunc(heard, func(s alerting.Sign) bool { return s.What == "sparkplug" })]; s.Word == alerting.Bad || !strings.Contains(s.Said, "QoS 0") {
		t.Errorf("found %+v", s)
	}

	// It goes without a word and comes back; its older death, come late, is not believed.
	e.c.Disconnect(0)
	e = startEdgeNode(t, m, "TOLB-1", 5, "TOLB-W01", "TOLB-W02")
	e.births()
	soon(t, "the cabinet to be online again", r.online("TOLB-1"))
	e.done(e.c.Publish("spBv1.0/YARD/NDEATH/TOLB-1", 1, false, sparkplug.Append(nil, &sparkplug.Payload{Metrics: []sparkplug.Metric{{Name: "bdSeq", Type: sparkplug.Int64, Value: sparkplug.Long(4)}}})))
	e.throw(0, 3, invented("TOLB-W01", 6, 0), false)
	soon(t, "a throw after another's death", func() bool { return r.count(stored) == 2 })
	if !r.online("TOLB-1")() {
		t.Error("an older connection's death made the cabinet offline")
	}
	e.done(e.c.Publish("spBv1.0/YARD/NDEATH/TOLB-1", 1, false, sparkplug.Append(nil, &sparkplug.Payload{Metrics: []sparkplug.Metric{e.bd()}})))
	soon(t, "the cabinet to be offline", func() bool { return !r.online("TOLB-1")() })
}

// The broker's Will for an edge node that is cut off makes its cabinet offline. A
// throw that was lost may be in the next birth; one that is none is no fault.
func TestSparkplugWill(t *testing.T) {
	m := startMosquitto(t)
	c := sparkConfig(t, m, t.TempDir())
	c.MQTT.Sparkplug.Cabinet, c.MQTT.Sparkplug.Throws[0].Births = "{group}-{node}", true
	r := ticking(t, c)
	e := startEdgeNode(t, m, "TOLB-1", 4, "TOLB-W01")
	e.births()
	soon(t, "the cabinet to be online", r.online("YARD-TOLB-1"))
	x := invented("TOLB-W01", 0, 0)
	e.send(sparkplug.DBirth, "TOLB-W01", sparkplug.Metric{Name: "Throw/Count", Type: sparkplug.UInt32, Value: sparkplug.Int(9)},
		sparkplug.Metric{Name: "Throw/Direction", Type: sparkplug.Text, Value: sparkplug.String("N")}, sparkplug.Metric{Name: "Throw/Detected", Type: sparkplug.Boolean, Value: sparkplug.Bool(true)},
		sparkplug.Metric{Name: "Throw/Start", Type: sparkplug.DateTime, Value: sparkplug.Long(uint64(x.StartedAt.UnixMilli()))}, sparkplug.Metric{Name: "Trace/Rate", Type: sparkplug.Double, Value: sparkplug.Float64(100)},
		sparkplug.Metric{Name: "Trace/Current", Type: sparkplug.Int16Array, Value: sparkplug.Bytes(sparkplug.PackArray(sparkplug.Int16Array, x.Channels[0].Samples))})
	soon(t, "the throw in the birth to be filed", func() bool { return r.count(stored) == 1 })
	if n := r.count(refused); n != 0 {
		t.Errorf("expected a birth without a throw to be no fault, found %v set aside", n)
	}
	// The same client id once more: the broker cuts the first off.
	other := paho.NewClient(paho.NewClientOptions().AddBroker(m.URL()).SetClientID("edge-TOLB-1").SetAutoReconnect(false))
	e.done(other.Connect())
	t.Cleanup(func() { other.Disconnect(100) })
	soon(t, "the cabinet to be offline", func() bool { return !r.online("YARD-TOLB-1")() })
	e.mu.Lock()
	defer e.mu.Unlock()
	if len(e.said) > 0 {
		t.Errorf("expected no STATE without a host_id, found %q", e.said)
	}
}

// What a historical throw shows is kept, and not told as it happens.
func TestSparkplugHistorical(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := sparkConfig(t, m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office"}}}
	r := ticking(t, c)
	e := startEdgeNode(t, m, "TOLB-1", 0, "TOLB-W01", "TOLB-W02")
	e.births()
	soon(t, "the cabinet to be online", r.online("TOLB-1"))
	// Both have just happened, and did not complete; the next throw of the one is well.
	throw := func(device string, i, count int, completed, historical bool) {
		x := invented(device, 0, 0)
		x.StartedAt = r.Now().Truncate(time.Millisecond)
		e.throw(i, count, x, historical, sparkplug.Metric{Alias: 4, Value: sparkplug.Bool(completed)}, sparkplug.Metric{Alias: 5, Value: sparkplug.Float64(100)})
	}
	throw("TOLB-W01", 0, 1, false, true)
	soon(t, "the historical throw to be filed", func() bool { return r.count(stored) == 1 })
	if n := len(r.OpenAlerts("TOLB-W01")); n != 1 {
		t.Errorf("expected one alert, found %d", n)
	}
	throw("TOLB-W02", 1, 1, false, false)
	reasons := func(turnout string) (list []alerting.Reason) {
		in.mu.Lock()
		defer in.mu.Unlock()
		for _, m := range in.got {
			if m.Alert.Turnout == turnout {
				list = append(list, m.Reason)
			}
		}
		return list
	}
	soon(t, "the current one to be told", func() bool { return slices.Contains(reasons("TOLB-W02"), alerting.NewAlert) })
	// The historical one may be told by now, as one that still stands.
	if list := reasons("TOLB-W01"); slices.Contains(list, alerting.NewAlert) {
		t.Errorf("found %q", list)
	}
}

func TestSparkplugConfig(t *testing.T) {
	good := sampleSparkplug(t)
	c, err := ReadConfig("c.yaml", []byte(good), nil)
	if err != nil {
		t.Fatal(err)
	}
	printed, err := c.Print()
	if err != nil {
		t.Fatal(err)
	}
	back, err := ReadConfig("printed", printed, nil)
	if err != nil || fmt.Sprint(back.MQTT.Sparkplug.Groups) != "[YARD]" || len(back.MQTT.Sparkplug.Throws) != 1 || back.MQTT.Sparkplug.Throws[0].Throw.Channels[0].Samples.At != "Trace/Current" {
		t.Errorf("%v in\n%s", err, printed)
	}
	for _, x := range []struct{ old, new, want string }{
		{"groups: [YARD]", "groups: [a/b]", `mqtt.sparkplug.groups[0]: expected a group of Sparkplug without + / #, or + for all, found "a/b"`},
		{"groups: [YARD]", `groups: ["+", A]`, `mqtt.sparkplug.groups[0]: expected + for all, or single groups, found both`},
		{"groups: [YARD]", "groups: []", `mqtt.sparkplug.groups: expected at least one beside throws, found none`},
		{"groups: [YARD]", "groups: [YARD]\n    host_id: a/b", `mqtt.sparkplug.host_id: expected a name without + / #, found "a/b"`},
		{"groups: [YARD]", "groups: [YARD]\n    cabinet: box", `mqtt.sparkplug.cabinet: expected a name of A-Z a-z 0-9 . _ - with {node}`},
		{"rebirth_every: 1s", "rebirth_every: 1ms", `mqtt.sparkplug.rebirth_every: expected a time from 1s to 1h, found 1ms`},
		{"births: false", "births: 5", `mqtt.sparkplug.throws[0].births: expected a bool`},
		{"trigger: Throw/Count", "trigger: ''", `mqtt.sparkplug.throws[0].trigger: expected the metric whose coming makes a throw`},
		{"to: {at: Throw/Direction", "to: {at: ''", `mqtt.sparkplug.throws[0].throw.to.at: expected the name of a metric, found nothing`},
		{"turnout: {is: \"{device}\"}", "turnout: {is: \"{devise}\"}", `mqtt.sparkplug.throws[0].throw.turnout.is: expected a name of A-Z a-z 0-9 . _ - and {group}, {node}, {device}, found "{devise}"`},
		{"samples: {at: Trace/Current}", "samples: {at: Trace/Current, value: /v}", `mqtt.sparkplug.throws[0].throw.channels[0].samples.value: expected nothing`},
		{"unit: A", "unit: W", `mqtt.sparkplug.throws[0].throw.channels[0].unit: expected A for motor_current, found "W"`},
		{"- name: pm", "- name: p m", `mqtt.sparkplug.throws[0].name: expected 1 to 64`},
		{"  throw:\n", "  throw:\n          cabinet: {is: C}\n", `mqtt.sparkplug.throws[0].throw.cabinet: expected nothing: mqtt.sparkplug.cabinet says it for all, found something`},
	} {
		if strings.Count(good, x.old) != 1 {
			t.Fatalf("%q does not stand once in\n%s", x.old, good)
		}
		_, err := ReadConfig("c.yaml", []byte(strings.Replace(good, x.old, x.new, 1)), nil)
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: expected %s\nfound %v", x.new, x.want, err)
		}
	}
	both := good + "  mapped:\n    - {name: x, topic: \"spBv1.0/+/+/{turnout}\", throw: {cabinet: {is: C}, to: {at: /a}, started_at: {at: /b}, completed: {at: /c}, channels: [{drive: main, quantity: motor_current, unit: A, sample_rate_hz: 50, samples: {at: /d}}]}}\n"
	if _, err := ReadConfig("c.yaml", []byte(both), nil); err == nil || !strings.Contains(err.Error(), "mqtt.mapped[0].topic: expected topics of its own, found some that are Sparkplug's as well") {
		t.Errorf("found %v", err)
	}
	if _, err := ReadConfig("c.yaml", []byte("mqtt: {sparkplug: {groups: [G]}}"), nil); err == nil || !strings.Contains(err.Error(), "mqtt.sparkplug.throws: expected at least one") {
		t.Errorf("found %v", err)
	}
	anew := strings.NewReplacer("births: false", "births: true", "{at: Throw/Start,", "{at: Throw/Start@timestamp,").Replace(good)
	if _, err := ReadConfig("c.yaml", []byte(anew), nil); err == nil || !strings.Contains(err.Error(), "mqtt.sparkplug.throws[0].births: expected false where started_at is when a metric was measured, found true") {
		t.Errorf("found %v", err)
	}
	next := c
	next.MQTT.Sparkplug.Throws = nil
	if p := sameSparkplug(&c, &next); len(p) != 1 {
		t.Errorf("found %v", p)
	}
	same, err := ReadConfig("c.yaml", []byte(good), nil)
	if p := sameSparkplug(&c, &same); err != nil || len(p) != 0 {
		t.Errorf("found %v", p)
	}
	if _, err := c.MapSparkplug("pn", "", nil, nil, time.Time{}); err == nil || ingest.AsRefusal(err) != nil {
		t.Errorf("found %v", err)
	}
	var none *ingest.Refusal
	if _, err := c.MapSparkplug("pm", "", nil, nil, time.Time{}); !errors.As(err, &none) {
		t.Errorf("found %v", err)
	}
}
