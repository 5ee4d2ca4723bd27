package detect

import (
	"math"

	"throwline/ingest"
)

// The dimensions of what a turnout shows to one end: the signals of a track,
// and three that are not of a track.
const (
	dLag      = numSignals + iota // the first detector's time after the movement, as a share of the duration
	dLagElse                      // likewise of the others, the most
	dSag                          // fall of the supply, ln
	dimNumber                     // of dimensions
)

// shown is one value a dimension, in the signals' units: logarithms, shares.
type shown [dimNumber]float64

// course is what a cause adds along one movement: an effort in shares of the
// usual one, given as its integral up to each bin of the profile, and what it
// does to the signals that are no part of the movement's effort.
type course struct {
	added [ProfileLen + 1]float32
	other shown
	own   [owns]float64 // shares of the frame's own courses
}

// pattern is what a cause leaves in all dimensions, relative to its amount.
type pattern struct {
	cause CauseName
	prior float64
	// here is what is shown to the end that the cause belongs to, there what to
	// the other; sided: which end that is must be found.
	here, there course
	sided       bool
	mirrored    bool // here and there are one place met from both sides
	quiet       bool // there shows nothing
	falls       bool // what is shown may as well be a fall
	whole       bool // every drive of the turnout shows it
	scales      bool // the effort goes as much as it is high: the trace as a whole is multiplied
	asEver      bool // the parts go with the travel as they have done until now
}

// late reports whether the pattern makes a detector late.
func (p *pattern) late() bool {
	return p.here.other[dLag] > 0 || p.here.other[dLagElse] > 0
}

// along returns a course: x goes from 0 to 1 along the movement.
func (c course) along(f func(x float64) float64) course {
	const fine = 4
	sum := 0.0
	for i := range ProfileLen {
		for k := range fine {
			sum += f((float64(i)+(float64(k)+0.5)/fine)/ProfileLen) / fine
		}
		c.added[i+1] = float32(sum)
	}
	return c
}

func (c course) like(own int, share float64) course { c.own[own] = share; return c }

func (c course) with(dim int, v float64) course { c.other[dim] = v; return c }

// mean returns the mean of what is added from bin b0 to b1, both fractional.
func (c *course) mean(b0, b1 float64) float64 {
	if b1-b0 < 0.5 {
		b1 = b0 + 0.5
	}
	b0, b1 = min(max(b0, 0), ProfileLen-0.5), min(b1, ProfileLen)
	return (c.upTo(b1) - c.upTo(b0)) / (b1 - b0)
}

func (c *course) upTo(b float64) float64 {
	i := min(int(b), ProfileLen-1)
	f := float32(b) - float32(i)
	return float64(c.added[i] + f*(c.added[i+1]-c.added[i]))
}

// frame is how one end's trace is divided, and what an added effort of one
// share of the usual does to the softened logarithms of unlocking and locking.
type frame struct {
	inrush, unlock, lock float64 // bins
	ofUnlock, ofLock     float64
	level                [cells]float64
	own                  [owns]course
}

// The courses that follow from the usual one, beside it.
const (
	ownHeld  = iota // the drive works on against its end, per ln of duration
	ownSlack        // the end's pressure is not reached, by a share of its rise
	ownSlow         // the movement is slower, and how the pressure falls away is not, per ln of duration
	owns
)

// ownCourses returns what the usual course becomes, beside what it is. While a
// drive works on against its end all comes earlier in the longer throw, the end
// is held, and how it falls away stays; a pump holds its highest pressure, a
// motor what it took last.
func ownCourses(usual *[ProfileLen]float64, pump bool) (own [owns]course) {
	const longer = 0.05
	at := func(b float64) float64 {
		b = min(max(b, 0), ProfileLen-1.001)
		i := int(b)
		f := b - float64(i)
		return usual[i] + f*(usual[i+1]-usual[i])
	}
	end, least := ProfileLen-2, ProfileLen*2/3
	if pump {
		for i := end; i > ProfileLen*2/3; i-- {
			if usual[i] > usual[end] {
				end = i
			}
		}
		for i := least; i < end; i++ {
			if usual[i] < usual[least] {
				least = i
			}
		}
	}
	var sums [owns]float64
	tail := 1 - (float64(end)+0.5)/ProfileLen
	for i := range ProfileLen {
		x := float64(i) + 0.5
		at0 := max(min(x*(1+longer)-0.5, float64(end)), ProfileLen-(ProfileLen-x)*(1+longer)-0.5)
		sums[ownHeld] += (at(at0) - usual[i]) / longer
		if pump {
			if i >= least {
				sums[ownSlack] -= max(usual[i]-usual[least], 0)
			}
			at0 = x * (1 - tail) / (1 - tail*(1-longer))
			if at0 > float64(end)+0.5 {
				at0 = ProfileLen - (ProfileLen-x)*(1+longer)
			}
			sums[ownSlow] += (at(at0-0.5) - usual[i]) / longer
		}
		for k := range own {
			own[k].added[i+1] = float32(sums[k])
		}
	}
	return own
}

// show returns what a course looks like in a frame, in all; p says how its
// effort is meant.
func (f *frame) show(p *pattern, c *course) shown {
	s := c.other
	if p.asEver {
		return s
	}
	b0, b1, b2 := f.inrush+edge, f.unlock+edge, f.lock-edge
	add := func(c *course, share float64, scales bool) {
		unlock, lock := share*c.mean(b0, f.unlock-edge), share*c.mean(f.lock+edge, ProfileLen-edge)
		if scales {
			unlock, lock = unlock*(1-softly*f.ofUnlock), lock*(1-softly*f.ofLock)
		} else {
			unlock, lock = unlock*f.ofUnlock, lock*f.ofLock
		}
		s[sUnlock] += unlock
		s[sLock] += lock
		sum, step := 0.0, (b2-b1)/cells
		for i := range cells {
			m := share * c.mean(b1+float64(i)*step, b1+float64(i+1)*step)
			sum += m
			if scales {
				m *= f.level[i]
			}
			s[sCell+i] += m
		}
		s[sTravel] += sum / cells
	}
	add(c, 1, p.scales)
	for k, share := range c.own {
		if share != 0 {
			add(&f.own[k], share, false)
		}
	}
	return s
}

func even(v float64) func(float64) float64 { return func(float64) float64 { return v } }

func hump(at, wide, base float64) func(float64) float64 {
	return func(x float64) float64 { z := (x - at) / wide; return base + math.Exp(-z*z/2) }
}

func ramp(from, over float64) func(float64) float64 {
	return func(x float64) float64 { return min(max((x-from)/over, 0), 1) }
}

// sliding is 1 while the blades move and ends where they are locked.
func sliding(x, ends float64) float64 {
	return ends + (1-ends)*ramp(0.05, 0.1)(x)*ramp(0.05, 0.1)(1-x)
}

// patternsOf lists what each cause leaves in the traces of a drive. They follow
// from what the cause does to force and speed, and from how the quantity answers
// to these: a motor's current and power show the load, and its time shows the
// voltage; an oil pressure shows the load, and the time shows the flow (see the
// published findings in the project's account of the method). The priors say
// that ten causes are about as frequent as each other; common practice.
func patternsOf(q ingest.Quantity) []pattern {
	var list []pattern
	hydraulic := q == ingest.HydraulicPressure
	slow := 1.0 // how much a load slows the drive
	if hydraulic {
		slow = 0.35
	}
	add := func(cause CauseName, prior float64, variants ...pattern) {
		sum := 0.0
		for i := range variants {
			if variants[i].prior == 0 {
				variants[i].prior = 1
			}
			sum += variants[i].prior
		}
		for _, p := range variants {
			p.cause, p.prior = cause, prior*p.prior/sum
			list = append(list, p)
		}
	}
	takes := func(time float64) course { return course{}.with(sDuration, time) }
	both := func(c course) pattern { return pattern{here: c, there: c} }
	one := func(here, there course) pattern {
		return pattern{here: here, there: there, sided: true, quiet: there == course{}}
	}
	weighed := func(p pattern, w float64) pattern { p.prior = w; return p }

	// Friction along the whole way, more or less so towards one end, or from
	// where the blades' own spring no longer moves them.
	var dry []pattern
	for _, ends := range []float64{0.2, 0.6, 1} {
		for _, time := range []float64{0.03, 0.1, 0.2} {
			for _, tilt := range []float64{-0.4, 0, 0.4} {
				p := both(takes(time).along(func(x float64) float64 { return (1 + tilt*(2*x-1)) * sliding(x, ends) }))
				p.whole, p.prior = tilt == 0, 1
				if tilt == 0 {
					p.prior = 4
				}
				dry = append(dry, p)
			}
		}
	}
	for _, from := range []float64{0.15, 0.3} {
		for _, ends := range []float64{0, 0.6} {
			for _, time := range []float64{0.03, 0.1} {
				p := both(takes(time).along(func(x float64) float64 { return ramp(from, 0.2)(x) * (1 - (1-ends)*ramp(0.85, 0.1)(x)) }))
				p.prior = 1
				dry = append(dry, p)
			}
		}
	}
	// What lubrication and weather did to the parts until now, friction does again.
	for _, time := range []float64{0.03, 0.1, 0.2} {
		p := both(takes(time).with(sTravel, 1))
		p.whole, p.asEver, p.prior = true, true, 6
		dry = append(dry, p)
	}
	add(DrySlideChairs, 0.14, dry...)

	// A heavy place that both movements meet, at mirrored parts of their way.
	var roller []pattern
	// A pump's pressure stands for a while after the movement, so that the way back
	// is mirrored about an earlier place.
	axes := []float64{1}
	if hydraulic {
		axes = []float64{1, 0.92, 0.84}
	}
	mirror := func(time, prior float64, f func(x float64) float64) {
		for _, axis := range axes {
			a := takes(time).along(f)
			b := takes(time).along(func(x float64) float64 { return f(axis - x) })
			roller = append(roller, pattern{here: a, there: b, mirrored: true, prior: prior})
		}
	}
	for at := 0.12; at < 0.9; at += 0.06 {
		for _, wide := range []float64{0.04, 0.08, 0.15} {
			for _, base := range []float64{0.05, 0.35} {
				w := 1.0
				if at < 0.2 || at > 0.8 {
					w = 0.3 // no roller stands where the lock works
				}
				mirror((0.05+0.1*base)*slow, w, hump(at, wide, base))
			}
		}
	}
	// A set that no longer turns drags wherever it carries a blade.
	for _, from := range []float64{0.02, 0.08, 0.15, 0.25, 0.35, 0.45} {
		f := ramp(from, 0.1)
		mirror(0.08*slow, 2, f)
		mirror(0.08*slow, 2, func(x float64) float64 { return f(1 - x) })
	}
	add(SeizedRoller, 0.11, roller...)

	// Something met on the way to one end, the more the nearer to closing.
	var stone []pattern
	for _, at := range []float64{0.5, 0.58, 0.66, 0.74, 0.8, 0.86, 0.91, 0.96} {
		w := 1.0 // the gap closes on it
		switch {
		case at < 0.55:
			w = 0.3
		case at < 0.6:
			w = 0.5
		case at > 0.84 && at < 0.9:
			w = 0.7
		case at > 0.9:
			w = 0.3
		}
		for _, wide := range []float64{0.035, 0.07} {
			for _, time := range []float64{0.06, 0.16} {
				stone = append(stone, weighed(one(takes(time*slow).along(hump(at, wide, 0)), course{}), w/2))
			}
			stone = append(stone, weighed(one(takes(0.1*slow).along(func(x float64) float64 {
				return max(hump(at, wide, 0)(x), 0.35*ramp(at, 0.01)(x))
			}), course{}), w/2))
		}
		// Pressed on until it is locked: what was before comes earlier in the longer throw.
		for _, time := range []float64{0.1, 0.25} {
			c := takes(time * slow).along(ramp(at-0.08, 0.15))
			stone = append(stone, weighed(one(c, course{}), w/2), weighed(one(c.like(ownHeld, time*slow), course{}), w/2))
		}
	}
	add(Obstruction, 0.11, stone...)

	// The lock goes in hard at one end, already as the blades come near, and is
	// drawn hard from there.
	var lock []pattern
	in := func(at, wide, time float64) course {
		return takes(time * slow).along(func(x float64) float64 { return hump(at, wide, 0)(max(x, 0)) })
	}
	for _, at := range []float64{0.88, 0.93, 0.98} {
		for _, wide := range []float64{0.03, 0.07} {
			here := in(at, wide, 0.08)
			lock = append(lock, weighed(one(here, course{}), 1),
				one(here, takes(0).along(hump(0.05, 0.04, 0)).scaled(0.6)),
				one(here, takes(0).along(hump(0.1, 0.07, 0)).scaled(1)),
				one(here, here.scaled(0.3)),
				weighed(one(here, takes(0).along(hump(0.05, 0.14, 0)).scaled(1)), 1),
				weighed(one(here, takes(0.02*slow).along(func(x float64) float64 { return 0.3*hump(at, wide, 0)(x) + 0.5*hump(0.06, 0.05, 0)(x) })), 1))
		}
	}
	for _, wide := range []float64{0.03, 0.07, 0.14} {
		draw := takes(0.04 * slow).along(hump(0.06, wide, 0))
		lock = append(lock, one(course{}, draw), one(in(0.95, 0.04, 0.03).scaled(0.4), draw))
	}
	// A rod out of length is tight at one end by as much as it is slack at the other.
	for _, at := range []float64{0.88, 0.94} {
		for _, wide := range []float64{0.05, 0.12} {
			for _, in := range []float64{0.25, 0.6, 1} {
				here := takes(0.05 * slow).along(func(x float64) float64 { return in*hump(at, 0.05, 0)(x) - 0.4*hump(0.06, wide, 0)(x) })
				there := takes(0.02 * slow).along(func(x float64) float64 { return hump(0.06, wide, 0)(x) - 0.4*in*hump(at, 0.05, 0)(x) })
				lock = append(lock, one(here, there))
			}
		}
	}
	add(LockAdjustment, 0.12, lock...)

	// The rear part drags: from where its drive takes hold, or it takes its time.
	var back []pattern
	for _, from := range []float64{0.35, 0.5, 0.65} {
		for _, end := range []float64{0, 0.7} {
			s := takes(0.2*slow).with(dLagElse, 0.1).along(func(x float64) float64 { return ramp(from, 0.15)(x) * (1 - (1-end)*ramp(0.88, 0.06)(x)) })
			back = append(back, both(s), one(s, s.scaled(0.4)))
		}
	}
	back = append(back, both(course{}.with(sDuration, 0.5).with(dLagElse, 1)), weighed(both(course{}.with(dLagElse, 1)), 2), both(course{}.with(sDuration, 1)))
	back[len(back)-1].prior = 0.3
	// It comes last: the toe is there when it ever was.
	last := course{}.with(sDuration, 1).with(dLag, -0.9)
	back = append(back, both(last), both(last.like(ownHeld, 1)))
	add(BackDrive, 0.1, back...)

	// The drive gives less: slower, rougher, and its start is weaker. What binds
	// in it is felt all the way, locks included.
	gives := func(time, inrush, ripple, effort float64) pattern {
		return both(takes(time).with(sInrush, inrush).with(sRipple, ripple).along(even(effort)))
	}
	switch {
	case hydraulic:
		worn := gives(1, 0, 1, 0)
		worn.here, worn.there = worn.here.like(ownSlow, 1), worn.there.like(ownSlow, 1)
		add(MotorWear, 0.09, gives(1, 0, 3, 0), gives(1, -0.2, 1, 0), gives(0.3, 0, 3, 0), gives(1, -0.6, 0, 0), worn)
	default:
		rough := gives(1, -0.2, 3, 0)
		rough.here.other[sTravel], rough.there.other[sTravel] = 0.6, 0.6
		rough.asEver = true
		rougher := gives(0.15, 0, 3, 0)
		rougher.here.other[sTravel], rougher.there.other[sTravel] = 0.3, 0.3
		rougher.asEver = true
		loaded := gives(0.5, -0.2, 0.5, 1) // more is lost in it the more it has to give
		loaded.scales = true
		add(MotorWear, 0.1, loaded,
			gives(1, -0.5, 2, 0.2), gives(1, -0.2, 3, 0.5), gives(0.5, 0, 1, 0.6), gives(0.3, 0, 3, 0),
			gives(1, 0, 1, 0.4), weighed(gives(1, -2, 2, 0.1), 0.5), rough, rougher, weighed(gives(0.3, 0.1, 0, 1), 0.5), weighed(gives(0.15, 0.1, 0, 1), 0.5))
	}

	// Less voltage: slower from the first moment. Power falls with it, current does not.
	volts := func(inrush, effort float64) pattern {
		p := both(course{}.with(sDuration, 1).with(sInrush, inrush).with(dSag, 0.8).along(even(effort)))
		p.whole, p.scales = true, true
		return p
	}
	// A three-phase motor keeps its speed: what falls is its inrush, or what is told of the supply.
	firm := both(course{}.with(sInrush, -1).with(sDuration, 0.06).with(dSag, 0.5).along(even(-0.05)))
	told := both(course{}.with(dSag, 1).with(sDuration, 0.1))
	firm.whole, told.whole = true, true
	switch {
	case hydraulic:
		weak := volts(0, 0)
		weak.here, weak.there = weak.here.like(ownSlow, 1), weak.there.like(ownSlow, 1)
		add(SupplyVoltageCause, 0.09, volts(-0.2, 0), volts(0, 0), weak, told)
	case q == ingest.MotorPower:
		add(SupplyVoltageCause, 0.1, volts(-1.2, -0.5), volts(-1, -0.2), volts(-0.5, -0.2), volts(-2.5, -1.5), firm, told)
	default:
		add(SupplyVoltageCause, 0.1, volts(-0.9, 0), volts(-0.5, 0), volts(-2, 0), firm, told)
	}

	// Oil lost on the way, in the pump or from a hose: slower with the pressure as
	// ever, or a little less where it stands still.
	if hydraulic {
		leak := func(level, lock float64) pattern {
			p := both(course{}.with(sDuration, 1).with(sInrush, level).along(func(x float64) float64 { return level + (lock-level)*ramp(0.85, 0.05)(x) }))
			p.scales, p.whole = true, true
			return p
		}
		// Its end shows best where the pressure stands: it comes late, or not all of it.
		loses := func(time, end, lag float64) pattern {
			p := both(takes(time).with(dLag, lag).with(dLagElse, lag).like(ownSlow, max(time, 0)).like(ownSlack, end))
			p.whole = true
			return p
		}
		slack := leak(-0.05, -0.6)
		slack.here.other[sIdle], slack.there.other[sIdle] = -0.5, -0.5
		add(HydraulicLeak, 0.18, weighed(leak(0, 0), 4), leak(-0.05, -0.1), leak(-0.05, -0.6), leak(-0.15, -0.15), leak(-0.4, -0.3), leak(-0.1, -1.5), leak(-0.05, -3), slack, weighed(loses(1, 0, 0), 2), loses(1, 0.6, 0), loses(1, 2, 0), loses(0.3, 2, 0.2), weighed(loses(0, 1, 0.06), 0.4), weighed(loses(-0.1, 1, 0.1), 0.4))
	}

	// The sensor: its gain moves all alike, its zero moves the zero, its noise
	// the ripple; the time stays.
	gain := both(course{}.with(sInrush, 1).along(even(1)))
	zero := both(course{}.with(sIdle, 1).with(sInrush, 0.3).along(even(1)))
	loose := both(course{}.with(sInrush, -1).with(sRipple, 3).along(even(-1)))
	// The zero between the movements alone: what is subtracted by the sensor itself, or only seen at rest.
	rest := both(course{}.with(sIdle, 1))
	gain.falls, zero.falls, rest.falls = true, true, true
	gain.scales, loose.scales = true, true
	gain.prior, zero.prior, rest.prior, loose.prior = 3, 4, 2, 2
	add(MeasurementCause, 0.1, gain, zero, rest, loose)
	// Noise also hides where the movement begins and ends.
	hidden := both(takes(0.07).with(sRipple, 3).with(sIdle, -0.25).with(sLock, -0.5).with(sTravel, 0.03))
	hidden.asEver = true
	add(MeasurementCause, 0.05, weighed(both(course{}.with(sRipple, 3)), 4), hidden)

	// The blades are there, the proof is not; where the proof ends the throw, the
	// drive works against its end until then.
	late := course{}.with(dLag, 1)
	cut := func(time, from float64) course { return takes(time).along(ramp(from, 0.03)) }
	hold := takes(1).like(ownHeld, 1)
	add(DetectionAdjustment, 0.11,
		one(hold, course{}), both(hold), one(hold.with(dLag, -0.9), course{}), weighed(both(hold.with(dLag, -0.9)), 0.6),
		one(late, course{}), both(late), one(course{}.with(dLagElse, 1), course{}), weighed(both(course{}.with(dLagElse, 1)), 0.6), one(late.with(dLagElse, 1), course{}), both(late.with(dLagElse, 1)),
		weighed(one(cut(0.6, 0.9), course{}), 1), weighed(both(cut(0.6, 0.9)), 1), weighed(one(cut(0.12, 0.92), course{}), 1), weighed(both(cut(0.12, 0.92)), 1))
	return list
}

func (c course) scaled(by float64) course {
	for i := range c.added {
		c.added[i] *= float32(by)
	}
	for i := range c.other {
		c.other[i] *= by
	}
	for i := range c.own {
		c.own[i] *= by
	}
	return c
}

// patterns by whether the quantity is a pressure, a power or anything else.
var pressurePatterns, powerPatterns, currentPatterns = patternsOf(ingest.HydraulicPressure), patternsOf(ingest.MotorPower), patternsOf(ingest.MotorCurrent)

func patternsFor(q ingest.Quantity) []pattern {
	switch q {
	case ingest.HydraulicPressure:
		return pressurePatterns
	case ingest.MotorPower:
		return powerPatterns
	}
	return currentPatterns
}
