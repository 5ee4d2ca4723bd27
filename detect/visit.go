package detect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"throwline/ingest"
)

// Outcome is what work did for a turnout.
type Outcome string

// The outcomes of work.
const (
	Helped    Outcome = "helped"     // what stood out is back, or nearly
	NotHelped Outcome = "not-helped" // what stood out still does
	Routine   Outcome = "routine"    // nothing stood out before
)

// Verdict is what the throws after work say of it, for one end and drive.
type Verdict struct {
	To      ingest.End      `json:"to"`
	Drive   string          `json:"drive"`
	Work    ingest.WorkKind `json:"work"`
	DoneAt  time.Time       `json:"done_at"`
	Outcome Outcome         `json:"outcome" enum:"helped,not-helped,routine"`
	Throws  int             `json:"throws" doc:"after the work that this is judged by"`
	Said    string          `json:"said" doc:"in words and figures"`
}

// Visit is recorded work and what became of it.
type Visit struct {
	ingest.Work
	Verdicts []Verdict // none: it is not judged yet
}

// How much of what stood out may be left after work that helped.
const (
	helpedShare = 0.5
	softShare   = 0.35 // by grease and cleaning: what they leave will stay
)

// groupCount is into how many groups the throws after work are put.
const groupCount = 8

// visit begins to gather the throws after work.
func (s *signal) visit(group int8) {
	if s.n < needed {
		return
	}
	if s.settling == 0 {
		s.before = s.recent
	}
	s.group, s.settling = group, groupCount*group
	s.sum, s.count, s.run, s.strange = 0, 0, 0, 0
}

// enough returns the size of groups with which the mean of all is known to a
// third of the allowance.
func enough(s *signal, k *kindOf) int8 {
	n := 9 * float64(s.v) / (k.allowance * k.allowance)
	return int8(min(max(math.Ceil(n/groupCount), 1), 3))
}

// gather takes a throw after work.
func (s *signal) gather(e float64) {
	if s.settling < 0 {
		return
	}
	s.recent += (float32(e) - s.recent) / 4
	s.sum += float32(e)
	s.count++
	if s.count >= float32(s.group) {
		next := new([groupCount]float32) // states that share the old one stay as they are
		if s.groups != nil {
			*next = *s.groups
		}
		next[groupCount-(s.settling+s.group-1)/s.group] = s.sum / s.count
		s.groups = next
		s.sum, s.count = 0, 0
	}
	if s.settling--; s.settling == 0 {
		s.settling = -1
	}
}

// now returns what was gathered: the middle of the groups' means, as the first
// throws may be trials. NaN: too little.
func (s *signal) now() float64 {
	n := groupCount
	if s.settling > 0 {
		n -= int((s.settling + s.group - 1) / s.group)
	}
	if n < groupCount/2 || s.groups == nil {
		return math.NaN()
	}
	g := *s.groups
	slices.Sort(g[:n])
	return float64(g[(n-1)/2]+g[n/2]) / 2
}

// resume ends the gathering: the level is what it is now, or stays.
func (s *signal) resume(now float64, take bool, at int64) {
	if take {
		s.level, s.fixed, s.fast, s.recent = float32(now), float32(now), float32(now), float32(now)
		s.alarm, s.up, s.down, s.above = 0, 0, 0, 0
		s.low, s.fallen = false, false
	} else if s.alarm == 0 {
		s.up, s.down = 0, 0
	}
	s.settling, s.groups = 0, nil
	s.sum, s.count, s.closed, s.last, s.calm, s.strange, s.epoch = 0, 0, at, 0, 0, 0, 0
}

// judge ends the gathering of signals that belong together. Work that left
// what stood out as it was has not helped: then the levels stay, all of them,
// and the charts go on. Cleaning and grease do not make a turnout heavier.
// eased is by how much the travel has changed, ln; anew: what is seen now is normal.
func judge(signals []*signal, kind func(int) *kindOf, soft, anew bool, eased float64, at int64) Outcome {
	then, left := 0.0, 0.0
	for i := range signals {
		s, k := signals[i], kind(i)
		if s.settling == 0 || s.alarm <= 0 && !s.low || math.IsNaN(s.now()) {
			continue
		}
		then += math.Abs(float64(s.before-s.level)) / k.allowance
		left += math.Abs(s.now()-float64(s.level)) / k.allowance
	}
	share := helpedShare
	if soft {
		share = softShare
	}
	out := Routine
	if then > 0 && !anew {
		out = Helped
		if left > share*then {
			out = NotHelped
		}
	}
	for i := range signals {
		s, k := signals[i], kind(i)
		if s.settling == 0 {
			continue
		}
		now := s.now()
		take := out != NotHelped && !math.IsNaN(now)
		// Where the travel got lighter, its parts get heavier beside it.
		if out == Routine && soft && !anew && now-float64(s.level)+float64(s.slope[covLoad])*eased > s.reference(k) {
			take = false
		}
		s.resume(now, take, at)
	}
	return out
}

// work is a visit whose outcome is not known yet.
type work struct {
	kind ingest.WorkKind // "" : none
	done int64           // unix ns
}

func (w *work) soft() bool { return w.kind == ingest.Cleaned || w.kind == ingest.Lubricated }

// visit begins to gather the throws after work.
func (t *track) visit(w work) {
	t.settling, t.work = 0, work{}
	t.side = 0                                         // the sensor may have been mounted the other way
	if w.kind == ingest.Rebaselined && t.useless > 0 { // what was doubted is normal now
		t.duration *= float32(math.Exp(float64(t.pace)))
		if t.why&Clipped != 0 {
			t.clips = clipsUsual
		}
		t.useless, t.pace = 0, 0
	}
	group := enough(&t.signals[sTravel], &kinds[sTravel])
	for i := range t.signals {
		t.signals[i].visit(group)
	}
	if t.signals[sTravel].settling > 0 {
		t.settling, t.work = groupCount*group, w
	}
	t.n = min(t.n, boundsThrows) // the usual course follows the next throws quickly
}

// settled counts a throw after work, and judges the work once there are enough.
func (t *track) settled(to ingest.End, at int64) *Verdict {
	if t.settling == 0 {
		return nil
	}
	if t.settling--; t.settling > 0 {
		return nil
	}
	travel, pace := &t.signals[sTravel], &t.signals[sDuration]
	v := &Verdict{To: to, Drive: t.drive, Work: t.work.kind, DoneAt: time.Unix(0, t.work.done).UTC(), Throws: groupCount * int(max(travel.group, 1))}
	effortNow, timeNow := travel.now(), pace.now()
	effortWas, timeWas := float64(travel.before), float64(pace.before)
	effortLevel, ref := float64(travel.level), travel.reference(&kinds[sTravel])
	var all [numSignals]*signal
	for i := range all {
		all[i] = &t.signals[i]
	}
	v.Outcome = judge(all[:], func(i int) *kindOf { return &kinds[i] }, t.work.soft(), t.work.kind == ingest.Rebaselined, effortNow-effortLevel, at)
	v.Said = fmt.Sprintf("travel effort %s against the throws before the work, %s", percent(100*(math.Exp(effortNow-effortWas)-1)), against(effortNow-effortLevel, ref))
	if x := 100 * (math.Exp(timeNow-timeWas) - 1); math.Abs(x) >= 1.5 {
		v.Said += fmt.Sprintf("; duration %s", percent(x))
	}
	t.work = work{}
	return v
}

// against says where the effort is beside its reference.
func against(d, ref float64) string {
	switch {
	case d > ref:
		return fmt.Sprintf("still %.0f %% above its reference", 100*(math.Exp(d)-1))
	case d < -ref:
		return fmt.Sprintf("%.0f %% below its reference of before", 100*(1-math.Exp(d)))
	}
	return "at its reference"
}
