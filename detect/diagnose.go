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
	slices.SortStableFunc(out, func(a, b Finding) int { return cmp.Compare(b.Urgency, a.Urgency) })
	return out
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
		f.ThrowID = o.ThrowID
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
		first += " (this throw arrived after later ones)"
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
	if p := s.picture(); p.any {
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
	p := s.picture()
	if sensor := p.sensor(); !p.any && sensor.Condition != "" {
		s.called = calledMeasurement
		return []Finding{sensor}
	}
	if !p.any {
		s.called = calledNothing
		return nil
	}
	causes := p.causes()
	var out []Finding
	add := func(c Condition, sel func(sig int) bool, urgency float64) {
		f := Finding{Condition: c, Causes: causes, Urgency: urgency}
		ends := [2]bool{}
		best := -1.0
		drives := map[string]bool{}
		for _, ch := range p.changes {
			if ch.alarm <= 0 || !sel(ch.signal) {
				continue
			}
			ends[ch.end] = true
			drives[ch.drive] = true
			if at := time.Unix(ch.since, 0).UTC(); f.Since.IsZero() || at.Before(f.Since) {
				f.Since = at
			}
			if w := ch.d / ch.sd; w > best && ch.signal != sIdle {
				best = w
				if ch.signal == sSag {
					f.ChangePercent = round1(100 * (math.Exp(-ch.d) - 1))
				} else if ch.signal >= 0 {
					f.ChangePercent = round1(kinds[ch.signal].percent(ch.d))
				}
			}
			f.Urgency = max(f.Urgency, min(urgency+ch.d, 0.9))
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
	effort := func(sig int) bool {
		switch sig {
		case sUnlock, sTravelA, sTravelB, sTravelC, sTravel, sLock, sPeak, sBump:
			return true
		}
		return false
	}
	s.called = s.call(causes)
	switch s.called {
	case calledMeasurement:
		add(DoubtfulMeasurement, func(sig int) bool { return effort(sig) || sig == sInrush || sig == sIdle || sig == sRipple }, 0.2)
	case calledSupply:
		add(WeakSupply, func(sig int) bool { return sig == sSag || alarms(sig) }, 0.4)
	default:
		add(Stiffening, effort, 0.4)
		add(SlowThrow, func(sig int) bool { return sig == sDuration }, 0.35)
		add(LateDetection, func(sig int) bool { return sig == sLag }, 0.35)
	}
	return out
}

// What the charts' rise is called. One name is kept until another is much more
// probable: an alert that changes its name every hour is three alerts.
const (
	calledNothing uint8 = iota
	calledTurnout
	calledMeasurement
	calledSupply
)

func (s *State) call(causes []Cause) uint8 {
	need := 0.6
	if s.called == calledTurnout {
		need = 0.85
	}
	now := calledTurnout
	switch top := causes[0]; {
	case top.Cause == MeasurementCause && top.Probability > need:
		now = calledMeasurement
	case top.Cause == SupplyVoltageCause && top.Probability > need:
		now = calledSupply
	}
	if s.called > calledTurnout && now == calledTurnout {
		for _, c := range causes {
			if (c.Cause == MeasurementCause && s.called == calledMeasurement || c.Cause == SupplyVoltageCause && s.called == calledSupply) && c.Probability > 0.15 {
				return s.called
			}
		}
	}
	return now
}

func round1(x float64) float64 { return math.Round(10*x) / 10 }

// sLag and sSag stand for a detector's time and the supply among the signals
// of a picture.
const (
	sLag = -1 - iota
	sSag
)

// change is what one signal of one end shows.
type change struct {
	end    int
	drive  string
	q      ingest.Quantity
	signal int
	place  string
	d, sd  float64 // in the signal's unit
	alarm  int8
	since  int64 // unix s
}

// picture is what all signals of a turnout show now.
type picture struct {
	changes []change
	any     bool                // some chart has alarmed upwards
	known   bool                // the supply is reported
	sag     float64             // fall of the supply, ln
	sagging bool                // its chart has alarmed
	low     [2][numSignals]bool // stand below their past, by end
}

// alarms lists the signals whose rise calls for someone. The inrush, the
// ripple and the zero tell causes apart; by themselves they send nobody.
func alarms(sig int) bool {
	switch sig {
	case sInrush, sRipple, sIdle:
		return false
	}
	return true
}

func (s *State) picture() picture {
	var p picture
	for i := range s.ends {
		e := &s.ends[i]
		for j := range e.tracks {
			t := &e.tracks[j]
			for k := range t.signals {
				sig := &t.signals[k]
				if !sig.learned() {
					continue
				}
				d, sd := sig.change()
				since := sig.upSince
				p.changes = append(p.changes, change{end: i, drive: t.drive, q: t.quantity, signal: k, d: d, sd: sd, alarm: sig.alarm, since: since})
				p.any = p.any || sig.alarm > 0 && alarms(k)
				p.low[i][k] = p.low[i][k] || sig.low
			}
		}
		if e.sag.learned() {
			d, sd := e.sag.change()
			p.changes = append(p.changes, change{end: i, signal: sSag, d: d, sd: sd, alarm: e.sag.alarm, since: e.sag.upSince})
			p.any = p.any || e.sag.alarm > 0
			p.known = true
			p.sag = max(p.sag, d)
			p.sagging = p.sagging || e.sag.alarm > 0
		}
		for j := range e.places {
			l := &e.places[j]
			if !l.lag.learned() {
				continue
			}
			d, sd := l.lag.change()
			p.changes = append(p.changes, change{end: i, signal: sLag, place: l.name, d: d, sd: sd, alarm: l.lag.alarm, since: l.lag.upSince})
			p.any = p.any || l.lag.alarm > 0
		}
	}
	return p
}

// sensor returns what speaks of the sensor and of nothing else: the whole trace
// with its inrush has fallen alike, which no grease does.
func (p *picture) sensor() Finding {
	f := Finding{Condition: DoubtfulMeasurement, Urgency: 0.2}
	said := ""
	for _, c := range p.changes {
		switch {
		case c.signal == sInrush && p.low[c.end][sInrush] && p.low[c.end][sTravel] && p.low[c.end][sUnlock] && p.low[c.end][sLock] && !p.low[c.end][sDuration] && c.q != ingest.HydraulicPressure:
			said = "the whole trace has fallen alike, its inrush too, while the time stayed"
		default:
			continue
		}
		f.Drive = c.drive
		if at := time.Unix(c.since, 0).UTC(); f.Since.IsZero() || at.Before(f.Since) {
			f.Since = at
		}
	}
	if said == "" {
		return Finding{}
	}
	f.Causes = []Cause{
		{Cause: MeasurementCause, Probability: 0.85, Evidence: []string{said}, Checks: checks[MeasurementCause]},
		{Cause: MotorWear, Probability: 0.1, Evidence: []string{said}, Checks: checks[MotorWear]},
		{Cause: UnknownCause, Probability: 0.05, Evidence: []string{said}, Checks: checks[UnknownCause]},
	}
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
