package sparkplug

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strconv"
	"time"

	"throwline/ingest"
)

// Settings are what a host application wants to know. The zero durations and
// limits stand for the defaults.
type Settings struct {
	Uses   []Use
	Limits Limits
	// RebirthEvery is the least time between two requests to one edge node.
	RebirthEvery time.Duration
	// BirthWithin is how long data waits for the birth that explains it.
	BirthWithin time.Duration
	// Most edge nodes and devices that are kept in mind.
	Most int
	// Devices of one edge node, at most, so that none takes the room of others;
	// by default half of Most, and no more than 10,000.
	Devices int
}

// The defaults of [Settings].
const (
	DefaultRebirthEvery = 30 * time.Second
	DefaultBirthWithin  = 20 * time.Second
	defaultMost         = 130_000
	mostDevices         = 10_000
)

// mostID is how long the name of a group, an edge node or a device may be, in
// bytes: they are kept.
const mostID = 256

// mostMute is how many times [Settings.BirthWithin] an edge node has to answer
// after a new connection.
const mostMute = 3

// Bounds of what waits for births.
const (
	mostWaiting      = 64 // messages of an edge node
	mostWaitingBytes = 64 << 20
	waitingCost      = 256 // bytes that a message takes beside its own
)

// mostStrangers bounds the edge nodes that are heard of without a birth of
// theirs: their names may be made up, and must not take the room of others.
const mostStrangers = 1024

// EventKind is what a host application learns.
type EventKind uint8

// The kinds of an [Event].
const (
	Data    EventKind = iota // a throw's parts came
	Online                   // an edge node, or a device, was born
	Offline                  // it died
	Ask                      // a rebirth is to be asked for
	Refused                  // a message cannot be read
)

// Event is something that a host application has learned.
type Event struct {
	Kind    EventKind
	Topic   Topic
	At      time.Time
	Reading *Reading        // of Data
	Refusal *ingest.Refusal // of Refused
	Payload []byte          // of Refused
	Why     string          // of Ask, in words
}

type presence uint8

const (
	unheard presence = iota
	online
	offline
)

// waiting is a message that waits for a birth. It is decoded again when that
// comes: decoded, it may take many times the room.
type waiting struct {
	topic Topic
	raw   []byte
	at    time.Time
}

func (w *waiting) cost() int { return len(w.raw) + waitingCost }

// node is what is known of an edge node.
type node struct {
	group, name string
	device            // itself
	sure        bool  // no message of its session was lost
	bdSeq       int64 // of its birth; -1: it has none
	seq         uint64
	asked       time.Time
	devices     map[string]*device
	waiting     []waiting
}

func (n *node) topic(t MessageType, device string) Topic { return Topic{n.group, t, n.name, device} }

// Host is a host application's view of edge nodes. It is plain state: messages
// must come in the order of their arrival, from one goroutine; times are arguments.
type Host struct {
	set   Settings
	words *words
	memory
	nodes map[[2]string]*node // by group and name
	size  int                 // nodes and devices, but for strangers
	// strangers are nodes that no birth has told of, the oldest first.
	strangers []*node
	wait      map[*node]bool      // with messages that wait
	bytes     int                 // of them
	mute      map[*node]time.Time // asked since then, after a new connection, and not heard
	tally     Tally
}

// Tally counts what has become of messages.
type Tally struct {
	Nodes, Online, Devices int
	Births, Deaths, Data   uint64
	Gaps, Asked, Dropped   uint64 // Dropped: nobody knows what they were of
	Waiting                int
	TurnedAway             uint64 // messages of edge nodes and devices beyond the limits
	LetGo                  uint64 // aliases of no use that found no room; see [Host.remember]
}

// NewHost returns a Host that has heard of nobody.
func NewHost(s Settings) *Host {
	s.Limits = s.Limits.or(DefaultLimits())
	s.RebirthEvery = cmp.Or(s.RebirthEvery, DefaultRebirthEvery)
	s.BirthWithin = cmp.Or(s.BirthWithin, DefaultBirthWithin)
	s.Most = cmp.Or(s.Most, defaultMost)
	s.Devices = cmp.Or(s.Devices, min(max(s.Most/2, 1), mostDevices))
	return &Host{set: s, words: newWords(s.Uses, s.Limits), nodes: map[[2]string]*node{}, wait: map[*node]bool{}, mute: map[*node]time.Time{}}
}

// Tally returns the counts.
func (h *Host) Tally() Tally {
	t := h.tally
	t.LetGo = h.letGo
	t.Nodes, t.Devices = len(h.nodes), h.size-(len(h.nodes)-len(h.strangers))
	for _, n := range h.nodes {
		if n.online == online {
			t.Online++
		}
		t.Waiting += len(n.waiting)
	}
	return t
}

// Expect notes that there is an edge node, which [Host.Connected] then asks for
// its birth.
func (h *Host) Expect(group, name string) { h.enter(group, name) }

func newNode(group, name string) *node {
	return &node{group: group, name: name, bdSeq: -1, devices: map[string]*device{}}
}

// enter returns an edge node that is there for good; nil where no more are taken.
func (h *Host) enter(group, name string) *node {
	key := [2]string{group, name}
	n := h.nodes[key]
	stranger := slices.Index(h.strangers, n) // of nil: none
	if n != nil && stranger < 0 {
		return n
	}
	if h.size >= h.set.Most {
		return nil
	}
	h.size++
	if n == nil {
		n = newNode(group, name)
		h.nodes[key] = n
	} else {
		h.strangers = slices.Delete(h.strangers, stranger, stranger+1)
	}
	return n
}

// hear returns an edge node that has sent something other than its birth; nil
// where no more are taken. One that is not known yet takes the place of the
// oldest such, if there are too many.
func (h *Host) hear(group, name string, now time.Time) (n *node, out []Event) {
	key := [2]string{group, name}
	if n = h.nodes[key]; n != nil || h.size >= h.set.Most {
		return n, nil
	}
	if len(h.strangers) >= mostStrangers {
		out = h.forget(h.strangers[0], now)
	}
	n = newNode(group, name)
	h.nodes[key] = n
	h.strangers = append(h.strangers, n)
	return n, out
}

// forget lets a stranger go.
func (h *Host) forget(n *node, now time.Time) []Event {
	i := slices.Index(h.strangers, n)
	if i < 0 {
		return nil
	}
	out := h.flush(n, now, func(*waiting) bool { return true })
	h.strangers = slices.Delete(h.strangers, i, i+1)
	delete(h.mute, n)
	delete(h.nodes, [2]string{n.group, n.name})
	return out
}

// Connected is to be called for every new connection to the broker: whatever
// was published meanwhile is lost, so that nobody's session is known any more.
func (h *Host) Connected(now time.Time) (out []Event) {
	for _, n := range sorted(maps.Values(h.nodes)) {
		out = append(out, h.flush(n, now, func(*waiting) bool { return true })...)
		h.mute[n] = now
		n.sure, n.asked = false, time.Time{}
		n.born, n.online = false, unheard
		for _, d := range n.devices {
			d.born, d.online = false, unheard
		}
		out = append(out, h.ask(n, "we were not connected", now)...)
	}
	return out
}

func sorted(nodes iter.Seq[*node]) []*node {
	return slices.SortedFunc(nodes, func(a, b *node) int { return cmp.Or(cmp.Compare(a.group, b.group), cmp.Compare(a.name, b.name)) })
}

// ask asks for a rebirth, unless that was done just now.
func (h *Host) ask(n *node, why string, now time.Time) []Event {
	if !n.asked.IsZero() && now.Sub(n.asked) < h.set.RebirthEvery {
		return nil
	}
	n.asked = now
	h.tally.Asked++
	return []Event{{Kind: Ask, Topic: n.topic(NData, ""), At: now, Why: why}}
}

// Take takes a message of an edge node. Others mean nothing. The payload must
// not be changed afterwards.
func (h *Host) Take(topic string, payload []byte, now time.Time) []Event {
	t, ok := ParseTopic(topic)
	if !ok {
		return nil
	}
	refused := func(err error) []Event {
		return []Event{{Kind: Refused, Topic: t, At: now, Refusal: ingest.AsRefusal(err), Payload: payload}}
	}
	if n := max(len(t.Group), len(t.Node), len(t.Device)); n > mostID {
		h.tally.TurnedAway++
		return refused(refuse("topic", fmt.Sprintf("names of at most %d bytes", mostID), fmt.Sprint(n)))
	}
	p, err := Decode(payload, h.set.Limits)
	if err != nil {
		return refused(err)
	}
	if t.Type != NDeath && !p.Numbered {
		return refused(refuse("seq", "0 to 255", "nothing"))
	}
	switch t.Type {
	case NBirth:
		n := h.enter(t.Group, t.Node)
		if n == nil {
			return refused(h.full())
		}
		return h.nodeBirth(n, t, p, payload, now)
	case NDeath:
		n := h.nodes[[2]string{t.Group, t.Node}]
		if n == nil {
			n = newNode(t.Group, t.Node) // not entered: it is gone
		}
		return h.nodeDeath(n, p, now)
	}
	n, out := h.hear(t.Group, t.Node, now)
	if n == nil {
		return refused(h.full())
	}
	if n.born && n.sure && p.Seq != (n.seq+1)%256 {
		h.tally.Gaps++
		n.sure = false
		out = append(out, h.ask(n, fmt.Sprintf("sequence number %d came after %d", p.Seq, n.seq), now)...)
	} else if !n.born {
		out = append(out, h.ask(n, "its birth is not known", now)...)
	} else if !n.sure {
		out = append(out, h.ask(n, "a message of it was lost", now)...)
	}
	n.seq = p.Seq
	switch t.Type {
	case DBirth:
		if n.born && n.sure {
			out = append(out, h.deviceBirth(n, t, p, payload, now)...)
		}
	case DDeath:
		out = append(out, h.deviceDeath(n, t, p, now)...)
	default:
		h.tally.Data++
		out = append(out, h.data(n, t, p, payload, now)...)
	}
	return out
}

// full is why nobody new is taken.
func (h *Host) full() *ingest.Refusal {
	h.tally.TurnedAway++
	return refuse("topic", fmt.Sprintf("one of the %d edge nodes and devices known: no more are taken", h.set.Most), "a new one")
}

func (h *Host) nodeBirth(n *node, t Topic, p *Payload, raw []byte, now time.Time) (out []Event) {
	h.tally.Births++
	delete(h.mute, n)
	n.born, n.sure, n.seq, n.bdSeq = true, true, p.Seq, bdSeq(p)
	for _, d := range n.devices { // stale until their own births
		d.born = false
	}
	if n.online != online {
		n.online = online
		out = append(out, Event{Kind: Online, Topic: t, At: now})
	}
	h.clear(&n.device)
	out = append(out, h.birth(t, &n.device, nil, p, raw, now)...)
	return append(out, h.flush(n, now, func(w *waiting) bool { return w.topic.Device == "" })...)
}

// bdSeq returns the number by which a birth and a death are known to belong
// together; -1: there is none.
func bdSeq(p *Payload) int64 {
	for i := range p.Metrics {
		if m := &p.Metrics[i]; m.Name == "bdSeq" && (m.Value.Form == LongValue || m.Value.Form == IntValue) {
			return int64(m.Value.Bits & 0x7fff_ffff)
		}
	}
	return -1
}

func (h *Host) birth(t Topic, d, node *device, p *Payload, raw []byte, now time.Time) []Event {
	list, named, _ := h.words.entries(d, p, true)
	h.remember(d)
	return h.read(t, d, node, list, named, raw, true, now)
}

func (h *Host) nodeDeath(n *node, p *Payload, now time.Time) (out []Event) {
	// The Will of a connection that a new one has taken the place of may come
	// after the birth on the new one.
	if is := bdSeq(p); n.born && is >= 0 && n.bdSeq >= 0 && is != n.bdSeq {
		return nil
	}
	h.tally.Deaths++
	return h.dead(n, now)
}

// dead makes everything of an edge node stale.
func (h *Host) dead(n *node, now time.Time) (out []Event) {
	delete(h.mute, n)
	out = h.flush(n, now, func(*waiting) bool { return true })
	n.born, n.sure = false, false
	h.clear(&n.device)
	for _, name := range slices.Sorted(maps.Keys(n.devices)) {
		out = append(out, h.died(n.devices[name], n.topic(DDeath, name), now)...)
	}
	return append(out, h.died(&n.device, n.topic(NDeath, ""), now)...)
}

// died makes everything of a device stale.
func (h *Host) died(d *device, t Topic, at time.Time) []Event {
	d.born = false
	h.clear(d)
	if d.online == offline {
		return nil
	}
	d.online = offline
	return []Event{{Kind: Offline, Topic: t, At: at}}
}

func (h *Host) deviceBirth(n *node, t Topic, p *Payload, raw []byte, now time.Time) (out []Event) {
	h.tally.Births++
	d := n.devices[t.Device]
	if d == nil {
		if h.size >= h.set.Most {
			return []Event{{Kind: Refused, Topic: t, At: now, Refusal: h.full(), Payload: raw}}
		}
		if len(n.devices) >= h.set.Devices {
			h.tally.TurnedAway++
			r := refuse("topic", fmt.Sprintf("one of the %d devices known of this edge node: no more are taken", h.set.Devices), "a new one")
			return []Event{{Kind: Refused, Topic: t, At: now, Refusal: r, Payload: raw}}
		}
		h.size++
		d = newDevice()
		n.devices[t.Device] = d
	}
	d.born = true
	if d.online != online {
		d.online = online
		out = append(out, Event{Kind: Online, Topic: t, At: now})
	}
	h.clear(d)
	out = append(out, h.birth(t, d, &n.device, p, raw, now)...)
	return append(out, h.flush(n, now, func(w *waiting) bool { return w.topic.Device == t.Device })...)
}

func (h *Host) deviceDeath(n *node, t Topic, p *Payload, now time.Time) []Event {
	h.tally.Deaths++
	at := now
	if p.Timed && p.Timestamp < uint64(now.UnixMilli()) { // a clock that runs ahead is not believed
		at = time.UnixMilli(int64(p.Timestamp)).UTC()
	}
	if d := n.devices[t.Device]; d != nil {
		return h.died(d, t, at)
	}
	return nil
}

// of returns what is known of whom a message is of, and of its edge node where
// that is another; nil where it is not born.
func (n *node) of(t Topic) (d, self *device) {
	d = &n.device
	if t.Device != "" {
		d, self = n.devices[t.Device], &n.device
	}
	if !n.born || d == nil || !d.born {
		return nil, nil
	}
	return d, self
}

func (h *Host) data(n *node, t Topic, p *Payload, raw []byte, now time.Time) []Event {
	d, self := n.of(t)
	if d == nil || !n.sure {
		out := h.ask(n, "the birth of "+t.String()+" is not known", now)
		return append(out, h.hold(n, waiting{t, raw, now}, now)...)
	}
	list, named, missing := h.words.entries(d, p, false)
	if missing != "" {
		out := h.ask(n, "no birth of it explains "+missing, now)
		return append(out, h.hold(n, waiting{t, raw, now}, now)...)
	}
	return h.read(t, d, self, list, named, raw, false, now)
}

func (h *Host) read(t Topic, d, self *device, list []entry, named *Payload, raw []byte, birth bool, at time.Time) (out []Event) {
	readings, err := h.words.readings(&h.memory, t, d, self, list, named, birth)
	if err != nil {
		return []Event{{Kind: Refused, Topic: t, At: at, Refusal: ingest.AsRefusal(err), Payload: raw}}
	}
	for _, r := range readings {
		out = append(out, Event{Kind: Data, Topic: t, At: at, Reading: r})
	}
	return out
}

// hold lets a message wait for a birth. What is too much is let go first.
func (h *Host) hold(n *node, w waiting, now time.Time) (out []Event) {
	n.waiting = append(n.waiting, w)
	h.bytes += w.cost()
	h.wait[n] = true
	for len(n.waiting) > mostWaiting || h.bytes > mostWaitingBytes && len(n.waiting) > 0 {
		first := n.waiting[0]
		out = append(out, h.release(n, &first, now)...)
		n.waiting = n.waiting[1:]
	}
	return out
}

// flush reads the messages that no longer wait.
func (h *Host) flush(n *node, now time.Time, which func(*waiting) bool) (out []Event) {
	list := n.waiting
	n.waiting = nil
	for i := range list {
		if !which(&list[i]) {
			n.waiting = append(n.waiting, list[i])
			continue
		}
		out = append(out, h.release(n, &list[i], now)...)
	}
	if len(n.waiting) == 0 {
		delete(h.wait, n)
	}
	return out
}

// release reads a message with what is known now. One that nothing explains is
// refused if it may have been a throw.
func (h *Host) release(n *node, w *waiting, _ time.Time) []Event {
	h.bytes -= w.cost()
	d, self := n.of(w.topic)
	born := d != nil
	if !born {
		d, self = newDevice(), nil
	}
	p, err := Decode(w.raw, h.set.Limits)
	if err != nil { // not so: it was decoded when it came
		return []Event{{Kind: Refused, Topic: w.topic, At: w.at, Refusal: ingest.AsRefusal(err), Payload: w.raw}}
	}
	list, named, missing := h.words.entries(d, p, false)
	out := h.read(w.topic, d, self, list, named, w.raw, false, w.at)
	if !born {
		h.clear(d)
	}
	if len(out) > 0 || missing == "" && born {
		return out
	}
	if !h.suspicious(p) {
		h.tally.Dropped++
		return nil
	}
	r := refuse("", "a birth (NBIRTH, DBIRTH) that explains it; it was asked for", "none within "+h.set.BirthWithin.String())
	if missing != "" {
		r.Faults[0].Found += ", " + missing
	}
	return []Event{{Kind: Refused, Topic: w.topic, At: w.at, Refusal: r, Payload: w.raw}}
}

// suspicious reports whether a message that nothing explains may be a throw.
func (h *Host) suspicious(p *Payload) bool {
	for i := range p.Metrics {
		m := &p.Metrics[i]
		_, named := h.words.roots[m.Name]
		if named || m.Name == "" && m.Value.isPacked() {
			return true
		}
	}
	return false
}

// Tick is to be called every second or so: what waited too long is read as well
// as can be, and unanswered requests are made again. An edge node that has
// answered none since we are connected is not online.
func (h *Host) Tick(now time.Time) (out []Event) {
	for _, n := range sorted(maps.Keys(h.mute)) {
		if now.Sub(h.mute[n]) >= mostMute*h.set.BirthWithin {
			out = append(out, h.dead(n, now)...)
			out = append(out, h.forget(n, now)...)
		} else {
			out = append(out, h.ask(n, "it has not answered", now)...)
		}
	}
	for _, n := range sorted(maps.Keys(h.wait)) {
		if n.born && n.sure { // a device's birth is missing, or an alias in it
			out = append(out, h.ask(n, "data of it is not explained", now)...)
		} else {
			out = append(out, h.ask(n, "its birth is not known", now)...)
		}
		old := func(w *waiting) bool { return now.Sub(w.at) >= h.set.BirthWithin }
		if n.born && !n.sure && slices.ContainsFunc(n.waiting, func(w waiting) bool { return old(&w) }) {
			// It does not answer: go on with what it said when it was born.
			n.sure = true
			out = append(out, h.flush(n, now, func(*waiting) bool { return true })...)
			continue
		}
		out = append(out, h.flush(n, now, old)...)
	}
	return out
}

// StatePayload is what a host application publishes on its [StateTopic],
// retained at QoS 1. at is ms since 1970.
func StatePayload(online bool, at uint64) []byte {
	return []byte(`{"online":` + strconv.FormatBool(online) + `,"timestamp":` + strconv.FormatUint(at, 10) + `}`)
}
