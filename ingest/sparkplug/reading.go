package sparkplug

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"throwline/ingest"
)

// Use is what one kind of throw is made of, by the names of its parts. A part is
// a metric by its name, a member of a template as metric/member, a column of a
// dataset as metric/column, a property as metric@key, and metric@timestamp is
// when the metric was measured, in ms since 1970.
type Use struct {
	// Trigger is the part whose coming makes a throw.
	Trigger string
	Names   []string // of all parts, the trigger among them
	// Births: a birth that has the trigger may hold a throw too, the latest one.
	Births bool
}

// Reading is a throw's parts. It does not change.
type Reading struct {
	Use        int // which of [Settings.Uses]
	Topic      Topic
	Historical bool            // no current values, by the metrics' own word
	Birth      bool            // of a birth: maybe of long ago, maybe none
	Refusal    *ingest.Refusal // a part that cannot be read; nil: all can

	parts   map[string]Part
	payload *Payload // its metrics with their names, as far as they are of any use
	known   []Metric // what was not in the message
	skip    []string // triggers of other uses
}

// Part returns a part by its name; not ok where there is none, or it is null.
func (r *Reading) Part(name string) (Part, bool) {
	p, ok := r.parts[name]
	return p, ok
}

// Size is about what the reading takes, in bytes.
func (r *Reading) Size() (n int) {
	for _, p := range r.parts {
		n += 8*len(p.List) + len(p.JSON)
	}
	for i := range r.payload.Metrics {
		n += len(r.payload.Metrics[i].Value.Bytes)
	}
	return n
}

// Whole returns a payload that can be read without a birth, and without what
// was known before the message.
func (r *Reading) Whole() []byte {
	p := *r.payload
	p.Metrics = slices.DeleteFunc(slices.Clone(p.Metrics), func(m Metric) bool { return slices.Contains(r.skip, m.Name) && m.Name != "" })
	p.Metrics = append(p.Metrics, r.known...)
	return Append(nil, &p)
}

// words is what the uses name.
type words struct {
	uses   []Use
	most   int             // elements of an array
	all    int             // elements of all arrays of a message
	room   int             // of all, what is left for the message in hand
	wanted map[string]bool // parts
	roots  map[string]int32
	names  []string   // of roots
	skip   [][]string // by use: the triggers of the others
}

func newWords(uses []Use, l Limits) *words {
	// An element to a byte: of the packed forms only booleans take less, and
	// would make much of little.
	w := &words{uses: uses, most: l.Samples, all: max(l.Bytes, l.Samples), wanted: map[string]bool{}, roots: map[string]int32{}}
	for _, u := range uses {
		for _, name := range append([]string{u.Trigger}, u.Names...) {
			w.wanted[name] = true
			// A metric is of use under its name and under every beginning of it.
			for i := 1; i <= len(name); i++ {
				if i == len(name) || name[i] == '/' || name[i] == '@' {
					if _, had := w.roots[name[:i]]; !had {
						w.roots[name[:i]] = int32(len(w.names))
						w.names = append(w.names, name[:i])
					}
				}
			}
		}
		var skip []string
		for _, other := range uses {
			if other.Trigger != u.Trigger && !slices.Contains(u.Names, other.Trigger) {
				skip = append(skip, other.Trigger)
			}
		}
		w.skip = append(w.skip, skip)
	}
	return w
}

// def is what an alias stands for.
type def struct {
	root int32
	typ  DataType
}

// device is what is known of a device, or of an edge node itself.
type device struct {
	born   bool
	online presence
	alias  map[uint64]def // of use, a few for each name
	idle   []uint64       // aliases of no use, sorted
	vague  bool           // idle lacks some
	types  map[int32]DataType
	known  map[string]kept      // current values, but for lists
	lists  map[string][]float64 // that no throw has used yet
}

type kept struct {
	part Part
	as   Metric // the same as a metric that needs no birth
}

func newDevice() *device { return &device{} }

// aliasesOfName is how many aliases a birth may give to each name of use, on average.
const aliasesOfName = 4

// explained reports whether the birth has told an alias that is of no use.
func (d *device) explained(alias uint64) bool {
	_, found := slices.BinarySearch(d.idle, alias)
	return found || d.vague
}

// entry is one part of a message.
type entry struct {
	name       string
	part       Part
	as         Metric // without its list
	at         uint64
	null       bool
	historical bool
	err        error
}

// entries reads a message's parts. missing names the first metric that only a
// birth could explain. With birth, what the metrics say of themselves is kept.
func (w *words) entries(d *device, p *Payload, birth bool) (list []entry, named *Payload, missing string) {
	out := *p
	out.Metrics = slices.Clone(p.Metrics)
	w.room = w.all
	if birth {
		d.alias, d.idle, d.types = map[uint64]def{}, nil, map[int32]DataType{}
		defer func() { slices.Sort(d.idle) }()
	}
	for i := range out.Metrics {
		m := &out.Metrics[i]
		root, known := int32(-1), false
		if m.Name != "" {
			if r, ok := w.roots[m.Name]; ok {
				root, known = r, true
			}
		} else if m.Aliased && !birth {
			a, ok := d.alias[m.Alias]
			switch {
			case !ok && missing == "" && !d.explained(m.Alias):
				missing = "alias " + strconv.FormatUint(m.Alias, 10)
			case ok:
				root, known = a.root, true
				m.Name = w.names[root]
				if m.Type == Unknown {
					m.Type = a.typ
				}
			}
		}
		switch {
		case !birth || !m.Aliased:
		case known && len(d.alias) < aliasesOfName*len(w.names):
			d.alias[m.Alias] = def{root, m.Type}
		default:
			delete(d.alias, m.Alias)
			d.idle = append(d.idle, m.Alias)
		}
		if !known {
			continue
		}
		at := m.Timestamp
		if !m.Timed {
			at = p.Timestamp
		}
		if !w.flatten(d, m, m.Name, root, at, birth, &list) && missing == "" {
			missing = m.Name + " without a datatype"
		}
	}
	return list, &out, missing
}

// flatten adds the parts of a metric; false if its datatype is not known.
func (w *words) flatten(d *device, m *Metric, name string, root int32, at uint64, birth bool, list *[]entry) bool {
	switch {
	case m.Type == Unknown:
		m.Type = d.types[root]
	case birth:
		d.types[root] = m.Type
	}
	if m.Type == Unknown && !m.Null {
		return false
	}
	add := func(e entry) {
		e.at, e.historical = at, m.Historical
		*list = append(*list, e)
	}
	if w.wanted[name] {
		e := entry{name: name, null: m.Null}
		if !m.Null {
			e.part, e.err = part(&m.Value, m.Type, w.most)
			w.spend(&e)
			e.as = Metric{Name: name, Timestamp: at, Timed: true, Type: m.Type, Value: m.Value}
		}
		add(e)
	}
	if stamp := name + "@timestamp"; w.wanted[stamp] {
		v := Long(at)
		p, err := part(&v, DateTime, 0)
		add(entry{name: stamp, part: p, err: err, as: Metric{Name: stamp, Type: DateTime, Value: v}})
	}
	for i := range m.Properties {
		x := &m.Properties[i]
		if key := name + "@" + x.Key; w.wanted[key] {
			e := entry{name: key, null: x.Null || x.Value.Form == NoValue}
			if !e.null {
				e.part, e.err = part(&x.Value, x.Type, 0)
				e.as = Metric{Name: key, Type: x.Type, Value: x.Value}
			}
			add(e)
		}
	}
	switch {
	case m.Value.Form == TemplateValue && !m.Value.Template.Definition:
		instance := *m.Value.Template // the message stays as it was: it may be read again
		instance.Metrics = slices.Clone(instance.Metrics)
		m.Value.Template = &instance
		for i := range instance.Metrics {
			member := &instance.Metrics[i]
			member.Historical = member.Historical || m.Historical
			under := name + "/" + member.Name
			if r, ok := w.roots[under]; ok && !w.flatten(d, member, under, r, at, birth, list) {
				return false
			}
		}
	case m.Value.Form == DataSetValue:
		for i, c := range m.Value.DataSet.Columns {
			under := name + "/" + c
			if !w.wanted[under] {
				continue
			}
			e := entry{name: under, part: Part{JSON: []byte("[]"), List: m.Value.DataSet.column(i, w.most)}}
			w.spend(&e)
			e.as = Metric{Name: under, Type: DoubleArray, Value: Bytes(PackArray(DoubleArray, e.part.List))}
			add(e)
		}
	}
	return true
}

// spend takes the elements of an entry from what the message may have in all.
func (w *words) spend(e *entry) {
	if w.room -= len(e.part.List); w.room < 0 && e.part.List != nil {
		e.part, e.err = Part{}, &broken{"", fmt.Sprintf("at most %d elements in all arrays of a message", w.all), "more"}
	}
}

// windows cuts parts where a trigger came more than once in a message: a batch
// of throws, each with what came with it and after the one before it.
func (w *words) windows(list []entry) [][]entry {
	var cuts []uint64
	for _, u := range w.uses {
		var of []uint64
		for i := range list {
			if e := &list[i]; e.name == u.Trigger && !e.null {
				of = append(of, e.at)
			}
		}
		if len(of) > 1 {
			cuts = append(cuts, of...)
		}
	}
	if cuts == nil {
		return [][]entry{list}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	out := make([][]entry, len(cuts)+1)
	for _, e := range list {
		i, _ := slices.BinarySearch(cuts, e.at)
		out[i] = append(out[i], e)
	}
	return out
}

// memory bounds what is kept of lists that wait for their trigger.
type memory struct {
	elements int
	aliases  int    // of no use, that are kept all the same
	letGo    uint64 // of those, that were not
}

const (
	mostElements = 8 << 20 // 64 MB
	mostAliases  = 8 << 20 // 64 MB
)

// remember counts the aliases of no use that a birth has told. They are kept to
// see that a birth was missed when another alias comes. Where there is no room
// for them, any other alias of the device is taken to be of no use: what its
// throws are made of is known.
func (m *memory) remember(d *device) {
	if m.aliases+len(d.idle) > mostAliases {
		m.letGo += uint64(len(d.idle))
		d.idle, d.vague = nil, true
		return
	}
	m.aliases += len(d.idle)
}

func (m *memory) drop(d *device, name string) {
	m.elements -= len(d.lists[name])
	delete(d.lists, name)
}

// clear forgets what a device's session has told.
func (m *memory) clear(d *device) {
	for name := range d.lists {
		m.drop(d, name)
	}
	m.aliases -= len(d.idle)
	d.known, d.alias, d.idle, d.vague = nil, nil, nil, false
}

// mostKept bounds a text that is kept, in bytes: names and numbers are shorter.
const mostKept = 1 << 10

// keep makes an entry what is known. Historical ones are no current values.
func (m *memory) keep(d *device, e *entry, birth bool) {
	if e.historical || e.err != nil {
		return
	}
	m.drop(d, e.name)
	switch {
	case e.null || max(len(e.as.Value.Bytes), len(e.part.JSON)) > mostKept && e.part.List == nil:
		delete(d.known, e.name)
	case e.part.List != nil:
		if birth || m.elements+len(e.part.List) > mostElements {
			return // a trace belongs to the throw that it came with
		}
		if d.lists == nil {
			d.lists = map[string][]float64{}
		}
		d.lists[e.name] = e.part.List
		m.elements += len(e.part.List)
	case e.as.Value.Form != TemplateValue && e.as.Value.Form != DataSetValue:
		if d.known == nil {
			d.known = map[string]kept{}
		}
		k := kept{e.part, e.as}
		k.as.Value = e.as.Value.clone()
		d.known[strings.Clone(e.name)] = k
	}
}

// mostThrows is how many throws one message may hold.
const mostThrows = 4096

// tooMany refuses a message with more triggers than anyone's throws.
func (w *words) tooMany(list []entry, birth bool) error {
	count := 0
	for i := range w.uses {
		if u := &w.uses[i]; !birth || u.Births {
			for j := range list {
				if e := &list[j]; e.name == u.Trigger && !e.null {
					count++
				}
			}
		}
	}
	if count > mostThrows {
		return refuse("", fmt.Sprintf("at most %d throws in a message", mostThrows), strconv.Itoa(count))
	}
	return nil
}

// readings returns the throws that a message of a device holds. node is what is
// known of its edge node, nil where the device is the node itself. The error is
// nil or an [*ingest.Refusal]; nothing of the message is kept then.
func (w *words) readings(m *memory, t Topic, d, node *device, list []entry, named *Payload, birth bool) (out []*Reading, err error) {
	if err := w.tooMany(list, birth); err != nil {
		return nil, err
	}
	windows := w.windows(list)
	for _, window := range windows {
		latest := map[string]*entry{}
		for i := range window {
			e := &window[i]
			latest[e.name] = e
			m.keep(d, e, birth)
		}
		for i := range w.uses {
			u := &w.uses[i]
			if e := latest[u.Trigger]; e == nil || e.null || birth && !u.Births {
				continue
			}
			r := &Reading{Use: i, Topic: t, Birth: birth, parts: map[string]Part{}, payload: named, skip: w.skip[i]}
			for _, name := range u.Names {
				if e := latest[name]; e != nil && e.historical {
					r.Historical = true
				}
			}
			for _, name := range u.Names {
				r.take(name, latest[name], d, node)
			}
			if len(windows) > 1 { // the message holds other throws too
				only := *named
				only.Metrics = nil
				for _, e := range window {
					if !e.null && slices.Contains(u.Names, e.name) {
						e.as.Historical = e.historical
						only.Metrics = append(only.Metrics, e.as)
					}
				}
				r.payload = &only
			}
			out = append(out, r)
			if !birth && !r.Historical {
				for _, name := range u.Names {
					m.drop(d, name)
				}
			}
		}
	}
	return out, nil
}

// take takes a part from the message, or from what is known. A historical
// message is taken alone: what is current was not so then.
func (r *Reading) take(name string, e *entry, d, node *device) {
	switch {
	case e != nil && e.err != nil:
		b := e.err.(*broken) //nolint:errorlint // our own, never wrapped
		if r.Refusal == nil {
			r.Refusal = &ingest.Refusal{}
		}
		r.Refusal.Faults = append(r.Refusal.Faults, ingest.Fault{Path: name, Expected: b.expected, Found: b.found})
	case e != nil && e.null:
	case e != nil:
		r.parts[name] = e.part
	case r.Historical:
	case d.lists[name] != nil:
		list := d.lists[name]
		r.parts[name] = Part{JSON: []byte("[]"), List: list}
		r.known = append(r.known, Metric{Name: name, Type: DoubleArray, Value: Bytes(PackArray(DoubleArray, list))})
	default:
		k, ok := d.known[name]
		if !ok && node != nil {
			k, ok = node.known[name]
		}
		if ok {
			r.parts[name] = k.part
			r.known = append(r.known, k.as)
		}
	}
}

// Alone reads a message that came on a topic, or was set aside, outside of any
// session; births are what is known of its edge node and device. Every metric
// must be explained by them or by itself. The error is nil or an
// [*ingest.Refusal].
func Alone(s Settings, t Topic, births [][]byte, payload []byte) ([]*Reading, error) {
	s.Limits = s.Limits.or(DefaultLimits())
	w := newWords(s.Uses, s.Limits)
	d, node := newDevice(), newDevice()
	var m memory
	for _, b := range births {
		p, err := Decode(b, s.Limits)
		if err != nil {
			return nil, err
		}
		one := newDevice()
		list, _, _ := w.entries(one, p, true)
		for i := range list {
			m.keep(d, &list[i], true)
		}
		if d.alias == nil {
			d.alias, d.types = map[uint64]def{}, map[int32]DataType{}
		}
		maps.Copy(d.alias, one.alias)
		d.idle = append(d.idle, one.idle...)
		maps.Copy(d.types, one.types)
	}
	slices.Sort(d.idle)
	p, err := Decode(payload, s.Limits)
	if err != nil {
		return nil, err
	}
	birth := t.Type == NBirth || t.Type == DBirth
	list, named, missing := w.entries(d, p, birth)
	out, err := w.readings(&m, t, d, node, list, named, birth)
	if err != nil {
		return nil, err
	}
	if len(out) == 0 && missing != "" {
		return nil, refuse("", "metrics that explain themselves, or the birth that does", missing)
	}
	return out, nil
}
