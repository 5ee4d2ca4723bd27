package daemon

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"throwline/ingest/mqtt"
	"throwline/ingest/sparkplug"
)

// yardHost is a host without a connection.
func yardHost(t *testing.T) (*sparkHost, *Config) {
	t.Helper()
	c, err := ReadConfig("sample", []byte(sampleSparkplug(t)), nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.MQTT.Sparkplug.Throws {
		c.MQTT.Sparkplug.Throws[i].Births = true
	}
	return newSparkHost(&c, nil, slog.New(slog.DiscardHandler), yardTime), &c
}

// yardThrow is a throw of the sample's, with names and datatypes.
func yardThrow(at time.Time, to string) []sparkplug.Metric {
	x := invented("TOLB-W01", 0, 0)
	ms := uint64(at.UnixMilli())
	list := []sparkplug.Metric{
		{Name: "Throw/Count", Type: sparkplug.UInt32, Value: sparkplug.Int(1)},
		{Name: "Throw/Start", Type: sparkplug.DateTime, Value: sparkplug.Long(ms)},
		{Name: "Throw/Detected", Type: sparkplug.Boolean, Value: sparkplug.Bool(true)},
		{Name: "Trace/Rate", Type: sparkplug.Double, Value: sparkplug.Float64(100)},
		{Name: "Trace/Current", Type: sparkplug.DoubleArray, Value: sparkplug.Bytes(sparkplug.PackArray(sparkplug.DoubleArray, x.Channels[0].Samples))},
		{Name: "Throw/Direction", Type: sparkplug.Text, Value: sparkplug.String(to)},
	}
	for i := range list {
		list[i].Timestamp, list[i].Timed = ms, true
	}
	return list
}

// TestSparkAgain: what is sent through again is filed whole or refused, for a
// message that is neither would be dropped.
func TestSparkAgain(t *testing.T) {
	_, c := yardHost(t)
	at := yardTime()
	batch := append(yardThrow(at.Add(-2*time.Minute), "N"), yardThrow(at.Add(-time.Minute), "R")...)
	for _, s := range []struct {
		what    string
		topic   string
		metrics []sparkplug.Metric
		want    string // of the refusal; "": there is a throw
	}{
		{"one", "DDATA", batch[:6], ""},
		{"several", "DDATA", batch, "expected one throw: a message of several cannot be sent again, found 2"},
		{"a birth that holds a throw", "DBIRTH", batch[:6], ""},
		{"a birth that does not", "DBIRTH", batch[:5], "Throw/Direction (to): expected"},
	} {
		p := c.sparkAgain("spBv1.0/YARD/"+s.topic+"/TOLB-1/TOLB-W01", sparkplug.Append(nil, &sparkplug.Payload{Metrics: s.metrics}), at)
		p.aside = 1
		newReader(c.Limits.wireLimits()).read(p)
		switch {
		case s.want == "" && (p.refusal != nil || p.throw == nil):
			t.Errorf("%s: expected a throw, found %v", s.what, p.refusal)
		case s.want != "" && (p.refusal == nil || !strings.Contains(p.refusal.Error(), s.want) || p.maybe()):
			t.Errorf("%s: expected %q, found %v", s.what, s.want, p.refusal)
		}
	}
}

// TestSparkRest: what came before a connection was lost is filed all the same.
func TestSparkRest(t *testing.T) {
	h, _ := yardHost(t)
	host := sparkplug.NewHost(h.limits)
	open := make(chan struct{})
	send := func(topic string, seq uint64, metrics ...sparkplug.Metric) {
		h.receive(&mqtt.Message{Topic: "spBv1.0/YARD/" + topic, Payload: sparkplug.Append(nil, &sparkplug.Payload{Seq: seq, Numbered: true, Metrics: metrics}), ArrivedAt: yardTime()}, open, open)
	}
	send("NBIRTH/TOLB-1", 0)
	send("DBIRTH/TOLB-1/TOLB-W01", 1)
	send("DDATA/TOLB-1/TOLB-W01", 2, yardThrow(yardTime(), "N")...)
	send("DDATA/TOLB-1/TOLB-W01", 9) // asks for a birth, of the next connection
	if h.bytes.Load() == 0 {
		t.Error("nothing is counted")
	}
	done := make(chan bool)
	go func() {
		ok := h.rest(t.Context(), host)
		close(h.parcels)
		done <- ok
	}()
	throws := 0
	for p := range h.parcels {
		if p.spark != nil {
			throws++
		}
	}
	if ok := <-done; !ok || throws != 1 || len(h.arrived) != 0 || h.bytes.Load() != 0 || len(h.wanted) != 0 {
		t.Errorf("found %v, %d throws, %d messages left of %d bytes, %d asked", ok, throws, len(h.arrived), h.bytes.Load(), len(h.wanted))
	}
}

// TestSparkRoom: messages wait within a bound of bytes, too.
func TestSparkRoom(t *testing.T) {
	h, _ := yardHost(t)
	host := sparkplug.NewHost(h.limits)
	never := make(chan struct{})
	big := make([]byte, sparkBytes+1)
	h.receive(&mqtt.Message{Topic: "t", Payload: big}, never, never)
	gone := make(chan struct{})
	close(gone)
	if h.receive(&mqtt.Message{Topic: "t"}, gone, never); len(h.arrived) != 1 {
		t.Fatalf("expected no room, found %d messages", len(h.arrived))
	}
	came := make(chan struct{})
	go func() {
		h.receive(&mqtt.Message{Topic: "t"}, never, never)
		close(came)
	}()
	h.hear(host, <-h.arrived)
	<-came
	if len(h.arrived) != 1 || h.bytes.Load() != 1 {
		t.Errorf("found %d messages of %d bytes", len(h.arrived), h.bytes.Load())
	}
}
