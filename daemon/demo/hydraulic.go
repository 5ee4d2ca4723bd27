package demo

import "math"

// hydraulic is a drive in which a motor turns a pump whose oil moves a ram.
type hydraulic struct {
	motor        motor
	displacement float64 // m³ a radian of the pump
	efficiency   float64 // mechanical, of the pump
	area         float64 // m² of the ram
	seals        float64 // N of the ram's friction
	leakage      float64 // m³/s a Pa, inside pump and valve, at referenceTemp
	pipe         float64 // Pa a m³/s, pipe and hose at referenceTemp: laminar (Hagen-Poiseuille), so ∝ viscosity
	throttle     float64 // Pa a (m³/s)², in the oil's way back: an orifice, Δp = ρ/2·(Q/(Cd·A))²; it holds blades that spring ahead
	compliance   float64 // m³/Pa of oil and hoses
	relief       float64 // Pa at which the relief valve opens
	reliefSlope  float64 // m³/s a Pa beyond it
	bleed        float64 // s in which pressure falls to 1/e once it is switched off
	relay        float64 // s from detection to the motor being off
	limit        float64 // s after which the interlocking gives up
	tail         float64 // s that are recorded after that
}

// hydraulicStep is the state of a hydraulic drive at one instant.
type hydraulicStep struct {
	motor  motorState
	p      float64 // Pa at the pump
	flow   float64 // m³/s of the pump, leakage not yet lost
	leak   float64 // m³/s
	relief float64 // m³/s through the relief valve
	x, v   float64
	load   float64
	ended  bool
}

// run throws the track: C·dp/dt = Q - leak - relief - A·v and m·dv/dt = (p - losses)·A - F,
// the pressure stepped implicitly in leak and relief.
func (d *hydraulic) run(s *stroke, h *health, a *around, rec *recorder, look func(float64, *hydraulicStep)) outcome {
	var (
		o     outcome
		st    hydraulicStep
		sig   signals
		ps    = d.motor.supply(h, a)
		sum   float64
		n     int
		limit = a.pickup + d.limit
		off   = limit
		thick = thickening(a.air, oilCold)
		leak  = d.leakage/thick + h.leak
		pipe  = d.pipe * thick
		comp  = d.compliance * (1 + 12*h.air)
		fill  = d.displacement * (1 - h.air)
		decay = math.Exp(-step / d.bleed)
	)
	o.made.begin(s)
	st.x = s.from
	if rec != nil {
		sig[millimetres] = 1000 * st.x
		rec.rest(&sig)
	}
	for t := 0.0; t < off+d.tail; t += step {
		if t < a.pickup {
			if rec != nil {
				rec.take(t, &sig)
			}
			continue
		}
		if t >= off {
			if rec == nil {
				break
			}
			st.motor, st.v, st.load = motorState{}, 0, 0
			st.p *= decay
		} else {
			ps.step(&st.motor, step)
			sum += st.motor.volts
			n++
			d.move(s, &ps, &st, leak, pipe, comp, fill)
			if !st.ended {
				if o.made.left > 0 {
					o.made.pass(s, st.x, t)
				}
				if st.x >= s.length {
					st.ended, st.v, st.load = true, 0, 0
					o.arrived = t
					o.made.stop(s, t)
					off = min(max(t, o.made.all(s))+d.relay, limit)
				}
			}
			if look != nil {
				look(t, &st)
			}
		}
		if rec != nil {
			sig[amps], sig[watts], sig[volts] = st.motor.amps, st.motor.watts, st.motor.volts
			sig[bar] = st.p * 1e-5
			sig[millimetres] = 1000 * st.x
			sig[kilonewtons] = st.load / 1000
			rec.take(t, &sig)
		}
	}
	o.off = off
	o.reached = min(st.x, s.length)
	o.completed = o.arrived > 0 && o.made.all(s) <= limit
	if n > 0 {
		o.supply = sum / float64(n)
	}
	return o
}

// move advances pump, oil and ram by one step.
func (d *hydraulic) move(s *stroke, ps *supplied, st *hydraulicStep, leak, pipe, comp, fill float64) {
	m := &st.motor
	m.omega = max(m.omega+step*(m.torque-ps.losses(m.omega)-d.displacement*st.p/d.efficiency)/ps.m.inertia, 0)
	st.flow = fill * m.omega

	in, g := st.flow-d.area*st.v, leak
	if st.p > d.relief {
		in += d.reliefSlope * d.relief
		g += d.reliefSlope
	}
	c := step / comp
	st.p = max((st.p+c*in)/(1+c*g), 0)
	st.leak = leak * st.p
	st.relief = max(st.p-d.relief, 0) * d.reliefSlope
	if st.ended {
		return
	}
	st.load = s.load(st.x, st.v) + d.seals
	// Losses of pipe and throttle are taken at the new speed, so that they damp
	// whatever the step.
	damp := 1 + step*d.area*d.area*(pipe+d.throttle*d.area*st.v)/s.mass
	st.v = max((st.v+step*(st.p*d.area-st.load)/s.mass)/damp, 0)
	st.x += step * st.v
}
