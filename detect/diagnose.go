package detect

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"throwline/ingest"
)

// findings returns the conditions that stand after a throw, or after work
// where o is nil. late: the throw came out of order, and only what it says by
// itself is told.
func (s *State) findings(o *Observation, late bool) []Finding {
	var out []Finding
	out = append(out, s.incompletes(o, late)...)
	out = append(out, s.odds()...)
	out = append(out, s.risen()...)
	out = s.overdue(out, o)
	if f, ok := s.useless(); ok && !slices.ContainsFunc(out, func(f Finding) bool { return f.Condition == DoubtfulMeasurement }) {
		out = append(out, f)
	}
	for i := range out {
		out[i].finite()
	}
	slices.SortStableFunc(out, func(a, b Finding) int { return cmp.Compare(b.Urgency, a.Urgency) })
	return out
}

// finite takes out of the finding what is no number: it says nothing, and what
// cannot be written down would keep all else from being filed.
func (f *Finding) finite() {
	is := func(x ...float64) bool {
		return !slices.ContainsFunc(x, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	}
	if !is(f.ChangePercent) {
		f.ChangePercent = 0
	}
	if x := f.Forecast; x != nil && !is(x.P10, x.P50, x.P90) {
		f.Forecast = nil
	}
}

func (s *State) incompletes(o *Observation, late bool) []Finding {
	f := Finding{Condition: IncompleteThrow, Urgency: 1}
	var since int64
	for i := range s.ends {
		p := &s.ends[i].incomplete
		if p.since == 0 {
			continue
		}
		if since == 0 {
			f.To = ingest.Ends[i]
		} else {
			f.To = 0
		}
		if since == 0 || p.since < since {
			since = p.since
		}
		f.ThrowID = p.throw
	}
	if o != nil && !o.Completed {
		f.ThrowID, f.Fresh = o.ThrowID, true
		if since == 0 {
			since = o.StartedAt.UnixNano()
			f.To = o.To
		}
	}
	if since == 0 {
		return nil
	}
	f.Since = time.Unix(0, since).UTC()
	first := "the commanded end was not detected in the time allowed"
	if f.To != 0 {
		first = "the " + f.To.String() + " end was not detected in the time allowed"
	}
	if late {
		// The alert bears the time of the latest throw, and this one may have no id.
		first += fmt.Sprintf(" (the throw of %s arrived after later ones)", o.StartedAt.UTC().Format("2006-01-02 15:04:05 UTC"))
	}
	f.Causes = s.why(first, incompletePriors)
	return []Finding{f}
}

func (s *State) odds() []Finding {
	var out []Finding
	for i := range s.ends {
		p := &s.ends[i].odd
		if p.since == 0 {
			continue
		}
		f := Finding{
			Condition: OddThrow, To: ingest.Ends[i], Drive: p.drive, ThrowID: p.throw, Urgency: 0.1,
			Since: time.Unix(0, p.since).UTC(), ChangePercent: float64(p.pct),
		}
		said := fmt.Sprintf("%s %s in one throw, %.0f deviations from its past: farther than any single throw before",
			kinds[p.which].name, percent(float64(p.pct)), p.z)
		if p.need == goodAgain {
			said = fmt.Sprintf("throws stand out again and again, the farthest with %s %s", kinds[p.which].name, percent(float64(p.pct)))
			f.Urgency = 0.4
		}
		f.Causes = s.why(said, oddPriors)
		out = append(out, f)
	}
	return out
}

// incompletePriors and oddPriors are what is to be thought where the charts
// say nothing: obstructions and detection stop a throw without a warning.
// Common practice, no source.
var (
	incompletePriors = map[CauseName]float64{Obstruction: 0.34, DetectionAdjustment: 0.2, LockAdjustment: 0.16, DrySlideChairs: 0.1, SupplyVoltageCause: 0.05, MotorWear: 0.05, UnknownCause: 0.1}
	oddPriors        = map[CauseName]float64{Obstruction: 0.6, MeasurementCause: 0.1, UnknownCause: 0.3}
)

// why returns the charts' causes where an alarm stands, else the priors.
func (s *State) why(evidence string, priors map[CauseName]float64) []Cause {
	if p := s.picture(); len(p.alarms) > 0 {
		causes := p.causes()
		causes[0].Evidence = append([]string{evidence}, causes[0].Evidence...)
		return causes
	}
	var causes []Cause
	for name, p := range priors {
		causes = append(causes, Cause{Cause: name, Probability: p, Evidence: []string{evidence}, Checks: checks[name]})
	}
	sortCauses(causes)
	return causes
}

func sortCauses(c []Cause) {
	slices.SortFunc(c, func(a, b Cause) int {
		return cmp.Or(cmp.Compare(b.Probability, a.Probability), strings.Compare(string(a.Cause), string(b.Cause)))
	})
}

// risen returns the findings of the charts.
func (s *State) risen() []Finding {
	if !s.stirred() {
		s.called, s.told = calledNothing, 0
		return nil
	}
	p := s.picture()
	if len(p.alarms) == 0 || s.called == calledNothing && !p.confirmed() {
		s.called, s.told = calledNothing, 0
		return nil
	}
	causes := p.causes()
	s.name(causes, p.size())
	ahead := p.forecast(max(s.ends[0].last, s.ends[1].last)/1e9, s.called == calledMeasurement)
	if s.called == calledTurnout && !slices.ContainsFunc(p.alarms, func(a raised) bool { return !a.fell }) {
		// Only lighter than it was: nobody need go.
		s.called, s.told = calledNothing, 0
		return nil
	}
	var out []Finding
	add := func(c Condition, sel func(sig int) bool, urgency float64) {
		f := Finding{Condition: c, Causes: causes, Urgency: urgency, Forecast: ahead}
		ends := [2]bool{}
		best := -1.0
		drives := map[string]bool{}
		for _, x := range p.alarms {
			if !sel(x.signal) || x.fell && s.called == calledTurnout {
				continue
			}
			ends[x.end] = true
			if x.signal != sSag {
				drives[x.drive] = true
			}
			if at := time.Unix(x.since, 0).UTC(); f.Since.IsZero() || at.Before(f.Since) {
				f.Since = at
			}
			if w := math.Abs(x.own) / x.sd; w > best {
				best = w
				f.ChangePercent = round1(x.percent())
			}
			if s.called != calledMeasurement { // a sensor does not stop trains
				f.Urgency = max(f.Urgency, min(urgency+math.Abs(x.d), 0.9))
			}
		}
		switch {
		case ends[0] && ends[1]:
		case ends[0]:
			f.To = ingest.Normal
		case ends[1]:
			f.To = ingest.Reverse
		default:
			return
		}
		if len(drives) == 1 {
			for d := range drives {
				f.Drive = d
			}
		}
		out = append(out, f)
	}
	switch s.called {
	case calledMeasurement:
		add(DoubtfulMeasurement, func(int) bool { return true }, 0.3)
	case calledSupply:
		if !p.ownSag() && max(s.ends[0].shared, s.ends[1].shared) >= sagFrom-0.01 {
			break // the neighbours have it too
		}
		add(WeakSupply, func(int) bool { return true }, 0.4)
	default:
		s.told = p.tell(s.told)
		for i, c := range seenAs {
			if s.told&(1<<i) == 0 {
				continue
			}
			sel := c.sel
			if !slices.ContainsFunc(p.alarms, func(a raised) bool { return !a.fell && sel(a.signal) }) {
				sel = func(int) bool { return true } // what it was raised for has ebbed, the rest has not
			}
			add(c.condition, sel, c.urgency)
		}
		return out
	}
	s.told = 0
	return out
}

// stirred reports whether any chart has alarmed: mostly none has, and then no
// picture need be made.
func (s *State) stirred() bool {
	for i := range s.ends {
		e := &s.ends[i]
		if e.sag.alarm > 0 {
			return true
		}
		for j := range e.tracks {
			for k := range e.tracks[j].signals {
				if g := &e.tracks[j].signals[k]; g.alarm > 0 || g.low {
					return true
				}
			}
		}
		for j := range e.places {
			if e.places[j].lag.alarm > 0 {
				return true
			}
		}
	}
	return false
}

// seenAs are the conditions under which a change of the turnout is told, and
// the signals that show each.
var seenAs = [...]struct {
	condition Condition
	sel       func(sig int) bool
	urgency   float64
}{
	{Stiffening, func(sig int) bool { return sig >= 0 && sig != sDuration }, 0.4},
	{SlowThrow, func(sig int) bool { return sig == sDuration || sig == sSag }, 0.35},
	{LateDetection, func(sig int) bool { return sig == sLag }, 0.35},
}

// tell returns the conditions to tell, as bits beside seenAs. One fault is one
// alert: the condition that shows it best is told first and kept while anything
// stands out; another one only once it is plain by itself.
func (p *picture) tell(told uint8) uint8 {
	var size [len(seenAs)]float64
	best := 0
	for _, a := range p.alarms {
		if a.fell {
			continue
		}
		for i, c := range seenAs {
			if c.sel(a.signal) {
				size[i] = max(size[i], math.Abs(a.own)/allowanceOf(a.signal))
			}
		}
	}
	for i := range size {
		if size[i] > size[best] {
			best = i
		}
		if told != 0 && size[i] > plainly {
			told |= 1 << i
		}
	}
	if told == 0 {
		told = 1 << best
	}
	return told
}

// What the charts' rise is called. One name is kept until another is much more
// probable: an alert that changes its name every hour is three alerts.
const (
	calledNothing uint8 = iota
	calledTurnout
	calledMeasurement
	calledSupply
)

// name names what the charts tell. What ebbs keeps its name: with less of it the
// causes are less certain, and a new name would be a new alert.
func (s *State) name(causes []Cause, size float64) {
	called := s.call(causes)
	if called != s.called && s.called != calledNothing && size < float64(s.grown) {
		return
	}
	if called != s.called {
		s.grown = 0
	}
	s.called, s.grown = called, max(s.grown, float32(size))
}

// ownSag reports whether the turnout's own supply, beyond its neighbours', has fallen.
func (p *picture) ownSag() bool {
	return slices.ContainsFunc(p.alarms, func(a raised) bool { return a.signal == sSag })
}

// size returns how far the farthest of the alarmed signals stands out, in
// allowances.
func (p *picture) size() float64 {
	size := 0.0
	for _, a := range p.alarms {
		size = max(size, math.Abs(a.own)/allowanceOf(a.signal))
	}
	return size
}

// renamed is how probable another cause must be before what was called by one
// name is called by another: each name is another alert.
const renamed = 0.93

func (s *State) call(causes []Cause) uint8 {
	need := 0.6
	if s.called != calledNothing {
		need = renamed
	}
	now := calledTurnout
	switch top := causes[0]; {
	case top.Cause == MeasurementCause && top.Probability > need:
		now = calledMeasurement
	case top.Cause == SupplyVoltageCause && top.Probability > need:
		now = calledSupply
	}
	if s.called > calledTurnout && now == calledTurnout {
		if causes[0].Probability < 0.5 {
			return s.called // what ebbs away, after work or by itself, looks like nothing and renames nothing
		}
		for _, c := range causes {
			if (c.Cause == MeasurementCause && s.called == calledMeasurement || c.Cause == SupplyVoltageCause && s.called == calledSupply) && c.Probability > 1-renamed {
				return s.called
			}
		}
	}
	return now
}

func round1(x float64) float64 { return math.Round(10*x) / 10 }

// A chart bears out another from the share witness of its decision interval on;
// a change of strongly allowances needs no witness.
const (
	witness  = 0.8
	strongly = 2.5
	plainly  = 4.0 // allowances from which a second condition is told
)

// sLag and sSag stand for a detector's time and the supply among the signals
// of a picture.
const (
	sLag = -1 - iota
	sSag
)

// view is what one channel shows to both ends.
type view struct {
	drive string
	q     ingest.Quantity
	have  [2]bool
	own   [2][numSignals]float64 // change beyond what the travel's brings with it
	sd    [2][numSignals]float64 // of own
	load  [2][numSignals]float64 // how the signal goes with the travel
	frame [2]frame
	waits [2]shown   // what waiting at the end for another drive shows, in all, per ln of duration
	lapse [2]float64 // s, usual duration
}

// change returns the change in all.
func (v *view) change(end, sig int) float64 {
	if sig == sTravel {
		return v.own[end][sig]
	}
	return v.own[end][sig] + v.load[end][sig]*v.own[end][sTravel]
}

// raised is a signal whose chart has alarmed.
type raised struct {
	end      int
	drive    string
	quantity ingest.Quantity
	signal   int
	place    string
	d        float64 // change in all, in the signal's unit
	own      float64
	sd       float64
	since    int64 // unix s
	fell     bool  // stands below its past
}

func (r *raised) percent() float64 {
	switch r.signal {
	case sLag:
		return 0
	case sSag:
		return 100 * (math.Exp(-r.d) - 1)
	}
	return kinds[r.signal].percent(r.d)
}

// picture is what all signals of a turnout show now.
type picture struct {
	views   []view
	alarms  []raised
	lag     [2][]raised // detectors, alarmed or not; the first is the first that was told of
	known   [2]bool     // the supply is reported
	sag     [2]float64  // fall of the supply, ln
	sagSD   [2]float64
	near    int        // signals that are on the way to an alarm
	allowed [2]float64 // s, the time after which a throw is given up; 0: not known
	lapse   [2]float64 // s, usual duration of the first drive
	limits  Limits     // the operator's
}

// alarms lists the signals whose rise calls for someone. The inrush tells
// causes apart; by itself it sends nobody.
func alarms(sig int) bool { return sig != sInrush }

func (s *State) picture() picture {
	p := picture{limits: s.limits}
	arl := float64(s.arl)
	for i := range s.ends {
		e := &s.ends[i]
		p.allowed[i] = float64(e.allowed)
		if len(e.tracks) > 0 {
			p.lapse[i] = float64(e.tracks[0].duration)
		}
		for j := range e.tracks {
			p.look(i, &e.tracks[j], arl)
		}
		if e.sag.known() {
			d, sd := e.sag.change()
			p.known[i], p.sag[i], p.sagSD[i] = true, d, sd
			if e.sag.alarm > 0 {
				p.alarms = append(p.alarms, raised{end: i, signal: sSag, d: d, own: d, sd: sd, since: e.sag.upSince})
			}
		}
		for j := range e.places {
			l := &e.places[j]
			if !l.lag.known() {
				continue
			}
			d, sd := l.lag.change()
			r := raised{end: i, signal: sLag, place: l.name, d: d, own: d, sd: sd, since: l.lag.upSince}
			p.lag[i] = append(p.lag[i], r)
			if l.lag.alarm > 0 {
				p.alarms = append(p.alarms, r)
			}
		}
	}
	p.onesided(s.called != calledNothing)
	return p
}

// onesided drops the alarms of the zero and the ripple that the other end does
// not show: a sensor, or a motor, is the same for both.
func (p *picture) onesided(called bool) {
	least := 0.25
	if called { // what was told is not taken back for a hair's breadth
		least = 0.1
	}
	p.alarms = slices.DeleteFunc(p.alarms, func(a raised) bool {
		if a.signal != sIdle && a.signal != sRipple {
			return false
		}
		for i := range p.views {
			if v := &p.views[i]; v.drive == a.drive && v.q == a.quantity {
				o := 1 - a.end
				return v.have[o] && v.sd[o][a.signal] > 0 && v.own[o][a.signal]*a.own < least*a.own*a.own
			}
		}
		return false
	})
}

// confirmed reports whether what has alarmed is enough to call someone: a great
// change of one signal, great beside its own noise too, or a lesser one that a second witness bears out, be it
// another signal, the neighbouring part of the movement or the other end. A
// fault is hardly ever seen by one chart alone; chance nearly always is.
func (p *picture) confirmed() bool {
	for _, a := range p.alarms {
		k, share := allowanceOf(a.signal), strongly
		if a.signal == sLag || a.signal == sSag {
			share = 1.2
		}
		if math.Abs(a.own) > max(share*k, winsor*a.sd) {
			return true
		}
	}
	return len(p.alarms)+p.near > 1
}

func allowanceOf(sig int) float64 {
	switch sig {
	case sLag:
		return lagKind.allowance
	case sSag:
		return sagKind.allowance
	}
	return kinds[sig].allowance
}

// look takes a track into the picture.
func (p *picture) look(end int, t *track, arl float64) {
	if !t.signals[sTravel].known() {
		return
	}
	k := slices.IndexFunc(p.views, func(v view) bool { return v.drive == t.drive && v.q == t.quantity })
	if k < 0 {
		k = len(p.views)
		p.views = append(p.views, view{drive: t.drive, q: t.quantity})
	}
	v := &p.views[k]
	v.have[end], v.lapse[end] = true, float64(t.duration)
	v.frame[end] = t.frame()
	v.waits[end] = v.frame[end].show(&pattern{}, &v.frame[end].own[ownHeld])
	travel, _ := t.signals[sTravel].change()
	fell := t.signals[sTravel].low
	for k := range t.signals {
		g := &t.signals[k]
		if !g.known() {
			continue
		}
		own, sd := g.change()
		b := float64(g.slope[covLoad])
		v.own[end][k], v.sd[end][k], v.load[end][k] = own, sd, b
		d := own
		if k != sTravel {
			d += b * travel
		}
		up := g.alarm > 0 && alarms(k) && !(k == sRipple && t.quantity == ingest.HydraulicPressure)
		down := g.low && (k == sIdle || k == sTravel || k == sInrush && fell)
		if up || down {
			p.alarms = append(p.alarms, raised{end: end, drive: t.drive, quantity: t.quantity, signal: k, d: d, own: own, sd: sd, since: g.upSince, fell: !up})
		} else if alarms(k) && own > 0 && float64(g.up) > witness*g.interval(&kinds[k], arl) {
			p.near++
		}
	}
}

// frame returns how the track's traces are divided.
func (t *track) frame() frame {
	f := frame{inrush: float64(t.inrush) * ProfileLen, unlock: float64(t.unlock) * ProfileLen, lock: float64(t.lock) * ProfileLen}
	f.ofUnlock = float64(t.running) * math.Exp(-float64(t.signals[sUnlock].level))
	f.ofLock = float64(t.running) * math.Exp(-float64(t.signals[sLock].level))
	for i := range f.level {
		f.level[i] = max(float64(t.signals[sCell+i].level), 0.05)
	}
	var usual [ProfileLen]float64
	for i := range usual {
		usual[i] = bounded(float64(t.mid[i]-t.idle) / max(float64(t.running), 1e-9))
	}
	f.own = ownCourses(&usual, t.quantity == ingest.HydraulicPressure)
	return f
}

const unchanged = "unchanged"

// percent writes a change as "up 31 %" or "unchanged".
func percent(p float64) string {
	switch {
	case math.Abs(p) < 1.5:
		return unchanged
	case p > 0:
		return fmt.Sprintf("up %.0f %%", p)
	default:
		return fmt.Sprintf("down %.0f %%", -p)
	}
}
