package demo

import (
	"math"
	"math/rand/v2"
	"testing"

	"throwline/ingest"
)

// near fails unless got is within share of want.
func near(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if !(math.Abs(got-want) <= share*math.Abs(want)) {
		t.Errorf("%s: want %g within %g %%, got %g", what, want, 100*share, got)
	}
}

// flat is a stroke of constant load.
func flat(length, force float64) *stroke {
	s := &stroke{length: length, perCell: cells / length, mass: 300, sliding: sliding{0.8, 0.01}, stopFlex: 0.002, creep: 0.3}
	for i := range s.table {
		s.table[i].force = force
	}
	s.makes = []contact{{"toe", 0.9 * length, 0}}
	return s
}

func dcDrive() *electric {
	return &electric{
		motor: motor{nominal: 120, inertia: 0.003, drag: 0.3, churn: 5e-4, resistance: 5, cable: 1, inductance: 0.06, k: 0.6},
		ratio: 4e-4, efficiency: 0.5, clutch: 6, slipping: 0.9, inner: true, relay: 0.1, limit: 9, tail: 0.5,
	}
}

// warm is a calm throw at 20 °C, where copper has its nominal resistance.
func warm(to ingest.End) around {
	a := calm(to)
	a.air, a.rail = 20, 20
	return a
}

// TestMotorSteadyState: I = (V - kω)/R and kI = losses + Fρ/η, the closed form
// of a DC motor under constant load.
func TestMotorSteadyState(t *testing.T) {
	d, s, h, a := dcDrive(), flat(0.2, 1500), sound(), warm(ingest.Normal)
	m := &d.motor
	var at electricStep
	o := d.run(s, &h, &a, nil, func(now float64, st *electricStep) {
		if st.x < 0.15 {
			at = *st
		}
	})
	if !o.completed {
		t.Fatal("the throw did not complete")
	}
	// T = kI, ω = (V - IR)/k, T = drag(T°) + churn·ω + Fρ/η: linear in I.
	ps := m.supply(&h, &a)
	r := m.resistance + m.cable
	load := 1500 * d.ratio / d.efficiency
	i := (ps.drag + load + m.churn*m.nominal/m.k) / (m.k + m.churn*r/m.k)
	omega := (m.nominal - i*r) / m.k
	near(t, "current", at.motor.amps, i, 1e-6)
	near(t, "speed", at.motor.omega, omega, 1e-6)
	near(t, "speed of the rod", at.v, omega*d.ratio, 1e-6)
	near(t, "voltage at the motor", at.motor.volts, m.nominal-i*m.cable, 1e-6)
	near(t, "power", at.motor.watts, (m.nominal-i*m.cable)*i, 1e-6)
	near(t, "time", o.arrived, a.pickup+0.2/(omega*d.ratio), 0.05)
}

// TestCompoundSteadyState: the same with a field that follows the current.
func TestCompoundSteadyState(t *testing.T) {
	d, s, h, a := dcDrive(), flat(0.2, 1500), sound(), warm(ingest.Normal)
	m := &d.motor
	m.kind, m.series, m.running = compound, 0.5, 2.5
	var at electricStep
	d.run(s, &h, &a, nil, func(now float64, st *electricStep) {
		if st.x < 0.15 {
			at = *st
		}
	})
	flux := 0.5 + 0.5*2*at.motor.amps/(at.motor.amps+2.5)
	ps := m.supply(&h, &a)
	near(t, "torque", m.k*flux*at.motor.amps, ps.losses(at.motor.omega)+1500*d.ratio/d.efficiency, 1e-6)
	near(t, "voltages", m.k*flux*at.motor.omega+at.motor.amps*(m.resistance+m.cable), m.nominal, 1e-6)
}

// TestInductionSteadyState: Kloss' formula meets the load on its stable side,
// and at breakdown slip it gives the breakdown torque.
func TestInductionSteadyState(t *testing.T) {
	d, s, h, a := dcDrive(), flat(0.2, 1500), sound(), warm(ingest.Normal)
	d.motor = motor{
		kind: induction, nominal: 400, inertia: 0.003, drag: 0.3, churn: 5e-4,
		sync: 157, breakdown: 9, slip: 0.4, iron: 80, stator: 0.8, idle: 0.7, rated: 400,
	}
	m := &d.motor
	var at electricStep
	d.run(s, &h, &a, nil, func(now float64, st *electricStep) {
		if st.x < 0.15 {
			at = *st
		}
	})
	ps := m.supply(&h, &a)
	load := ps.losses(at.motor.omega) + 1500*d.ratio/d.efficiency
	half := m.breakdown / load * m.slip
	slip := half - math.Sqrt(half*half-m.slip*m.slip)
	near(t, "slip", 1-at.motor.omega/m.sync, slip, 1e-6)
	near(t, "power", at.motor.watts, load*m.sync*(1+m.stator*slip)+m.iron, 1e-6)

	st := motorState{omega: m.sync * (1 - m.slip)}
	ps.step(&st, step)
	near(t, "breakdown torque", st.torque, m.breakdown, 1e-12)
	a.source = 0.8
	ps = m.supply(&h, &a)
	ps.step(&st, step)
	near(t, "breakdown torque at 0.8 of the voltage", st.torque, 0.64*m.breakdown, 1e-12)
}

// TestClutch: against a load beyond the clutch the rod stands, the motor turns
// on with the clutch's torque and nothing more, and time runs out.
func TestClutch(t *testing.T) {
	d, h, a := dcDrive(), sound(), warm(ingest.Normal)
	limit := d.clutch * d.efficiency / d.ratio // N at the rod
	s := flat(0.2, 500)
	for i := cells / 2; i < len(s.table); i++ {
		s.table[i].force = 1.1 * limit
	}
	var at electricStep
	o := d.run(s, &h, &a, nil, func(now float64, st *electricStep) { at = *st })
	if o.completed || o.arrived != 0 {
		t.Fatal("the throw completed against more than the clutch holds")
	}
	near(t, "where it stands", o.reached, 0.1, 0.03)
	near(t, "when it is switched off", o.off, a.pickup+d.limit, 1e-9)
	if !at.slipping || at.v != 0 {
		t.Errorf("want a slipping clutch and a rod that stands, got slipping %v at %g m/s", at.slipping, at.v)
	}
	ps := d.motor.supply(&h, &a)
	near(t, "torque", at.motor.torque, d.clutch*d.slipping+ps.losses(at.motor.omega), 1e-6)
	near(t, "current", at.motor.amps, (d.motor.nominal-d.motor.k*at.motor.omega)/(d.motor.resistance+d.motor.cable), 1e-6)

	for i := range s.table {
		s.table[i].force = 0.95 * limit
	}
	if o := d.run(s, &h, &a, nil, nil); !o.completed {
		t.Error("the clutch does not hold 95 % of what it should")
	}
}

// TestStalledMotor: a motor too weak for its load stands with V/R.
func TestStalledMotor(t *testing.T) {
	d, h, a := dcDrive(), sound(), warm(ingest.Normal)
	d.clutch = 100
	h.cable = 30
	var at electricStep
	o := d.run(flat(0.2, 4000), &h, &a, nil, func(now float64, st *electricStep) { at = *st })
	if o.completed {
		t.Fatal("it completed")
	}
	near(t, "current at standstill", at.motor.amps, 120/(5+1+30.0), 1e-6)
	if at.motor.omega != 0 {
		t.Errorf("want it to stand, got %g rad/s", at.motor.omega)
	}
}

// TestEnergyBalance: what is taken from the supply is found again as heat in
// copper, as losses of gear and bearings, as work on the load and in motion.
func TestEnergyBalance(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for range 20 {
		p := drawPlant(rng, "W1", 0, false)
		if isAC(p) {
			continue // Kloss' formula is one of the steady state: it keeps no energy
		}
		d, h, a := p.electric, p.sound(), warm(ingest.Reverse)
		m := &d.motor
		var s stroke
		s.build(&p.track, &h, &a)
		ps := m.supply(&h, &a)
		var in, out, field float64
		before := electricStep{}
		d.run(&s, &h, &a, nil, func(now float64, st *electricStep) {
			if st.ended {
				return
			}
			i, w := st.motor.amps, (before.motor.omega+st.motor.omega)/2
			in += step * ps.emf * i
			out += step * i * i * ps.r                          // copper, with the cable
			out += step * ps.losses(w) * w                      // bearings, gear
			field += m.inductance * i * (i - before.motor.amps) // magnetic field
			out += m.inertia * w * (st.motor.omega - before.motor.omega)
			if st.slipping {
				out += step * st.clutch * w // heat of the clutch and what passes through it
			} else {
				back := st.load * d.ratio
				if back > 0 {
					back /= d.efficiency
				} else {
					back *= d.efficiency
				}
				out += step*back*w + s.mass*(before.v+st.v)/2*(st.v-before.v)
			}
			before = *st
		})
		near(t, "energy in and out", out+field, in, 0.01)
	}
}

func pumpDrive() *hydraulic {
	return &hydraulic{
		motor:        motor{nominal: 120, inertia: 0.002, drag: 0.05, resistance: 2, inductance: 0.02, k: 0.55},
		displacement: 2e-7, efficiency: 0.85, area: 5e-4, leakage: 3e-13, pipe: 2e10, compliance: 1e-12,
		relief: 100e5, reliefSlope: 4e-11, bleed: 0.2, relay: 0.1, limit: 9, tail: 0.5,
	}
}

// TestRamSteadyState: p = F/A + losses of the pipe, v = (Q - leak)/A.
func TestRamSteadyState(t *testing.T) {
	d, h, a := pumpDrive(), sound(), calm(ingest.Normal) // 15 °C: oil as nominal
	s := flat(0.2, 2000)
	var at hydraulicStep
	o := d.run(s, &h, &a, nil, func(now float64, st *hydraulicStep) {
		if st.x < 0.15 {
			at = *st
		}
	})
	if !o.completed {
		t.Fatal("it did not complete")
	}
	q := at.flow - at.leak
	near(t, "speed", at.v, q/d.area, 1e-4)
	near(t, "pressure", at.p, 2000/d.area+d.pipe*q, 1e-4)
	near(t, "leak", at.leak, d.leakage*at.p, 1e-9)
	near(t, "torque of the pump", at.motor.torque, d.motor.supplied(&h, &a).losses(at.motor.omega)+d.displacement*at.p/d.efficiency, 1e-4)

	// The throttle adds what an orifice takes.
	d.throttle = 5e5 / (q * q)
	var with hydraulicStep
	d.run(s, &h, &a, nil, func(now float64, st *hydraulicStep) {
		if st.x < 0.15 {
			with = *st
		}
	})
	q = with.flow - with.leak
	near(t, "pressure with a throttle", with.p, 2000/d.area+d.pipe*q+d.throttle*q*q, 1e-4)
}

// supplied spares a test a variable.
func (m *motor) supplied(h *health, a *around) *supplied {
	s := m.supply(h, a)
	return &s
}

// TestLeakShowsInTime: with a hydraulic drive a leak lengthens the throw far
// more than it lowers the pressure.
func TestLeakShowsInTime(t *testing.T) {
	d, h, a, s := pumpDrive(), sound(), calm(ingest.Normal), flat(0.2, 2000)
	d.pipe /= 4 // a usual loss of 2 bar
	measure := func() (seconds, pressure float64) {
		n := 0
		o := d.run(s, &h, &a, nil, func(now float64, st *hydraulicStep) {
			if st.x > 0.05 && st.x < 0.15 {
				pressure += st.p
				n++
			}
		})
		return o.arrived, pressure / float64(n)
	}
	t0, p0 := measure()
	h.leak = 0.2 * d.displacement * 200 / p0 // a fifth of the flow
	t1, p1 := measure()
	if slower, lower := t1/t0-1, 1-p1/p0; slower < 0.15 || lower > 0.1*slower {
		t.Errorf("a leak of a fifth of the flow: want a longer time and nearly the same pressure, got %.1f %% longer, %.1f %% lower", 100*slower, 100*lower)
	}
}

// TestRelief: against a load that the ram cannot move the pressure stands
// where relief, leak and flow are in balance, and time runs out.
func TestRelief(t *testing.T) {
	d, h, a := pumpDrive(), sound(), calm(ingest.Normal)
	var at hydraulicStep
	o := d.run(flat(0.2, 1.5*d.relief*d.area), &h, &a, nil, func(now float64, st *hydraulicStep) { at = *st })
	if o.completed || o.reached > 0.001 {
		t.Fatalf("it moved %g m against more than the relief valve allows", o.reached)
	}
	near(t, "flow in balance", at.leak+at.relief, at.flow, 1e-4)
	near(t, "pressure", at.p, (at.flow+d.reliefSlope*d.relief)/(d.reliefSlope+d.leakage), 1e-4)
	if at.p < d.relief {
		t.Errorf("relief opens at %g Pa, it stands at %g", d.relief, at.p)
	}
}

// TestSliding: the limits of the Stribeck curve, and half the fall at its speed.
func TestSliding(t *testing.T) {
	s := sliding{kinetic: 0.7, speed: 0.01}
	near(t, "at rest", s.share(0), 1, 1e-12)
	near(t, "at its speed", s.share(0.01), 0.85, 1e-12)
	near(t, "fast", s.share(10), 0.7, 1e-5)
	for v := 0.0; v < 0.2; v += 0.001 {
		if s.share(v+0.001) > s.share(v) {
			t.Fatalf("friction rises with speed at %g m/s", v)
		}
	}
	st := flat(0.2, 0)
	for i := range st.table {
		st.table[i] = cell{force: 100, rub: 1000, drag: 500}
	}
	near(t, "load", st.load(0.1, 0.05), 100+1000*st.sliding.share(0.05)+25, 1e-12)
}

// TestCantilever: the share of the toe's movement, from beam tables: 5/16 at
// half of the length, and 3/8 of the load on evenly laid chairs.
func TestCantilever(t *testing.T) {
	near(t, "half way", bend(0.5), 5.0/16, 1e-12)
	near(t, "toe", bend(1), 1, 1e-12)
	tr := track{opening: 0.12, unlocking: 0.04, locking: 0.03, length: 12}
	r := rails{perMetre: 60, spacing: 0.6}
	for range 200 {
		r.uneven = append(r.uneven, 1)
	}
	tr.lay(r)
	near(t, "weight on chairs, seen at the toe", tr.chairs[0].slide[80], 2*200*60*9.81*0.6*3/8, 1e-3)
	if tr.chairs[0].roll[80] != 0 || tr.chairs[0].patch[80] != 0 {
		t.Error("weight on rollers and patches that are not there")
	}
}

// TestRollersLift: what rolls does not slide, and nothing is lost.
func TestRollersLift(t *testing.T) {
	tr := track{opening: 0.12, unlocking: 0.04, locking: 0.03, length: 12}
	r := rails{perMetre: 60, spacing: 0.6, rollers: []float64{0.93, 0.6}}
	for range 20 {
		r.uneven = append(r.uneven, 1)
	}
	tr.lay(r)
	bare := tr
	bare.chairs = [2]basis{}
	r.rollers = nil
	bare.lay(r)
	for i := range cells {
		near(t, "weight", tr.chairs[0].slide[i]+tr.chairs[0].roll[i], bare.chairs[0].slide[i], 1e-9)
	}
	if mid := tr.chairs[0].roll[80] / bare.chairs[0].slide[80]; mid < 0.2 || mid > 0.8 {
		t.Errorf("two sets of rollers carry a part in mid-stroke, got %.2f of the weight", mid)
	}
	if shut := tr.chairs[0].roll[0]; shut >= tr.chairs[0].roll[80] {
		t.Errorf("a closed blade lies on no roller: %g N at the start, %g N in mid-stroke", shut, tr.chairs[0].roll[80])
	}
}

// TestSpringHelpsThenHinders: bent rails push from either end to where they lie free.
func TestSpringHelpsThenHinders(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	p := drawPlant(rng, "W1", 0, false)
	tr := &p.track
	stiff, soft := *tr, *tr
	soft.stiffness = 0
	h := p.sound()
	for _, to := range ingest.Ends {
		a := calm(to)
		var with, without stroke
		with.build(&stiff, &h, &a)
		without.build(&soft, &h, &a)
		neutral := tr.neutral
		if to == ingest.Reverse {
			neutral = 1 - neutral
		}
		for _, share := range []float64{0.1, 0.9} {
			x := tr.unlocking + share*tr.opening
			near(t, "force of the spring", with.load(x, 0.05)-without.load(x, 0.05), tr.stiffness*(share-neutral)*tr.opening, 0.02)
		}
	}
}

// TestCreepingDetection: a detector beyond the end of the stroke makes when
// the blade has crept there, and never beyond what it creeps.
func TestCreepingDetection(t *testing.T) {
	s := flat(0.2, 0)
	s.makes = []contact{{"toe", s.length + 0.5*s.stopFlex, 0}, {"back", s.length + 1.01*s.stopFlex, 0}}
	var d detection
	d.begin(s)
	d.pass(s, 0.19, 1)
	d.stop(s, 2)
	near(t, "half of its creeping", d.after[0], 2+s.creep*math.Ln2, 1e-12)
	if !math.IsNaN(d.after[1]) || !math.IsInf(d.all(s), 1) {
		t.Errorf("a detector beyond reach made after %g s", d.after[1])
	}
}

func BenchmarkThrow(b *testing.B) {
	for _, kind := range []string{"electric", "hydraulic"} {
		b.Run(kind, func(b *testing.B) {
			rng := rand.New(rand.NewPCG(1, 9))
			p := drawPlant(rng, "W1", 0, kind == "hydraulic")
			var w workshop
			h, a := p.sound(), calm(ingest.Normal)
			if r := p.throw(&w, &h, &a, rng); !r.completed {
				b.Fatal("it did not complete")
			}
			b.ReportAllocs()
			for b.Loop() {
				p.throw(&w, &h, &a, rng)
			}
		})
	}
}
