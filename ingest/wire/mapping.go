package wire

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"throwline/ingest"
)

// Mapping says where in the JSON of a cabinet that cannot be changed the parts
// of a throw stand. At is always a JSON pointer (RFC 6901) into the message, or
// a name where the message is no JSON but parts with names ([NewNamedMap]);
// an empty At is a part that the messages do not have. A null counts as absent.
type Mapping struct {
	Cabinet         MappedName        `yaml:"cabinet"`  // where the topic names none
	Turnout         MappedName        `yaml:"turnout"`  // the same
	ThrowID         MappedID          `yaml:"throw_id"` // text or a whole number
	To              MappedEnd         `yaml:"to"`
	StartedAt       MappedMoment      `yaml:"started_at"`
	Completed       MappedBool        `yaml:"completed"`
	Detections      []MappedDetection `yaml:"detections"`
	RailTemperature MappedNumber      `yaml:"rail_temperature_c"`
	Supply          MappedNumber      `yaml:"supply_v"`
	Channels        []MappedChannel   `yaml:"channels"`
}

// MappedName is a name in the message, or the same for all messages.
type MappedName struct {
	At string `yaml:"at"`
	Is string `yaml:"is"`
}

// MappedID is what tells a throw from the others of its turnout.
type MappedID struct {
	At string `yaml:"at"`
}

// MappedEnd is the end commanded. Values gives their words for normal and
// reverse; without any, the message uses ours.
type MappedEnd struct {
	At     string            `yaml:"at"`
	Values map[string]string `yaml:"values"`
}

// MappedBool is true or false. Values gives their words; without any, the
// message has true and false.
type MappedBool struct {
	At     string          `yaml:"at"`
	Values map[string]bool `yaml:"values"`
}

// MappedMoment is a time: As is rfc3339, also where it is "", unix_s or unix_ms.
type MappedMoment struct {
	At string `yaml:"at"`
	As string `yaml:"as"`
}

// MappedNumber is a number, or a text that is one: theirs × Factor + Plus.
type MappedNumber struct {
	At     string   `yaml:"at"`
	Factor *float64 `yaml:"factor"` // nil: 1
	Plus   float64  `yaml:"plus"`
}

// MappedDetection is a detector; where the message has no number for it, it did
// not make.
type MappedDetection struct {
	Place string       `yaml:"place"`
	After MappedNumber `yaml:"after_s"`
}

// MappedChannel is one channel. SampleRate is the same for all messages, or
// stands at SampleRateAt.
type MappedChannel struct {
	Drive        string        `yaml:"drive"`
	Quantity     string        `yaml:"quantity"`
	Unit         string        `yaml:"unit"`
	SampleRate   float64       `yaml:"sample_rate_hz"`
	SampleRateAt string        `yaml:"sample_rate_at"`
	Offset       float64       `yaml:"offset_s"`
	Scale        *float64      `yaml:"scale"` // nil: 1
	Zero         float64       `yaml:"zero"`
	Samples      MappedSamples `yaml:"samples"`
	Optional     bool          `yaml:"optional"` // a message without its samples is no fault
}

// MappedSamples is a list of numbers, or of objects in which each number
// stands at Value, a pointer into the element.
type MappedSamples struct {
	At    string `yaml:"at"`
	Value string `yaml:"value"`
}

// The forms of a time.
const (
	asRFC3339 = "rfc3339"
	asUnixS   = "unix_s"
	asUnixMS  = "unix_ms"
)

// Bounds of a mapping, so that a reason for refusal has one too.
const (
	mostPointer = 256 // bytes
	mostTokens  = 16
	mostValues  = 64
	mostWord    = 64 // bytes of their word for a value
)

// Map is a Mapping that was checked. It does not change and may be shared.
type Map struct {
	m     Mapping
	named map[string]int // slots by name; nil: by pointer
	root  *way
	value map[string]*way // of MappedSamples.Value
	most  int             // pointers
}

// way is a member or an element on the way to what is mapped.
type way struct {
	slot int // where what stands here is put, -1: nowhere
	next map[string]*way
}

// checker collects what is wrong with a mapping.
type checker struct {
	named  bool // At is a name
	faults []ingest.Fault
}

func (c *checker) add(path, expected, found string) {
	c.faults = append(c.faults, ingest.Fault{Path: path, Expected: expected, Found: found})
}

// NewMap checks a mapping. withCabinet and withTurnout: the topic names them.
// The faults are all that is wrong with it, by the keys of the configuration.
func NewMap(m Mapping, withCabinet, withTurnout bool) (*Map, []ingest.Fault) {
	return checkedMap(m, withCabinet, withTurnout, false)
}

// NewNamedMap is NewMap for messages that are no JSON but parts with names, read
// by [Decoder.Named].
func NewNamedMap(m Mapping, withCabinet, withTurnout bool) (*Map, []ingest.Fault) {
	return checkedMap(m, withCabinet, withTurnout, true)
}

func checkedMap(m Mapping, withCabinet, withTurnout, named bool) (*Map, []ingest.Fault) {
	c := checker{named: named}
	c.name("cabinet", &m.Cabinet, withCabinet)
	c.name("turnout", &m.Turnout, withTurnout)
	c.pointer("throw_id.at", m.ThrowID.At, false)
	c.pointer("to.at", m.To.At, true)
	for _, word := range slices.Sorted(maps.Keys(m.To.Values)) {
		c.word("to.values", word, len(m.To.Values))
		if _, ok := ingest.ParseEnd(m.To.Values[word]); !ok {
			c.add("to.values["+clip(word, mostWord)+"]", "normal or reverse", quoted(m.To.Values[word]))
		}
	}
	c.pointer("started_at.at", m.StartedAt.At, true)
	if as := m.StartedAt.As; as != "" && as != asRFC3339 && as != asUnixS && as != asUnixMS {
		c.add("started_at.as", "one of "+asRFC3339+", "+asUnixS+", "+asUnixMS, quoted(as))
	}
	c.pointer("completed.at", m.Completed.At, true)
	for _, word := range slices.Sorted(maps.Keys(m.Completed.Values)) {
		c.word("completed.values", word, len(m.Completed.Values))
	}
	if n := len(m.Detections); n > ingest.MaxDetections {
		c.add("detections", fmt.Sprintf("at most %d", ingest.MaxDetections), fmt.Sprint(n))
	}
	for i := range m.Detections {
		at := fmt.Sprintf("detections[%d].", i)
		c.number(at+"after_s", &m.Detections[i].After, true)
	}
	c.number("rail_temperature_c", &m.RailTemperature, false)
	c.number("supply_v", &m.Supply, false)
	for i := range m.Channels {
		c.channel(fmt.Sprintf("channels[%d].", i), &m.Channels[i])
	}
	if len(c.faults) == 0 {
		c.constants(&m)
	}
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	return compile(m, named), nil
}

func (c *checker) name(path string, n *MappedName, inTopic bool) {
	given := 0
	for _, there := range []bool{inTopic, n.At != "", n.Is != ""} {
		if there {
			given++
		}
	}
	switch {
	case given == 0:
		c.add(path, "{"+path+"} in the topic, or at or is here", "none of them")
	case given > 1:
		c.add(path, "one of {"+path+"} in the topic, at and is", fmt.Sprint(given, " of them"))
	case n.Is != "" && !ingest.ValidName(n.Is):
		c.add(path+".is", aName, quoted(n.Is))
	}
	c.pointer(path+".at", n.At, false)
}

func (c *checker) pointer(path, p string, required bool) {
	switch {
	case p == "" && !required:
	case c.named && p == "":
		c.add(path, "the name of a metric", "nothing")
	case c.named && (len(p) > mostPointer || strings.ToValidUTF8(p, "") != p):
		c.add(path, fmt.Sprintf("the name of a metric, at most %d bytes of UTF-8", mostPointer), quoted(p))
	case c.named:
	case p == "":
		c.add(path, "a JSON pointer like /data/start", "nothing")
	case p[0] != '/':
		c.add(path, "a JSON pointer, which begins with /", quoted(p))
	case len(p) > mostPointer || strings.Count(p, "/") > mostTokens:
		c.add(path, fmt.Sprintf("a JSON pointer of at most %d bytes and %d steps", mostPointer, mostTokens), fmt.Sprintf("%d bytes, %d steps", len(p), strings.Count(p, "/")))
	case strings.ToValidUTF8(p, "") != p:
		c.add(path, "a JSON pointer in UTF-8", quoted(p))
	case strings.Count(p, "~") != strings.Count(p, "~0")+strings.Count(p, "~1"):
		c.add(path, "a JSON pointer, in which ~0 stands for ~ and ~1 for /", quoted(p))
	}
}

func (c *checker) word(path, word string, of int) {
	if of > mostValues {
		c.add(path, fmt.Sprintf("at most %d", mostValues), fmt.Sprint(of))
	} else if len(word) > mostWord {
		c.add(path, fmt.Sprintf("words of at most %d bytes", mostWord), quoted(word))
	}
}

func (c *checker) number(path string, n *MappedNumber, required bool) {
	c.pointer(path+".at", n.At, required)
	if n.At == "" && !required && (n.Factor != nil || n.Plus != 0) {
		what := "a JSON pointer"
		if c.named {
			what = "the name of a metric"
		}
		c.add(path+".at", what+" beside factor and plus", "nothing")
	}
	if f := n.Factor; f != nil && !(math.Abs(*f) <= ingest.MaxPhysical && *f != 0) {
		c.add(path+".factor", "a number other than 0, at most 1e12 either way", fmt.Sprint(*f))
	}
	if !(math.Abs(n.Plus) <= ingest.MaxPhysical) {
		c.add(path+".plus", "a number, at most 1e12 either way", fmt.Sprint(n.Plus))
	}
}

func (c *checker) channel(at string, ch *MappedChannel) {
	c.pointer(at+"sample_rate_at", ch.SampleRateAt, false)
	c.pointer(at+"samples.at", ch.Samples.At, true)
	if c.named && ch.Samples.Value != "" {
		c.add(at+"samples.value", "nothing: a metric's samples are numbers", quoted(ch.Samples.Value))
	}
	c.pointer(at+"samples.value", ch.Samples.Value, false)
	if (ch.SampleRate != 0) == (ch.SampleRateAt != "") {
		found := "neither"
		if ch.SampleRate != 0 {
			found = "both"
		}
		c.add(at+"sample_rate_hz", "a rate, or where it stands as sample_rate_at", found)
	}
}

// constants has the rules for throws judge what is the same for all messages.
func (c *checker) constants(m *Mapping) {
	t := ingest.Throw{Turnout: "W", To: ingest.Normal, StartedAt: ingest.Earliest}
	for _, d := range m.Detections {
		t.Detections = append(t.Detections, ingest.Detection{Place: d.Place})
	}
	for i := range m.Channels {
		ch := m.Channels[i].channel()
		if m.Channels[i].SampleRateAt != "" {
			ch.SampleRate = ingest.MinSampleRate
		}
		ch.Samples = make([]float64, ingest.MinSamples)
		t.Channels = append(t.Channels, ch)
	}
	if r := ingest.AsRefusal(t.Validate(noTime)); r != nil {
		c.faults = append(c.faults, r.Faults...)
	}
}

// channel returns the channel without what stands in the message.
func (m *MappedChannel) channel() ingest.Channel {
	c := ingest.Channel{
		Drive: m.Drive, Quantity: ingest.Quantity(m.Quantity), Unit: ingest.Unit(m.Unit),
		SampleRate: m.SampleRate, Offset: m.Offset, Scale: 1, Zero: m.Zero,
	}
	if m.Scale != nil {
		c.Scale = *m.Scale
	}
	return c
}

// compile makes the ways to all that is mapped.
func compile(m Mapping, named bool) *Map {
	out := &Map{m: m, root: newWay(), value: map[string]*way{}}
	if named {
		out.named = map[string]int{}
	}
	for _, p := range out.pointers() {
		if named {
			if _, had := out.named[p]; !had {
				out.named[p] = out.most
				out.most++
			}
			continue
		}
		if out.root.add(p, out.most) {
			out.most++
		}
	}
	for _, c := range m.Channels {
		if c.Samples.Value != "" {
			to := newWay()
			to.add(c.Samples.Value, 0)
			out.value[c.Samples.Value] = to
		}
	}
	return out
}

// Names returns the names of all parts that a named map reads, sorted.
func (m *Map) Names() []string { return slices.Sorted(maps.Keys(m.named)) }

// slot returns the slot of a pointer or name of the mapping.
func (m *Map) slot(at string) int {
	if m.named != nil {
		return m.named[at]
	}
	return m.root.find(at)
}

// pointers returns every pointer into the message, some of them twice.
func (m *Map) pointers() []string {
	t := &m.m
	list := []string{t.Cabinet.At, t.Turnout.At, t.ThrowID.At, t.To.At, t.StartedAt.At, t.Completed.At, t.RailTemperature.At, t.Supply.At}
	for i := range t.Detections {
		list = append(list, t.Detections[i].After.At)
	}
	for i := range t.Channels {
		list = append(list, t.Channels[i].Samples.At, t.Channels[i].SampleRateAt)
	}
	return slices.DeleteFunc(list, func(p string) bool { return p == "" })
}

func newWay() *way { return &way{slot: -1} }

var unescape = strings.NewReplacer("~1", "/", "~0", "~")

// add makes the way to a pointer; false if its end has a slot already.
func (p *way) add(pointer string, slot int) bool {
	for token := range strings.SplitSeq(pointer[1:], "/") {
		token = unescape.Replace(token)
		if p.next == nil {
			p.next = map[string]*way{}
		}
		if p.next[token] == nil {
			p.next[token] = newWay()
		}
		p = p.next[token]
	}
	if p.slot >= 0 {
		return false
	}
	p.slot = slot
	return true
}

// find returns the slot of a pointer of the mapping.
func (p *way) find(pointer string) int {
	for token := range strings.SplitSeq(pointer[1:], "/") {
		p = p.next[unescape.Replace(token)]
	}
	return p.slot
}
