package demo

import (
	"time"

	"throwline/detect"
)

// firstCause is the fault with which a yard opens.
const firstCause = detect.DrySlideChairs

// script is what befalls a yard: its faults, one after the other, cold spells,
// and cabinets that lose their connection.
type script struct {
	next    float64   // s of the yard of the next fault
	cold    float64   // s of the yard of the next cold spell to be decided on
	cut     time.Time // when the next cabinet loses its connection
	outages time.Duration
	turn    int
	victim  int
}

// order is that in which a yard's faults come after the first.
var order = [...]detect.CauseName{
	detect.HydraulicLeak, detect.LockAdjustment, detect.MotorWear, detect.SeizedRoller, detect.SupplyVoltageCause,
	detect.Obstruction, detect.BackDrive, detect.MeasurementCause, detect.DetectionAdjustment, detect.DrySlideChairs,
}

const (
	atOnce    = 3        // faults that a yard has at the same time, at most
	faultGap  = 7 * day  // between two onsets
	faultLife = 18 * day // about, of a fault: half a minute of watching
	coldGap   = 60 * day // between two cold spells
)

// begin sets the stage: the first fault begins shortly before the history ends.
func (s *script) begin(y *Yard, warm float64, outages time.Duration) {
	l := y.w.lives[0]
	f := l.p.bear(&l.w, source(y.seed, streamFault), firstCause, max(warm-3*day, 0))
	f.life, f.growth, f.power, f.stops = 20*day, linear, 1, 9
	l.faults = append(l.faults, f)
	s.next = warm + 5*day
	s.cold = warm + 45*day
	s.outages = outages
	s.cut = time.Now().Add(outages)
}

// act brings about what is due at time t of the yard.
func (s *script) act(y *Yard, r *running, t float64) {
	if t >= s.next {
		s.next = t + faultGap*between(y.rng, 0.6, 1.4)
		s.strike(y, t)
	}
	if t >= s.cold {
		w := y.w.weather[0]
		from := s.cold + 5*day
		w.snaps = []snap{{from, from + between(y.rng, 4, 8)*day, between(y.rng, 8, 14)}}
		s.cold += coldGap * between(y.rng, 0.8, 1.5)
	}
	if now := time.Now(); s.outages > 0 && now.After(s.cut) {
		s.cut = now.Add(time.Duration(float64(s.outages) * between(y.rng, 0.7, 1.6)))
		s.victim++
		r.lines[s.victim%len(r.lines)].cutOff(time.Duration(between(y.rng, 3, 7) * float64(time.Second)))
	}
}

// strike gives the next fault to a turnout that is sound and can have it.
func (s *script) strike(y *Yard, t float64) {
	ill := 0
	for _, l := range y.w.lives {
		if len(l.faults) > 0 {
			ill++
		}
	}
	if ill >= min(atOnce, len(y.w.lives)) {
		return
	}
	for range order {
		cause := order[s.turn%len(order)]
		s.turn++
		at := y.rng.IntN(len(y.w.lives))
		for i := range y.w.lives {
			l := y.w.lives[(at+i)%len(y.w.lives)]
			if len(l.faults) > 0 || t < l.well {
				continue
			}
			f := l.p.bear(&l.w, y.rng, cause, t+0.2*day)
			if f == nil {
				continue
			}
			f.life = faultLife * between(y.rng, 0.7, 1.4)
			l.faults = append(l.faults, f)
			return
		}
	}
}
