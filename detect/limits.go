package detect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"throwline/ingest"
)

// Limits are what the operator sets for a turnout. 0: nothing is set.
type Limits struct {
	ThrowTime  float64 // s, the longest that a throw should take
	EffortRise float64 // percent above the turnout's usual effort
}

// limits returns the operator's limits of a turnout.
func (set *Settings) limits(turnout string) Limits {
	if set.Limits == nil {
		return Limits{}
	}
	return set.Limits(turnout)
}

// slowSpell is a spell of throws that arrived later than the operator allows.
type slowSpell struct {
	spell
	took    float32 // s, the slowest of them
	allowed float32 // s, the limit that it passed
}

// slowAgain is how many more good throws each further slow one asks for, so
// that a turnout at its limit is not told anew every day.
const slowAgain = 2

// dawdle holds a throw that arrived against the operator's limit. The limit
// may be another one at every throw.
func (e *endState) dawdle(o *Observation, limit float64) {
	if !o.Completed || limit <= 0 && e.slow.since == 0 {
		return
	}
	took := 0.0
	drive := ""
	for i := range o.Traces {
		if tr := &o.Traces[i]; watched(tr.Quantity) && usable(tr) && !e.outOfTime(tr) {
			if d := float64(tr.Features[Duration]); d > took {
				took, drive = d, tr.Drive
			}
		}
	}
	if took == 0 { // no trace tells it
		for _, d := range o.Detections {
			took = max(took, d.After.Seconds())
		}
	}
	slow := limit > 0 && took > limit
	if slow {
		e.slow.need = min(max(e.slow.need+slowAgain, goodThrows), goodAgain)
		if took > float64(e.slow.took) {
			e.slow.took, e.slow.allowed, e.slow.drive = float32(took), float32(limit), drive
		}
	}
	if took > 0 {
		e.slow.take(slow, o.StartedAt.UnixNano(), o.ThrowID)
	}
	if e.slow.since == 0 {
		e.slow = slowSpell{}
	}
}

// overdue adds to the findings that throws took longer than the operator
// allows: to what the charts say of slowness, where they do.
func (s *State) overdue(out []Finding, o *Observation) []Finding {
	f := Finding{Condition: SlowThrow, Urgency: 0.8}
	var said []string
	ends := 0
	for i := range s.ends {
		p := &s.ends[i].slow
		if p.since == 0 {
			continue
		}
		ends++
		f.To = ingest.Ends[i]
		if at := time.Unix(0, p.since).UTC(); f.Since.IsZero() || at.Before(f.Since) {
			f.Since = at
		}
		if o != nil && o.To == f.To && o.Completed && p.good == 0 {
			f.Fresh = true
		}
		f.ThrowID = p.throw
		if s.ends[i].slow.drive != "" {
			f.Drive = p.drive
		}
		said = append(said, fmt.Sprintf("a throw to %s took %.1f s, longer than the %.1f s set for a throw", ingest.Ends[i], p.took, p.allowed))
	}
	if ends == 0 {
		return out
	}
	if ends > 1 {
		f.To = 0
	}
	if i := slices.IndexFunc(out, func(f Finding) bool { return f.Condition == SlowThrow }); i >= 0 {
		g := &out[i]
		g.Urgency, g.ThrowID, g.Fresh = max(g.Urgency, f.Urgency), f.ThrowID, f.Fresh
		if g.To != f.To {
			g.To = 0
		}
		// Other findings may share the causes' evidence.
		g.Causes = slices.Clone(g.Causes)
		g.Causes[0].Evidence = append(said, g.Causes[0].Evidence...)
		return out
	}
	f.Causes = s.why(said[0], slowPriors)
	f.Causes[0].Evidence = append(slices.Clone(said), f.Causes[0].Evidence[1:]...)
	return append(out, f)
}

// slowPriors are what is to be thought of a slow throw where the charts say
// nothing. Common practice, no source.
var slowPriors = map[CauseName]float64{DrySlideChairs: 0.25, Obstruction: 0.2, SupplyVoltageCause: 0.15, MotorWear: 0.15, LockAdjustment: 0.1, UnknownCause: 0.15}

// limitSet returns the change at which a signal passes the operator's own
// limit, in the signal's unit, and the limit in words; 0: none is set.
func (p *picture) limitSet(a *raised) (change float64, limit string) {
	switch {
	case a.signal == sDuration && p.limits.ThrowTime > 0 && p.lapse[a.end] > 0:
		// What has passed it already is told by its throws.
		return max(math.Log(p.limits.ThrowTime/p.lapse[a.end]), 0), fmt.Sprintf("the %.1f s set for a throw", p.limits.ThrowTime)
	case a.signal == sTravel && p.limits.EffortRise > 0:
		return math.Log1p(p.limits.EffortRise / 100), fmt.Sprintf("the %g %% set for the rise of the effort", p.limits.EffortRise)
	}
	return 0, ""
}
