package detect

import (
	"math"
	"slices"
	"time"

	"throwline/ingest"
)

// State is all that is remembered of a turnout. The zero State has seen nothing.
// A State is never changed once made; [State.Step] and [State.Visit] return new
// ones, which may share parts with the old.
type State struct {
	turnout string
	ends    [2]endState // by end-1
	called  uint8       // what the charts' rise is called
	told    uint8       // conditions that are told, see seenAs
	grown   float32     // the farthest that stood out since it is called so, in allowances
	arl     float32     // blocks between false alarms that each chart was last set to
	limits  Limits      // the operator's, at the latest step; not kept, as every step asks anew
}

// endState is what is remembered of the throws to one end.
type endState struct {
	last       int64 // unix ns, start of the latest throw; 0 before the first
	total      uint32
	completed  bool    // the latest throw
	supply     float32 // V, at the first throw that told it; 0 while unknown
	sag        signal  // fall of the supply, ln
	tracks     []track
	places     []place
	incomplete spell      // throws that did not complete
	odd        spell      // throws unlike any before
	slow       slowSpell  // throws that took longer than the operator allows
	often      float32    // sum of the chart of throws that stand out
	out        bool       // the latest throw stood out
	rate       float32    // share of throws that stand out, usually
	felt       [2]float32 // how far the last throws stand from the past, ln: effort and time
	feels      bool       // that is known
	raw        [2]float32 // likewise, what the weather does left in
	cold       float32    // K, by which it is colder than its usual
	wet        float32    // share of the last throws that were in the rain
	less       float32    // fall of the supply at the last throws, ln
	lessUsual  float32    // likewise over weeks
	shared     float32    // fall of the supply that its neighbours tell, ln
	allowed    float32    // s, the longest that a throw was tried for in vain; 0: none was
}

// place is a detector, and how long after the movement it makes.
type place struct {
	name string
	lag  signal // s
	soft bool   // the work that is to be judged cannot have made it later
	anew bool   // what follows is normal
}

// spell is a condition of single throws that stands until enough throws in a
// row were without it.
type spell struct {
	since int64 // unix ns of the first throw, 0: does not stand
	good  uint8 // throws in a row without it
	need  uint8 // that end it
	throw string
	z     float32 // how far the throw stood out, in deviations
	which uint8   // the signal that stood out farthest
	drive string
	pct   float32
}

// How many throws without it end a spell.
const (
	goodThrows  = 3
	maxTracks   = 6 // effort channels watched for one end
	maxPlaces   = 4
	oddLeast    = 14.0 // deviations below which no throw is odd
	oddAllow    = 4.0  // allowances below which nothing stands out
	oddBeyond   = 2    // times the farthest so far
	nearEffort  = 1.6  // rise of the effort (ln) that brings a drive near its capability
	goodAgain   = 20   // that end a spell of throws standing out again and again
	oftenLimit  = 12.0 // ln of some 160,000 throws between false alarms
	oftenStep   = 2.0
	nearTime    = 0.5            // rise of the duration (ln) that brings a throw near its time limit
	chartsYear  = 1460           // blocks a year of one chart, at most about four a day
	typicalUsed = numSignals - 1 // signals of a track that can alarm: all but the inrush
)

// Settings are the operator's choices.
type Settings struct {
	// FalseAlerts is how many false alerts a turnout-year are accepted, all
	// charts together.
	FalseAlerts float64
	// Limits returns the limits set for a turnout; nil: none are. Every step
	// asks it anew, so that what it answers may change while the program runs.
	// It may be called from several goroutines.
	Limits func(turnout string) Limits
}

// DefaultSettings returns the settings in force where none are given.
func DefaultSettings() Settings { return Settings{FalseAlerts: 0.05} }

// leastSupply is the lowest supply that is taken for one, V; mostSag is how far
// from the first a supply is told apart, ln.
const (
	leastSupply = 1.0
	mostSag     = 1.0
)

var sagKind = kindOf{"supply voltage", 0.05, 0.5, 0.02, effects{}, effects{0.001, 0.01, 0.01}, false}

var lagKind = kindOf{"time to detection", 0.06, 0.5, 0.03, effects{}, effects{0.003, 0.3, 0.05}, true}

// runLengthWanted is the mean number of blocks between false alarms that each
// chart of the turnout is set to.
func (s *State) runLengthWanted(set *Settings) float64 {
	charts := 0
	for i := range s.ends {
		charts += len(s.ends[i].tracks)*typicalUsed + len(s.ends[i].places)
	}
	return float64(max(charts, typicalUsed)) * chartsYear / max(set.FalseAlerts, 1e-4)
}

// Step returns the state after the observation and what it says. Neither the
// state nor the observation is changed.
func (s *State) Step(o *Observation, set *Settings) (*State, Assessment) {
	next := *s
	next.turnout = o.Turnout
	next.limits = set.limits(o.Turnout)
	a := Assessment{Bands: make([]Band, len(o.Traces))}
	e := &next.ends[o.To-1]
	e.tracks = slices.Clone(e.tracks)
	e.places = slices.Clone(e.places)
	at := o.StartedAt.UnixNano()
	if e.last != 0 && at <= e.last {
		a.Late = true
		e.total++
		for i := range o.Traces {
			a.Bands[i] = emptyBand()
		}
		a.Findings = next.findings(o, true)
		return &next, a
	}
	arl := next.runLengthWanted(set)
	next.arl = float32(arl)
	cov := e.covariates(o)
	e.last, e.completed = at, o.Completed
	e.total++
	odd, out, judged := false, false, false
	for i := range o.Traces {
		zi, which, ti := e.look(o, &o.Traces[i], &cov, arl, &next.ends[2-o.To], &a.Bands[i], &a.Verdicts)
		if ti == nil || !o.Completed || float64(ti.n) < 3*needed || zi == 0 {
			continue
		}
		judged = true
		d := ti.stood(which, &o.Traces[i], &cov)
		stands := zi > 2*winsor && d > oddAllow*kinds[which].allowance
		out = out || stands
		near := d > nearEffort || which == sDuration && d > nearTime
		single := near && zi > oddLeast && zi > oddBeyond*float64(ti.far)
		if single || stands && float64(e.often) > oftenLimit-oftenStep {
			odd = odd || single
			if e.odd.since == 0 || zi > float64(e.odd.z) {
				e.odd.z, e.odd.which, e.odd.drive = float32(zi), uint8(which), ti.drive
				e.odd.pct = float32(kinds[which].percent(d))
			}
		}
		ti.far = max(ti.far*(1-1.0/20000), float32(min(zi, 1e4)))
	}
	// What the charts tell already is not told again as odd.
	often := judged && !e.alarmed() && e.count(out)
	e.detect(o, &cov, arl)
	e.shared = 0
	if o.CommonSag.Known {
		e.shared = float32(o.CommonSag.Value)
	}
	if cov.known[covSupply] {
		if e.sag.wb == 0 {
			e.sag.start(&sagKind)
		}
		e.sag.step(&sagKind, e.sags(-cov.x[covSupply]), &covariates{}, o.StartedAt.Unix(), arl, false)
		if e.sag.settling < 0 {
			judge([]*signal{&e.sag}, func(int) *kindOf { return &sagKind }, false, false, 0, o.StartedAt.Unix())
		}
	}
	e.odd.take(odd || often, at, o.ThrowID)
	if often {
		e.odd.need = goodAgain
	}
	e.incomplete.take(!o.Completed, at, o.ThrowID)
	if !o.Completed {
		e.inVain(o)
	}
	e.dawdle(o, next.limits.ThrowTime)
	a.Findings = next.findings(o, false)
	return &next, a
}

// inVain learns from a throw that was given up how long one is tried.
func (e *endState) inVain(o *Observation) {
	for i := range o.Traces {
		tr := &o.Traces[i]
		if !watched(tr.Quantity) || len(e.tracks) == 0 || tr.Drive != e.tracks[0].drive || e.outOfTime(tr) {
			continue
		}
		// What was given up early, by hand or by a stall, is no limit.
		if d := tr.Features[Duration]; d > 1.15*e.tracks[0].duration && e.tracks[0].duration > 0 {
			e.allowed = max(e.allowed, d)
		}
	}
}

// take moves the spell by one throw.
func (p *spell) take(bad bool, at int64, throw string) {
	switch {
	case bad && p.since == 0:
		p.since, p.good, p.throw = at, 0, throw
		p.need = max(p.need, goodThrows)
	case bad:
		p.good, p.throw = 0, throw
	case p.since != 0:
		p.good++
		if p.good >= p.need {
			*p = spell{}
		}
	}
}

// alarmed reports whether a chart of the end has alarmed.
func (e *endState) alarmed() bool {
	for i := range e.tracks {
		for j := range e.tracks[i].signals {
			if e.tracks[i].signals[j].alarm > 0 && alarms(j) {
				return true
			}
		}
	}
	return false
}

// count is a sum of log-likelihood ratios over single throws (Page 1954, for a
// share): one in five standing out against what this turnout is used to. It
// tells something that is met now and then, which means of blocks do not show.
// Throws that stand out one after the other are a change, which the charts tell;
// only the first of them counts.
func (e *endState) count(out bool) bool {
	again := out && e.out
	e.out = out
	if again {
		return false
	}
	const p1 = 0.2
	p0 := min(max(float64(e.rate)*2, 0.005), 0.06)
	x := math.Log((1 - p1) / (1 - p0))
	if out {
		x = math.Log(p1 / p0)
	}
	e.often = float32(min(max(float64(e.often)+x, 0), 1.5*oftenLimit))
	if e.often < oftenLimit/2 {
		y := float32(0)
		if out {
			y = 1
		}
		e.rate += (y - e.rate) / 1500
	}
	return out && e.often > oftenLimit
}

// covariates returns what is known of the throw's surroundings.
func (e *endState) covariates(o *Observation) covariates {
	var c covariates
	if o.RailTemperature.Known {
		c.x[covTemperature], c.known[covTemperature] = o.RailTemperature.Value-15, true
	}
	if o.Supply.Known && o.Supply.Value >= leastSupply {
		if e.supply == 0 {
			e.supply = float32(o.Supply.Value)
		}
		x := math.Log(o.Supply.Value / float64(e.supply))
		if math.Abs(x) > mostSag && !e.sag.known() { // one odd reading among the first would hide every sag for good
			e.supply, x = float32(o.Supply.Value), 0
		}
		c.x[covSupply], c.known[covSupply] = min(max(x, -mostSag), mostSag), true
	}
	if o.Rain.Known {
		c.x[covRain], c.known[covRain] = o.Rain.Value, true
	}
	if o.CommonEffort.Known {
		c.x[covCommon], c.known[covCommon] = o.CommonEffort.Value, true
		c.x[covPace], c.known[covPace] = o.CommonTime.Value, o.CommonTime.Known
	}
	return c
}

// find returns the track of a channel, nil where there is none.
func (e *endState) find(drive string, q ingest.Quantity) *track {
	for i := range e.tracks {
		if t := &e.tracks[i]; t.quantity == q && t.drive == drive {
			return t
		}
	}
	return nil
}

// admit returns the track of a channel of the throw, a new one where there is
// none, nil where there is no room for one.
func (e *endState) admit(o *Observation, tr *Trace) *track {
	t := e.find(tr.Drive, tr.Quantity)
	if t == nil {
		if len(e.tracks) >= maxTracks && !e.forget(o) {
			return nil
		}
		e.tracks = append(e.tracks, newTrack(tr.Drive, tr.Quantity))
		t = &e.tracks[len(e.tracks)-1]
	}
	t.seen = o.StartedAt.UnixNano()
	return t
}

// How long a channel must not have been in any throw for its track to make room
// for that of another: names that came by mistake, or were given up, would take
// all room for good. A track that is learned is kept for longer. Channels that take
// turns are all seen more often than that.
const (
	forgetNew  = 7 * 24 * time.Hour
	forgetKnow = 30 * 24 * time.Hour
)

// forget makes room for one track, and reports whether it could.
func (e *endState) forget(o *Observation) bool {
	gone, longest := -1, time.Duration(0)
	for i := range e.tracks {
		t := &e.tracks[i]
		if slices.ContainsFunc(o.Traces, func(tr Trace) bool { return tr.Drive == t.drive && tr.Quantity == t.quantity }) {
			continue
		}
		least := forgetKnow
		if !t.signals[sTravel].learned() && t.settling == 0 {
			least = forgetNew
		}
		if unseen := time.Duration(o.StartedAt.UnixNano() - t.seen); unseen > least && unseen > longest {
			gone, longest = i, unseen
		}
	}
	if gone < 0 {
		return false
	}
	e.tracks = slices.Delete(e.tracks, gone, gone+1)
	return true
}

// same returns the track of the same channel as t, nil where there is none.
func (e *endState) same(t *track) *track {
	for i := range e.tracks {
		if x := &e.tracks[i]; x.quantity == t.quantity && x.drive == t.drive {
			return x
		}
	}
	return nil
}

// look compares one trace with its track and steps the track. It returns by
// how many deviations the trace stands out, by which signal, and the track;
// no track where the trace is not one of effort. across is the other end.
func (e *endState) look(o *Observation, tr *Trace, cov *covariates, arl float64, across *endState, band *Band, verdicts *[]Verdict) (z float64, which int, t *track) {
	*band = emptyBand()
	if !watched(tr.Quantity) {
		return 0, 0, nil
	}
	t = e.admit(o, tr)
	if t == nil {
		return 0, 0, nil
	}
	*band = t.band(cov)
	if !o.Completed {
		return 0, 0, t // what did not arrive is not a throw to learn from
	}
	why, pace := e.faults(o, tr, t, across.same(t), across.last/1e9)
	t.doubt(why, pace, o.StartedAt.Unix())
	if why&hopeless != 0 {
		return 0, 0, t
	}
	t.sided(tr)
	if t.dwarfs(tr) {
		t.restart()
	}
	if t.n < boundsThrows {
		t.settle(tr, false)
		return 0, 0, t
	}
	r := t.read(tr)
	if why&stretched != 0 {
		r[sDuration] = math.NaN()
	}
	loaded := t.loaded(&r, cov)
	loaded.hold = t.signals[sTravel].doubt(&kinds[sTravel], arl)
	cov = &loaded
	if t == &e.tracks[0] && why == 0 {
		e.feel(t, &r, cov)
	}
	z, which = t.outlier(&r, cov)
	frozen := z > 2*winsor || why != 0
	doubt := frozen
	at := o.StartedAt.Unix()
	for i := range t.signals {
		if math.IsNaN(r[i]) || math.IsInf(r[i], 0) {
			continue
		}
		s := &t.signals[i]
		s.step(&kinds[i], r[i], cov, at, arl, frozen)
		doubt = doubt || s.learned() && s.doubt(&kinds[i], arl)
	}
	// Two channels of a drive say the same of work.
	if v := t.settled(o.To, at); v != nil && !slices.ContainsFunc(*verdicts, func(w Verdict) bool { return w.Drive == v.Drive }) {
		*verdicts = append(*verdicts, *v)
	}
	t.settle(tr, doubt)
	return z, which, t
}

// stood returns by how much the trace stands above what is expected, in the signal's unit.
func (t *track) stood(which int, tr *Trace, c *covariates) float64 {
	r := t.read(tr)
	loaded := t.loaded(&r, c)
	mid, _ := t.signals[which].expected(&loaded)
	return r[which] - mid
}

// detect steps the detectors' times after the movement.
func (e *endState) detect(o *Observation, cov *covariates, arl float64) {
	if !o.Completed || len(o.Detections) == 0 {
		return
	}
	end := math.NaN()
	for i := range o.Traces {
		tr := &o.Traces[i]
		if watched(tr.Quantity) && usable(tr) {
			if e.outOfTime(tr) {
				return // when the movement ended is not known
			}
			if b := float64(tr.Bounds[Tail]); !(b <= end) {
				end = b
			}
		}
	}
	if math.IsNaN(end) {
		return
	}
	for _, d := range o.Detections {
		i := slices.IndexFunc(e.places, func(p place) bool { return p.name == d.Place })
		if i < 0 {
			if len(e.places) >= maxPlaces {
				continue
			}
			p := place{name: d.Place}
			p.lag.start(&lagKind)
			e.places = append(e.places, p)
			i = len(e.places) - 1
		}
		lag := d.After.Seconds() - end
		s := &e.places[i].lag
		far := s.n >= needed && math.Abs(lag-float64(s.level)) > 2*winsor*math.Sqrt(float64(s.v))
		s.step(&lagKind, lag, cov, o.StartedAt.Unix(), arl, far)
		if s.settling < 0 {
			judge([]*signal{s}, func(int) *kindOf { return &lagKind }, e.places[i].soft, e.places[i].anew, 0, o.StartedAt.Unix())
		}
	}
}

func emptyBand() Band {
	var b Band
	nan := float32(math.NaN())
	for i := range b.Expected {
		b.Expected[i], b.Low[i], b.High[i] = nan, nan, nan
	}
	return b
}

// Visit returns the state after recorded work: a new epoch. What is known of
// noise and weather stays; the level is gathered anew from the next throws.
func (s *State) Visit(w *ingest.Work, set *Settings) (*State, Assessment) {
	next := *s
	if next.turnout == "" {
		next.turnout = w.Turnout
	}
	next.limits = set.limits(next.turnout)
	if w.Kind != ingest.Inspected {
		visited := work{w.Kind, w.DoneAt.UnixNano()}
		for i := range next.ends {
			e := &next.ends[i]
			e.tracks = slices.Clone(e.tracks)
			e.places = slices.Clone(e.places)
			for j := range e.tracks {
				e.tracks[j].visit(visited)
			}
			for j := range e.places {
				p := &e.places[j]
				p.lag.visit(enough(&p.lag, &lagKind))
				p.soft, p.anew = visited.soft(), w.Kind == ingest.Rebaselined
			}
			e.sag.visit(1)
			e.incomplete, e.odd, e.slow = spell{}, spell{}, slowSpell{}
		}
	}
	return &next, Assessment{Findings: next.findings(nil, false)}
}

// Summary returns the turnout at a glance.
func (s *State) Summary() Summary {
	out := Summary{Turnout: s.turnout}
	for i := range s.ends {
		e := &s.ends[i]
		if at := time.Unix(0, e.last).UTC(); e.last != 0 && at.After(out.Last) {
			out.Last, out.LastTo, out.Completed = at, ingest.Ends[i], e.completed
		}
		l := Learning{To: ingest.Ends[i], Needed: needed + boundsThrows, Total: int(e.total)}
		for j := range e.tracks {
			t := &e.tracks[j]
			have := int(min(t.n, boundsThrows) + t.signals[sTravel].n)
			if t.settling > 0 {
				have = max(needed+boundsThrows-int(t.settling), 0)
			}
			if j == 0 || have < l.Throws {
				l.Throws = have
			}
			if !slices.Contains(out.Quantities, t.quantity) {
				out.Quantities = append(out.Quantities, t.quantity)
			}
			if !slices.Contains(out.Drives, t.drive) {
				out.Drives = append(out.Drives, t.drive)
			}
		}
		out.Learning[i] = l
	}
	return out
}

// Profile returns the course of the traces of the turnout's past that throws
// are compared with.
func (s *State) Profile(to ingest.End, drive string, q ingest.Quantity) Profile {
	if to != ingest.Normal && to != ingest.Reverse {
		return Profile{}
	}
	tracks := s.ends[to-1].tracks
	for i := range tracks {
		if t := &tracks[i]; t.quantity == q && t.drive == drive {
			return t.profile()
		}
	}
	return Profile{}
}
