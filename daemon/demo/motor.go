package demo

import "math"

// motorKind is how a motor makes its torque.
type motorKind uint8

const (
	permanentMagnet motorKind = iota
	compound                  // DC, part of its field in series with the armature
	induction                 // three phases
)

// motor is a drive's motor with the inertia and drag of its rotor and gear.
type motor struct {
	kind    motorKind
	nominal float64 // V of the supply
	inertia float64 // kg·m² at the rotor, gear in it
	drag    float64 // N·m, whatever the speed
	churn   float64 // N·m·s, drag that grows with speed

	// DC: dI/dt = (E - kφω - IR)/L, T = kφI.
	resistance float64 // Ω of armature and brushes at 20 °C
	cable      float64 // Ω
	inductance float64 // H
	k          float64 // V·s, which is N·m/A
	series     float64 // share of the field that is in series (compound)
	running    float64 // A at which kφ is k (compound)

	// Induction: Kloss' formula (M. Kloß 1901) T = 2 Tk / (s/sk + sk/s), Tk ∝ V².
	sync      float64 // rad/s
	breakdown float64 // N·m at nominal voltage
	slip      float64 // at breakdown
	iron      float64 // W at nominal voltage, magnetising loss in it
	stator    float64 // loss in the stator for each W lost in the rotor
	idle      float64 // A, magnetising
	sag       float64 // share of nominal voltage lost in the cable at rated power
	rated     float64 // W
}

// motorState is a motor in the course of a throw.
type motorState struct {
	omega  float64 // rad/s
	amps   float64
	volts  float64 // at the terminals
	watts  float64 // taken at the terminals
	torque float64 // N·m of the air gap
}

// supplied is a motor as it is supplied for one throw: faults and temperature
// are worked in.
type supplied struct {
	m          *motor
	emf        float64 // V of the source
	r          float64 // Ω with the cable, without the unsteady part
	cable      float64
	k          float64
	brush      float64 // Ω that is unsteady
	rough      float64
	slip       float64
	drag       float64
	sag        float64
	noise      uint64
	contact    float64 // the unsteady part as it is now, as a multiple
	contactFor int
}

func (m *motor) supply(h *health, a *around) supplied {
	copper := 1 + copperPerK*(a.air-20)
	s := supplied{
		m:     m,
		emf:   m.nominal * a.source * (1 - h.source),
		cable: m.cable*copper + h.cable,
		k:     m.k * (1 - h.magnet),
		brush: h.brush,
		rough: h.rough,
		slip:  m.slip * h.rotor,
		drag:  m.drag*(0.7+0.3*thickening(a.air, 2*greaseCold)) + h.bearing,
		sag:   m.sag + h.sag,
		noise: math.Float64bits(a.source)*0x9e3779b97f4a7c15 + math.Float64bits(a.pickup) | 1,
	}
	s.contact = 1
	s.r = m.resistance*copper + s.cable
	return s
}

// flux is the field as a share of that at the running current.
func (m *motor) flux(amps float64) float64 {
	if m.kind != compound {
		return 1
	}
	return 1 - m.series + m.series*2*amps/(amps+m.running)
}

// step advances the electric side by dt and leaves speed to the caller.
func (s *supplied) step(st *motorState, dt float64) {
	m := s.m
	if m.kind == induction {
		// At nominal voltage it would take full watts at this speed. Torque and
		// power go with v², current so with v: the cable's loss can be solved for.
		slip := 1 - st.omega/m.sync
		t := 0.0
		if slip != 0 {
			t = 2 * m.breakdown / (slip/s.slip + s.slip/slip)
		}
		full := t*m.sync*(1+m.stator*max(slip, 0)) + m.iron
		v := s.emf / m.nominal / (1 + s.sag*max(full, 0)/m.rated)
		t *= v * v
		st.torque = t
		st.volts = v * m.nominal
		st.watts = full * v * v
		load := st.watts / (math.Sqrt2 * st.volts) // the in-phase part of the line current, cos φ from idle below
		st.amps = math.Sqrt(m.idle*m.idle*v*v + load*load)
		return
	}
	r := s.r
	if s.brush > 0 {
		if s.contactFor--; s.contactFor <= 0 && s.rough > 0 {
			// A rough commutator breaks contact at random, for some milliseconds.
			s.noise ^= s.noise << 13
			s.noise ^= s.noise >> 7
			s.noise ^= s.noise << 17
			s.contact = 1 + s.rough*(float64(s.noise>>40)/float64(1<<23)-1)
			s.contactFor = 4 + int(s.noise&7)
		}
		r += s.brush * s.contact
	}
	kf := s.k * m.flux(st.amps)
	st.amps = max((st.amps+dt/m.inductance*(s.emf-kf*st.omega))/(1+dt*r/m.inductance), 0)
	st.torque = s.k * m.flux(st.amps) * st.amps
	st.volts = s.emf - st.amps*s.cable
	st.watts = st.volts * st.amps
}

// losses returns the torque lost in the rotor's bearings and gear.
func (s *supplied) losses(omega float64) float64 { return s.drag + s.m.churn*omega }
