package main

import "math"

// points of a load along the stroke.
const points = 256

type grid = [points]float64

// along is the place of a point on the stroke.
func along(i int) float64 { return float64(i) / (points - 1) }

// at reads a grid at a place.
func at(g *grid, s float64) float64 {
	x := clamp(s, 0, 1) * (points - 1)
	i := int(x)
	if i >= points-1 {
		return g[points-1]
	}
	f := x - float64(i)
	return g[i] + f*(g[i+1]-g[i])
}

type motor int

const (
	shunt motor = iota // direct current
	series
	threePhase
	pump
)

// drive is a motor, what is behind it, and how it is switched.
type drive struct {
	kind     motor
	f0       float64 // usual force in the travel
	t0       float64 // usual time of a stroke
	clutch   float64 // force at which it slips; 0: it has none
	most     float64 // force that it can move at all
	stroke   float64 // m
	nominal  float64 // supply, in volts
	source   float64 // share of the voltage lost in source and cable at running current
	start    float64 // relay time before the motor runs
	inertia  float64
	ripple   float64 // of commutator, phases or pump, in the unit of the trace
	rippleHz float64

	// Direct current: ampere, ohm, kN an ampere, volts a stroke/s, seconds.
	running, idle, resistance, force, back, lag float64
	saturation                                  float64 // of a series motor's field, in ampere

	// Three phases: speed without slip, pull-out force, slip there; power
	// without load in W, efficiency, inrush in shares of that power.
	synchronous, pull, slipAtPull, p0, eta, inrush, inrushT float64

	// Hydraulics: flow in strokes/s, share of it lost a bar, kN a bar, bar a
	// stroke of flow, bar a stroke/s in the line, bar of the relief valve.
	flow, slip, area, stiff, line, relief float64
	mass, damping                         float64
	hold, decay                           float64 // share of the pressure that stays, seconds in which the rest goes
	overrun                               float64 // seconds that motor or pump runs on at the end
	perBar                                float64 // ampere of the pump's motor a bar
}

// newDrive draws a drive that moves a usual force f0 in a usual time t0.
func newDrive(r random, kind motor, f0, t0 float64) *drive {
	d := &drive{kind: kind, f0: f0, t0: t0, stroke: r.u(0.1, 0.22), start: r.u(0.02, 0.2), source: r.u(0.01, 0.06)}
	speed := 1 / t0
	switch kind {
	case shunt, series:
		d.nominal = pick(r, 24.0, 60, 110, 110, 136, 160)
		d.running = r.u(160, 480) / d.nominal * r.u(0.8, 1.6)
		d.idle = d.running * r.u(0.15, 0.42)
		stall := d.running * r.u(3.2, 7)
		d.wind(stall, (d.nominal*(1-d.source)-d.nominal/stall*d.running)/speed)
		d.lag = r.u(0.006, 0.025)
		d.inertia = r.u(0.03, 0.11) * d.force * d.back / d.resistance
		if kind == series {
			d.saturation = d.running * r.u(0.8, 3)
		}
		if r.p(0.75) {
			d.clutch = f0 * r.u(2.3, 3.6)
			d.most = min(d.most, d.clutch)
		}
		d.ripple, d.rippleHz = d.running*r.lu(0.004, 0.05), r.u(7, 90)
	case threePhase:
		d.nominal = pick(r, 230.0, 400, 400, 415)
		d.pull = f0 * r.u(2.8, 4.4)
		d.slipAtPull = r.u(0.34, 0.62) // rotors of much resistance, to start under load
		// slip at the usual force, from the curve of torque (Kloss)
		k := d.pull / f0
		s := d.slipAtPull * (k - math.Sqrt(k*k-1))
		d.synchronous = speed / (1 - s)
		d.eta = r.u(0.25, 0.55)
		d.p0 = r.u(0.5, 1.6) * f0 * 1000 * d.stroke * speed / d.eta
		d.inrush, d.inrushT = r.u(2, 5), r.u(0.03, 0.1)
		d.inertia = r.u(0.04, 0.12) * d.pull / d.synchronous
		d.most = d.pull * 0.9 * 2 / (d.slipAtPull + 1/d.slipAtPull) // it has to start anywhere
		if r.p(0.8) {
			d.clutch = f0 * r.u(2.2, 3.4)
			d.most = min(d.most, d.clutch)
		}
		d.ripple, d.rippleHz = d.p0*r.lu(0.004, 0.04), r.u(3, 40)
	case pump:
		d.nominal = pick(r, 110.0, 230, 400, 400)
		usual := r.u(28, 85)
		d.line = usual * r.u(0.12, 0.3) / speed
		d.area = f0 / (usual - d.line*speed)
		d.slip = r.u(0.0004, 0.0022)
		d.flow = speed / (1 - d.slip*usual)
		d.stiff = r.u(2500, 9000)
		w := 2 * math.Pi * r.u(5, 13) // blades on oil swing
		d.mass = d.area * d.stiff / (w * w)
		d.damping = d.mass * w * r.u(0.1, 0.35)
		d.relief = usual * r.u(2.2, 3.4)
		d.hold, d.decay, d.overrun = r.u(0, 0.4), r.u(0.08, 0.9), r.u(0.05, 0.7)
		d.running = r.u(1.5, 9)
		d.idle = d.running * r.u(0.3, 0.6)
		d.perBar = (d.running - d.idle) / usual
		d.inertia = r.u(0.08, 0.3) // s to run up
		d.most = d.area * d.relief * 0.93
		d.ripple, d.rippleHz = usual*r.lu(0.003, 0.03), r.u(8, 60)
	}
	return d
}

// wind sets a motor for direct current by its stall current and its back
// voltage a speed.
func (d *drive) wind(stall, back float64) {
	d.resistance = d.nominal / stall
	d.force = d.f0 / (d.running - d.idle)
	d.back = back
	d.most = d.force * (stall*0.9 - d.idle)
}

// supplyLike gives a drive for direct current the supply and the make of
// another, with currents of its own.
func (d *drive) supplyLike(m *drive) {
	d.kind, d.nominal = m.kind, m.nominal
	d.running = m.running * 0.8 * d.f0 / m.f0 * 1.1
	d.idle = d.running * m.idle / m.running
	stall := d.running * (m.nominal / m.resistance / m.running)
	d.wind(stall, (d.nominal*(1-d.source)-d.nominal/stall*d.running)*d.t0)
	d.inertia = 0.06 * d.force * d.back / d.resistance
	if d.clutch > 0 {
		d.most = min(d.most, d.clutch)
	}
	d.saturation = m.saturation * d.running / m.running
	d.ripple = d.running * m.ripple / m.running
}

// wall is a force that stops the drive even when it is running.
func (d *drive) wall() float64 { return max(d.most, d.pull, d.clutch) }
