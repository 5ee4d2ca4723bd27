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

// pattern is what a cause leaves in all dimensions, relative to its amount.
// Cells and all that goes with the effort are changes in all, not beyond the
// travel's.
type pattern struct {
	cause CauseName
	prior float64
	// here is what is shown to the end that the cause belongs to, there what to
	// the other; sided: which end that is must be found.
	here, there shown
	sided       bool
	falls       bool // what is shown may as well be a fall
	whole       bool // every drive of the turnout shows it
	scales      bool // the cells go as much as they are high: the trace as a whole is multiplied
}

// asEver stands for what a dimension does with the travel's change as a rule.
var asEver = math.Inf(1)

// effort fills unlocking, cells and locking; x goes from 0 to 1 along the travel.
func (s shown) effort(unlock, lock float64, f func(x float64) float64) shown {
	s[sUnlock], s[sLock] = unlock, lock
	sum := 0.0
	for i := range cells {
		s[sCell+i] = f((float64(i) + 0.5) / cells)
		sum += s[sCell+i]
	}
	s[sTravel] = sum / cells
	return s
}

func (s shown) with(dim int, v float64) shown { s[dim] = v; return s }

func even(x float64) func(float64) float64 { return func(float64) float64 { return x } }

func hump(at, wide, base float64) func(float64) float64 {
	return func(x float64) float64 { z := (x - at) / wide; return base + math.Exp(-z*z/2) }
}

func ramp(from, over float64) func(float64) float64 {
	return func(x float64) float64 { return min(max((x-from)/over, 0), 1) }
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
	both := func(s shown) pattern { return pattern{here: s, there: s} }
	one := func(here, there shown) pattern { return pattern{here: here, there: there, sided: true} }

	// Friction along the whole way, more or less so towards one end.
	var dry []pattern
	for _, tilt := range []float64{-0.4, 0, 0.4} {
		for _, ends := range []float64{0.3, 0.65, 1} {
			for _, time := range []float64{0.03, 0.1, 0.2} {
				p := both(shown{sDuration: time}.effort(ends, ends, func(x float64) float64 { return 1 + tilt*(2*x-1) }))
				p.whole, p.prior = tilt == 0, 1
				if tilt == 0 {
					p.prior = 4
				}
				dry = append(dry, p)
			}
		}
	}
	// What lubrication and weather did to the parts until now, friction does again.
	for _, time := range []float64{0.03, 0.1, 0.2} {
		p := both(shown{sDuration: time}.effort(asEver, asEver, even(asEver)).with(sTravel, 1))
		p.whole, p.prior = true, 6
		dry = append(dry, p)
	}
	add(DrySlideChairs, 0.14, dry...)

	// A heavy place that both movements meet, at mirrored parts of their way.
	var roller []pattern
	for i := range cells {
		at := (float64(i) + 0.5) / cells
		for _, wide := range []float64{0.05, 0.1, 0.2} {
			for _, base := range []float64{0.05, 0.35} {
				a := shown{sDuration: (0.05 + 0.1*base) * slow}.effort(0.5*base, 0.5*base, hump(at, wide, base))
				b := shown{sDuration: (0.05 + 0.1*base) * slow}.effort(0.5*base, 0.5*base, hump(1-at, wide, base))
				p := pattern{here: a, there: b, prior: 1}
				if i == 0 || i == cells-1 {
					p.prior = 0.2 // the lock works there, no roller stands
				}
				roller = append(roller, p)
			}
		}
	}
	add(SeizedRoller, 0.11, roller...)

	// Something met on the way to one end, the more the nearer to closing.
	var stone []pattern
	for _, at := range []float64{0.45, 0.55, 0.65, 0.75, 0.83, 0.9} {
		for _, wide := range []float64{0.05, 0.12} {
			stone = append(stone, one(shown{sDuration: 0.1 * slow}.effort(0, 0, hump(at, wide, 0)), shown{}))
		}
		stone = append(stone, one(shown{sDuration: 0.12 * slow}.effort(0, 0.5, ramp(at-0.05, 0.1)), shown{}))
	}
	add(Obstruction, 0.11, stone...)

	// The lock goes in hard at one end, already as the blades come near, and is
	// drawn hard from there.
	lock := func(lock, near, unlock, off, other float64) pattern {
		here := shown{sDuration: 0.08 * slow}.effort(0, lock, func(x float64) float64 { return near * hump(1, 0.07, 0)(x) })
		there := shown{}.effort(unlock, other, func(x float64) float64 { return off * hump(0, 0.07, 0)(x) })
		return one(here, there)
	}
	add(LockAdjustment, 0.12,
		lock(1, 0.1, 0, 0, 0), lock(1, 0.6, 0, 0, 0), lock(0.4, 1, 0, 0, 0), lock(0, 1, 0, 0, 0), lock(1, 0.3, 0.5, 0, 0), lock(1, 0.3, 0, 0, 0.4),
		lock(0.4, 1, 0.6, 0, 0), lock(0.4, 1, 0.6, 0.6, 0), lock(0, 1, 0.4, 0.8, 0), lock(0.4, 0.6, 1, 0.2, 0), lock(0, 0, 1, 0.1, 0), lock(1, 0.2, 0, 0, 1))

	// The rear part drags: from where its drive takes hold, or it takes its time.
	var back []pattern
	for _, from := range []float64{0.35, 0.5, 0.65} {
		s := shown{sDuration: 0.2 * slow, dLagElse: 0.1}.effort(0, 0.7, ramp(from, 0.15))
		back = append(back, both(s), one(s, scaled(s, 0.4)))
	}
	back = append(back, both(shown{sDuration: 0.5, dLagElse: 1}.effort(0, 0.2, even(0))), both(shown{dLagElse: 1}))
	add(BackDrive, 0.1, back...)

	// The drive gives less: slower, rougher, and its start is weaker.
	switch {
	case hydraulic:
		add(MotorWear, 0.09,
			both(shown{sDuration: 1, sRipple: 3}), both(shown{sDuration: 1, sRipple: 1, sInrush: -0.2}), both(shown{sRipple: 3, sDuration: 0.3}))
	default:
		add(MotorWear, 0.1,
			both(shown{sDuration: 1, sInrush: -0.5, sRipple: 2}.effort(0.2, 0.2, even(0.2))),
			both(shown{sDuration: 1, sInrush: -0.2, sRipple: 3}.effort(0.5, 0.5, even(0.5))),
			both(shown{sDuration: 0.5, sInrush: 0, sRipple: 1}.effort(0.6, 0.6, even(0.6))),
			both(shown{sDuration: 0.3, sRipple: 3}))
	}

	// Less voltage: slower from the first moment. Power falls with it, current does not.
	volts := func(inrush, effort float64) pattern {
		p := both(shown{sDuration: 1, sInrush: inrush, dSag: 0.8}.effort(effort, effort, even(effort)))
		p.whole, p.scales = true, true
		return p
	}
	// A three-phase motor keeps its speed: what falls is its inrush, or what is told of the supply.
	firm := both(shown{sInrush: -1, sDuration: 0.06, dSag: 0.5}.effort(-0.1, -0.3, even(-0.05)))
	told := both(shown{dSag: 1, sDuration: 0.1})
	firm.whole, told.whole = true, true
	switch {
	case hydraulic:
		add(SupplyVoltageCause, 0.09, volts(-0.2, 0), volts(0, 0), told)
	case q == ingest.MotorPower:
		add(SupplyVoltageCause, 0.1, volts(-1.2, -0.5), volts(-1, -0.2), volts(-2.5, -1.5), firm, told)
	default:
		add(SupplyVoltageCause, 0.1, volts(-0.9, 0), volts(-0.5, 0), volts(-2, 0), firm, told)
	}

	// Oil lost on the way, in the pump or from a hose: slower with the pressure as
	// ever, or a little less where it stands still.
	if hydraulic {
		leak := func(level, lock float64) pattern {
			return both(shown{sDuration: 1, sInrush: level}.effort(level, lock, even(level)))
		}
		add(HydraulicLeak, 0.16, leak(-0.05, -0.1), leak(-0.05, -0.6), leak(-0.15, -0.15), leak(-0.1, -1.5))
	}

	// The sensor: its gain moves all alike, its zero moves the zero, its noise
	// the ripple; the time stays.
	gain := both(shown{sInrush: 1}.effort(1, 1, even(1)))
	zero := both(shown{sIdle: 1, sInrush: 0.3}.effort(0.8, 0.7, even(1)))
	loose := both(shown{sInrush: -1, sRipple: 3}.effort(-1, -1, even(-1)))
	gain.falls, zero.falls = true, true
	gain.scales, loose.scales = true, true
	gain.prior, zero.prior, loose.prior = 3, 4, 2
	add(MeasurementCause, 0.1, gain, zero, loose)
	add(MeasurementCause, 0.05, both(shown{sRipple: 3}))

	// The blades are there, the proof is not; where the proof ends the throw, the
	// drive works against its end until then.
	late := shown{dLag: 1}
	cut := shown{sDuration: 0.6}.effort(0, 1, hump(1, 0.05, 0)).with(sTravel, 0).scaleCells(0.3)
	add(DetectionAdjustment, 0.11,
		one(late, shown{}), both(late), one(shown{dLagElse: 1}, shown{}), one(shown{dLag: 1, dLagElse: 1}, shown{}), one(cut, shown{}), both(cut))
	return list
}

func (s shown) scaleCells(by float64) shown {
	sum := 0.0
	for i := range cells {
		s[sCell+i] *= by
		sum += s[sCell+i]
	}
	s[sTravel] = sum / cells
	return s
}

func scaled(s shown, by float64) shown {
	for i := range s {
		s[i] *= by
	}
	return s
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
