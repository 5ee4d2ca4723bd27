package sparkplug

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// batch is a message of so many throws, a second apart.
func batch(n int) Payload {
	var p Payload
	for i := range n {
		p.Metrics = append(p.Metrics, Metric{Name: "Count", Type: UInt32, Value: Int(int32(i)), Timestamp: uint64(i+1) * 1000, Timed: true})
	}
	return p
}

func TestThrowsInAMessage(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	if got := e.send("G/NDATA/N", batch(mostThrows)); len(got) != mostThrows || got[0].Kind != Data {
		t.Fatalf("expected %d throws, found %d", mostThrows, len(got))
	}
	p := batch(mostThrows + 1)
	got := e.want(e.send("G/NDATA/N", p), "refused")
	const why = "expected at most 4096 throws in a message, found 4097"
	if !strings.Contains(got[0].Refusal.Error(), why) || len(got[0].Payload) == 0 {
		t.Errorf("found %v, %d bytes", got[0].Refusal, len(got[0].Payload))
	}
	// The same when it is sent again, in a birth, and after it waited for one.
	if _, err := Alone(Settings{Uses: uses}, got[0].Topic, nil, got[0].Payload); err == nil || !strings.Contains(err.Error(), why) {
		t.Errorf("found %v", err)
	}
	e.want(e.send("G/DBIRTH/N/D", p), "online refused")
	f := newEdge(t)
	f.want(f.send("G/NDATA/N", p), "ask")
	f.want(f.nbirth(), "online refused")
}

func TestMemory(t *testing.T) {
	// Short messages count for what they take.
	e := newEdge(t)
	e.ddata("D", 1)
	if e.h.bytes < waitingCost {
		t.Errorf("found %d bytes", e.h.bytes)
	}
	e.nbirth()
	e.dbirth("D")
	if e.h.bytes != 0 {
		t.Errorf("found %d bytes", e.h.bytes)
	}
	// A text too long to keep takes the place of nothing, and leaves nothing.
	long := String(strings.Repeat("N", mostKept+1))
	e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(2, long)}}), "")
	e.parts(e.ddata("D", 2), `Count=2 Start=5 Trace=[1 -2 2] Trace@Rate=50`)
}

// TestStrangers: names that are made up take nobody's place.
func TestStrangers(t *testing.T) {
	h := NewHost(Settings{Uses: uses, Most: 2})
	take := func(topic string, p Payload) []Event {
		p.Numbered = true
		return h.Take("spBv1.0/"+topic, Append(nil, &p), noon)
	}
	for i := range mostStrangers + 3 {
		if got := take(fmt.Sprintf("g%d/NDATA/N", i), batch(1)); i < mostStrangers && kinds(got) != "ask" || i >= mostStrangers && kinds(got) != "data ask" {
			t.Fatalf("%d: found %q", i, kinds(got))
		}
	}
	if n := h.Tally(); n.Nodes != mostStrangers || n.Devices != 0 || n.Waiting != mostStrangers {
		t.Errorf("found %+v", n)
	}
	if got := take("gone/NDEATH/N", Payload{}); kinds(got) != "offline" || len(h.nodes) != mostStrangers {
		t.Errorf("found %q, %d", kinds(got), len(h.nodes))
	}
	if got := take("G/NBIRTH/N", Payload{}); kinds(got) != "online" {
		t.Fatalf("found %q", kinds(got))
	}
	// One of them is born: it is a stranger no longer.
	if got := take("g9/NBIRTH/N", Payload{}); kinds(got) != "online data" || len(h.strangers) != mostStrangers-1 {
		t.Fatalf("found %q, %d strangers", kinds(got), len(h.strangers))
	}
	// There is room for two: devices beyond are told, and so are edge nodes.
	for _, topic := range []string{"H/NBIRTH/N", "H/NDATA/N"} {
		if got := take(topic, Payload{}); kinds(got) != "refused" || len(got[0].Payload) == 0 {
			t.Errorf("%s: found %+v", topic, got)
		}
	}
	p := Payload{Seq: 1}
	if got := take("G/DBIRTH/N/D", p); kinds(got) != "refused" || len(got[0].Payload) == 0 {
		t.Errorf("found %+v", got)
	}
	// Those that never answer are forgotten.
	h.Connected(noon)
	h.Tick(noon.Add(mostMute * DefaultBirthWithin))
	if len(h.strangers) != 0 || len(h.nodes) != 2 || len(h.wait) != 0 || len(h.mute) != 0 || h.bytes != 0 {
		t.Errorf("found %d strangers, %+v", len(h.strangers), h.Tally())
	}
}

func TestDeathAhead(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	e.dbirth("D")
	ahead := Payload{Timestamp: uint64(noon.Add(time.Hour).UnixMilli()), Timed: true, Seq: e.seq, Numbered: true}
	if got := e.want(e.h.Take("spBv1.0/G/DDEATH/N/D", Append(nil, &ahead), noon), "offline"); !got[0].At.Equal(noon) {
		t.Errorf("found %v", got[0].At)
	}
}
