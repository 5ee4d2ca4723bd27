package main

import "math"

// throw is one movement: what it meets, what a fault does to it, what came of it.
type throw struct {
	event
	from, fromBack  float64 // places of the blades on the new way
	rail, wet, air  float64
	stood           float64 // hours
	weather         float64 // share of the friction that is the weather's
	mu, gear, lock  float64 // of the usual
	unlock, seal    float64 // of the usual
	spring, shift   float64 // of the usual; along the stroke
	volts, detDelay float64

	fault      *fault  // the one that is felt, or nil
	size       float64 // of it, 1 at its planned failure
	pressed    float64 // size of the load that it adds
	forced     bool    // it fails this throw
	gain, zero float64 // of the first sensor
	noisy      float64
	drops      bool

	isOdd       bool
	done        bool
	toe, atBack float64 // detected; NaN: not
}

func (s *life) throw(ev event) {
	r := s.r
	if ev.end == other {
		ev.end = 1 - s.toward
	}
	h := &throw{event: ev, from: s.places[0], fromBack: s.places[1], gain: s.level.sensor}
	if h.end != s.toward {
		h.from, h.fromBack = 1-s.places[0], 1-s.places[1]
	}
	s.meet(h)
	o := &attempt{load: &s.load, from: h.from, air: h.air, allowed: s.allowed, post: s.post, window: s.window, byDetection: s.byDetection, phase: r.u(0, 6.28), byHand: h.byHand, delay: math.Abs(r.n(0, 0.006))}
	back := *o
	back.load, back.from, back.byDetection = &s.loadBack, h.fromBack, false
	s.suffer(h, o)
	back.joint = o.joint // a bad supply is bad for both
	o.volts, back.volts = h.volts, h.volts
	o.detDelay, back.detDelay = h.detDelay, h.detDelay
	s.lay(h)
	s.block(h)
	s.chance(h, o)

	s.main.move(o, &s.course)
	h.toe, h.atBack = s.course.detected, math.NaN()
	h.done = !math.IsNaN(h.toe)
	places := [2]float64{s.course.end, 1}
	if s.back != nil {
		back.delay = o.delay + 0.12
		back.abortAt = o.abortAt
		s.back.move(&back, &s.courseBack)
		h.atBack, places[1] = s.courseBack.detected, s.courseBack.end
		h.done = h.done && !math.IsNaN(h.atBack)
	} else if s.rod && h.done {
		h.atBack = max(0.2, h.toe+s.detSlack*0.6*r.u(0.7, 1.3)-0.08)
		h.done = h.atBack <= s.allowed
	}
	s.toward, s.last, s.places = h.end, h.t, places
	s.answer(h)
	s.record(h)
	s.count(h)
}

// meet finds how the turnout is at the time of the throw.
func (s *life) meet(h *throw) {
	t, r, now, e := s.turnout, s.r, h.t, h.end
	l := &s.level
	h.rail, h.wet, h.air = between(t.wx.rail, now), between(t.wx.wet, now), between(t.wx.air, now)
	h.stood = (now - s.last) * 24
	stray := t.slowMu.at(r, now) + t.fastMu.at(r, now)
	for _, j := range t.jumps {
		if now >= j.from && now < j.to {
			stray += j.by
		}
	}
	for k := range 2 {
		t.toEnd[k].at(r, now)
		t.locking[k].at(r, now)
		t.sealing[k].at(r, now)
		t.springing[k].at(r, now)
	}
	stray += t.toEnd[e].x
	grease := 1 + t.lubShare*(0.5-math.Exp(-max(0, now-s.lubed)/t.lubTau))
	wx := 1 + t.cold*max(0, 8-h.rail)/10 + t.hot*max(0, h.rail-30)/10 + t.heat*(h.rail-12)/10 + t.damp*h.wet + t.rust*bell(h.wet, 0.3, 0.15)
	if h.rail < 0.3 {
		wx += t.ice * clamp(h.wet, 0, 1) * clamp((0.3-h.rail)/2, 0, 1)
	}
	h.weather = max(0.6, wx)
	h.mu = l.mu * math.Exp(stray+t.tail*r.tail()) * grease * h.weather * (1 + t.idle*math.Log1p(h.stood/3))
	h.gear = l.gear * math.Exp(t.gearing.at(r, now)) * (1 + t.gearCold*max(0, 10-h.air)/10)
	h.lock = l.lock[e] * math.Exp(t.locking[e].x+t.locks*r.tail()*0.8) * (1 + t.lockHeat*(h.rail-12)/20)
	h.unlock = math.Exp(t.locking[1-e].x*0.6 + t.locks*r.tail()*0.8)
	h.seal = l.seal[e] * math.Exp(t.sealing[e].x+t.locks*0.5*r.tail())
	h.spring = 1 + t.springing[e].x
	h.shift = l.spring*(1-2*float64(e)) + t.bladeHeat*(h.rail-12)/20
	h.volts = t.cab.volts(now) * math.Exp(t.feed.at(r, now)) * (1 - t.cab.sag*float64(min(h.others, 4)))
	slack := t.detSlack * math.Exp(r.n(0, 0.05)) * (1 + t.seen.at(r, now))
	h.detDelay = max(0.005, slack+t.detJitter*r.tail())
}

// suffer lets a fault act on the throw, on the drive and on the sensor.
func (s *life) suffer(h *throw, o *attempt) {
	r := s.r
	for _, f := range s.faults {
		if g := f.at(r, h.t, s.wx); g > 0 && !f.over() {
			h.fault, h.size = f, g
			break
		}
	}
	f := h.fault
	if f == nil {
		return
	}
	if f.fails && h.t >= f.plan && f.ends[h.end] > 0.3 {
		late := (h.t - f.plan) / 3
		h.forced = math.IsNaN(f.failed) || r.p(f.often*clamp(0.6+0.3*late, 0, 1.2))
	}
	x := h.size * f.full
	switch f.cause {
	case hydraulicLeak:
		switch f.variant {
		case 0:
			o.leak = x
		case 1:
			o.leak, o.bubbles = 0.7*x, 0.1*h.size
		case 2:
			o.leak, o.bubbles = 0.35*x, 1.2*x
			o.delay += 0.8 * x * r.u(0.8, 1.2)
		}
		if h.forced {
			o.leak = r.u(1.2, 4)
		}
	case motorWear:
		if f.variant == 0 { // brushes or winding
			o.winding, o.rough = 1.6*x, 0.8*x*r.u(0.5, 1.5)
			o.weak = clamp(0.5*x, 0, 0.6)
			o.slow = -0.45 * x
			o.drag = 0.15 * x
		} else { // bearing
			o.drag, o.rough = 1.1*x, 0.25*x
			o.slow = -0.25 * x
		}
		if h.forced {
			o.openAt = clamp(f.place+r.n(0, 0.1), 0.02, 0.97)
			if h.from > o.openAt {
				o.openAt = h.from + 0.01
			}
		}
	case supplyVoltage:
		if f.variant == 0 { // a bad joint
			o.joint = 0.8 * x * r.u(0.9, 1.1)
			h.volts *= 1 - 0.3*x
		} else { // a weak source
			h.volts *= 1 - x*r.u(0.85, 1.15)
		}
		if h.forced {
			h.volts *= r.u(0.2, 0.42)
		}
	case detectionAdjustment:
		h.detDelay += f.ends[h.end] * h.size * f.full * r.u(0.75, 1.2)
		o.unseen = h.forced
	case measurement:
		switch f.variant {
		case 0:
			h.gain *= 1 - x
		case 1:
			h.gain *= 1 + 0.8*x
		case 2:
			h.zero = 0.7 * x
		case 3:
			h.noisy, h.drops = 5*x, r.p(0.6*x)
		}
	default:
		h.pressed = h.size
		if f.cause == dryChairs {
			h.pressed *= h.weather
		}
	}
}

// lay puts the loads of the throw along the stroke. Until its time has come, a
// fault leaves the drive something in hand.
func (s *life) lay(h *throw) {
	t, r, d, e := s.turnout, s.r, s.main, h.end
	p1, p2, p3, rough := r.u(0, 6.3), r.u(0, 6.3), r.u(0, 6.3), t.texture*(0.6+0.5*math.Abs(r.tail()))
	shift := int(clamp(h.shift, -0.3, 0.3) * (points - 1) * 0.25)
	early := h.fault != nil && h.t < h.fault.plan
	for i := range points {
		x := along(i)
		at := min(max(i-shift, 0), points-1)
		f := t.ofGear[e]*h.gear*t.gear[e][i] + t.ofSlide[e]*h.mu*t.slide[e][i] + t.ofFlex[e]*h.spring*t.flex[e][at] + t.ofUnlock[e]*h.unlock*t.unlock[e][i] + t.ofLock[e]*h.lock*t.lock[e][i] + t.ofSeal[e]*h.seal*t.seal[e][i] + t.ofPull[e]*t.pull[e][i]
		f *= 1 + t.uneven[e][i] + rough*(math.Sin(13*x+p1)+0.7*math.Sin(31*x+p2)+0.4*math.Sin(83*x+p3))
		f *= d.f0
		if h.pressed > 0 {
			f += h.pressed * h.fault.add[e][i] * (1 + 0.1*rough)
			if early {
				f = min(f, 0.78*d.most)
			}
		}
		s.load[i] = max(f, 0.12*d.f0)
	}
	if h.from < 0.03 {
		stick := t.stick * (0.6 + 0.2*math.Log1p(h.stood))
		for i := range 8 {
			s.load[i] *= 1 + stick*(1-float64(i)/8)
		}
	}
	b := t.back
	if b == nil {
		return
	}
	for i := range points {
		x := along(i)
		f := b.f0 * t.backLoad[e][i] * (0.45*h.gear + 0.55*h.mu) * (1 + rough*(math.Sin(11*x+p2)+0.6*math.Sin(41*x+p1)))
		if h.pressed > 0 {
			f += h.size * h.fault.addBack[e][i]
			if early {
				f = min(f, 0.78*b.most)
			}
		}
		s.loadBack[i] = max(f, 0.12*b.f0)
	}
}

// block puts a wall in the way where a fault fails the throw by its load.
func (s *life) block(h *throw) {
	if !h.forced || h.pressed <= 0 {
		return
	}
	t, r, f, e := s.turnout, s.r, h.fault, h.end
	if b := t.back; f.cause == backDrive && b != nil {
		c := clamp(f.place+r.n(0, 0.06), 0.1, 0.97)
		for i := int(c * (points - 1)); i < points; i++ {
			s.loadBack[i] = max(s.loadBack[i], 1.35*b.wall()*ramp(along(i), c-0.02, c+0.02))
		}
		return
	}
	c := f.place
	if f.cause == seizedRoller && e == 1 {
		c = 1 - c
	}
	c = clamp(t.free[e]+c*(t.home[e]-t.free[e])+r.n(0, 0.02), 0.05, 0.985)
	if f.cause == lockAdjustment {
		c = t.home[e] + r.u(0.3, 0.75)*(1-t.home[e])
	}
	for i := range points {
		s.load[i] = max(s.load[i], 1.35*t.main.wall()*ramp(along(i), c-0.03, c+0.012))
	}
}

// chance is what may happen to a sound turnout, and means nothing.
func (s *life) chance(h *throw, o *attempt) {
	r, d := s.r, s.main
	if h.abort {
		o.abortAt = o.delay + d.start + r.u(0.2, 0.85)*d.t0
	}
	hump := func(c, w, a, most float64) {
		for i := range points {
			s.load[i] += min(a, max(0, most*d.most-s.load[i])) * bell(along(i), c, w)
		}
	}
	h.isOdd = true
	switch {
	case !h.abort && !h.byHand && r.p(s.odd):
		o.pauseAt, o.pause = r.u(0.1, 0.95), r.u(0.1, max(0.15, min(1.1, (s.allowed-d.t0)*0.3)))
	case h.rail < 0 && h.wet > 0.3 && r.p(0.04): // a crumb of ice is crushed
		hump(r.u(0.75, 0.97), r.u(0.008, 0.03), r.u(0.3, 1.2)*d.f0, 0.8)
	case r.p(s.odd * 0.5): // a stone is pushed away
		hump(r.u(0.1, 0.97), r.u(0.01, 0.06), r.u(0.2, 1.2)*d.f0, 0.75)
	default:
		h.isOdd = false
	}
}

// answer is what people do when a throw did not complete: they try twice more.
// A throw by hand is run home by the motor.
func (s *life) answer(h *throw) {
	r := s.r
	switch {
	case h.done:
		if s.inRow > 0 && r.p(0.5) {
			s.inRow = 0
		}
		return
	case h.byHand || h.abort:
	case h.fault != nil && h.fault.fails && (h.forced || h.size > 0.1):
		h.fault.failures++
		if math.IsNaN(h.fault.failed) {
			h.fault.failed = h.t
		}
	}
	if h.byHand && !h.abort {
		s.push(event{t: h.t + r.u(60, 400)/86400, end: h.end})
		return
	}
	if s.inRow < 3 {
		gap := max(s.allowed+8, 15)
		s.push(event{t: h.t + (gap+r.u(5, 60))/86400, end: 1 - h.end})
		s.push(event{t: h.t + (gap+r.u(80, 200))/86400, end: h.end})
	}
	s.inRow++
}
