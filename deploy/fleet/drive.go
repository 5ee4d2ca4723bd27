package main

import (
	"math"
	"math/rand/v2"
)

// Kinds of drive.
const (
	dc = iota // speed follows the voltage, current follows the load
	ac        // induction motor: power follows the load, speed slips with load over voltage squared
	hy        // pump: pressure follows the load, time follows the flow
)

// drive is one motor or cylinder, and the sensor that watches it.
type drive struct {
	name           string
	kind           int
	quantity, unit string
	level          float64 // the reading at the usual running load, in unit

	t0         float64 // usual time of the stroke, in seconds
	startDelay float64 // how much later than the first drive it starts, in seconds
	idle       float64 // share of the reading without load
	slope      float64 // share of the speed lost at the usual load
	lmax       float64 // load at which the clutch slips or the relief valve opens
	peak, tau  float64 // inrush: height in levels, decay in seconds

	phi             float64         // share of the travel's load that is friction on the chairs
	u, l            float64         // ends of the stroke that unlock and lock, as shares of it
	unlockA, lockA  [2]float64      // load of unlocking and locking, by end
	shape, spring   [2][257]float64 // chairs' friction and blades' spring along the stroke, by end
	noise, ripple   float64         // in levels
	rippleHz        float64
	step            float64 // of the reading, in unit
	decimals        int     // of a sample; below 0: integers with a scale
	zero            float64 // of integers, in unit
	tailDecay       float64 // pumps only, seconds: the pressure goes
	build, deadTime float64 // pumps only, seconds: the pressure comes; the pump runs on at the end
}

func newDrive(r *rand.Rand, name string, kind int) *drive {
	d := &drive{name: name, kind: kind, t0: math.Exp(uni(r, math.Log(1.9), math.Log(6.8)))}
	d.phi, d.u, d.l = uni(r, .45, .8), uni(r, .07, .16), uni(r, .08, .17)
	switch kind {
	case dc:
		d.quantity, d.unit, d.level = "motor_current", "A", uni(r, 1.2, 5)
		d.idle, d.slope, d.lmax, d.peak, d.tau = uni(r, .15, .4), uni(r, .06, .2), uni(r, 2.4, 3.8), uni(r, 3, 8), uni(r, .025, .07)
		if chance(r, .3) {
			d.quantity, d.unit, d.level = "motor_power", "W", d.level*uni(r, 105, 155)
		}
	case ac:
		d.quantity, d.unit, d.level = "motor_power", "W", uni(r, 250, 1100)
		d.idle, d.slope, d.lmax, d.peak, d.tau = uni(r, .25, .5), uni(r, .08, .16), uni(r, 2.6, 4), uni(r, 2, 4.5), uni(r, .04, .1)
	case hy:
		d.quantity, d.unit, d.level = "hydraulic_pressure", "bar", uni(r, 20, 60)
		d.idle, d.slope, d.peak, d.tau = uni(r, .2, .4), uni(r, .04, .1), uni(r, 1, 1.6), uni(r, .03, .08)
		relief := math.Max(uni(r, 80, 140), 2.1*d.level)
		d.lmax = (relief/d.level - d.idle) / (1 - d.idle)
		d.build, d.tailDecay, d.deadTime = uni(r, .04, .2), uni(r, .1, .9), uni(r, .08, .35)
	}
	a, b := uni(r, .2, .9), uni(r, .2, .9)
	for k := range 2 {
		d.unlockA[k], d.lockA[k] = a*uni(r, .85, 1.15), b*uni(r, .85, 1.15)
	}
	d.layChairs(r)
	d.noise, d.rippleHz = math.Exp(uni(r, math.Log(.004), math.Log(.03))), uni(r, 2, 40)
	d.ripple = uni(r, 0, .03)
	q := math.Pow(10, math.Floor(math.Log10(d.level/uni(r, 50, 500)))) // a round step
	d.step = q * pick(r, 1., 2., 5.)
	d.decimals = int(math.Max(0, math.Round(-math.Log10(q))))
	if chance(r, .5) {
		d.step, d.decimals = math.Round(d.level*10/pick(r, 60., 200., 600.)*1e5/4)/1e5, -1
		if chance(r, .3) {
			d.zero = -d.step * float64(r.IntN(200))
		}
	}
	return d
}

// layChairs draws friction and spring along the stroke. Towards the other end
// the same chairs are met the other way round, with some difference.
func (d *drive) layChairs(r *rand.Rand) {
	var amp, ph [6]float64
	for i := range amp {
		amp[i], ph[i] = uni(r, 0, .22)/math.Sqrt(float64(i+1)), uni(r, 0, 2*math.Pi)
	}
	slope, bend := uni(r, -.5, .5), uni(r, .1, .9)
	for k := range 2 {
		var dph [6]float64
		for i := range dph {
			dph[i] = .3 * r.NormFloat64()
		}
		for i := range d.shape[k] {
			x := float64(i) / 256
			y := x
			if k == 1 {
				y = 1 - x
			}
			v := 1 + slope*(y-.5)
			for j := range amp {
				v += amp[j] * math.Sin(2*math.Pi*float64(j+1)*y*1.3+ph[j]+dph[j])
			}
			d.shape[k][i] = math.Max(.3, v)
			d.spring[k][i] = 1 + bend*(2*x-1)
			if k == 1 {
				d.spring[k][i] = 1 - .6*bend*(2*x-1)
			}
		}
	}
}
