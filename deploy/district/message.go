package main

import (
	"fmt"
	"math"
	"strconv"
)

// record sends a throw: most a moment after its end, some much later or twice,
// none while the cabinet is off.
func (s *life) record(h *throw) {
	r, c := s.r, s.cab
	if inside(c.off, h.t) != nil {
		s.tally.lost++
		return
	}
	s.n++
	b := s.head(make([]byte, 0, 2048), h)
	b = append(b, `,"channels":[`...)
	vib := vibration{}
	if r.p(s.train) {
		vib.size = r.u(0.4, 2)
	}
	vib.hz, vib.at = r.u(4, 30), r.u(-1, 4)
	for i := range s.channels {
		if i > 0 {
			b = append(b, ',')
		}
		b = s.trace(b, h, i, vib)
	}
	b = append(b, ']')
	lasted := float64(len(s.course.place)) * dt
	arrives := h.t + (lasted+r.lu(0.2, 4))/86400
	held := inside(c.held, h.t)
	if held != nil {
		if !c.spools {
			s.tally.lost++
			return
		}
		arrives = held.to + (r.u(1, 8)+(h.t-held.from)*60)/86400 // the spool is sent a day in a minute
	} else if r.p(0.002) {
		arrives += r.lu(0.005, 1.1)
	}
	l := &line{at: arrives, t: h.t, cab: c, throw: true, body: b}
	s.out = append(s.out, l)
	if r.p(0.003) || held != nil && r.p(0.05) {
		s.out = append(s.out, &line{at: arrives + r.lu(0.00002, 0.6), t: h.t, cab: c, throw: true, copyOf: l})
	}
}

// head is a throw's message before its channels.
func (s *life) head(b []byte, h *throw) []byte {
	r, c := s.r, s.cab
	num := func(k string, v float64) { b = strconv.AppendFloat(append(b, k...), v, 'f', -1, 64) }
	b = append(b, `"throw":{`...)
	if c.ids {
		b = fmt.Appendf(b, `"throw_id":"%s/%06d",`, s.name, s.n)
	}
	b = fmt.Appendf(b, `"turnout":%q,"to":%q,"started_at":%q,"completed":%t`, s.name, [2]string{"normal", "reverse"}[h.end],
		day(s.start, h.t+c.clock(h.t)/86400).Format("2006-01-02T15:04:05.000Z"), h.done)
	if s.sendDetections {
		b = append(b, `,"detections":[`...)
		first := true
		detection := func(place string, x float64) {
			if math.IsNaN(x) {
				return
			}
			if !first {
				b = append(b, ',')
			}
			first = false
			b = append(b, `{"place":"`+place...)
			num(`","after_s":`, math.Round(x*100)/100)
			b = append(b, '}')
		}
		detection("toe", h.toe)
		if s.place != "" {
			detection(s.place, h.atBack)
		}
		b = append(b, ']')
	}
	if c.hasTemp {
		num(`,"rail_temperature_c":`, math.Round((h.rail+c.tempBias+r.n(0, 0.3))*10)/10)
	}
	if c.hasSupply {
		num(`,"supply_v":`, math.Round(s.loaded(h)*(1+r.n(0, 0.002))*10)/10)
	}
	return b
}

// loaded is the supply under load, as the cabinet sees it at the drive, in volts.
func (s *life) loaded(h *throw) float64 {
	m, k := 0.0, 0
	for i, v := range s.course.volts {
		if x := float64(i) * dt; x > 0.4 && (x < orZero(s.course.off) || k == 0) {
			m += v
			k++
		}
	}
	if k == 0 {
		return h.volts * s.main.nominal
	}
	return m / float64(k)
}

// vibration is a train that passes while the turnout is thrown.
type vibration struct{ size, hz, at float64 }

// trace writes what one channel measures of a throw.
func (s *life) trace(b []byte, h *throw, which int, vib vibration) []byte {
	t, r, ch := s.turnout, s.r, &s.channels[which]
	course := &s.course
	if ch.back {
		course = &s.courseBack
	}
	num := func(k string, v float64, format byte) { b = strconv.AppendFloat(append(b, k...), v, format, -1, 64) }
	b = fmt.Appendf(b, `{"drive":"%s","quantity":"%s","unit":"%s"`, ch.drive, ch.quantity, ch.unit)
	num(`,"sample_rate_hz":`, t.rate, 'f')
	if t.pre != 0 {
		num(`,"offset_s":`, t.pre, 'f')
	}
	if ch.integers {
		num(`,"scale":`, ch.scale, 'g')
		if ch.offset != 0 {
			num(`,"zero":`, ch.offset, 'g')
		}
	}
	b = append(b, `,"samples":[`...)

	src := ch.of(course)
	unit := 1.0
	switch {
	case ch.quantity == "displacement":
		unit = t.blade
	case ch.unit == "kPa":
		unit = 100
	case ch.signed && h.end == 1:
		unit = -1
	}
	gain, zero, noise := ch.gain, ch.zero+ch.zeroHeat*(h.rail-12), ch.noise
	n := min(int((float64(len(src))*dt-t.pre)*t.rate), int(7.9*t.rate))
	if which == 0 { // the sensor that faults are about
		gain *= h.gain
		if h.zero != 0 {
			zero += h.zero * s.main.reading(ch)
		}
		noise *= 1 + h.noisy
	}
	y, hum := 0.0, r.u(0, 6.28)
	keep := 1 - math.Exp(-dt/ch.lag)
	next, fresh := 0, false // of src; y holds a value
	dropFrom, dropTo := -1, -1
	if h.drops && which == 0 {
		dropFrom = r.IntN(n)
		dropTo = dropFrom + 1 + r.IntN(n/3+1)
	}
	for i := range n {
		at := t.pre + float64(i)/t.rate*(1+t.skew)
		if t.jitter > 0 {
			at += t.jitter * r.NormFloat64()
		}
		for last := min(int(at/dt), len(src)-1); next <= last; next++ {
			v := src[next]
			if ch.quantity == "displacement" {
				v = onChairs(h.end, t.blades(h.end, v))
			}
			if !fresh {
				y, fresh = v, true
			}
			y += keep * (v - y)
		}
		if !fresh { // before the command
			switch ch.quantity {
			case "displacement":
				y = float64(h.end)
			case "supply_voltage":
				y = src[0]
			}
		}
		v := y*unit*gain + zero + noise*r.NormFloat64()
		if ch.hum > 0 {
			v += ch.hum * math.Sin(2*math.Pi*ch.humHz*at+hum)
		}
		if vib.size > 0 {
			v += ch.shake * vib.size * bell(at, vib.at, 1.2) * (math.Sin(6.28*vib.hz*at) + 0.5*r.NormFloat64())
		}
		if i >= dropFrom && i < dropTo {
			v = zero + noise*0.1*r.NormFloat64()
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = ch.append(b, v)
	}
	return append(b, `]}`...)
}

// append writes a sample within the sensor's range, in its steps.
func (c *channel) append(b []byte, v float64) []byte {
	switch c.quantity {
	case "motor_current", "motor_power", "hydraulic_pressure":
		most := c.top
		if c.unit == "kPa" {
			most = max(most, 100)
		}
		v = clamp(v, -0.05*most, most)
	}
	if c.integers {
		return strconv.AppendInt(b, int64(math.Round((v-c.offset)/c.scale)), 10)
	}
	q := math.Round(v/c.step) * c.step
	if math.Abs(q) < c.step/2 {
		q = 0 // never -0
	}
	return strconv.AppendFloat(b, q, 'f', c.decimals, 64)
}

// reading is a usual one of a channel, in its unit, against which a wandering
// zero is drawn.
func (d *drive) reading(c *channel) float64 {
	switch c.quantity {
	case "motor_current":
		return d.running
	case "motor_power":
		return d.p0
	case "hydraulic_pressure":
		p := d.f0 / d.area
		if c.unit == "kPa" {
			p *= 100
		}
		return p
	}
	return d.f0
}
