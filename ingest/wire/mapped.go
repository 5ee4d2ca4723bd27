package wire

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"throwline/ingest"
)

// Mapped reads the message of a cabinet that cannot be changed, JSON plain or in
// gzip or zstd, and checks what it becomes by every rule for throws. cabinet
// and turnout are the topic's, "" where it names none; arrived is as for
// [ingest.Throw.Validate]. The error is nil or an [*ingest.Refusal] whose paths
// name the pointer and, in brackets, what is read of it: "/dir (to)".
func (d *Decoder) Mapped(m *Map, cabinet, turnout string, payload []byte, arrived time.Time) (*ingest.Throw, error) {
	g := gathering{d: d, m: m, where: map[string]string{}}
	t := &ingest.Throw{Cabinet: cabinet, Turnout: turnout}
	if f, bad := g.gather(payload); bad {
		return nil, t.Refuse([]ingest.Fault{f})
	}
	return g.finish(t, arrived)
}

// Part is what stands under a name in a message that is no JSON: a JSON text
// (a text, number, true or false; {} or [] for what is none of them), or a list
// of numbers, which is the throw's afterwards.
type Part struct {
	JSON []byte
	List []float64
}

// Named is Mapped for a message that is parts with names, by a map of
// [NewNamedMap]. parts returns a part; not ok where the message has none.
func (d *Decoder) Named(m *Map, cabinet, turnout string, parts func(name string) (Part, bool), arrived time.Time) (*ingest.Throw, error) {
	g := gathering{d: d, m: m, where: map[string]string{}, found: make([]jsontext.Value, m.most), lists: make([][]float64, m.most)}
	for name, slot := range m.named {
		if p, ok := parts(name); ok {
			g.found[slot], g.lists[slot] = p.JSON, p.List
		}
	}
	return g.finish(&ingest.Throw{Cabinet: cabinet, Turnout: turnout}, arrived)
}

// finish makes the throw of what was gathered.
func (g *gathering) finish(t *ingest.Throw, arrived time.Time) (*ingest.Throw, error) {
	g.throw(t)
	g.d.json.reset(nil) // keep nothing of the caller's
	g.adopt(t.Validate(arrived))
	if len(g.faults) > 0 {
		return nil, t.Refuse(g.faults)
	}
	return t, nil
}

// gathering is one message being read.
type gathering struct {
	d      *Decoder
	m      *Map
	found  []jsontext.Value  // by slot; nil: not there
	lists  [][]float64       // by slot, of a named map
	used   int               // samples
	where  map[string]string // of our paths, the pointer or what else it was read of
	told   []string          // our paths that have a fault
	faults []ingest.Fault
}

// gather reads the message once and keeps what stands where something is mapped.
func (g *gathering) gather(payload []byte) (ingest.Fault, bool) {
	d := g.d
	if most := d.limits.Bytes; len(payload) > most {
		return ingest.Fault{Expected: fmt.Sprintf("at most %d bytes", most), Found: fmt.Sprint(len(payload))}, true
	}
	body, packed, err := d.unpack.unpack(payload)
	switch {
	case err != nil:
		return ingest.Fault{Expected: packed.String() + " that can be decompressed", Found: err.Error()}, true
	case len(body) > d.limits.Decompressed:
		return ingest.Fault{Expected: fmt.Sprintf("at most %d bytes when decompressed", d.limits.Decompressed), Found: "more"}, true
	}
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf")) // RFC 8259, section 8.1
	i := blanks(body, 0)
	switch {
	case i == len(body):
		return ingest.Fault{Expected: "a JSON object", Found: "nothing"}, true
	case body[i] != '{' && body[i] != '[':
		return ingest.Fault{Expected: "a JSON object, plain or in gzip or zstd", Found: "bytes that begin with " + sample(body)}, true
	}
	g.found = make([]jsontext.Value, g.m.most)
	d.json.reset(body)
	walk(&d.json, body, g.m.root, g.found)
	d.json.end()
	return d.json.fault()
}

// walk reads the next value of j, which reads body, and puts what stands on the
// way into found.
func walk(j *jsonSource, body []byte, on *way, found []jsontext.Value) {
	if on.slot >= 0 {
		v := j.value()
		if j.failed() {
			return
		}
		end := int(j.dec.InputOffset())
		v = body[end-len(v) : end] // outlives the next value
		found[on.slot] = v
		if on.next != nil {
			var within jsonSource
			within.reset(v)
			walk(&within, v, &way{-1, on.next}, found)
		}
		return
	}
	var kind = j.kind()
	if on.next == nil || kind != kindObject && kind != kindList {
		j.skip()
		return
	}
	j.open()
	if kind == kindObject {
		for {
			name, ok := j.next()
			if !ok {
				return
			}
			step(j, body, on.next[string(name)], found)
		}
	}
	for i := 0; j.more(); i++ {
		step(j, body, on.next[strconv.Itoa(i)], found)
	}
}

func step(j *jsonSource, body []byte, on *way, found []jsontext.Value) {
	if on == nil {
		j.skip()
		return
	}
	walk(j, body, on, found)
}

func (g *gathering) fault(ours, expected, found string) {
	g.told = append(g.told, ours)
	g.add(ours, expected, found)
}

func (g *gathering) add(ours, expected, found string) {
	if len(g.faults) < mostFaults {
		g.faults = append(g.faults, ingest.Fault{Path: g.path(ours), Expected: expected, Found: found})
	}
}

// path names where the message has what became ours.
func (g *gathering) path(ours string) string {
	if of, ok := g.where[ours]; ok {
		return of + " (" + ours + ")"
	}
	if list, index, ok := strings.Cut(strings.TrimSuffix(ours, "]"), ".samples["); ok {
		if of, ok := g.where[list+".samples"]; ok {
			at, value, _ := strings.Cut(of, " in each of ")
			if value != "" {
				return value + "/" + index + at + " (" + ours + ")"
			}
			if g.m.named != nil {
				return of + "[" + index + "] (" + ours + ")"
			}
			return of + "/" + index + " (" + ours + ")"
		}
	}
	return ours
}

// adopt takes over the faults that the rules for throws find, except where
// reading has found one already.
func (g *gathering) adopt(err error) {
	refusal := ingest.AsRefusal(err)
	if refusal == nil {
		return
	}
	for _, f := range refusal.Faults {
		if !slices.ContainsFunc(g.told, func(had string) bool { return within(f.Path, had) || within(had, f.Path) }) {
			g.add(f.Path, f.Expected, f.Found)
		}
	}
}

// at returns what stands at a pointer, nil where nothing or null does.
func (g *gathering) at(pointer, ours string) jsontext.Value {
	if pointer == "" {
		return nil
	}
	g.where[ours] = pointer
	v := g.found[g.m.slot(pointer)]
	if len(v) > 0 && v[0] == 'n' {
		return nil
	}
	return v
}

func (g *gathering) throw(t *ingest.Throw) {
	m := &g.m.m
	g.name(&t.Cabinet, &m.Cabinet, "cabinet")
	g.name(&t.Turnout, &m.Turnout, "turnout")
	if v := g.at(m.ThrowID.At, "throw_id"); v != nil {
		if word, ok := g.word(v); ok && word != "" && v[0] != 't' && v[0] != 'f' {
			t.ID = word
		} else {
			g.fault("throw_id", "text of 1 to 128 characters, or a number", describeJSON(v))
		}
	}
	t.To = g.end(&m.To)
	t.StartedAt = g.moment(&m.StartedAt)
	t.Completed = g.bool(&m.Completed)
	for i := range m.Detections {
		ours := fmt.Sprintf("detections[%d].after_s", len(t.Detections))
		if s := g.number(&m.Detections[i].After, ours); s.Known || slices.Contains(g.told, ours) {
			// Beyond it, it is no number of nanoseconds; the rules tell it.
			after := min(max(s.Value, -1e9), 1e9)
			t.Detections = append(t.Detections, ingest.Detection{Place: m.Detections[i].Place, After: time.Duration(math.Round(after * 1e9))})
		}
	}
	t.RailTemperature = g.number(&m.RailTemperature, "rail_temperature_c")
	t.Supply = g.number(&m.Supply, "supply_v")
	for i := range m.Channels {
		g.channel(t, &m.Channels[i])
	}
}

func (g *gathering) name(into *string, n *MappedName, ours string) {
	switch {
	case n.Is != "":
		*into = n.Is
	case n.At == "":
		g.where[ours] = "topic"
		if *into == "" { // a level may be empty
			g.fault(ours, aName, `""`)
		}
	default:
		v := g.at(n.At, ours)
		word, ok := g.word(v)
		if v == nil {
			g.fault(ours, aName, "nothing")
		} else if !ok || word == "" {
			g.fault(ours, aName, describeJSON(v))
		}
		*into = word
	}
}

// word returns a text, or a number, true or false as it is written.
func (g *gathering) word(v jsontext.Value) (string, bool) {
	if len(v) == 0 || v[0] == '{' || v[0] == '[' {
		return "", false
	}
	if v[0] != '"' {
		return string(v), true
	}
	text, err := jsontext.AppendUnquote(nil, v)
	return string(text), err == nil
}

func (g *gathering) end(e *MappedEnd) ingest.End {
	const ours = "to"
	v := g.at(e.At, ours)
	words := "normal or reverse"
	if len(e.Values) > 0 {
		words = listed(e.Values)
	}
	if v == nil {
		g.fault(ours, words, "nothing")
		return 0
	}
	word, ok := g.word(v)
	if len(e.Values) > 0 && ok {
		word, ok = e.Values[word]
	}
	end, known := ingest.ParseEnd(word)
	if !ok || !known {
		g.fault(ours, words, describeJSON(v))
	}
	return end
}

func (g *gathering) bool(b *MappedBool) bool {
	const ours = "completed"
	v := g.at(b.At, ours)
	words := aBool
	if len(b.Values) > 0 {
		words = listed(b.Values)
	}
	switch {
	case v == nil:
		g.fault(ours, words, "nothing")
		return false
	case len(b.Values) > 0:
		word, ok := g.word(v)
		is, known := b.Values[word]
		if !ok || !known {
			g.fault(ours, words, describeJSON(v))
		}
		return is
	case v[0] != 't' && v[0] != 'f':
		g.fault(ours, words, describeJSON(v))
	}
	return v[0] == 't'
}

// listed names the words of a mapping.
func listed[V any](values map[string]V) string {
	words := slices.Sorted(maps.Keys(values))
	for i := range words {
		words[i] = quoted(words[i])
	}
	return "one of " + clip(strings.Join(words, ", "), 400)
}

func (g *gathering) moment(m *MappedMoment) time.Time {
	const ours = "started_at"
	expected := map[string]string{asUnixS: "seconds since 1970, up to 1e11", asUnixMS: "milliseconds since 1970, up to 1e14"}[m.As]
	if expected == "" {
		expected = aMoment
	}
	v := g.at(m.At, ours)
	if v == nil {
		g.fault(ours, expected, "nothing")
		return time.Time{}
	}
	var t time.Time
	ok := false
	switch {
	case m.As == asUnixS || m.As == asUnixMS:
		if n := numeric(v); n != nil {
			t, ok = unixMoment(n, m.As == asUnixMS)
		}
	case v[0] == '"':
		text, _ := g.word(v)
		t, ok = parseMoment([]byte(text))
	}
	if !ok {
		g.fault(ours, expected, describeJSON(v))
		return time.Time{}
	}
	return t
}

// unixMoment reads a time since 1970, exactly as it is written down to the
// nanosecond: a throw's key is made of it.
func unixMoment(n []byte, milli bool) (time.Time, bool) {
	least, digits := 1e11, 9 // decimals down to the nanosecond
	if milli {
		least, digits = 1e14, 6
	}
	f, _, ok := parseNumber(n, 0)
	if !ok || f < 0 || f > least {
		return time.Time{}, false
	}
	whole, rest := int64(f), int64(0)
	if bytes.ContainsAny(n, "eE") {
		rest = int64(math.Round((f - math.Floor(f)) * math.Pow10(digits)))
	} else {
		a, b, _ := strings.Cut(string(n), ".")
		if whole, ok = parseWhole(a); !ok {
			return time.Time{}, false
		}
		if rest, ok = parseWhole((b + "000000000")[:digits]); !ok {
			return time.Time{}, false
		}
	}
	if milli {
		return time.UnixMilli(whole).Add(time.Duration(rest)).UTC(), true
	}
	return time.Unix(whole, rest).UTC(), true
}

func parseWhole(s string) (int64, bool) {
	n, err := strconv.ParseInt(s, 10, 64)
	return n, err == nil
}

// numeric returns the number that v is, or its text is; nil if neither.
func numeric(v jsontext.Value) []byte {
	if len(v) > 0 && v[0] == '"' {
		text, err := jsontext.AppendUnquote(nil, v)
		if v = text; err != nil || !v.IsValid() || len(v) == 0 {
			return nil
		}
	}
	if len(v) == 0 || v[0] != '-' && v[0]-'0' > 9 {
		return nil
	}
	return v
}

func (g *gathering) number(n *MappedNumber, ours string) ingest.Reading {
	v := g.at(n.At, ours)
	if v == nil {
		return ingest.Reading{}
	}
	f, ok := 0.0, false
	if raw := numeric(v); raw != nil {
		f, _, ok = parseNumber(raw, 0)
	}
	if !ok {
		g.fault(ours, aNumber, describeJSON(v))
		return ingest.Reading{}
	}
	if n.Factor != nil {
		f *= *n.Factor
	}
	if f += n.Plus; math.IsInf(f, 0) {
		g.fault(ours, finite+" once scaled", describeJSON(v))
		return ingest.Reading{}
	}
	return ingest.Known(f)
}

func (g *gathering) channel(t *ingest.Throw, m *MappedChannel) {
	in := fmt.Sprintf("channels[%d].", len(t.Channels))
	ours := in + "samples"
	v := g.at(m.Samples.At, ours)
	if v == nil && m.Optional {
		delete(g.where, ours)
		return
	}
	c := m.channel()
	if m.SampleRateAt != "" {
		rate := g.number(&MappedNumber{At: m.SampleRateAt}, in+"sample_rate_hz")
		if c.SampleRate = rate.Value; !rate.Known && !slices.Contains(g.told, in+"sample_rate_hz") {
			g.fault(in+"sample_rate_hz", aNumber, "nothing")
		}
	}
	switch {
	case v == nil:
		g.fault(ours, aListOfNumbers, "nothing")
	case g.m.named != nil:
		c.Samples = g.list(g.lists[g.m.slot(m.Samples.At)], v, ours)
	case v[0] != '[':
		g.fault(ours, aListOfNumbers, describeJSON(v))
	default:
		if m.Samples.Value != "" {
			g.where[ours] = m.Samples.Value + " in each of " + m.Samples.At
		}
		c.Samples = g.samples(v, m.Samples.Value, ours)
	}
	t.Channels = append(t.Channels, c)
}

// list takes the numbers of a part, whose text is v.
func (g *gathering) list(list []float64, v jsontext.Value, ours string) []float64 {
	if list == nil {
		g.fault(ours, aListOfNumbers, describeJSON(v))
		return nil
	}
	if room := g.d.limits.Samples - g.used; len(list) > room {
		g.fault(ours, fmt.Sprintf("at most %d samples in all channels", g.d.limits.Samples), fmt.Sprintf("%d after %d", len(list), g.used))
		return nil
	}
	g.used += len(list)
	return list
}

func (g *gathering) samples(v jsontext.Value, value, ours string) []float64 {
	j := &g.d.json
	room := g.d.limits.Samples - g.used
	most := min(ingest.MaxSamples, room)
	j.reset(v)
	var list []float64
	var bad badSample
	if value == "" {
		list, bad = j.samples(most)
	} else {
		list, bad = each(j, v, g.m.value[value], most)
	}
	if bad.expected != "" {
		if bad.expected == tooMany(most) && most < ingest.MaxSamples {
			bad.expected = fmt.Sprintf("at most %d samples in all channels", g.d.limits.Samples)
			bad.found = fmt.Sprintf("%s after %d", bad.found, g.used)
		}
		g.told = append(g.told, ours)
		if bad.index >= 0 {
			ours = fmt.Sprintf("%s[%d]", ours, bad.index)
		}
		g.add(ours, bad.expected, bad.found)
		return nil
	}
	g.used += len(list)
	return list
}

// each reads one number of every element of the list that j reads.
func each(j *jsonSource, body []byte, on *way, most int) (list []float64, bad badSample) {
	var found [1]jsontext.Value
	j.open()
	for j.more() {
		if len(list) >= most {
			return nil, badSample{-1, tooMany(most), "more"}
		}
		found[0] = nil
		walk(j, body, on, found[:])
		if found[0] == nil {
			return nil, badSample{len(list), aNumber, "nothing"}
		}
		v := found[0]
		if v[0] != '-' && v[0]-'0' > 9 {
			return nil, badSample{len(list), aNumber, describeJSON(v)}
		}
		f, _, ok := parseNumber(v, 0)
		if !ok {
			return nil, badSample{len(list), finite, clip(string(v), 40)}
		}
		list = append(list, f)
	}
	return list, badSample{}
}
