package demo

import (
	"math"
	"math/rand/v2"

	"throwline/ingest"
)

// young is the elastic modulus of rail steel in Pa (EN 13674-1 steels, memory: 210 GPa).
const young = 210e9

// calm is a throw at reference weather.
func calm(to ingest.End) around {
	return around{to: to, rail: referenceTemp, air: referenceTemp, friction: 1.1, thick: 1, rest: 1, unlock: 1, source: 1, pickup: 0.05}
}

// drawPlant draws a turnout. What is drawn is design: the load first, then a
// drive that fits it with the margin that a designer would give.
func drawPlant(rng *rand.Rand, name string, cabinet int, hydraulicDrive bool) *plant {
	for {
		p := &plant{name: name, cabinet: cabinet}
		p.drawTrack(rng)
		if hydraulicDrive {
			p.drawHydraulic(rng)
		} else {
			p.electric = drawElectric(rng, &p.track, between(rng, 1.9, 5.5))
			if p.track.detectors > 1 && p.track.back == nil {
				p.drawOwnBack(rng)
			}
		}
		if p.fitSensors(rng) {
			return p
		}
	}
}

func (p *plant) drawTrack(rng *rand.Rand) {
	t := &p.track
	t.length = between(rng, 6.5, 16)
	t.opening = between(rng, 0.100, 0.165)
	t.unlocking = between(rng, 0.030, 0.065)
	t.locking = between(rng, 0.020, 0.050)
	p.rails.perMetre = between(rng, 50, 72)
	p.rails.spacing = between(rng, 0.55, 0.70)
	for range int(t.length / p.rails.spacing) {
		p.rails.uneven = append(p.rails.uneven, between(rng, 0.7, 1.7))
	}
	// Second moment of area about the upright axis: 300 to 750 cm⁴ for switch
	// rails (memory). The rail is thinner and bends easier towards the toe.
	i := between(rng, 2.5e-6, 6.5e-6)
	flexible := max(t.length*between(rng, 0.75, 0.95), 6)
	t.stiffness = 2 * 3 * young * i / (flexible * flexible * flexible)
	t.neutral = between(rng, 0.35, 0.65)
	t.mass = 2*33.0/140*p.rails.perMetre*t.length + between(rng, 40, 90)
	t.sliding = sliding{kinetic: between(rng, 0.65, 0.85), speed: logBetween(rng, 0.004, 0.02)}
	t.friction = between(rng, 0.12, 0.20)
	t.ageing = between(rng, 0.03, 0.22)
	t.wetEase = between(rng, 0.02, 0.20)
	t.greaseK = between(rng, 18, 32)
	t.contact = between(rng, 4e5, 9e5)
	t.wedge, t.draw = between(rng, 0.25, 0.6), between(rng, 0.3, 0.7)
	t.lockRub = between(rng, 120, 380)
	t.viscous = between(rng, 300, 2200)
	for k := range 2 {
		t.tight[k] = between(rng, 0.0004, 0.0013)
		t.closeUp[k] = between(rng, 0, 350)
		t.toeMakes[k] = between(rng, 0.5, 0.88)
		t.backMakes[k] = between(rng, 0.4, 0.85)
	}
	if rng.Float64() < 0.5 {
		t.rolling = between(rng, 0.02, 0.07)
		p.rails.rollers = []float64{between(rng, 0.9, 0.96)}
		for range rng.IntN(3) {
			p.rails.rollers = append(p.rails.rollers, between(rng, 0.4, 0.82))
		}
		p.rails.seized = rng.IntN(len(p.rails.rollers))
	}
	from := between(rng, 0.45, 0.75)
	p.rails.patch = [2]float64{from, from + between(rng, 0.15, 0.3)}
	t.lay(p.rails)
	t.detectors = 1
	if t.length > 9 && rng.Float64() < 0.65 {
		t.detectors = 2
		if rng.Float64() < 0.6 {
			t.back = &backRod{
				slack: between(rng, 0.001, 0.005), friction: between(rng, 120, 450),
				spring: t.stiffness * between(rng, 0.1, 0.4), allowed: between(rng, 0.006, 0.015),
			}
		}
	}
	p.creep = between(rng, 0.2, 0.9)
	p.rate = pick(rng, 25.0, 40, 50, 50, 50, 100)
	p.lag = between(rng, 0.004, 0.03)
	p.lead = round(max(between(rng, -0.06, 0.5), -0.02), 0.005)
	p.tells = tells{rail: rng.Float64() < 0.6, supply: rng.Float64() < 0.5, detections: rng.Float64() < 0.7, id: rng.Float64() < 0.6}
}

// loads returns mean and highest load in N over the whole stroke at speed v
// (m/s), the worse of both ends, at reference weather.
func (t *track) loads(v float64) (mean, peak float64) {
	var s stroke
	h := sound()
	for _, to := range ingest.Ends {
		a := calm(to)
		s.build(t, &h, &a)
		sum := 0.0
		for i := range cells {
			f := s.load(float64(i)/s.perCell, v)
			sum += max(f, 0)
			peak = max(peak, f)
		}
		mean = max(mean, sum/cells)
	}
	return mean, peak
}

// drawElectric designs a drive that throws the track in about seconds.
func drawElectric(rng *rand.Rand, t *track, seconds float64) *electric {
	v := t.stroke() / seconds
	mean, peak := t.loads(v)
	d := &electric{
		efficiency: between(rng, 0.25, 0.55),
		slipping:   between(rng, 0.82, 0.97),
		inner:      rng.Float64() < 0.5,
		relay:      between(rng, 0.06, 0.45),
		limit:      1 + seconds*between(rng, 1.7, 2.8),
		tail:       between(rng, 0.3, 1.0),
	}
	m := &d.motor
	omega := between(rng, 110, 240)
	d.ratio = v / omega
	torque := mean * d.ratio / d.efficiency
	d.clutch = max(peak*between(rng, 1.35, 2.2), 1500) * d.ratio / d.efficiency
	m.drag, m.churn = torque*between(rng, 0.12, 0.3), torque*between(rng, 0.02, 0.12)/omega
	run := torque + m.drag + m.churn*omega
	stall := d.clutch * between(rng, 1.35, 2.4)
	if rng.Float64() < 0.3 {
		m.kind = induction
		m.nominal = pick(rng, 230.0, 400)
		m.sync = omega / (1 - between(rng, 0.04, 0.1))
		m.slip = between(rng, 0.3, 0.6)
		m.breakdown = stall * (1/m.slip + m.slip) / 2
		// Where it runs, Kloss says how much it slips; the gear is chosen for that.
		half := m.breakdown / run * m.slip
		m.sync = omega / (1 - (half - math.Sqrt(half*half-m.slip*m.slip)))
		shaft := run * m.sync
		m.iron = shaft * between(rng, 0.15, 0.4)
		m.stator = between(rng, 0.6, 1.1)
		m.rated = shaft + m.iron
		m.idle = m.rated / m.nominal * between(rng, 0.3, 0.6)
		m.sag = between(rng, 0.005, 0.03)
	} else {
		if rng.Float64() < 0.35 {
			m.kind, m.series = compound, between(rng, 0.25, 0.6)
		}
		m.nominal = pick(rng, 110.0, 120, 136, 150, 160)
		free := omega / (1 - run/stall)
		m.k = m.nominal / free
		m.running = run / m.k
		total := m.k * m.nominal / stall
		if m.kind == compound {
			// At the running current the field is 1, so that it runs at omega as well.
			m.k = (m.nominal - m.running*total) / omega
			m.running = run / m.k
		}
		m.cable = total * between(rng, 0.05, 0.25)
		m.resistance = total - m.cable
		m.inductance = total * between(rng, 0.006, 0.02)
	}
	// Up to speed within 30 to 120 ms.
	m.inertia = (0.6 * stall) / omega * between(rng, 0.03, 0.12)
	return d
}

func (p *plant) drawHydraulic(rng *rand.Rand) {
	t := &p.track
	seconds := between(rng, 2.2, 6)
	v := t.stroke() / seconds
	mean, peak := t.loads(v)
	d := &hydraulic{
		efficiency: between(rng, 0.75, 0.9),
		seals:      between(rng, 60, 200),
		relief:     between(rng, 80e5, 140e5),
		bleed:      between(rng, 0.08, 0.5),
		relay:      between(rng, 0.06, 0.4),
		limit:      1 + seconds*between(rng, 1.7, 2.6),
		tail:       between(rng, 0.3, 1.0),
	}
	peak, mean = peak+d.seals, mean+d.seals
	// The running pressure on the load alone; the losses in pipe and throttle add to it.
	run := d.relief * mean / (peak * between(rng, 1.35, 2.0))
	run = min(max(run, 15e5), 50e5)
	d.area = mean / run
	q := d.area * v
	omega := between(rng, 130, 240)
	d.leakage = q * between(rng, 0.02, 0.08) / run
	d.displacement = (q + d.leakage*run) / omega
	d.pipe = run * between(rng, 0.06, 0.2) / q
	d.throttle = run * between(rng, 0.12, 0.35) / (q * q)
	d.compliance = between(rng, 0.8e-12, 3e-12)
	d.reliefSlope = q / (d.relief * between(rng, 0.03, 0.12))
	m := &d.motor
	load := d.displacement * run / d.efficiency
	top := d.displacement * d.relief * 1.12 / d.efficiency
	m.drag, m.churn = load*between(rng, 0.05, 0.15), load*between(rng, 0.02, 0.1)/omega
	runs := load + m.drag + m.churn*omega
	stall := (top + m.drag + m.churn*omega) * between(rng, 2.2, 4)
	m.inertia = stall / omega * between(rng, 0.03, 0.1)
	if rng.Float64() < 0.6 {
		m.kind, m.nominal = induction, pick(rng, 230.0, 400)
		m.slip = between(rng, 0.08, 0.2)
		m.breakdown = stall * between(rng, 0.9, 1.1)
		half := m.breakdown / runs * m.slip
		m.sync = omega / (1 - (half - math.Sqrt(half*half-m.slip*m.slip)))
		shaft := runs * m.sync
		m.iron = shaft * between(rng, 0.15, 0.4)
		m.stator = between(rng, 0.6, 1.1)
		m.rated = shaft + m.iron
		m.idle = m.rated / m.nominal * between(rng, 0.3, 0.6)
		m.sag = between(rng, 0.005, 0.03)
	} else {
		m.kind, m.nominal = permanentMagnet, pick(rng, 110.0, 120, 136)
		m.k = m.nominal / omega * (1 - runs/stall)
		total := m.k * m.nominal / stall
		m.cable = total * between(rng, 0.05, 0.25)
		m.resistance = total - m.cable
		m.inductance = total * between(rng, 0.006, 0.02)
	}
	p.hydraulic = d
}

// drawOwnBack gives the turnout a back drive with a motor of its own.
func (p *plant) drawOwnBack(rng *rand.Rand) {
	b := p.track
	b.detectors, b.back, b.rolling = 1, nil, 0
	b.opening *= between(rng, 0.4, 0.65)
	b.viscous *= 0.4
	b.friction *= between(rng, 0.9, 1.2)
	b.toeMakes = b.backMakes
	for k := range 2 {
		b.chairs[k] = basis{}
		b.tight[k] = between(rng, 0.0003, 0.0009)
	}
	r := p.rails
	r.rollers, r.perMetre = nil, r.perMetre*between(rng, 0.6, 0.9)
	b.lay(r)
	main := p.electric
	seconds := (main.limit - 1) / 2.6
	o := &ownBack{track: b, electric: *drawElectric(rng, &b, seconds*between(rng, 0.75, 0.95))}
	o.electric.limit = main.limit
	p.own = o
	p.track.detectors = 1
}

// fitSensors measures reference throws, draws sensors that suit them, and
// reports whether the design works: it throws to both ends in time.
func (p *plant) fitSensors(rng *rand.Rand) bool {
	var w workshop
	h := sound()
	h.creep = p.creep
	most, usual := signals{}, signals{}
	all := []int{amps, watts, volts, bar, millimetres, kilonewtons}
	for _, to := range ingest.Ends {
		for half := range 2 {
			a := calm(to)
			w.rec.begin(all[3*half:3*half+3], 200, 0.01, 0)
			o := p.move(&w, &h, &a, &w.rec)
			if !o.completed || o.off > 0.9*p.limit() {
				return false
			}
			for c, sig := range all[3*half : 3*half+3] {
				n := int(o.arrived * 200)
				mean := 0.0
				for i, v := range w.rec.out[c] {
					most[sig] = max(most[sig], v)
					if i > n/3 && i < n {
						mean += v / float64(n-n/3)
					}
				}
				usual[sig] = max(usual[sig], mean)
			}
		}
		if p.own != nil {
			a := calm(to)
			w.backs.build(&p.own.track, &h, &a)
			if o := p.own.electric.run(&w.backs, &h, &a, nil, nil); !o.completed {
				return false
			}
		}
	}
	add := func(signal int) {
		p.sensors = append(p.sensors, fit(rng, "main", signal, usual[signal], most[signal]))
	}
	if p.hydraulic != nil {
		add(bar)
		switch u := rng.Float64(); {
		case u < 0.12:
			add(millimetres)
		case u < 0.3:
			add(watts)
		}
		return true
	}
	ac := p.electric.motor.kind == induction
	switch u := rng.Float64(); {
	case ac && u < 0.8, !ac && u < 0.3:
		add(watts)
	case !ac && u < 0.5:
		add(amps)
		add(volts)
	default:
		add(amps)
	}
	switch u := rng.Float64(); {
	case u < 0.08:
		add(millimetres)
	case u < 0.13:
		add(kilonewtons)
	}
	if p.own != nil {
		p.own.sensor = p.fitBack(rng, &w, &h)
	}
	return true
}

// fitBack draws the sensor of the back drive's own motor.
func (p *plant) fitBack(rng *rand.Rand, w *workshop, h *health) sensor {
	signal := p.sensors[0].signal
	a := calm(ingest.Normal)
	w.backs.build(&p.own.track, h, &a)
	w.back.begin([]int{signal}, 200, 0.01, 0)
	o := p.own.electric.run(&w.backs, h, &a, &w.back, nil)
	peak, mean := 0.0, 0.0
	n := int(o.arrived * 200)
	for i, v := range w.back.out[0] {
		peak = max(peak, v)
		if i > n/3 && i < n {
			mean += v / float64(n-n/3)
		}
	}
	return fit(rng, "back", signal, mean, peak)
}
