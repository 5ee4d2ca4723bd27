package demo

import (
	"bufio"
	"cmp"
	"container/heap"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// Arrivals takes what arrived, in the order in which it did; a
// [throwline/ingest/wire.RecordingWriter] is one.
type Arrivals interface {
	Write(ingest.Arrival) error
}

// RecordOptions say what is recorded. The zero value of each field but Seed
// means its default.
type RecordOptions struct {
	Seed       uint64    // seeds from 1000 on are kept for reports
	Turnouts   int       // default 20
	Days       int       // default 90
	Start      time.Time // default 2026-01-10T00:00:00Z
	FaultShare float64   // share of turnouts that get a fault, default 0.6; negative: none
	Hydraulic  float64   // share of hydraulic drives, default 0.35; negative: none
	MostThrows float64   // a day of the busiest turnout, default 200, at least 4

	Progress func(done time.Duration) // told after each day recorded, may be nil
}

func (o RecordOptions) withDefaults() (RecordOptions, error) {
	if o.Turnouts == 0 {
		o.Turnouts = 20
	}
	if o.Days == 0 {
		o.Days = 90
	}
	if o.Start.IsZero() {
		o.Start = time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC)
	}
	o.Start = o.Start.Truncate(time.Second)
	if o.FaultShare == 0 {
		o.FaultShare = 0.6
	}
	if o.Hydraulic == 0 {
		o.Hydraulic = 0.35
	}
	if o.MostThrows == 0 {
		o.MostThrows = 200
	}
	var errs []error
	if o.Turnouts < 1 || o.Turnouts > 10_000 {
		errs = append(errs, fmt.Errorf("turnouts: expected 1 to 10000, found %d", o.Turnouts))
	}
	if o.Days < 1 || o.Days > 3660 {
		errs = append(errs, fmt.Errorf("days: expected 1 to 3660, found %d", o.Days))
	}
	if o.FaultShare > 1 || o.Hydraulic > 1 {
		errs = append(errs, fmt.Errorf("shares of faults and of hydraulic drives: expected at most 1, found %g and %g", o.FaultShare, o.Hydraulic))
	}
	if !(o.MostThrows >= 4 && o.MostThrows <= 1000) {
		errs = append(errs, fmt.Errorf("most throws a day: expected 4 to 1000, found %g", o.MostThrows))
	}
	if o.Start.Before(ingest.Earliest) {
		errs = append(errs, fmt.Errorf("start: expected a time from %s on, found %s", ingest.Earliest.Format(time.RFC3339), o.Start.Format(time.RFC3339)))
	}
	return o, errors.Join(errs...)
}

// Record simulates a fleet and writes what arrived of it to w, in the order of
// arrival: throws (some late by minutes or hours, some twice, some of them
// incomplete), conditions, cabinets coming and going, and work. The same
// options always write the same. Memory does not grow with the days but for
// the truth. ctx ends it early with ctx's error.
//
// What truly was is written to truth, if that is not nil, one JSON object a line:
//
//	{"fleet":{"seed":1,"days":150,"turnouts":80,"start":"…","end":"…"}}          first
//	{"turnout":"ORR-W01","drive_kind":"electric","cabinet":"ORR-C1","throws":5117,
//	 "incomplete":9,"what":"…"}                                                   each turnout
//	{"fault":{"turnout":"ORR-W01","cause":"motor-wear","onset":"…","failure":"…",
//	 "repaired":"…","detectable_note":"…"}}                                       each fault, by onset
//	{"odd":{"turnout":"ORR-W01","at":"…","to":"normal","kind":"pebble","completed":true}}
//
// throws counts each throw once, however often it arrives. cause is one of the
// contract's. failure is the first throw that did not complete because of the
// fault, or for a fault of measurement the moment from which the trace is of no
// use; it is left out where a visit, or the end, came first. repaired is left
// out where the recording ends before. A fault of cold-weather lasts as long as
// the cold spell and is told of those turnouts only which the cold makes at
// least 5 % harder to throw. An odd throw is one at which something happened
// that is no fault; "failed in this weather" is one that did not complete
// although nothing else was wrong.
func Record(ctx context.Context, w Arrivals, truth io.Writer, o RecordOptions) error {
	o, err := o.withDefaults()
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	f := drawFleet(o)
	r := &recording{fleet: f, o: o, w: w, rng: source(o.Seed, streamRecord)}
	if err := r.run(ctx); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	if truth == nil {
		return nil
	}
	if err := r.tell(truth); err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	return nil
}

// fleet is a drawn world and the cold spell that comes over one of its areas.
type fleet struct {
	*world
	snapArea int
	snap     snap
}

func drawFleet(o RecordOptions) *fleet {
	cabinets := (o.Turnouts + perCabinet - 1) / perCabinet
	f := &fleet{world: newWorld(o.Seed, o.Start, cabinets, min(cabinets, len(areas))), snapArea: -1}
	rng := source(o.Seed, streamFault)
	if o.Days > 60 && o.FaultShare > 0 {
		f.snapArea = rng.IntN(len(f.weather))
		from := between(rng, 30, float64(o.Days)-20) * day
		f.snap = snap{from: from, to: from + between(rng, 5, 11)*day, depth: between(rng, 14, 24)}
		f.weather[f.snapArea].snaps = []snap{f.snap}
	}
	number := make([]int, len(areas))
	for i := range o.Turnouts {
		c := i / perCabinet
		area := f.sites[c].area
		number[area]++
		draw := source(o.Seed, streamPlant+uint64(i))
		p := drawPlant(draw, fmt.Sprintf("%s-W%02d", areas[area], number[area]), c, draw.Float64() < o.Hydraulic)
		l := newLife(p, logBetween(draw, 4, o.MostThrows), source(o.Seed, streamLife+uint64(i)))
		f.add(l)
		if rng.Float64() < o.FaultShare && o.Days > 30 {
			onset := between(rng, 25, max(float64(o.Days)-15, 26)) * day
			l.faults = append(l.faults, p.bear(&l.w, rng, "", onset))
			if rng.Float64() < 0.25 {
				f := p.bear(&l.w, rng, "", onset+1.5*l.faults[0].life+20*day)
				l.faults = append(l.faults, f)
			}
		}
	}
	return f
}

// recording is the course of one [Record].
type recording struct {
	*fleet
	o     RecordOptions
	w     Arrivals
	rng   *rand.Rand
	queue queue
	order int
	count []int     // throws by life
	fails []int     // incomplete throws by life
	boots []bootSeq // by site
	off   []offline // by site
}

type bootSeq struct {
	boot  string
	last  uint64
	until float64 // s at which it counts anew
}

// offline is a spell in which a cabinet cannot send.
type offline struct{ from, to float64 }

// pending is an arrival that is still to be written.
type pending struct {
	at    float64
	order int
	a     ingest.Arrival
}

type queue []pending

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	return q[i].at < q[j].at || q[i].at == q[j].at && q[i].order < q[j].order
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(pending)) }
func (q *queue) Pop() any {
	old := *q
	x := old[len(old)-1]
	old[len(old)-1] = pending{}
	*q = old[:len(old)-1]
	return x
}

func (r *recording) push(at float64, a ingest.Arrival) {
	r.order++
	a.At = moment(r.start.Add(seconds(at)), time.UTC)
	heap.Push(&r.queue, pending{at, r.order, a})
}

// happened is one event of a day with whose it was.
type happened struct {
	happening
	life int
}

func (r *recording) run(ctx context.Context) error {
	r.count, r.fails = make([]int, len(r.lives)), make([]int, len(r.lives))
	r.boots, r.off = make([]bootSeq, len(r.sites)), make([]offline, len(r.sites))
	for i, s := range r.sites {
		r.push(float64(i), ingest.Arrival{State: &ingest.CabinetState{Cabinet: s.name, Online: true, At: moment(r.start, s.zone), Agent: agent}})
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// The next day is lived while the last one is written.
	days := make(chan lived, 1)
	failed := make(chan error, 1)
	go func() {
		defer close(days)
		for d := range r.o.Days {
			l, err := r.live(ctx, d)
			if err != nil {
				failed <- err
				return
			}
			select {
			case days <- l:
			case <-ctx.Done():
				failed <- ctx.Err()
				return
			}
		}
	}()
	d := 0
	for l := range days {
		if err := r.day(d, l); err != nil {
			cancel()
			for range days {
			}
			return err
		}
		d++
		if r.o.Progress != nil {
			r.o.Progress(time.Duration(d) * 24 * time.Hour)
		}
	}
	select {
	case err := <-failed:
		return err
	default:
	}
	return r.write(math.Inf(1))
}

// lived is what happened on one day: to each turnout, and what each cabinet
// reports of its surroundings.
type lived struct {
	turnouts   [][]happening
	conditions [][]ingest.Conditions // by site and hour
}

// live lives day d. It alone touches the world while recording goes on.
func (r *recording) live(ctx context.Context, d int) (l lived, err error) {
	if l.turnouts, err = r.until(ctx, float64(d+1)*day, nil); err != nil {
		return l, err
	}
	l.conditions = make([][]ingest.Conditions, len(r.sites))
	for i, s := range r.sites {
		if s.reports.any {
			for h := range 24 {
				l.conditions[i] = append(l.conditions[i], r.fleet.conditions(s, float64(d)*day+float64(h)*3600+s.clock))
			}
		}
	}
	return l, nil
}

// agent is what the yard's cabinets call their software.
const agent = "yard-cabinet 1.4"

// day takes what happened on day d, sees how it arrives, and writes what has
// arrived by its end.
func (r *recording) day(d int, l lived) error {
	var all []happened
	for i, hs := range l.turnouts {
		for _, h := range hs {
			all = append(all, happened{h, i})
		}
	}
	slices.SortStableFunc(all, func(a, b happened) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.life, b.life))
	})
	begin, end := float64(d)*day, float64(d+1)*day
	for i, s := range r.sites {
		if r.off[i].to < begin && r.rng.Float64() < 1.0/20 {
			from := begin + between(r.rng, 0, day)
			r.off[i] = offline{from, from + logBetween(r.rng, 600, 6*3600)}
			o := r.off[i]
			r.push(o.from+45, ingest.Arrival{State: &ingest.CabinetState{Cabinet: s.name, At: r.lives[0].time(o.from), Agent: agent}})
			r.push(o.to, ingest.Arrival{State: &ingest.CabinetState{Cabinet: s.name, Online: true, At: moment(r.start.Add(seconds(o.to)), s.zone), Agent: agent}})
		}
		for h := range l.conditions[i] {
			r.push(r.passed(i, begin+float64(h)*3600+s.clock+0.3), ingest.Arrival{Conditions: &l.conditions[i][h]})
		}
	}
	for _, h := range all {
		if h.work != nil {
			// Typed in when the gang is back.
			r.push(h.at+between(r.rng, 300, 4*3600), ingest.Arrival{Work: h.work})
			continue
		}
		r.throw(h)
	}
	return r.write(end)
}

// passed is when something sent at t arrives: later where the cabinet is offline.
func (r *recording) passed(site int, t float64) float64 {
	if o := r.off[site]; t >= o.from && t < o.to {
		// Its spool follows in the order of the throws, some twenty a second.
		return o.to + 1 + (t-o.from)/(o.to-o.from)*30
	}
	return t
}

func (r *recording) throw(h happened) {
	rng := r.rng
	c := r.lives[h.life].p.cabinet
	s := r.sites[c]
	t := h.throw
	t.Cabinet = s.name
	if s.numbers {
		b := &r.boots[c]
		if b.boot == "" || h.at > b.until {
			b.boot, b.last = fmt.Sprintf("%s-%06d", s.name, int(h.at)), 0
			b.until = h.at + between(rng, 20, 80)*day
		}
		b.last++
		t.Boot, t.Sequence = b.boot, b.last
	}
	r.count[h.life]++
	if !t.Completed {
		r.fails[h.life]++
	}
	at := r.passed(c, h.at+between(rng, 0.1, 2))
	if rng.Float64() < 0.003 {
		at += logBetween(rng, 60, 4*3600)
	}
	r.push(at, ingest.Arrival{Throw: t})
	if rng.Float64() < 0.002 {
		r.push(at+logBetween(rng, 1, 1200), ingest.Arrival{Throw: t})
	}
}

// write writes what has arrived by t.
func (r *recording) write(t float64) error {
	for len(r.queue) > 0 && r.queue[0].at <= t {
		p := heap.Pop(&r.queue).(pending)
		if err := r.w.Write(p.a); err != nil {
			return err
		}
	}
	return nil
}

// truthFault, truthOdd and truthTurnout are lines of the truth.
type truthFault struct {
	Turnout  string           `json:"turnout"`
	Cause    detect.CauseName `json:"cause"`
	Onset    time.Time        `json:"onset"`
	Failure  *time.Time       `json:"failure,omitempty"`
	Repaired *time.Time       `json:"repaired,omitempty"`
	Note     string           `json:"detectable_note,omitempty"`
}

type truthOdd struct {
	Turnout   string     `json:"turnout"`
	At        time.Time  `json:"at"`
	To        ingest.End `json:"to"`
	Kind      string     `json:"kind"`
	Completed bool       `json:"completed"`
}

type truthTurnout struct {
	Turnout    string `json:"turnout"`
	DriveKind  string `json:"drive_kind"`
	Cabinet    string `json:"cabinet"`
	Throws     int    `json:"throws"`
	Incomplete int    `json:"incomplete"`
	What       string `json:"what"`
}

// tell writes the truth.
func (r *recording) tell(out io.Writer) error {
	w := bufio.NewWriter(out)
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	end := r.o.Start.AddDate(0, 0, r.o.Days)
	lines := []any{map[string]any{"fleet": map[string]any{
		"seed": r.o.Seed, "days": r.o.Days, "turnouts": r.o.Turnouts, "start": r.o.Start, "end": end,
	}}}
	var faults []truthFault
	var odds []truthOdd
	for i, l := range r.lives {
		lines = append(lines, truthTurnout{
			Turnout: l.p.name, DriveKind: l.p.kind(), Cabinet: r.sites[l.p.cabinet].name,
			Throws: r.count[i], Incomplete: r.fails[i], What: l.p.what(l.perDay),
		})
		faults = append(faults, r.faultsOf(l)...)
		for _, o := range l.odds {
			odds = append(odds, truthOdd{l.p.name, l.time(o.at), o.to, o.kind, o.completed})
		}
	}
	slices.SortStableFunc(faults, func(a, b truthFault) int { return a.Onset.Compare(b.Onset) })
	slices.SortStableFunc(odds, func(a, b truthOdd) int { return a.At.Compare(b.At) })
	for i := range faults {
		lines = append(lines, map[string]any{"fault": faults[i]})
	}
	for i := range odds {
		lines = append(lines, map[string]any{"odd": odds[i]})
	}
	for _, l := range lines {
		if err := e.Encode(l); err != nil {
			return err
		}
	}
	return w.Flush()
}

// faultsOf returns the faults of a turnout that began within the recording.
func (r *recording) faultsOf(l *life) []truthFault {
	end := float64(r.o.Days) * day
	var out []truthFault
	free := func(a, b float64) bool { // of faults from a to b
		return !slices.ContainsFunc(append(slices.Clone(l.done), l.faults...), func(f *fault) bool {
			over := f.mended
			if over == 0 {
				over = math.Inf(1)
			}
			return f.onset < b && over > a
		})
	}
	for _, f := range append(slices.Clone(l.done), l.faults...) {
		if f.onset >= end {
			continue
		}
		t := truthFault{Turnout: l.p.name, Cause: f.cause, Onset: l.time(f.onset), Note: f.note}
		if f.failed > 0 && f.failed < end {
			at := l.time(f.failed)
			t.Failure = &at
		}
		if f.mended > 0 && f.mended < end {
			at := l.time(f.mended)
			t.Repaired = &at
		}
		out = append(out, t)
	}
	s := r.snap
	if r.sites[l.p.cabinet].area == r.snapArea && free(s.from, s.to) {
		if rise, note := l.inCold(s, r.weather[r.snapArea]); rise >= 0.05 {
			over := l.time(s.to)
			t := truthFault{Turnout: l.p.name, Cause: detect.ColdWeather, Onset: l.time(s.from), Repaired: &over, Note: note}
			if l.chill >= s.from && l.chill < s.to {
				at := l.time(l.chill)
				t.Failure = &at
			}
			out = append(out, t)
		}
	}
	return out
}

// inCold says how much harder the turnout is to throw in the cold spell than it
// would be without: the rise of what its first sensor reads in travel, or of
// the time, whichever is more.
func (l *life) inCold(s snap, w *weather) (rise float64, note string) {
	mid := w.at((s.from + s.to) / 2)
	seen := func(c float64) (mean, time float64) {
		rng := rand.New(rand.NewPCG(1, 1))
		h := l.p.sound()
		for _, to := range ingest.Ends {
			a := calm(to)
			a.rail, a.air = c, c
			res := l.p.throw(&l.w, &h, &a, rng)
			x := res.channels[0].AppendPhysical(nil)
			n := int((res.off - res.channels[0].Offset) * l.p.rate)
			for _, v := range x[:min(n, len(x))] {
				mean += v / float64(n)
			}
			time += res.off
		}
		return mean, time
	}
	m0, t0 := seen(mid.air + s.depth)
	m1, t1 := seen(mid.air)
	return max(m1/m0, t1/t0) - 1, fmt.Sprintf("a cold spell of %.0f K down to %.0f °C: mean %+.0f %%, time %+.0f %%", s.depth, mid.air, 100*(m1/m0-1), 100*(t1/t0-1))
}

// what describes the turnout in words.
func (p *plant) what(perDay float64) string {
	s := fmt.Sprintf("%.1f m, %.0f throws a day, %g Hz", p.track.length, perDay, p.rate)
	switch m := p.motor(); m.kind {
	case induction:
		s += ", three-phase motor"
	case compound:
		s += ", compound DC motor"
	default:
		s += ", DC motor"
	}
	if n := len(p.rails.rollers); n > 0 {
		s += fmt.Sprintf(", %d sets of rollers", n)
	}
	switch {
	case p.own != nil:
		s += ", back drive with its own motor"
	case p.track.back != nil:
		s += ", back drive by rod"
	}
	if p.electric != nil && p.electric.inner {
		s += ", switched off by the drive"
	} else {
		s += ", switched off by detection"
	}
	for _, c := range p.sensors {
		s += ", " + string(signalQuantity[c.signal])
	}
	return s
}
