package demo

import "math"

// sliding is how sliding friction falls from standstill to motion: the curve
// of Stribeck in the rational form of Hess & Soom (1990, Journal of Tribology
// 112), with which no exponential is needed in the inner loop:
//
//	μ(v)/μ(0) = kinetic + (1 - kinetic) / (1 + (v/speed)²)
//
// The viscous part grows with v and is kept apart, see [cell].
type sliding struct {
	kinetic float64 // friction at speed as a share of that at standstill, 0 to 1
	speed   float64 // m/s of the toe at which half of the difference is gone
}

// share returns μ(v)/μ(0).
func (s sliding) share(v float64) float64 {
	q := v / s.speed
	return s.kinetic + (1-s.kinetic)/(1+q*q)
}

// Coefficients of friction of a slide chair (common practice, no source): dry
// or rusty .25-.5, greased .10-.20, on rollers .02-.08.
const (
	dryFriction   = 0.50
	greaseCold    = 22.0 // K over which a grease's apparent viscosity changes by e; common practice 15-30
	oilCold       = 24.0 // K, likewise for a low-temperature hydraulic oil
	copperPerK    = 0.00393
	referenceTemp = 15.0 // °C at which the yard's parameters hold
)

// thickening is the viscosity at temperature c as a multiple of that at
// [referenceTemp]: exponential over the kelvin given (Reynolds' law, an
// approximation that holds over some tens of kelvin).
func thickening(c, kelvin float64) float64 {
	return math.Exp((referenceTemp - c) / kelvin)
}

// smooth rises from 0 at a to 1 at b without a kink.
func smooth(a, b, x float64) float64 {
	u := min(max((x-a)/(b-a), 0), 1)
	return u * u * (3 - 2*u)
}

// hump is a half sine of height 1 between a and b, 0 outside.
func hump(a, b, x float64) float64 {
	if x <= a || x >= b {
		return 0
	}
	return math.Sin(math.Pi * (x - a) / (b - a))
}
