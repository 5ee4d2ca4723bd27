package main

import (
	"fmt"
	"math"
)

// fails are the causes that fail throws, in the order of the odds.
var fails = []string{dryChairs, seizedRoller, obstruction, lockAdjustment, backDrive, hydraulicLeak, motorWear, supplyVoltage, detectionAdjustment}

// odds of each of them: a turnout gets only what it can have.
func (t *turnout) odds() []float64 {
	w := []float64{24, 0, 13, 14, 0, 0, 12, 7, 0}
	if t.rollers {
		w[1] = 17
	}
	if t.back != nil || t.rod {
		w[4] = 22
	}
	if t.main.kind == pump {
		w[5], w[6] = 34, 6
	}
	if t.main.kind == threePhase {
		w[7] = 4
		w[6] = 8
	}
	for _, c := range t.channels {
		if c.quantity == "drive_force" && len(t.channels) <= 2 {
			w[6], w[7] = 3, 2 // a force tells little of the motor
		}
	}
	if t.sendDetections || t.byDetection {
		w[8] = 14
	}
	return w
}

// making is a fault that is being drawn.
type making struct {
	*fault
	r     random
	t     *turnout
	small bool // at the edge of what can be seen
}

// newFault draws a fault of a cause, or of any if it is "". Its plan is its
// length until it is placed.
func newFault(r random, t *turnout, cause string) *fault {
	if cause == "" {
		cause = fails[r.weighted(t.odds())]
	}
	f := &fault{cause: cause, fails: true, failed: math.NaN(), repaired: math.NaN(), ends: [2]float64{1, 1}, bend: r.u(1.5, 4.5), first: r.u(0.3, 0.65), often: r.u(0.25, 0.8), wait: r.lu(0.12, 5), mended: true, recorded: r.p(0.92), bad: 1}
	m := making{f, r, t, r.p(0.13)}
	switch cause {
	case dryChairs:
		m.dryChairs()
	case seizedRoller:
		m.seizedRoller()
	case obstruction:
		m.obstruction()
	case lockAdjustment:
		m.lockAdjustment()
	case backDrive:
		m.backDrive()
	case hydraulicLeak:
		m.hydraulicLeak()
	case motorWear:
		m.motorWear()
	case supplyVoltage:
		m.supplyVoltage()
	case detectionAdjustment:
		m.detectionAdjustment()
	case measurement:
		m.measurement()
	}
	return f
}

// lasts draws the length about a median, in days.
func (m making) lasts(median, least, most float64) {
	m.plan = clamp(m.r.logn(median, 0.5), least, most)
}

// grows draws the law, by weights in their order.
func (m making) grows(weights ...float64) { m.law = law(m.r.weighted(weights)) }

// mostly lets one end feel only the rest, with a chance of p.
func (m making) mostly(p, rest float64) {
	if m.r.p(p) {
		m.ends[m.r.IntN(2)] = rest
	}
}

// size draws how large the fault is at its failure: about a median, or
// uniformly between two bounds if it is small.
func (m making) size(median, spread, least, most, small, smallMost float64) {
	m.full = clamp(m.r.logn(median, spread), least, most)
	if m.small {
		m.full = m.r.u(small, smallMost)
	}
}

// fill lays the fault's load along the stroke: g is given the end, and the place
// along the stroke and on the blades' way.
func (m making) fill(g func(e int, s, x float64) float64) {
	for e := range 2 {
		for i := range points {
			s := along(i)
			m.add[e][i] = m.t.main.f0 * m.full * m.ends[e] * g(e, s, m.t.blades(e, s))
		}
	}
}

// onChairs is the place on the chairs of blades that are at x on their way.
func onChairs(e int, x float64) float64 {
	if e == 1 {
		return 1 - x
	}
	return x
}

// nearest point of a grid.
func nearest(s float64) int { return int(s*(points-1) + 0.5) }

func (m making) dryChairs() {
	r, t := m.r, m.t
	m.lasts(32, 10, 60)
	m.grows(4, 4, 1, 0, 3)
	m.size(0.55, 0.4, 0.27, 1.3, 0.17, 0.25)
	m.mostly(0.25, r.u(0.4, 0.8))
	centre, width := r.u(0.1, 0.9), r.u(0.25, 1.2) // which chairs
	var dry [2]grid
	for e := range 2 {
		mean := 0.0
		for i := range points {
			dry[e][i] = t.slide[e][i] * (0.4 + bell(onChairs(e, t.blades(e, along(i))), centre, width))
			mean += dry[e][i] / points
		}
		for i := range points {
			dry[e][i] /= mean
		}
	}
	m.fill(func(e int, s, _ float64) float64 { return dry[e][nearest(s)] })
	m.place = r.u(0.35, 0.92)
	m.note = "effort rises along the travel"
	if t.back != nil && r.p(0.5) {
		for e := range 2 {
			for i := range points {
				m.addBack[e][i] = m.add[e][i] * t.back.f0 / t.main.f0 * 0.7
			}
		}
	}
}

func (m making) seizedRoller() {
	r := m.r
	m.lasts(26, 8, 60)
	m.grows(3, 3, 3, 1, 0.5)
	m.size(0.85, 0.45, 0.4, 1.9, 0.28, 0.4)
	m.mostly(0.6, r.u(0.25, 0.7))
	p, w, q := r.u(0.2, 0.8), r.u(0.03, 0.09), r.u(0.1, 0.6)
	m.place = p
	m.fill(func(e int, _, x float64) float64 {
		y := onChairs(e, x)
		rest := ramp(y, p-w, p+w) * (1 - 0.8*ramp(x, 0.9, 1))
		return bell(y, p, w)*(1-q*0.5) + q*rest
	})
	m.note = fmt.Sprintf("a hump at %.0f %% of the blades' way", 100*p)
}

func (m making) obstruction() {
	r := m.r
	m.lasts(11, 5, 30)
	m.grows(1, 1.5, 4, 4, 0)
	m.size(1, 0.5, 0.5, 2, 0.32, 0.48)
	m.ends[r.IntN(2)] = r.u(0, 0.12)
	m.first = r.u(0.4, 0.8)
	if m.variant = r.IntN(2); m.variant == 0 { // ballast, pressed before the stock rail
		p := r.u(0.62, 0.93)
		m.place = p + 0.8*(1-p)
		m.fill(func(_ int, _, x float64) float64 { return math.Pow(ramp(x, p, 1.02), 1.3) })
		m.note = "effort rises towards the end, one way"
		return
	}
	p, w := r.u(0.25, 0.9), r.u(0.02, 0.08) // something that is dragged over
	m.place = p
	m.fill(func(_ int, _, x float64) float64 { return bell(x, p, w) + 0.3*ramp(x, p, p+0.05) })
	m.note = fmt.Sprintf("a peak at %.0f %%, one way", 100*p)
}

func (m making) lockAdjustment() {
	r, t := m.r, m.t
	m.lasts(27, 6, 60)
	m.grows(4, 3, 2, 0.5, 1.5)
	m.bad = pick(r, 1.0, -1)
	m.size(1, 0.45, 0.45, 2, 0.32, 0.45)
	m.mostly(0.8, r.u(0.05, 0.4))
	early := r.u(0.005, 0.05)
	unlocking := r.u(0, 0.5)
	m.fill(func(e int, s, _ float64) float64 {
		home := t.home[e]
		l := ramp(s, home-early, home+0.6*(1-home)) * (1 - 0.3*ramp(s, home+0.7*(1-home), 1))
		k := m.ends[1-e] / max(m.ends[e], 0.05) // the lock of the other end is left
		return l + unlocking*min(k, 20)*t.unlock[e][nearest(s)]
	})
	m.place = 0.93
	m.note = "locking takes more"
}

func (m making) backDrive() {
	r, t := m.r, m.t
	m.lasts(28, 8, 60)
	m.grows(4, 4, 2, 0.7, 1)
	m.size(0.6, 0.45, 0.22, 1.6, 0.14, 0.2)
	m.mostly(0.35, r.u(0.3, 0.8))
	m.place = r.u(0.5, 0.9)
	share := 1.0
	if t.back != nil {
		share = r.u(0.08, 0.3) // the main drive feels little of it
	}
	c, w := r.u(0.5, 0.75), r.u(0.15, 0.4)
	m.fill(func(_ int, _, x float64) float64 { return share * (bell(x, c, w)*1.2 + 0.2*ramp(x, 0.2, 0.4)) })
	if t.back != nil {
		for e := range 2 {
			for i := range points {
				m.addBack[e][i] = t.back.f0 * m.full * m.ends[e] * (bell(along(i), c, w)*0.8 + 0.5)
			}
		}
	}
	m.note = "the back drive takes more"
}

func (m making) hydraulicLeak() {
	m.lasts(30, 8, 60)
	m.grows(4, 5, 2, 0, 1.5)
	m.variant = m.r.IntN(3)
	m.size(0.28, 0.4, 0.15, 0.55, 0.1, 0.14)
	m.note = "slower; the pressure at the end falls"
	if m.variant == 2 {
		m.note = "air in the oil: soft start, pressure falls sooner"
	}
}

func (m making) motorWear() {
	m.lasts(32, 12, 60)
	m.grows(4, 4, 1, 1.2, 0.5)
	m.bad = -1
	m.variant = m.r.IntN(2)
	m.size(0.5, 0.4, 0.28, 1.1, 0.18, 0.26)
	m.place = m.r.u(0.2, 0.8)
	m.note = []string{"worn brushes or a bad winding: slower, rougher", "bearing: the motor itself takes more"}[m.variant]
}

func (m making) supplyVoltage() {
	m.lasts(20, 5, 45)
	m.grows(4, 3, 3, 2, 1.5)
	m.bad = -1
	m.size(0.18, 0.35, 0.11, 0.32, 0.08, 0.11)
	m.variant = m.r.IntN(2)
	m.note = "voltage at the drive falls"
}

func (m making) detectionAdjustment() {
	m.lasts(24, 5, 60)
	m.grows(4, 4, 2, 3, 1.5)
	m.bad = pick(m.r, 1.0, -1)
	m.size(0.9, 0.5, 0.4, 2.2, 0.25, 0.38)
	m.ends[m.r.IntN(2)] = m.r.u(0, 0.15)
	m.note = "detection comes late, one end"
}

func (m making) measurement() {
	r := m.r
	m.lasts(28, 8, 60)
	m.grows(4, 3, 3, 0, 0)
	m.fails = false
	m.variant = r.weighted([]float64{5, 2, 2, 2})
	m.full = r.u(0.15, 0.5)
	m.mended = r.p(0.75)
	m.wait = r.u(0, 25)
	m.note = []string{"the sensor loses gain", "the sensor reads more and more", "its zero wanders off", "noise and drop-outs of the sensor"}[m.variant]
}
