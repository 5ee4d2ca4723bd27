package main

import "math"

// sense turns what the drives did into what their sensors make of it, in the
// drive's unit.
func (m *movement) sense() {
	t, r, f := m.t, m.r, m.f
	for i, d := range t.drives {
		tr := m.blades[i].trace
		gain, zero, noise := 1.0, 0.0, d.noise
		dead := false
		if m.is(measurement) && i == f.drive {
			dead = m.failing
			switch f.mode {
			case 0:
				gain = 1 + f.m*m.sev
			case 1:
				zero = f.m * m.sev
			case 2:
				noise *= 1 + math.Abs(f.m)*m.sev
				noise = math.Max(noise, .012*math.Abs(f.m)*m.sev)
			}
		}
		off := .3 * d.noise * r.NormFloat64()
		ph := uni(r, 0, 2*math.Pi)
		for j := range tr {
			v := tr[j]
			rip := 0.0
			if v > .05 {
				rip = d.ripple * math.Sin(2*math.Pi*d.rippleHz*float64(j)/t.rate+ph)
			}
			v = gain*(v*(1+rip)) + zero + off + noise*r.NormFloat64()
			if dead { // the reading has become useless
				v = [3]float64{.02, f.m * 3, 1.5 * r.Float64()}[f.mode] + noise*r.NormFloat64()
			}
			tr[j] = v * d.level
		}
		if m.glitch && i == 0 {
			v := pick(r, 0, 4*d.level, 9*d.level)
			j := r.IntN(len(tr))
			for q := j; q < min(len(tr), j+1+r.IntN(3)); q++ {
				tr[q] = v
			}
		}
		m.res.traces[i] = tr
	}
}

// weighEffort takes the mean of the first drive's trace from after the inrush
// until the blades lay; it is for the summary alone.
func (m *movement) weighEffort() {
	if !m.measured {
		return
	}
	tr := m.res.traces[0]
	to := int(clamp(m.res.dur*m.t.rate, 8, float64(len(tr))))
	from := min(to-1, int(.3*m.t.rate))
	sum := 0.0
	for _, v := range tr[from:to] {
		sum += v
	}
	m.res.effort = sum / float64(to-from)
}
