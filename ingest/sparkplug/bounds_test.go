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

// TestDevicesOfANode: one edge node takes no room of others.
func TestDevicesOfANode(t *testing.T) {
	h := NewHost(Settings{Uses: uses, Most: 40})
	take := func(topic string, p Payload) []Event {
		p.Numbered = true
		return h.Take("spBv1.0/"+topic, Append(nil, &p), noon)
	}
	take("G/NBIRTH/N", Payload{})
	refused, seq := 0, uint64(0)
	for i := range 300 {
		seq = uint64(i+1) % 256
		got := take(fmt.Sprintf("G/DBIRTH/N/D%d", i), Payload{Seq: seq})
		switch k := kinds(got); {
		case k == "online" && i < 20:
		case k == "refused" && i >= 20 && len(got[0].Payload) > 0 && got[0].Refusal.Error() == "topic: expected one of the 20 devices known of this edge node: no more are taken, found a new one":
			refused++
		default:
			t.Fatalf("%d: found %q", i, k)
		}
	}
	if n := h.Tally(); n.Devices != 20 || n.TurnedAway != 280 || refused != 280 || len(h.nodes[[2]string{"G", "N"}].devices) != 20 {
		t.Errorf("found %+v", n)
	}
	// What is known goes on, and another edge node has room.
	throw := batch(1)
	throw.Seq = seq + 1
	if got := take("G/DDATA/N/D7", throw); kinds(got) != "data" {
		t.Errorf("found %q", kinds(got))
	}
	take("G/NBIRTH/M", Payload{})
	if got := take("G/DBIRTH/M/D", Payload{Seq: 1}); kinds(got) != "online" {
		t.Errorf("found %q", kinds(got))
	}
}

// TestAliases: what a birth says of metrics that are of no use is kept within a
// bound, for all together; throws need none of it.
func TestAliases(t *testing.T) {
	var many []Metric
	for i := range uint64(1000) {
		many = append(many, Metric{Name: fmt.Sprintf("Other/%d", i), Alias: 100 + i, Aliased: true, Type: Double, Value: Float64(1)})
	}
	e := newEdge(t)
	for range 20 { // again and again: it takes the place of what was said before
		e.nbirth(many...)
	}
	e.dbirth("D")
	if e.h.aliases != 1001 || e.h.Tally().LetGo != 0 {
		t.Fatalf("found %d aliases, %d let go", e.h.aliases, e.h.Tally().LetGo)
	}
	e.want(e.send("G/NDATA/N", Payload{Metrics: []Metric{alias(1099, Float64(2))}}), "")
	e.want(e.send("G/NDATA/N", Payload{Metrics: []Metric{alias(1100, Float64(2))}}), "ask")
	// There is room for two more.
	e.h.aliases = mostAliases - 2
	for i := range 20 {
		e.want(e.send(fmt.Sprintf("G/DBIRTH/N/E%d", i), Payload{Metrics: many}), "online")
	}
	if e.h.aliases != mostAliases-2 || e.h.Tally().LetGo != 20_000 {
		t.Errorf("found %d aliases, %d let go", mostAliases-e.h.aliases, e.h.Tally().LetGo)
	}
	e.h.clear(e.h.nodes[[2]string{"G", "N"}].devices["D"])
	e.want(e.dbirth("D"), "")
	e.parts(e.ddata("D", 1), `Count=1 Dir="N" Start=5 Trace=[1 -2 1] Trace@Rate=50`)
	e.h.aliases = mostAliases
	e.want(e.dbirth("F"), "online") // it lets one alias go, of no use
	e.parts(e.ddata("F", 1, alias(5, Float64(3)), alias(77, Float64(3))), `Count=1 Dir="N" Start=5 Trace=[1 -2 1] Trace@Rate=50`)
	// Very many for the same name are no use of it.
	var same []Metric
	for i := range uint64(1000) {
		same = append(same, Metric{Name: "Count", Alias: i, Aliased: true, Type: UInt32, Null: true})
	}
	e.send("G/DBIRTH/N/F", Payload{Metrics: same})
	if n := len(e.h.nodes[[2]string{"G", "N"}].devices["F"].alias); n > aliasesOfName*len(e.h.words.names) {
		t.Errorf("found %d", n)
	}
	e.ndeath()
	if e.h.aliases > mostAliases-1000 {
		t.Errorf("found %d after the death", e.h.aliases)
	}
}

func TestLongNames(t *testing.T) {
	e := newEdge(t)
	long := strings.Repeat("x", mostID+1)
	for i := range 200 {
		for _, topic := range []string{"%d" + long + "/NBIRTH/N", "G/NBIRTH/%d" + long, "G/NDATA/%d" + long, "G/DBIRTH/N/%d" + long} {
			got := e.want(e.h.Take("spBv1.0/"+fmt.Sprintf(topic, i), Append(nil, &Payload{Numbered: true}), noon), "refused")
			if !strings.HasPrefix(got[0].Refusal.Error(), "topic: expected names of at most 256 bytes, found 2") {
				t.Fatal(got[0].Refusal)
			}
		}
	}
	if n := e.h.Tally(); n.TurnedAway != 800 || len(e.h.nodes)+len(e.h.strangers)+len(e.h.wait) != 0 {
		t.Errorf("found %+v", n)
	}
}

// TestArraysOfAMessage: a bit makes a number of eight bytes, but not without end.
func TestArraysOfAMessage(t *testing.T) {
	e := &edge{t: t, h: NewHost(Settings{Uses: uses, Limits: Limits{Bytes: 20_000, Samples: 8000}}), now: noon}
	e.nbirth()
	p := batch(1)
	for range 15 {
		p.Metrics = append(p.Metrics, Metric{Name: "Trace", Type: BooleanArray, Value: Bytes(PackArray(BooleanArray, make([]float64, 8000)))})
	}
	got := e.want(e.send("G/NDATA/N", p), "data")
	if r := got[0].Reading.Refusal; r == nil || r.Error() != "Trace: expected at most 20000 elements in all arrays of a message, found more" {
		t.Errorf("found %v", r)
	}
	if e.h.elements > 8000 {
		t.Errorf("%d elements are kept", e.h.elements)
	}
	p = batch(1)
	p.Metrics = append(p.Metrics, Metric{Name: "Trace", Type: Int8Array, Value: Bytes(make([]byte, 8000))}, Metric{Name: "Table/i", Type: Int8Array, Value: Bytes(make([]byte, 8000))})
	if got := e.want(e.send("G/NDATA/N", p), "data"); got[0].Reading.Refusal != nil {
		t.Errorf("found %v", got[0].Reading.Refusal)
	}
}

// TestWaitingIsBounded: what waits, for a birth or for its trigger, has a bound
// for all together; what finds no room is read as well as can be.
func TestWaitingIsBounded(t *testing.T) {
	e := newEdge(t)
	e.h.bytes = mostWaitingBytes - 4*waitingCost // of others
	for range int32(20) {
		e.ddata("D", 1)
	}
	if n := e.h.nodes[[2]string{"G", "N"}]; len(n.waiting) > 3 || e.h.bytes > mostWaitingBytes {
		t.Errorf("%d messages wait, %d bytes", len(n.waiting), e.h.bytes)
	}
	f := newEdge(t)
	f.nbirth()
	f.dbirth("D")
	f.h.elements = mostElements - 100 // of others
	for range 20 {
		f.want(f.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(4, Bytes(make([]byte, 2*1000)))}}), "")
	}
	if f.h.elements > mostElements {
		t.Errorf("%d elements are kept", f.h.elements)
	}
	// The throw that its list comes with needs no room.
	f.parts(f.ddata("D", 1), `Count=1 Dir="N" Start=5 Trace=[1 -2 1] Trace@Rate=50`)
}
