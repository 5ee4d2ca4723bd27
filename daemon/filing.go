package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// outcome is what became of a throw.
type outcome uint8

const (
	stored outcome = iota
	late           // stored, but a later throw was here before it
	duplicate
	refused
	numOutcomes
)

func (o outcome) String() string {
	return [...]string{"stored", "late", "duplicate", "refused"}[o]
}

// draft is what a batch makes of the yard. It becomes the yard's only once the
// batch is committed; until then it can be thrown away and made again.
type draft struct {
	turnouts map[string]*turnout
	touched  []string // keys of turnouts, in the order of the batch
	added    int      // of them, those that the yard does not know
	cabinets map[string]ingest.CabinetState
	receipts map[string]ingest.Receipt
	former   map[string]ingest.Receipt // of the count before, where a cabinet has begun another
	boxes    map[string]struct{}       // cabinets that the yard does not know
	events   []alerting.Event
	records  []*detect.Record
	notices  []detect.Notice // what many feel, where noticed
	noticed  bool            // the notices have changed
	papers   papers          // of what people do
	after    []func()        // once it is committed
	throws   [numOutcomes]int
	aside    int       // messages set aside
	ahead    time.Time // until when the first of them that is only ahead of its time is so; zero: none is
	away     int       // of them, for the limit on turnouts
	crowd    int       // messages of cabinets beyond the limit on these
	caughtUp int       // of the yard's turnouts that were behind, from the first
	behind   []behind
	faults   []error // of ours, that no message is to blame for
}

func newDraft() *draft {
	return &draft{
		turnouts: map[string]*turnout{}, cabinets: map[string]ingest.CabinetState{}, receipts: map[string]ingest.Receipt{}, former: map[string]ingest.Receipt{}, boxes: map[string]struct{}{},
	}
}

// filer steps what parcels touch and enters it. It belongs to one goroutine.
type filer struct {
	yard    *yard
	weather detect.Weather
	near    detect.Neighbours
	notices []detect.Notice // the latest
	untold  bool            // the yard does not know them
	set     detect.Settings
	unkept  int    // throws since what neighbours have in common was kept
	most    int    // turnouts
	clerk   *clerk // nil: there are no people
}

// file enters the parcels in their order and returns what they make of the
// yard. An error is the ledger's, or a [*parcelError]; nothing but the weather has
// changed then, and the weather takes no parcel twice.
func (f *filer) file(tx entries, batch []*parcel) (*draft, error) {
	d := newDraft()
	for _, p := range batch {
		if err := f.guarded(tx, d, p); err != nil {
			return nil, err
		}
	}
	if err := f.checkpoint(tx, d, len(batch), false); err != nil {
		return nil, err
	}
	// Told once too often after a failed commit, never too seldom: they are no entries.
	if fault := guard(func() {
		if list, changed := f.near.Notices(); changed {
			f.notices, f.untold = list, true
		}
	}); fault != nil {
		d.faults = append(d.faults, fmt.Errorf("what many turnouts feel at once: %w", fault))
	}
	d.notices, d.noticed = f.notices, f.untold
	for cabinet, r := range d.receipts {
		if err := tx.SaveReceipt(cabinet, r); err != nil {
			return nil, fmt.Errorf("receipt of cabinet %q: %w", cabinet, err)
		}
	}
	return d, nil
}

func (f *filer) one(tx entries, d *draft, p *parcel) error {
	p.answer = nil
	if p.aside != 0 && p.faulty == nil {
		if _, err := tx.Aside(p.aside); errors.Is(err, fs.ErrNotExist) {
			p.answer = fmt.Errorf("message %d: %w", p.aside, fs.ErrNotExist)
			return nil
		} else if err != nil {
			return fmt.Errorf("message %d that was set aside: %w", p.aside, err)
		}
	}
	var err error
	switch {
	case p.refusal != nil && p.deed == nil:
		err = f.refused(tx, d, p, p.refusal)
	case p.throw != nil:
		err = f.throw(tx, d, p)
	case p.work != nil:
		err = f.visit(tx, d, p)
	case p.presence != nil:
		err = f.presence(tx, d, p)
	case p.conditions != nil:
		err = f.conditions(tx, d, p)
	case p.deed != nil && p.faulty != nil:
		p.answer = errFault
	case p.deed != nil:
		p.answer, err = p.deed(f, tx, d)
	}
	if err == nil && p.aside != 0 && p.answer == nil {
		if err = tx.DropAside(p.aside); err != nil {
			err = fmt.Errorf("message %d that was set aside: %w", p.aside, err)
		}
	}
	return err
}

// known returns what is known of a turnout after what is in the draft, or nil.
func (f *filer) known(d *draft, name string) *turnout {
	if t := d.turnouts[name]; t != nil {
		return t
	}
	// The committer alone writes the yard, and this is its goroutine: no lock.
	return f.yard.turnouts[name]
}

func (d *draft) put(name string, t *turnout, known bool) {
	if d.turnouts[name] == nil {
		d.touched = append(d.touched, name)
		if !known {
			d.added++
		}
	}
	d.turnouts[name] = t
}

func (f *filer) throw(tx entries, d *draft, p *parcel) error {
	t, o := p.throw, p.observed
	now := f.known(d, t.Turnout)
	known := now != nil
	if !known {
		if len(f.yard.turnouts)+d.added >= f.most {
			d.away++
			return f.refused(tx, d, p, &ingest.Refusal{
				Faults: []ingest.Fault{{
					Path: "turnout", Expected: fmt.Sprintf("one of the %d known: no more are taken (limits.turnouts)", f.most), Found: fmt.Sprintf("a new one, %q", t.Turnout),
				}},
				Turnout: t.Turnout, Boot: t.Boot, Sequence: t.Sequence,
			})
		}
		now = &turnout{state: new(detect.State)}
	}
	cabinet := t.Cabinet
	if cabinet != "" && !f.box(d, cabinet) {
		cabinet = "" // the throw is filed; nothing is kept by the cabinet's name
		d.crowd++
	}
	next := &turnout{cabinet: t.Cabinet, latest: latest(now.latest, o.StartedAt.UTC()), due: now.due || !known, lacks: now.lacks + 1, first: now.first}
	if next.cabinet == "" {
		next.cabinet = now.cabinet
	}
	var a detect.Assessment
	var events []alerting.Event
	past := now.past
	if f.clerk != nil {
		past.Criticality = f.clerk.criticality(t.Turnout)
	}
	if fault := guard(func() {
		if !p.weathered {
			p.weathered = true
			f.weather.Fill(o, cabinet)
			f.near.Fill(o, cabinet)
			if f.clerk != nil {
				f.clerk.hear(cabinet, p.arrived)
			}
		}
		next.state, a = now.state.Step(o, &f.set)
		// What a late throw shows is said now: an alert's life never moves back.
		next.past, events = alerting.Step(past, t.Turnout, a.Findings, next.latest)
	}); fault != nil {
		p.fail(fault)
		return f.refused(tx, d, p, p.refusal)
	}
	r := &detect.Record{Observation: *o, Cabinet: t.Cabinet, ArrivedAt: p.arrived, Bands: a.Bands}
	added, err := tx.AddThrow(r, t)
	if err != nil {
		return fmt.Errorf("throw of turnout %q at %s: %w", t.Turnout, t.StartedAt.Format(time.RFC3339Nano), err)
	}
	f.count(d, t.Cabinet, t.Boot, t.Sequence, p.aside != 0)
	if !added {
		d.throws[duplicate]++
		return nil
	}
	if a.Late {
		d.throws[late]++
	} else {
		d.throws[stored]++
	}
	d.records = append(d.records, r)
	if next.first == 0 {
		next.first = tx.LastThrow()
	}
	f.near.Take(next.state, cabinet, next.latest)
	for _, v := range a.Verdicts {
		if err := tx.Judge(t.Turnout, v); err != nil {
			return err
		}
	}
	next.due = next.due || len(events) > 0
	d.put(t.Turnout, next, known)
	if err := f.quieter(tx, d, &next.past); err != nil {
		return err
	}
	return f.transitions(tx, d, events, p.late())
}

// visit enters recorded work.
func (f *filer) visit(tx entries, d *draft, p *parcel) error {
	w := p.work
	now := f.known(d, w.Turnout)
	known := now != nil
	if !known {
		if len(f.yard.turnouts)+d.added >= f.most {
			p.answer = fmt.Errorf("turnout %q: %w", w.Turnout, fs.ErrNotExist)
			return nil
		}
		now = &turnout{state: new(detect.State)}
	}
	added, err := tx.AddWork(*w, p.arrived)
	if err != nil {
		return fmt.Errorf("work at turnout %q at %s: %w", w.Turnout, w.DoneAt.Format(time.RFC3339), err)
	}
	if !added {
		return nil
	}
	next := &turnout{cabinet: now.cabinet, latest: latest(now.latest, w.DoneAt.UTC()), due: true, lacks: now.lacks, first: now.first}
	var a detect.Assessment
	next.state, a = now.state.Visit(w, &f.set)
	var events []alerting.Event
	past := now.past.Visit(w.DoneAt.UTC())
	if f.clerk != nil {
		past.Criticality = f.clerk.criticality(w.Turnout)
	}
	next.past, events = alerting.Step(past, w.Turnout, a.Findings, next.latest)
	d.put(w.Turnout, next, known)
	if err := f.quieter(tx, d, &next.past); err != nil {
		return err
	}
	return f.transitions(tx, d, events, false)
}

// transitions enters what became of alerts. late: by the word of who sent what
// shows it, it is no news.
func (f *filer) transitions(tx entries, d *draft, events []alerting.Event, late bool) error {
	for i := range events {
		e := &events[i]
		err := tx.Transition(*e)
		if err == nil && f.clerk != nil {
			err = f.view(d).note(tx.People(), e, late)
		}
		if err != nil {
			return fmt.Errorf("alert %s of turnout %q: %w", e.Alert.ID, e.Alert.Turnout, err)
		}
	}
	d.events = append(d.events, events...)
	return nil
}

// quieter keeps alerts that have gone quiet, or come back, with nothing to tell of it.
func (f *filer) quieter(tx entries, d *draft, past *alerting.Past) error {
	for i := range past.Quieter {
		a := &past.Quieter[i]
		if err := tx.SaveAlert(a); err != nil {
			return err
		}
		if f.clerk == nil {
			continue
		}
		v := f.view(d)
		if was := v.find(a.ID); was != nil {
			h := *was
			h.alert = *a
			d.papers.put(&h)
		}
	}
	past.Quieter = nil
	return nil
}

// view is what the clerk knows now, with what the batch has changed of it.
func (f *filer) view(d *draft) *view { return &view{f.clerk, &d.papers, f.clerk.now()} }

// presence enters a cabinet's state; a retained one comes again with every
// subscription and changes nothing.
func (f *filer) presence(tx entries, d *draft, p *parcel) error {
	s := p.presence
	if !f.box(d, s.Cabinet) {
		return f.crowded(tx, d, p, s.Cabinet)
	}
	now, known := d.cabinets[s.Cabinet]
	if !known {
		now, known = f.yard.cabinets[s.Cabinet]
	}
	same := *s
	same.At = now.At
	news := !known || same != now || !s.At.Equal(now.At)
	if f.clerk != nil {
		f.clerk.said(s.Cabinet, s.Online, news, f.clerk.now())
	}
	if !news {
		return nil
	}
	if err := tx.SaveCabinet(*s); err != nil {
		return fmt.Errorf("state of cabinet %q: %w", s.Cabinet, err)
	}
	d.cabinets[s.Cabinet] = *s
	return nil
}

func (f *filer) conditions(tx entries, d *draft, p *parcel) error {
	if !f.box(d, p.conditions.Cabinet) {
		return f.crowded(tx, d, p, p.conditions.Cabinet)
	}
	if err := tx.SaveConditions(*p.conditions); err != nil {
		return fmt.Errorf("conditions of cabinet %q: %w", p.conditions.Cabinet, err)
	}
	if !p.weathered {
		p.weathered = true
		f.weather.Conditions(p.conditions)
	}
	return nil
}

// leastBoxes is how many cabinets there may be where few turnouts are allowed.
const leastBoxes = 1000

func (f *filer) mostBoxes() int { return max(f.most, leastBoxes) }

// box reports whether a cabinet is one of those of which anything is kept, and
// makes it one if there is room. Their names are the senders' to choose.
func (f *filer) box(d *draft, cabinet string) bool {
	if _, known := f.yard.boxes[cabinet]; known {
		return true
	}
	if _, known := d.boxes[cabinet]; known {
		return true
	}
	if len(f.yard.boxes)+len(d.boxes) >= f.mostBoxes() {
		return false
	}
	d.boxes[cabinet] = struct{}{}
	return true
}

// crowded refuses what a cabinet says of itself, for there are too many.
func (f *filer) crowded(tx entries, d *draft, p *parcel, cabinet string) error {
	d.crowd++
	if p.kind == aSpark {
		return nil // there is no message: a birth or a death told it
	}
	return f.refused(tx, d, p, &ingest.Refusal{Faults: []ingest.Fault{{
		Path: "cabinet", Expected: fmt.Sprintf("one of the %d known: no more are taken (limits.turnouts)", f.mostBoxes()), Found: fmt.Sprintf("a new one, %q", cabinet),
	}}})
}

// mostTopic is how much of a topic is kept of a message that is set aside, in bytes.
const mostTopic = 2048

func keptTopic(topic string) string {
	if len(topic) <= mostTopic {
		return topic
	}
	return strings.ToValidUTF8(topic[:mostTopic], "") + "…"
}

// refused sets the parcel aside whole and counts it in its cabinet's receipt:
// it is here, and will not be less refused when it is sent again.
func (f *filer) refused(tx entries, d *draft, p *parcel, r *ingest.Refusal) error {
	if p.maybe() {
		return nil
	}
	if p.kind == aThrow || p.kind == aMapped || p.spark != nil {
		d.throws[refused]++
	}
	if p.kind == someWork || p.kind == aSpark && p.spark == nil { // there is no message: a birth or a death told it
		p.answer = r
		if p.faulty != nil {
			p.answer = errFault
		}
		return nil
	}
	if until, only := ingest.AheadOnly(r.Faults); only {
		d.ahead = sooner(d.ahead, until)
	}
	if p.aside != 0 {
		p.answer = r
		if err := tx.RefuseAgain(p.aside, r.Faults); err != nil {
			return fmt.Errorf("message %d that was set aside: %w", p.aside, err)
		}
		return nil
	}
	if p.kind == aLine {
		p.answer = r // the replay tells it
	}
	d.aside++
	payload := p.whole()
	if payload == nil {
		payload = []byte{} // nothing arrived, and that is kept
	}
	if _, err := tx.SetAside(ingest.SetAside{At: p.arrived, Topic: keptTopic(p.topic), Turnout: r.Turnout, Faults: r.Faults, Payload: payload}); err != nil {
		return fmt.Errorf("message refused on %s: %w", keptTopic(p.topic), err)
	}
	if p.kind == aThrow && len(r.Boot) <= 4*ingest.MaxNameLen {
		f.count(d, p.cabinet, r.Boot, r.Sequence, false)
	}
	return nil
}

// count enters a numbered throw in its cabinet's receipt. again: it had been set
// aside, and its cabinet may have begun another count since.
func (f *filer) count(d *draft, cabinet, boot string, sequence uint64, again bool) {
	if cabinet == "" || boot == "" || sequence == 0 || !f.box(d, cabinet) {
		return
	}
	r, ok := d.receipts[cabinet]
	if !ok {
		r = f.yard.receipts[cabinet]
	}
	if again && r.Boot != boot {
		return
	}
	if r.Boot != "" && r.Boot != boot {
		// One that comes by mistake, or comes again long after, must not make the count
		// forget what it covered: the next number of the cabinet finds it again.
		former, ok := d.former[cabinet]
		if !ok {
			former = f.yard.former[cabinet]
		}
		d.former[cabinet] = r
		if former.Boot == boot {
			r = former
		}
	}
	d.receipts[cabinet] = r.With(boot, sequence)
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
