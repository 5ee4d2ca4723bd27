package main

import (
	"math"
	"math/rand/v2"
	"time"
)

// result is what one throw leaves behind.
type result struct {
	traces    [2][]float64 // in the drive's unit, by drive
	det       []float64    // seconds, by place; below 0 where not made
	completed bool
	rail      float64 // degrees Celsius
	v         float64 // supply, in volts
	effort    float64 // mean of the first drive's trace after the inrush
	dur       float64 // seconds until the last blade lay; the limit where one did not
	odd       string  // what was odd about it by mere chance, or ""
}

// blade is a drive's part of a throw under way.
type blade struct {
	s      float64 // where it stands on its stroke
	out    float64 // the reading, in levels
	arrive float64 // seconds at which it lay; below 0: not yet
	trace  []float64
}

// movement is a throw under way.
type movement struct {
	t   *turnout
	r   *rand.Rand
	f   *fault
	sev float64 // severity of the fault in this throw; 0: not felt
	k   int     // the end
	res *result

	failing bool
	blockAt float64 // place at which a failing throw stays; above 1: it does not
	open    bool    // no current flows where it stays

	air    float64 // degrees Celsius
	grease float64 // friction of the grease, 1 at 10 degrees
	mu     float64 // friction on the chairs
	vr     float64 // supply, as a share of the usual one
	rateN  float64 // chance's part in the speed
	chairs float64

	oddP, oddA, oddW  float64 // a pebble: place, height, width
	pauseAt, pauseLen float64 // a hesitation: place, seconds left
	glitch            bool    // the sensor tells nonsense for some samples

	dt       float64 // seconds a step
	phase    float64 // seconds of the first step
	stride   int     // steps a sample
	blades   []*blade
	cut      float64   // seconds at which the drives were turned off; below 0: not yet
	runout   float64   // seconds since they could have been
	late     []float64 // seconds from arrival to detection, by place
	measured bool      // the first drive moved beyond its inrush
}

// simulate makes the turnout's next throw, and moves it.
func (t *turnout) simulate(w *weather, when time.Time) *result {
	m := &movement{t: t, r: t.r, f: t.fault, k: t.next, res: &result{}, cut: -1, chairs: float64(6 + t.id%9)}
	dd := days(when)
	m.feelFault(dd)
	m.meetDay(w, dd)
	m.meetChance()
	m.chooseBlock()
	m.begin()
	for n := 0; ; n++ {
		tm := m.phase + float64(n)*m.dt
		for i := range t.drives {
			m.step(i, tm)
			if n%m.stride == 0 {
				m.blades[i].trace = append(m.blades[i].trace, m.blades[i].out)
			}
		}
		if m.detect(tm); m.cut >= 0 && tm > m.cut+t.tail {
			break
		}
	}
	m.end()
	m.sense()
	m.weighEffort()
	t.at0 = 0 // where the blades are left
	if m.blades[0].arrive < 0 {
		t.at0 = clamp(1-m.blades[0].s, 0, .9)
	}
	t.next = 1 - m.k
	t.n++
	return m.res
}

// is says whether this throw feels a fault of the cause.
func (m *movement) is(cause string) bool { return m.sev > 0 && m.f.cause == cause }

// feelFault finds how much of the fault this throw feels, and whether it fails.
func (m *movement) feelFault(dd float64) {
	t, r, f := m.t, m.r, m.f
	m.sev = f.severity(dd)
	if m.sev > 0 {
		m.sev = math.Max(0, m.sev*(1+.05*r.NormFloat64())) * f.dir[m.k]
		if f.cause == dryChairs && t.lubed > f.onset { // grease on worn dry chairs does not last
			m.sev *= 1 - .6*math.Exp(-(dd-t.lubed)/5)
		}
	}
	if m.sev > 0 && dd >= f.failure && f.dir[m.k] > .5 {
		m.failing = !t.forced || chance(r, f.pFail)
		t.forced = true
	}
}

// meetDay finds friction, supply and speed of this throw, from the weather of
// day dd and from how both wander.
func (m *movement) meetDay(w *weather, dd float64) {
	t, r := m.t, m.r
	m.air = between(w.air, dd) + t.tOff
	m.res.rail = m.air + between(w.sun, dd)
	wet := between(w.wet, dd)
	t.ar = .9*t.ar + math.Sqrt(1-.81)*r.NormFloat64()
	t.arV = .97*t.arV + math.Sqrt(1-.94)*r.NormFloat64()
	m.grease = math.Exp(-t.coldK*(m.res.rail-10)) * (1 + t.hotK*math.Max(0, m.res.rail-25))
	age := 1 + t.ageA*(1-math.Exp(-(dd-t.lubed)/t.ageTau))
	m.mu = m.grease * age * (1 - t.wetK*wet) * math.Exp(t.loadSd*(.5*t.ar+.87*r.NormFloat64())) * t.shift * t.dirL[m.k]
	m.vr = t.vbias * (1 + t.vdaily*math.Sin(2*math.Pi*(dd+.2)) + t.vnoise*(t.arV+.6*r.NormFloat64()))
	if m.is(supplyVoltage) {
		m.vr *= 1 - m.f.m*m.sev*(1+.08*r.NormFloat64())
		if m.failing {
			m.vr *= .5
		}
	}
	m.res.v = m.vr * t.vnom
	m.rateN = t.dirT[m.k] * math.Exp(t.rateSd*r.NormFloat64())
}

// meetChance decides whether the throw is odd, without any fault.
func (m *movement) meetChance() {
	r := m.r
	m.oddW, m.pauseAt = .04, 2
	m.glitch = chance(r, .0012)
	if m.glitch {
		m.res.odd = "glitch"
	}
	if !chance(r, m.t.oddRate) {
		return
	}
	switch r.IntN(3) {
	case 0:
		m.res.odd, m.oddP, m.oddA, m.oddW = "pebble", uni(r, .3, .9), uni(r, .4, 1.6), uni(r, .02, .06)
	case 1:
		m.res.odd, m.pauseAt, m.pauseLen = "hesitation", uni(r, .15, .85), uni(r, .2, 1)
	default:
		m.res.odd = "heavy"
		m.mu *= uni(r, 1.15, 1.5)
	}
}

// chooseBlock finds where a failing throw stays.
func (m *movement) chooseBlock() {
	r, f := m.r, m.f
	m.blockAt = 2
	if !m.failing {
		return
	}
	switch f.cause {
	case dryChairs:
		m.blockAt = uni(r, .25, .85)
	case seizedRoller, obstruction:
		m.blockAt = f.c + uni(r, -.02, .02)
		if m.k == 1 && f.cause == seizedRoller {
			m.blockAt = 1 - m.blockAt
		}
	case lockAdjustment:
		m.blockAt = uni(r, .92, .98)
	case motorWear:
		m.blockAt, m.open = uni(r, 0, .6), f.mode == 0
	case backDrive:
		m.blockAt = uni(r, .1, .8)
	case hydraulicLeak, supplyVoltage:
		m.blockAt = uni(r, .3, .9)
	}
}

// begin sets the blades where they stand and the clock to the first sample.
func (m *movement) begin() {
	t, r := m.t, m.r
	m.stride = int(math.Max(1, math.Round(100/t.rate)))
	m.dt = 1 / t.rate / float64(m.stride)
	for range t.drives {
		m.blades = append(m.blades, &blade{s: t.at0, arrive: -1})
	}
	m.phase = uni(r, 0, m.dt*float64(m.stride))
	for i := range t.places {
		m.res.det = append(m.res.det, -1)
		late := t.detDelay[i] + .01*math.Abs(r.NormFloat64())
		if m.is(detectionAdjustment) && i == m.f.place {
			late += m.f.m * m.sev * math.Exp(.15*r.NormFloat64())
			if m.failing {
				late = 1e9
			}
		}
		m.late = append(m.late, late)
	}
}

// arrived is when the blade lay that the detector of a place watches.
func (m *movement) arrived(place int) float64 {
	if place == 1 && len(m.blades) > 1 {
		return m.blades[1].arrive
	}
	return m.blades[0].arrive
}

// detect makes what can be detected, and turns the drives off when the blades
// lie or the limit is reached.
func (m *movement) detect(tm float64) {
	t := m.t
	all, made := true, true
	for _, b := range m.blades {
		all = all && b.arrive >= 0
	}
	for i := range t.places {
		a := m.arrived(i)
		if a >= 0 && m.res.det[i] < 0 && tm >= a+m.late[i] {
			m.res.det[i] = tm
		}
		made = made && m.res.det[i] >= 0
	}
	if m.cut >= 0 {
		return
	}
	own := .06
	if t.drives[0].kind == hy {
		own = t.drives[0].deadTime
	}
	if all && (!t.cutByDet || made) {
		if m.runout += m.dt; m.runout >= own {
			m.cut = tm
		}
	}
	if tm >= t.limit {
		m.cut = tm
	}
}

// end says whether the throw completed, and how long it took. A detector may
// still make after the drive is off, within the limit.
func (m *movement) end() {
	t, res := m.t, m.res
	for i := range t.places {
		if a := m.arrived(i); a >= 0 && res.det[i] < 0 && a+m.late[i] < t.limit {
			res.det[i] = a + m.late[i]
		}
	}
	res.completed = true
	for _, b := range m.blades {
		res.completed = res.completed && b.arrive >= 0
		res.dur = math.Max(res.dur, b.arrive)
	}
	for _, d := range res.det {
		res.completed = res.completed && d >= 0 && d < t.limit
	}
	if res.dur <= 0 || !res.completed {
		res.dur = t.limit
	}
}
