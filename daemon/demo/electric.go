package demo

// electric is a drive in which a motor works a rod through a gear and a
// friction clutch.
type electric struct {
	motor      motor
	ratio      float64 // m of the rod a radian of the motor
	efficiency float64 // of gear and screw, towards the rod
	clutch     float64 // N·m at the motor at which the clutch slips
	slipping   float64 // its torque when it slips, as a share
	inner      bool    // a contact in the drive switches off at the end of the stroke; else detection does
	relay      float64 // s from that contact, or detection, to the motor being off
	limit      float64 // s after which the interlocking gives up
	tail       float64 // s that are recorded after that
}

// watch is told of every step of a throw; tests look into the physics with it.
type watch func(t float64, s *electricStep)

// electricStep is the state of an electric drive at one instant.
type electricStep struct {
	motor    motorState
	x, v     float64 // m, m/s of the rod
	load     float64 // N
	clutch   float64 // N·m through the clutch
	slipping bool
	ended    bool // the rod stands at its end
}

// run throws the track. Motor and rod are two masses, joined while the clutch
// holds: (J + mρ²)·dω/dt = T - Tloss - Fρ/η; when it slips, each goes its own way.
// Euler's semi-implicit rule, see [step].
func (d *electric) run(s *stroke, h *health, a *around, rec *recorder, look watch) outcome {
	var (
		o     outcome
		st    electricStep
		sig   signals
		ps    = d.motor.supply(h, a)
		m     = &d.motor
		sum   float64
		n     int
		inv   = 1 / (m.inertia + s.mass*d.ratio*d.ratio)
		limit = a.pickup + d.limit
		off   = limit
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
			// Switched off: the current ends at once, the gear is self-locking.
			st.motor, st.v, st.load = motorState{}, 0, 0
			if rec == nil {
				break
			}
		} else {
			ps.step(&st.motor, step)
			sum += st.motor.volts
			n++
			d.move(s, &ps, &st, inv)
			if !st.ended {
				if o.made.left > 0 {
					o.made.pass(s, st.x, t)
				}
				if st.x >= s.length {
					st.ended, st.v = true, 0
					o.arrived = t
					o.made.stop(s, t)
					if d.inner {
						off = min(t+d.relay, limit)
					} else {
						off = min(max(t, o.made.all(s))+d.relay, limit)
					}
				}
			}
			if look != nil {
				look(t, &st)
			}
		}
		if rec != nil {
			sig[amps], sig[watts], sig[volts] = st.motor.amps, st.motor.watts, st.motor.volts
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

// move advances rotor and rod by one step. inv is 1/(J + mρ²).
func (d *electric) move(s *stroke, ps *supplied, st *electricStep, inv float64) {
	m := &d.motor
	net := st.motor.torque - ps.losses(st.motor.omega)
	st.load = 0
	if !st.ended {
		st.load = s.load(st.x, st.v)
	}
	if !st.slipping {
		back := st.load * d.ratio
		if back > 0 {
			back /= d.efficiency
		} else {
			back *= d.efficiency
		}
		alpha := (net - back) * inv
		st.clutch = net - m.inertia*alpha
		if st.motor.omega <= 0 && alpha < 0 {
			alpha, st.clutch = 0, net // it stands, and the gear holds what pushes
		}
		if st.ended || st.clutch > d.clutch {
			st.slipping = true
		} else {
			st.motor.omega = max(st.motor.omega+step*alpha, 0)
			st.v = st.motor.omega * d.ratio
			st.x += step * st.v
			return
		}
	}
	st.clutch = d.clutch * d.slipping
	st.motor.omega = max(st.motor.omega+step*(net-st.clutch)/m.inertia, 0)
	if st.ended {
		return
	}
	st.v = max(st.v+step*(st.clutch*d.efficiency/d.ratio-st.load)/s.mass, 0)
	st.x += step * st.v
	if w := st.v / d.ratio; w >= st.motor.omega {
		st.slipping, st.motor.omega = false, w
	}
}
