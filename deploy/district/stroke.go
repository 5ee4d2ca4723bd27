package main

import "math"

// stroke is what resists along the way of the blades, by end: where they are
// free, how each load lies along the stroke, and how much there is of it, in
// shares of the drive's usual force.
type stroke struct {
	free, home                                [2]float64 // unlocked; against the stock rail
	gear, slide, flex, unlock, lock, seal     [2]grid
	pull                                      [2]grid // by the rod of a back drive
	uneven                                    [2]grid
	backLoad                                  [2]grid // of a drive at the back
	ofGear, ofSlide, ofFlex, ofUnlock, ofLock [2]float64
	ofSeal, ofPull                            [2]float64
	rollers                                   bool // some chairs have them, and lift the blades
}

// chair is one slide chair.
type chair struct{ place, weight, from, phase, wave, rough float64 }

// blades is how far the blades are on their way, from 0 to 1, at a place of the
// stroke to end e.
func (k *stroke) blades(e int, s float64) float64 {
	return clamp((s-k.free[e])/(k.home[e]-k.free[e]), 0, 1)
}

// draw lays the loads, from the chairs up.
func (k *stroke) draw(r random, rod bool) {
	k.rollers = r.p(0.5)
	n := 7 + r.IntN(9)
	lift := r.u(0.35, 0.85)
	var chairs []chair
	for i := range n {
		d := (float64(i) + r.u(0.2, 0.8)) / float64(n)
		chairs = append(chairs, chair{d, r.lu(0.4, 2) * (1 - 0.6*d), 0.3 * d * d, r.u(0, 6.3), r.u(1, 7), r.u(0.03, 0.25)})
	}
	free, home := r.u(0.03, 0.16), r.u(0.8, 0.95)
	neutral := r.u(0.3, 0.7) // where the blades would rest
	bump := r.u(0.5, 0.75)   // of the lock
	hard := r.u(0.5, 2)      // against the stock rail
	for e := range 2 {
		k.free[e], k.home[e] = free+r.n(0, 0.005), home+r.n(0, 0.005)
		if e == 1 && r.p(0.3) {
			k.free[e] = r.u(0.03, 0.16)
		}
		var phase [6]float64
		for i := range phase {
			phase[i] = r.u(0, 6.3)
		}
		rest := neutral
		if e == 1 {
			rest = 1 - neutral
		}
		for i := range points {
			s := along(i)
			x := k.blades(e, s)
			y := x // place on the chairs
			if e == 1 {
				y = 1 - x
			}
			moving := ramp(x, 0, 0.015) * (1 - 0.85*ramp(s, k.home[e]-0.005, k.home[e]+0.01))
			f := 0.0
			for _, c := range chairs {
				g := c.weight * ramp(x, c.from, c.from+0.08) * (1 + c.rough*math.Sin(c.wave*y*3+c.phase))
				if k.rollers {
					g *= 1 - lift*ramp(x, 0.08, 0.2)*(1-ramp(x, 0.84, 0.95))
				}
				f += g
			}
			k.slide[e][i] = f * moving
			k.gear[e][i] = 1 + 0.03*math.Sin(21*s+phase[0])
			k.flex[e][i] = (x - rest) * 2 * moving
			k.unlock[e][i] = bell(s, k.free[e]*0.55, k.free[e]*0.28)
			k.lock[e][i] = ramp(s, k.home[e]-0.01, k.home[e]+bump*(1-k.home[e])) * (1 - 0.5*ramp(s, k.home[e]+(bump+0.05)*(1-k.home[e]), 1))
			k.seal[e][i] = math.Pow(ramp(x, 0.86, 1), hard) * (1 - 0.3*ramp(s, k.home[e]+0.02, 1))
			k.pull[e][i] = bell(x, 0.6, 0.2) + 0.5*ramp(x, 0.8, 1)
			k.uneven[e][i] = 0.02*math.Sin(9*s+phase[1]) + 0.015*math.Sin(27*s+phase[2]) + 0.01*math.Sin(63*s+phase[3])
		}
		k.even(e, 8)
		k.share(r, e, rod)
		for i := range points {
			s := along(i)
			k.backLoad[e][i] = 0.35 + 0.5*ramp(s, 0.02, 0.08) + k.flex[e][i]*0.25 + 0.35*k.seal[e][i] + 0.08*math.Sin(17*s+phase[4]) + 0.25*bell(s, 0.3, 0.05)
		}
	}
}

// even makes the mean of the chairs' load over the travel 1, without so many
// points after the blades are free.
func (k *stroke) even(e, without int) {
	m, n := 0.0, 0
	for i := int(k.free[e]*points) + without; i < int(k.home[e]*points)-4; i++ {
		m += k.slide[e][i]
		n++
	}
	m /= float64(n)
	for i := range points {
		k.slide[e][i] /= m
	}
}

// share draws how much there is of each load. The mean over the travel to the
// first end is the usual force; the second end is much like the first.
func (k *stroke) share(r random, e int, rod bool) {
	k.ofGear[e], k.ofSlide[e], k.ofFlex[e] = r.u(0.2, 0.4), r.u(0.3, 0.55), r.u(0.08, 0.32)
	k.ofUnlock[e], k.ofLock[e], k.ofSeal[e] = r.u(0.1, 0.55), r.lu(0.2, 0.9), r.u(0.1, 0.5)
	if e == 1 {
		f := r.u(0.75, 1.3)
		k.ofSlide[1], k.ofFlex[1] = k.ofSlide[0]*f, k.ofFlex[0]*r.u(0.8, 1.25)
		if r.p(0.6) {
			k.ofUnlock[1], k.ofLock[1], k.ofSeal[1] = k.ofUnlock[0]*r.u(0.7, 1.4), k.ofLock[0]*r.u(0.7, 1.4), k.ofSeal[0]*r.u(0.7, 1.4)
		}
		k.ofGear[1] = k.ofGear[0]
	}
	if rod {
		k.ofPull[e] = r.u(0.06, 0.25)
	}
	if e == 0 {
		m := k.ofGear[0] + k.ofSlide[0] + 0.5*k.ofPull[0]
		k.ofGear[0], k.ofSlide[0], k.ofPull[0] = k.ofGear[0]/m, k.ofSlide[0]/m, k.ofPull[0]/m
	}
}

// ease sets the loads so that the drive has something in hand: the greatest of
// a usual throw is at most a share of what it can move.
func (k *stroke) ease(d *drive, most float64) {
	for e := range 2 {
		for try := range 80 {
			peak := 0.0
			for i := range points {
				f := k.ofGear[e]*k.gear[e][i] + k.ofSlide[e]*k.slide[e][i] + k.ofFlex[e]*k.flex[e][i] + k.ofUnlock[e]*k.unlock[e][i] + k.ofLock[e]*k.lock[e][i] + k.ofSeal[e]*k.seal[e][i] + k.ofPull[e]*k.pull[e][i]
				peak = max(peak, f*d.f0)
			}
			if peak <= most*d.most {
				break
			}
			k.ofLock[e], k.ofSeal[e], k.ofFlex[e] = 0.95*k.ofLock[e], 0.95*k.ofSeal[e], 0.98*k.ofFlex[e]
			if try > 6 { // flatten the chairs too
				for i := range points {
					k.slide[e][i] = math.Pow(max(k.slide[e][i], 0), 0.96)
				}
				k.even(e, 9)
			}
		}
	}
}
