package main

import "math"

// channel is one sensor: what it measures, and how badly.
type channel struct {
	drive, quantity, unit string
	back                  bool
	gain, zero, zeroHeat  float64 // true ones are 1, 0, 0; zeroHeat a kelvin
	noise, hum, humHz     float64
	shake                 float64 // while a train passes
	lag                   float64 // s
	top                   float64 // of the range
	integers              bool
	scale, offset         float64 // of integers
	step                  float64 // of the reading
	decimals              int
	signed                bool // negative towards reverse
}

// measure draws the channels. With a pin, only the force is measured.
func (t *turnout) measure(r random, pin bool) {
	add := func(quantity, unit string, back bool, usual, top float64) {
		t.channels = append(t.channels, newChannel(r, quantity, unit, back, usual, top))
	}
	of := func(d *drive, back bool) {
		switch d.kind {
		case shunt, series:
			add("motor_current", "A", back, d.running, d.nominal/d.resistance)
			if r.p(0.08) && !back {
				add("supply_voltage", "V", back, d.nominal*0.3, d.nominal*1.2)
			}
		case threePhase:
			add("motor_power", "W", back, d.p0+d.f0*1000*d.stroke*d.synchronous/d.eta, 6*d.p0)
			if r.p(0.12) && !back {
				add("motor_current", "A", back, 3*d.p0/d.nominal/1.7, 10*d.p0/d.nominal)
			}
		case pump:
			p := d.f0/d.area + d.line/d.t0
			if r.p(0.2) {
				add("hydraulic_pressure", "kPa", back, p*100, d.relief*130)
			} else {
				add("hydraulic_pressure", "bar", back, p, d.relief*1.3)
			}
			if r.p(0.4) && !back {
				add("motor_current", "A", back, d.running, d.running*6)
			}
		}
	}
	if pin {
		add("drive_force", "kN", false, t.main.f0, t.main.most*1.4)
	} else {
		of(t.main, false)
		if r.p(0.1) {
			add("drive_force", "kN", false, t.main.f0, t.main.most*1.4)
		}
	}
	if r.p(0.18) {
		add("displacement", "mm", false, 40, 400)
	}
	if t.back != nil {
		of(t.back, true)
	}
}

func newChannel(r random, quantity, unit string, back bool, usual, top float64) channel {
	c := channel{drive: "main", quantity: quantity, unit: unit, back: back, gain: r.n(1, 0.02), zero: r.n(0, 0.012) * usual, zeroHeat: r.n(0, 0.0004) * usual}
	if back {
		c.drive = "back"
	}
	c.noise = usual * r.lu(0.002, 0.022)
	c.lag = r.lu(0.003, 0.03)
	c.top = top * r.u(0.7, 1.6)
	step := usual * r.lu(0.003, 0.022)
	if r.p(0.35) {
		c.hum, c.humHz = usual*r.lu(0.003, 0.025), pick(r, 50.0, 50, 100, 16.7)
	}
	if r.p(0.5) {
		c.integers = true
		c.scale = roundTo(min(c.top/float64(pick(r, 255, 511, 1023, 1023, 2047)), usual*0.02), 4)
		if r.p(0.3) {
			c.offset = -roundTo(usual*r.u(0.1, 0.6), 3)
		}
	} else {
		for _, x := range []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20} {
			if c.step == 0 || x <= step*1.3 {
				c.step = x
			}
		}
		if c.step < 0.1 {
			c.decimals = 2
		} else if c.step < 1 {
			c.decimals = 1
		}
	}
	c.shake = usual * r.lu(0.002, 0.03)
	if quantity == "drive_force" || quantity == "displacement" {
		c.shake *= 4
	}
	if quantity == "drive_force" {
		c.signed = r.p(0.3)
	}
	return c
}

// roundTo keeps so many digits of x.
func roundTo(x float64, digits int) float64 {
	k := math.Pow(10, float64(digits)-math.Ceil(math.Log10(math.Abs(x))))
	return math.Round(x*k) / k
}

// of is what a channel would read of a throw if it measured well: in its unit,
// but bar, and places along the stroke.
func (c *channel) of(s *course) []float64 {
	switch c.quantity {
	case "motor_current":
		return s.current
	case "motor_power":
		return s.power
	case "hydraulic_pressure":
		return s.pressure
	case "drive_force":
		return s.force
	case "displacement":
		return s.place
	}
	return s.volts
}
