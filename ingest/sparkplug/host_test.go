package sparkplug

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// uses are a throw of metrics, and one of a template.
var uses = []Use{
	{Trigger: "Count", Names: []string{"Count", "Dir", "Start", "Trace", "Trace@Rate", "Rail", "Table/i"}, Births: true},
	{Trigger: "Throw", Names: []string{"Throw", "Throw/to", "Throw/trace", "Throw@timestamp"}},
}

// edge is an edge node as a test plays it.
type edge struct {
	t   *testing.T
	h   *Host
	seq uint64
	bd  uint64
	now time.Time
}

func newEdge(t *testing.T) *edge { return &edge{t: t, h: NewHost(Settings{Uses: uses}), now: noon} }

func (e *edge) send(topic string, p Payload) []Event {
	e.t.Helper()
	p.Timestamp, p.Timed = uint64(e.now.UnixMilli()), true
	if !strings.Contains(topic, "NDEATH") {
		p.Seq, p.Numbered = e.seq, true
		e.seq = (e.seq + 1) % 256
	}
	return e.h.Take("spBv1.0/"+topic, Append(nil, &p), e.now)
}

func (e *edge) bdSeq() Metric { return Metric{Name: "bdSeq", Type: Int64, Value: Long(e.bd)} }

func (e *edge) nbirth(more ...Metric) []Event {
	e.t.Helper()
	e.seq = 0
	return e.send("G/NBIRTH/N", Payload{Metrics: append([]Metric{e.bdSeq(), {Name: RebirthMetric, Type: Boolean, Value: Bool(false)}}, more...)})
}

func (e *edge) ndeath() []Event { return e.send("G/NDEATH/N", Payload{Metrics: []Metric{e.bdSeq()}}) }

// dbirth gives every metric of a throw a name, an alias and a datatype.
func (e *edge) dbirth(device string) []Event {
	e.t.Helper()
	return e.send("G/DBIRTH/N/"+device, Payload{Metrics: []Metric{
		{Name: "Count", Alias: 1, Aliased: true, Type: UInt32, Null: true},
		{Name: "Dir", Alias: 2, Aliased: true, Type: Text, Value: String("N")},
		{Name: "Start", Alias: 3, Aliased: true, Type: DateTime, Null: true},
		{Name: "Trace", Alias: 4, Aliased: true, Type: Int16Array, Value: Bytes(nil), Properties: []Property{{Key: "Rate", Type: Double, Value: Float64(50)}}},
		{Name: "Other", Alias: 5, Aliased: true, Type: Double, Value: Float64(1)},
		{Name: "Throw", Alias: 6, Aliased: true, Type: TemplateType, Value: Value{Form: TemplateValue, Template: &Template{Ref: "PM", Metrics: []Metric{
			{Name: "to", Type: Text, Value: String("")}, {Name: "trace", Type: FloatArray, Value: Bytes(nil)},
		}}}},
	}})
}

func alias(n uint64, v Value) Metric { return Metric{Alias: n, Aliased: true, Value: v} }

func samples(v ...float64) Value { return Bytes(PackArray(Int16Array, v)) }

// ddata is a throw by aliases alone, without what has not changed.
func (e *edge) ddata(device string, count int32, more ...Metric) []Event {
	e.t.Helper()
	return e.send("G/DDATA/N/"+device, Payload{Metrics: append([]Metric{alias(1, Int(count)), alias(3, Long(5)), alias(4, samples(1, -2, float64(count)))}, more...)})
}

func kinds(list []Event) string {
	var s []string
	for _, e := range list {
		s = append(s, []string{"data", "online", "offline", "ask", "refused"}[e.Kind])
	}
	return strings.Join(s, " ")
}

func (e *edge) want(got []Event, kind string) []Event {
	e.t.Helper()
	if k := kinds(got); k != kind {
		e.t.Fatalf("expected %q, found %q: %+v", kind, k, got)
	}
	return got
}

// parts writes a reading's parts for comparison.
func parts(r *Reading) string {
	var s []string
	for _, name := range uses[r.Use].Names {
		if p, ok := r.Part(name); ok {
			text := string(p.JSON)
			if p.List != nil {
				text = fmt.Sprint(p.List)
			}
			s = append(s, name+"="+text)
		}
	}
	return strings.Join(s, " ")
}

func (e *edge) parts(got []Event, want ...string) {
	e.t.Helper()
	var found []string
	for _, x := range got {
		if x.Kind == Data {
			found = append(found, parts(x.Reading))
			again(e.t, Settings{Uses: uses}, x.Reading)
		}
	}
	if !reflect.DeepEqual(found, want) {
		e.t.Errorf("expected %q\nfound %q", want, found)
	}
}

func TestBirthsAndData(t *testing.T) {
	e := newEdge(t)
	on := e.want(e.nbirth(Metric{Name: "Rail", Type: Float, Value: Float32(7.5)}), "online")
	if on[0].Topic.Node != "N" || on[0].Topic.Device != "" || !on[0].At.Equal(noon) {
		t.Errorf("found %+v", on[0])
	}
	e.want(e.dbirth("D"), "online")
	e.parts(e.want(e.ddata("D", 1), "data"), `Count=1 Dir="N" Start=5 Trace=[1 -2 1] Trace@Rate=50 Rail=7.5`)
	// By exception: the direction alone, then a throw that has it.
	e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(2, String("R"))}}), "")
	e.parts(e.ddata("D", 2), `Count=2 Dir="R" Start=5 Trace=[1 -2 2] Trace@Rate=50 Rail=7.5`)
	// A trace that comes before its trigger waits for it, and counts once.
	e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(4, samples(9, 9))}}), "")
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(1, Int(3))}}), `Count=3 Dir="R" Start=5 Trace=[9 9] Trace@Rate=50 Rail=7.5`)
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(1, Int(4))}}), `Count=4 Dir="R" Start=5 Trace@Rate=50 Rail=7.5`)
	if e.h.elements != 0 {
		t.Errorf("expected nothing to wait, found %d", e.h.elements)
	}
	// Null takes back what was known.
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{{Alias: 2, Aliased: true, Null: true}, alias(1, Int(5))}}), `Count=5 Start=5 Trace@Rate=50 Rail=7.5`)
	// A template, and names in place of aliases.
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(6, Value{Form: TemplateValue, Template: &Template{Ref: "PM", Metrics: []Metric{
		{Name: "to", Value: String("N")}, {Name: "trace", Value: Bytes(PackArray(FloatArray, []float64{1, 2}))},
	}}})}}), fmt.Sprintf(`Throw={} Throw/to="N" Throw/trace=[1 2] Throw@timestamp=%d`, noon.UnixMilli()))
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{{Name: "Count", Value: Int(6)}, {Name: "Nobody", Value: Int(6)}}}), `Count=6 Start=5 Trace@Rate=50 Rail=7.5`)
	// A dataset's column.
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(1, Int(7)), {Name: "Table", Type: DataSetType, Value: Value{Form: DataSetValue, DataSet: &DataSet{
		Columns: []string{"t", "i"}, Types: []DataType{Double, Int16}, Rows: [][]Value{{Float64(0), Int(3)}, {Float64(1), Int(-4)}},
	}}}}}), `Count=7 Start=5 Trace@Rate=50 Rail=7.5 Table/i=[3 -4]`)
	// Two devices of one edge node have aliases, and values, of their own.
	e.dbirth("E")
	e.parts(e.ddata("E", 8), `Count=8 Dir="N" Start=5 Trace=[1 -2 8] Trace@Rate=50 Rail=7.5`)
	// A value in the wrong field is told with its name.
	got := e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(1, Int(9)), alias(2, Int(1))}}), "data")
	if r := got[0].Reading.Refusal; r == nil || r.Error() != "Dir: expected string_value of type String, found int_value" {
		t.Errorf("found %v", r)
	}
}

func TestSequence(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	e.dbirth("D")
	for n := range int32(600) { // over 255 twice
		e.want(e.ddata("D", n), "data")
	}
	if n := e.h.Tally(); n.Gaps != 0 || n.Asked != 0 || n.Data != 600 {
		t.Errorf("found %+v", n)
	}
	e.seq++ // a message is lost
	ask := e.want(e.ddata("D", 601), "ask")
	if ask[0].Topic.Command() != "spBv1.0/G/NCMD/N" || !strings.Contains(ask[0].Why, "sequence number") {
		t.Errorf("found %+v", ask[0])
	}
	e.want(e.ddata("D", 602), "") // asked just now
	e.want(e.nbirth(), "")        // online it was all along
	e.parts(e.want(e.dbirth("D"), "data data"), `Count=601 Dir="N" Start=5 Trace=[1 -2 601] Trace@Rate=50`, `Count=602 Dir="N" Start=5 Trace=[1 -2 602] Trace@Rate=50`)
	e.want(e.ddata("D", 603), "data")

	// One that does not answer is asked again, and then believed as it was.
	e.now = e.now.Add(DefaultRebirthEvery)
	e.seq += 3
	e.want(e.ddata("D", 604), "ask")
	e.now = e.now.Add(DefaultBirthWithin - time.Second)
	e.want(e.h.Tick(e.now), "")
	e.now = e.now.Add(time.Second)
	e.parts(e.want(e.h.Tick(e.now), "data"), `Count=604 Dir="N" Start=5 Trace=[1 -2 604] Trace@Rate=50`)
	e.want(e.ddata("D", 605), "data")
	if n := e.h.Tally(); n.Gaps != 2 || n.Waiting != 0 || e.h.bytes != 0 {
		t.Errorf("found %+v, %d bytes", n, e.h.bytes)
	}
	// No sequence number at all.
	got := e.want(e.h.Take("spBv1.0/G/NDATA/N", Append(nil, &Payload{}), e.now), "refused")
	if got[0].Refusal.Error() != "seq: expected 0 to 255, found nothing" {
		t.Errorf("found %v", got[0].Refusal)
	}
}

func TestUnknown(t *testing.T) {
	e := newEdge(t)
	e.want(e.ddata("D", 1), "ask") // of an edge node that nobody knows
	e.want(e.nbirth(), "online")
	e.parts(e.want(e.dbirth("D"), "online data"), `Count=1 Dir="N" Start=5 Trace=[1 -2 1] Trace@Rate=50`)
	e.now = e.now.Add(time.Minute)
	e.want(e.ddata("X", 2), "ask") // of a device without a birth
	e.now = e.now.Add(time.Minute)
	// An alias that no birth has named.
	e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(99, samples(1))}}), "ask")
	got := e.want(e.h.Tick(e.now), "refused")
	if !strings.Contains(got[0].Refusal.Error(), "a birth (NBIRTH, DBIRTH) that explains it") || got[0].Topic.Device != "X" || len(got[0].Payload) == 0 {
		t.Errorf("found %+v", got[0])
	}
	e.now = e.now.Add(time.Minute)
	got = e.want(e.h.Tick(e.now), "ask refused")
	if !strings.Contains(got[1].Refusal.Error(), "alias 99") {
		t.Errorf("found %v", got[1].Refusal)
	}
	// What can be no throw is nothing to keep.
	e.send("G/DDATA/N/Y", Payload{Metrics: []Metric{alias(1, Int(1))}})
	e.now = e.now.Add(DefaultBirthWithin)
	e.want(e.h.Tick(e.now), "")
	if n := e.h.Tally(); n.Dropped != 1 || n.Waiting != 0 {
		t.Errorf("found %+v", n)
	}
	// What explains itself needs no birth, once none has come.
	self := []Metric{{Name: "Count", Type: UInt32, Value: Int(3)}, {Name: "Trace", Type: Int16Array, Value: samples(4, 5)}}
	e.send("G/DDATA/N/Z", Payload{Metrics: self})
	e.now = e.now.Add(DefaultBirthWithin)
	e.parts(e.h.Tick(e.now), `Count=3 Trace=[4 5]`)
	// A device's birth before the edge node's means nothing.
	f := newEdge(t)
	f.want(f.dbirth("D"), "ask")
	// No more wait than there is room for.
	for n := range int32(mostWaiting) {
		f.want(f.ddata("D", n), "")
	}
	f.want(f.ddata("D", 99), "refused")
	if len(f.h.nodes[[2]string{"G", "N"}].waiting) != mostWaiting {
		t.Errorf("found %+v", f.h.Tally())
	}
	// Nor are more taken than are to be.
	g := NewHost(Settings{Uses: uses, Most: 1})
	g.Take("spBv1.0/G/NBIRTH/N", Append(nil, &Payload{Numbered: true}), noon)
	if got := g.Take("spBv1.0/G/NBIRTH/O", Append(nil, &Payload{Numbered: true}), noon); kinds(got) != "refused" {
		t.Errorf("found %+v", got)
	}
}

func TestDeaths(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	e.dbirth("D")
	e.dbirth("E")
	e.now = e.now.Add(time.Minute)
	// A device's death, at the time that it says.
	got := e.want(e.h.Take("spBv1.0/G/DDEATH/N/E", Append(nil, &Payload{Timestamp: uint64(noon.UnixMilli()), Timed: true, Seq: e.seq, Numbered: true}), e.now), "offline")
	if e.seq++; !got[0].At.Equal(noon) || got[0].Topic.Device != "E" {
		t.Errorf("found %+v", got[0])
	}
	e.want(e.ddata("E", 1), "ask") // stale until it is born again
	// The Will of an older connection, come late, means nothing.
	e.bd = 7
	e.nbirth()
	e.dbirth("D")
	e.want(e.h.Take("spBv1.0/G/NDEATH/N", Append(nil, &Payload{Metrics: []Metric{{Name: "bdSeq", Type: Int64, Value: Long(6)}}}), e.now), "")
	e.want(e.ddata("D", 1), "data")
	// This one does, for the edge node and all its devices, at our own time.
	e.now = e.now.Add(time.Minute)
	got = e.want(e.ndeath(), "refused offline offline")
	for _, x := range got[1:] {
		if !x.At.Equal(e.now) {
			t.Errorf("found %+v", x)
		}
	}
	e.want(e.ndeath(), "")
	e.want(e.ddata("D", 2), "ask")
	// Born again, everything is as the births say.
	e.bd = 8
	e.want(e.nbirth(), "online")
	e.parts(e.want(e.dbirth("D"), "online data"), `Count=2 Dir="N" Start=5 Trace=[1 -2 2] Trace@Rate=50`)

	// After a new connection nobody's session is known: all are asked.
	e.h.Expect("G", "M")
	e.now = e.now.Add(time.Second)
	got = e.want(e.h.Connected(e.now), "ask ask")
	if got[0].Topic.Node != "M" || got[1].Topic.Node != "N" {
		t.Errorf("found %+v", got)
	}
	e.want(e.ddata("D", 3), "")
	e.want(e.nbirth(), "online")
	e.want(e.dbirth("D"), "online data")

	// One that never answers is asked again, and is not there then.
	e.now = e.now.Add(DefaultRebirthEvery)
	e.want(e.h.Tick(e.now), "ask")
	e.now = e.now.Add(mostMute*DefaultBirthWithin - DefaultRebirthEvery)
	got = e.want(e.h.Tick(e.now), "offline")
	if got[0].Topic.Node != "M" {
		t.Errorf("found %+v", got)
	}
	e.now = e.now.Add(time.Hour)
	e.want(e.h.Tick(e.now), "")
}

func TestHistorical(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	e.dbirth("D")
	past := func(m Metric, at uint64) Metric {
		m.Historical, m.Timestamp, m.Timed = true, at, true
		return m
	}
	// Nothing that is current is mixed in, and it makes nothing current.
	got := e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{past(alias(1, Int(1)), 10), past(alias(4, samples(1, 2)), 10), past(alias(2, String("R")), 10)}}), "data")
	e.parts(got, `Count=1 Dir="R" Trace=[1 2]`)
	if !got[0].Reading.Historical {
		t.Error("expected it to be historical")
	}
	got = e.ddata("D", 2)
	e.parts(got, `Count=2 Dir="N" Start=5 Trace=[1 -2 2] Trace@Rate=50`)
	if got[0].Reading.Historical {
		t.Error("expected it to be current")
	}
	// Many in one message are told apart by their times.
	e.parts(e.want(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{
		past(alias(1, Int(3)), 20), past(alias(2, String("N")), 20), past(alias(4, samples(3)), 20),
		past(alias(1, Int(4)), 30), past(alias(2, String("R")), 29), past(alias(4, samples(4)), 30),
	}}), "data data"), `Count=3 Dir="N" Trace=[3]`, `Count=4 Dir="R" Trace=[4]`)
}

// A birth has the latest throw, which may be one that was lost.
func TestThrowInABirth(t *testing.T) {
	e := newEdge(t)
	e.nbirth()
	list := e.want(e.send("G/DBIRTH/N/D", Payload{Metrics: []Metric{
		{Name: "Count", Alias: 1, Aliased: true, Type: UInt32, Value: Int(7)}, {Name: "Trace", Alias: 4, Aliased: true, Type: Int16Array, Value: samples(7, 7)},
		{Name: "Throw", Type: TemplateType, Value: Value{Form: TemplateValue, Template: &Template{}}},
	}}), "online data")
	if r := list[1].Reading; !r.Birth || parts(r) != `Count=7 Trace=[7 7]` {
		t.Errorf("found %+v", r)
	}
	e.parts(e.send("G/DDATA/N/D", Payload{Metrics: []Metric{alias(1, Int(8))}}), `Count=8`)
}

func TestAlone(t *testing.T) {
	s := Settings{Uses: uses}
	topic, _ := ParseTopic("spBv1.0/G/DDATA/N/D")
	birth := Append(nil, &Payload{Metrics: []Metric{{Name: "Count", Alias: 1, Aliased: true, Type: UInt32, Null: true}, {Name: "Dir", Type: Text, Value: String("N")}}})
	data := Append(nil, &Payload{Metrics: []Metric{alias(1, Int(1))}})
	if _, err := Alone(s, topic, nil, data); err == nil || !strings.Contains(err.Error(), "found alias 1") {
		t.Errorf("found %v", err)
	}
	if list, err := Alone(s, topic, [][]byte{birth}, data); err != nil || len(list) != 1 || parts(list[0]) != `Count=1 Dir="N"` {
		t.Errorf("found %+v, %v", list, err)
	}
	if _, err := Alone(s, topic, [][]byte{{1}}, data); err == nil {
		t.Error("expected the birth to be refused")
	}
	if _, err := Alone(s, topic, nil, []byte{1}); err == nil {
		t.Error("expected the message to be refused")
	}
}

func TestCommandAndState(t *testing.T) {
	p := decoded(t, Rebirth(5))
	if len(p.Metrics) != 1 || p.Metrics[0].Name != "Node Control/Rebirth" || p.Metrics[0].Value.Bits != 1 || p.Metrics[0].Type != Boolean || p.Numbered || p.Timestamp != 5 {
		t.Errorf("found %+v", p)
	}
	if s := string(StatePayload(true, 5)); s != `{"online":true,"timestamp":5}` || StateTopic("h") != "spBv1.0/STATE/h" {
		t.Errorf("found %s", s)
	}
}
