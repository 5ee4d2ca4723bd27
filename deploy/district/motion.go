package main

import "math"

const (
	dt      = 0.001 // s
	longest = 7.95  // s of one throw that are simulated
)

// attempt is what a drive meets in one throw.
type attempt struct {
	load        *grid
	from        float64 // where the blades are when it starts
	volts       float64 // of nominal
	air         float64
	allowed     float64 // seconds after which it is given up
	post        float64 // seconds recorded after the motor is off
	window      float64 // fixed length of the recording, 0: as long as it takes
	delay       float64 // start after the command
	byDetection bool    // switched off by the detection, else by its own limit
	detDelay    float64
	unseen      bool    // the detection does not come
	abortAt     float64 // s, 0: not
	openAt      float64 // place at which the motor's circuit opens, 0: nowhere
	byHand      bool
	pauseAt     float64 // place of a brief stall, 0: none
	pause       float64
	phase       float64 // of the ripple

	// What faults do to the drive: shares added to, or taken from, its own.
	winding, drag, weak, leak, slow, bubbles, joint, rough float64
}

// course is what happened, every millisecond.
type course struct {
	current, power, pressure, place, force, volts []float64

	arrived  float64 // at the end; NaN: not
	detected float64 // NaN: not
	off      float64 // the motor; NaN: not
	end      float64 // last place
}

func (c *course) reset() {
	c.current, c.power, c.pressure = c.current[:0], c.power[:0], c.pressure[:0]
	c.place, c.force, c.volts = c.place[:0], c.force[:0], c.volts[:0]
	c.arrived, c.detected, c.off = math.NaN(), math.NaN(), math.NaN()
}

// motion is a drive under way.
type motion struct {
	*drive
	o     *attempt
	t     float64
	s     float64 // place
	v, w  float64 // speed of blades and of motor
	i     float64 // ampere
	p     float64 // bar
	run   float64 // speed of the pump, of nominal
	rated float64 // volts without load
	vt    float64 // volts at the motor
	watts float64
	live  bool
	atEnd bool // before the step
}

// move steps a drive through one throw. What it writes is overwritten by the
// next.
func (d *drive) move(o *attempt, out *course) {
	out.reset()
	m := motion{drive: d, o: o, s: o.from, rated: d.nominal * o.volts}
	on, opened, paused := false, false, 0.0
	ended := math.Inf(1)
	for n := 0; ; n++ {
		m.t = float64(n) * dt
		if m.t > ended+o.post && (o.window == 0 || m.t >= o.window) || m.t > longest {
			break
		}
		if !on && math.IsNaN(out.off) && m.t >= o.delay+d.start && !o.byHand {
			on = true
		}
		if o.openAt > 0 && m.s > o.openAt {
			opened = true
		}
		m.live = on && !opened
		load := at(o.load, m.s)
		if o.pauseAt > 0 && m.s >= o.pauseAt && paused < o.pause {
			load = max(load, 1.3*d.wall())
			paused += dt
		}
		m.atEnd = m.s >= 1
		switch d.kind {
		case shunt, series:
			m.stepDirect(load)
		case threePhase:
			m.stepThreePhase(load)
		case pump:
			m.stepPump(load)
		}
		if o.byHand && m.t > 0.8 && !m.atEnd {
			m.s = min(1, m.s+dt/9)
		}
		if m.s >= 1 && math.IsNaN(out.arrived) {
			out.arrived = m.t
			if !o.unseen && m.t+o.detDelay <= o.allowed {
				out.detected = m.t + o.detDelay
			}
		}
		if math.IsNaN(out.off) && m.stops(out) {
			on, out.off = false, m.t
			ended = max(m.t, orZero(out.detected))
		}
		m.note(load, out)
	}
	out.end = m.s
}

// stops says whether the motor is switched off now.
func (m *motion) stops(out *course) bool {
	switch {
	case m.o.abortAt > 0 && m.t >= m.o.abortAt, m.t >= m.o.allowed:
		return true
	case m.o.byDetection:
		return !math.IsNaN(out.detected) && m.t >= out.detected+0.03+m.overrun*0.3
	}
	return m.s >= 1 && m.t >= out.arrived+0.02+m.overrun
}

// fade is what is left, a step on, of a current that was switched off.
var fade = math.Exp(-dt / 0.012)

func (m *motion) stepDirect(load float64) {
	o := m.o
	m.vt = m.rated * (1 - (m.source+o.joint)*m.i/m.running)
	force := 0.0
	if m.live {
		field := 1.0
		if m.kind == series {
			x := max(m.i, 0.02*m.running)
			field = x / (x + m.saturation) * (m.running + m.saturation) / m.running
		}
		ohm := m.resistance * (1 + o.winding)
		m.i += dt / m.lag * ((m.vt-field*m.back*m.w)/ohm - m.i) * (m.resistance / ohm)
		m.i = max(m.i, 0)
		force = field * m.force * (m.i - m.idle*(1+o.drag))
	} else {
		m.i *= fade
	}
	m.turn(force, load)
	m.watts = m.i * m.vt
}

func (m *motion) stepThreePhase(load float64) {
	o := m.o
	m.vt = m.rated * (1 - (m.source+o.joint)*0.6)
	force := 0.0
	m.i = 0
	if m.live {
		slip := clamp(1-m.w/m.synchronous, -0.3, 1)
		q := m.vt / m.nominal
		if math.Abs(slip) > 1e-6 {
			force = 2 * m.pull * (1 - o.weak) * q * q / (slip/m.slipAtPull + m.slipAtPull/slip)
		}
		copper := max(0, force) * 1000 * m.stroke * m.synchronous / m.eta
		m.watts = m.p0*q*q*(1+0.5*o.drag) + copper*(1+0.25*o.winding) + m.surge(m.t-o.delay-m.start)
		force -= o.drag * m.f0 * 0.6 * ramp(m.w, 0, 0.3*m.synchronous)
		reactive := 1.1*m.p0 + 0.25*m.watts
		m.i = math.Sqrt(m.watts*m.watts+reactive*reactive) / (1.732 * m.vt)
	} else {
		m.watts = 0
	}
	m.turn(force, load)
}

// surge is the inrush power, seconds after the motor was switched on.
func (d *drive) surge(t float64) float64 {
	if t > 9*d.inrushT {
		return 0
	}
	return d.inrush * d.p0 * math.Exp(-t/d.inrushT)
}

// turn is the gear: motor and blades turn together until the clutch slips.
func (m *motion) turn(force, load float64) {
	slips := false
	if m.atEnd {
		load = 50 * m.f0
	}
	if m.clutch > 0 && load > m.clutch {
		load, slips = m.clutch, true
	}
	m.w += dt / m.inertia * (force - load)
	if !m.live {
		m.w -= dt / m.inertia * 0.8 * m.f0
	}
	m.w = max(m.w, 0)
	if m.atEnd && !slips {
		m.w = 0
	}
	if slips || m.atEnd {
		m.v = max(0, m.v-dt*8*m.v-dt*3/m.t0)
	} else {
		m.v = m.w
	}
	m.s = min(1, m.s+m.v*dt)
}

func (m *motion) stepPump(load float64) {
	o := m.o
	m.vt = m.rated * (1 - (m.source+o.joint)*0.8)
	target, inertia := 0.0, 0.05
	if m.live {
		target = clamp(1-0.6*(1-m.vt/m.nominal), 0, 1.1) * (1 + o.slow)
		inertia = m.inertia
	}
	m.run += dt / inertia * (target - m.run)
	q := m.flow * m.run * (1 - m.slip*m.p*(1+0.004*(o.air-15)))
	leak := o.leak * m.flow * m.p / (m.f0/m.area + m.line*m.flow)
	stiff := m.stiff
	if o.bubbles > 0 {
		stiff /= 1 + o.bubbles*6*math.Exp(-m.p/30)
	}
	thick := 1 + 0.018*max(0, 12-o.air) // cold oil
	push := m.area*(m.p-m.line*thick*m.v) - m.damping*m.v
	if m.atEnd || m.v <= 0 && push < load*1.05 {
		m.v = 0
	} else {
		m.v = max(0, m.v+dt/m.mass*(push-load))
	}
	m.s = min(1, m.s+m.v*dt)
	gained := q - m.v - leak
	if m.p > m.relief {
		gained -= m.flow * (m.p - m.relief) / (0.06 * m.relief)
	}
	if m.live {
		m.p += dt * stiff * gained
	} else {
		m.p += dt * ((m.hold*(1-0.8*clamp(o.leak*3, 0, 1))*m.relief*0.5*one(m.atEnd) - m.p) / (m.decay / (1 + 4*o.leak)))
		if !m.atEnd {
			m.p = max(m.p-dt*stiff*m.v, 0)
		}
	}
	m.p = clamp(m.p, 0, m.relief*1.2)
	if m.live {
		up := clamp((m.t-o.delay-m.start)/m.inertia, 0, 9)
		m.i = m.idle*(1+o.drag) + m.perBar*(1+0.5*o.drag)*m.p
		if up < 4 {
			m.i += m.running * 3.5 * math.Exp(-2.2*up)
		}
	} else {
		m.i *= fade
	}
	m.watts = m.i * m.vt * 0.8
}

// note writes down the moment, with the ripple.
func (m *motion) note(load float64, out *course) {
	o, k := m.o, 2*math.Pi*m.rippleHz
	ripple, wave := 0.0, 0.0
	if m.live {
		ripple = m.ripple * (1 + 5*o.rough)
		wave = sine(k*m.t+o.phase) + 0.4*sine(2.7*k*m.t+2*o.phase)
		if o.rough > 0 {
			wave += 1.2 * o.rough * math.Sin(0.31*k*m.t+math.Sin(17.3*m.t+o.phase)*3)
		}
	}
	i, w, p := m.i, m.watts, m.p
	switch m.kind {
	case shunt, series:
		i = max(0, i+ripple*wave)
	case threePhase:
		w = max(0, w+ripple*wave)
		i = max(0, i+ripple*wave/(1.732*m.nominal))
	case pump:
		p = max(0, p+ripple*wave*clamp(p/20, 0, 1))
	}
	f := load
	if m.v <= 0 { // what stands is held, or pushed as hard as can be
		f = min(load, max(0, m.hold+0.25)*m.f0)
		if m.live && !m.atEnd && m.t > o.delay+m.start+0.1 {
			f = min(load, m.most)
		}
	}
	out.current, out.power, out.pressure = append(out.current, i), append(out.power, w), append(out.pressure, p)
	out.place, out.force, out.volts = append(out.place, m.s), append(out.force, f), append(out.volts, m.vt)
}

// sine comes from a table, which is enough for ripples and much quicker.
func sine(x float64) float64 { return sines[int(x*(4096/(2*math.Pi))+0.5)&4095] }

var sines = func() (t [4096]float64) {
	for i := range t {
		t[i] = math.Sin(2 * math.Pi * float64(i) / 4096)
	}
	return
}()
