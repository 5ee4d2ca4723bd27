package main

import "math"

// hits says whether a drive is the one on which the fault acts most.
func (m *movement) hits(i int) bool {
	return m.sev > 0 && (m.f.cause != backDrive && i == 0 || m.f.cause == backDrive && i == 1)
}

// step moves drive i by one step of time, and reads it.
func (m *movement) step(i int, tm float64) {
	d, b, f := m.t.drives[i], m.blades[i], m.f
	hit := m.hits(i)
	ts := tm - d.startDelay
	on := ts >= 0 && (m.cut < 0 || tm < m.cut)
	load, blocked := m.load(i)
	if d.kind != hy && !m.t.cutByDet && b.s >= 1 && tm > b.arrive+.06 {
		on = false // its own limit switch
	}
	lm := d.lmax
	if d.kind == ac {
		lm *= math.Min(1, m.vr*m.vr)
	}
	if blocked {
		load = lm
	}
	var rate, y float64
	switch d.kind {
	case dc:
		rate, y = m.directMotor(d, load, ts, hit, blocked)
	case ac:
		rate, y = m.inductionMotor(d, load, ts, hit)
	case hy:
		rate, y = m.pump(d, b, load, tm, hit, blocked, on)
	}
	if m.is(backDrive) && hit {
		rate *= 1 - f.m2*m.sev*[2]float64{.5, 1}[f.mode]
	}
	if m.is(lockAdjustment) && hit && b.s > 1-d.l {
		rate *= 1 - .4*m.sev
	}
	rate = math.Max(.2, rate) * m.rateN
	if d.kind == hy {
		rate *= smooth(ts / (d.build * 2))
	} else {
		rate *= smooth(ts/(d.tau*3) + .05)
	}
	if blocked {
		rate = 0
		if m.open && hit {
			y = .03
			if d.kind == hy {
				y = b.out * (1 - m.dt/.3)
			}
		}
	}
	if !on {
		y = 0
		if d.kind == hy && ts > 0 {
			td := d.tailDecay
			if m.is(hydraulicLeak) {
				td *= 1 - .7*math.Min(1, m.sev)
			}
			y = b.out * math.Exp(-m.dt/math.Max(.04, td))
		}
		rate = 0
	}
	b.out = y
	if b.s < 1 {
		b.s += rate * m.dt / d.t0
		if b.s >= 1 {
			b.s, b.arrive = 1, tm
		}
		if i == 0 && on && ts > .3 {
			m.measured = true
		}
	}
}

// load on drive i where its blade stands, and whether it cannot move there.
func (m *movement) load(i int) (load float64, blocked bool) {
	d, b, k := m.t.drives[i], m.blades[i], m.k
	switch {
	case b.s >= 1 && m.t.cutByDet:
		return .8 * d.lmax, false // the clutch slips until detection switches the drive off
	case b.s >= 1:
		return .5, false
	}
	s := math.Max(0, b.s)
	win := .45 + .55*smooth((s-d.u*.6)/(d.u*.6))*smooth((1-d.l*.4-s)/(d.l*.6))
	fr := d.phi * m.mu * d.shape[k][int(s*256)]
	la := d.lockA[k] * m.t.lockShift
	var extra, lockEarly float64
	if m.sev > 0 {
		fr, la, extra, lockEarly = m.burden(i, s, fr, la)
	}
	g := (s - d.u*.5) / (d.u * .3)
	h := (s - (1 - d.l*.45) + lockEarly/2) / (d.l*.3 + lockEarly/2)
	load = win*(fr+(1-d.phi)*d.spring[k][int(s*256)]) + extra
	if g > -4 && g < 4 {
		load += d.unlockA[k] * math.Exp(-g*g/2)
	}
	if h > -4 {
		load += la * math.Exp(-h*h/2) * (.6 + .4*m.grease)
	}
	if m.oddA > 0 && i == 0 {
		load += m.oddA * math.Exp(-math.Pow((s-m.oddP)/m.oddW, 2)/2)
	}
	if i == 0 && len(m.blades) > 1 { // the main drive drags a lagging back along
		load += 1.2 * math.Max(0, b.s-math.Max(0, m.blades[1].s)-.25)
	}
	load = math.Min(load, .96*d.lmax)
	blocked = s >= m.blockAt && (m.hits(i) || m.is(dryChairs)) && m.f.cause != detectionAdjustment
	if i == 0 && s >= m.pauseAt && m.pauseLen > 0 {
		blocked = true
		m.pauseLen -= m.dt
	}
	return load, blocked
}

// burden is what the fault makes of the friction fr and the locking la of drive
// i at s; it may add a load and make the locking begin earlier on the stroke.
func (m *movement) burden(i int, s, fr, la float64) (friction, locking, extra, lockEarly float64) {
	d, f, sev, hit := m.t.drives[i], m.f, m.sev, m.hits(i)
	load1 := 1 / (1 - d.idle)
	switch f.cause {
	case dryChairs:
		fr *= 1 + f.m*sev*load1/d.phi*(1+f.m2*math.Sin(2*math.Pi*m.chairs*s))*[2]float64{1, .7}[i]
	case seizedRoller:
		if hit {
			c := f.c
			if m.k == 1 {
				c = 1 - c
			}
			extra = f.m * sev * load1 * smooth((f.w-math.Abs(s-c))/(f.w*.5))
		}
	case obstruction:
		if hit { // builds up as the blade comes near, then gives
			extra = f.m * sev * load1 * math.Exp(-math.Pow((s-f.c)/f.w, 2)/2)
			if s > f.c {
				extra = math.Max(extra, .35*f.m*sev*load1)
			}
		}
	case lockAdjustment:
		if hit {
			la += f.m * sev * load1
			lockEarly = .05 * sev
		}
	case backDrive:
		if hit && f.mode == 0 {
			extra = f.m * sev * load1
		}
	case motorWear:
		if d.kind != hy && hit {
			extra = .25 * sev
		}
	}
	return fr, la, extra, lockEarly
}

// directMotor gives speed, as a share of the usual one, and reading, in levels,
// of a motor for direct current, ts seconds after it was turned on.
func (m *movement) directMotor(d *drive, load, ts float64, hit, blocked bool) (rate, y float64) {
	worn := m.is(motorWear) && hit
	current := d.idle + (1-d.idle)*load
	slope := d.slope
	if worn { // worn brushes: a series resistance
		current += m.f.m2 * m.sev * .6
		slope += m.f.m * m.sev * .6
	}
	rate = (m.vr - slope*current) / (1 - d.slope)
	y = current
	peak := d.peak * m.vr
	if worn {
		peak *= 1 - .4*m.sev
		y *= 1 + m.f.m2*m.sev*m.r.NormFloat64()
	}
	y += peak * math.Exp(-ts/d.tau) * (1 - math.Exp(-ts/.01))
	if blocked && m.vr < .6 {
		y = math.Min(y, m.vr/d.slope*.25)
	}
	if d.unit == "W" {
		y *= m.vr
	}
	return rate, y
}

// inductionMotor gives the same of a motor for alternating current.
func (m *movement) inductionMotor(d *drive, load, ts float64, hit bool) (rate, y float64) {
	worn, vr := m.is(motorWear) && hit, m.vr
	slip, idle := d.slope, d.idle
	if worn {
		slip += m.f.m * m.sev * .8
		idle += (m.f.m + m.f.m2) * m.sev
	}
	rate = (1 - slip*load/(vr*vr)) / (1 - d.slope)
	y = idle*(.6+.4*vr*vr) + (1-d.idle)*load*math.Max(.5, rate) + .06*(load*load/(vr*vr)-1)
	y += d.peak * vr * vr * math.Exp(-ts/d.tau) * (1 - math.Exp(-ts/.01))
	if worn {
		y *= 1 + .4*m.f.m2*m.sev*m.r.NormFloat64()
	}
	return rate, y
}

// pump gives the same of a hydraulic drive, tm seconds into the throw; its
// reading is a pressure, which follows with a delay while the pump is on.
func (m *movement) pump(d *drive, b *blade, load, tm float64, hit, blocked, on bool) (rate, y float64) {
	f, sev, vr := m.f, m.sev, m.vr
	visc := math.Exp(-m.t.oilK * (m.air - 10))
	p := d.idle*visc + (1-d.idle)*load
	leak, build := d.slope, d.build*visc
	flow := 1.0 - .25*(1-vr) - .12*(visc-1)
	if m.is(supplyVoltage) { // the pump motor slips when it is starved
		flow -= 2 * (1 - vr) * (1 - vr)
		flow = math.Max(.35, flow)
	}
	if m.is(hydraulicLeak) {
		leak += f.m * sev * math.Exp(.008*(m.air-10))
		p *= 1 - .15*f.m2*sev
		build *= 1 + 1.5*sev
	}
	if m.is(motorWear) && hit { // a worn pump delivers less, and pulses
		flow -= f.m * sev
		p *= 1 + .5*f.m2*sev*math.Sin(2*math.Pi*7.3*tm+float64(m.t.id))
		build *= 1 + .8*sev
	}
	if m.is(backDrive) && hit && f.mode == 1 {
		p *= 1 - .08*sev
	}
	rate = (flow - leak*math.Min(p, 1.6)) / (1 - d.slope)
	if b.s >= 1 { // dead end: up to the switch-off pressure, or the relief valve
		p = d.idle + (1-d.idle)*d.lmax*.85
		if m.is(hydraulicLeak) {
			p *= 1 - f.m2*sev
		}
	}
	if blocked && m.is(hydraulicLeak) {
		p *= .3
	}
	if blocked && m.is(supplyVoltage) {
		p *= .35
	}
	y = p
	if on {
		y = b.out + (p-b.out)*math.Min(1, m.dt/build)
	}
	return rate, y
}
