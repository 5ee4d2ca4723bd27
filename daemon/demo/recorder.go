package demo

import "throwline/ingest"

// step is the time step of the integration in s. The fastest thing that is
// integrated, the armature's current, is stepped implicitly; the contact of
// blade and stock rail swings at some 40 rad/s.
const step = 1e-3

// signals are the quantities of a drive at one instant, in the base units of
// package ingest, by signal.
type signals [6]float64

const (
	amps = iota
	watts
	volts
	bar
	millimetres
	kilonewtons
)

var signalQuantity = [len(signals{})]ingest.Quantity{
	amps: ingest.MotorCurrent, watts: ingest.MotorPower, volts: ingest.SupplyVoltage,
	bar: ingest.HydraulicPressure, millimetres: ingest.Displacement, kilonewtons: ingest.DriveForce,
}

// recorder takes samples of a drive's signals, as a cabinet's input does: each
// behind a low-pass filter of the first order, all at one rate.
type recorder struct {
	picks  [3]int // signals that are sampled
	n      int    // how many of them
	alpha  float64
	every  float64 // s
	next   float64
	filter [3]float64
	out    [3][]float64
}

// begin makes the recorder ready; the first sample is taken at from (s, from
// the command), everything being at rest until then.
func (r *recorder) begin(picks []int, rate, lag, from float64) {
	r.n = copy(r.picks[:], picks)
	r.alpha = step / (lag + step)
	r.every, r.next = 1/rate, from
	for c := range r.n {
		r.filter[c] = 0
		r.out[c] = r.out[c][:0]
	}
}

// rest begins from a signal that is not nothing at rest.
func (r *recorder) rest(s *signals) {
	for c := range r.n {
		r.filter[c] = s[r.picks[c]]
	}
	for r.next < 0 {
		r.sample()
	}
}

func (r *recorder) sample() {
	for c := range r.n {
		r.out[c] = append(r.out[c], r.filter[c])
	}
	r.next += r.every
}

// take notes the signals at time t.
func (r *recorder) take(t float64, s *signals) {
	for c := range r.n {
		r.filter[c] += r.alpha * (s[r.picks[c]] - r.filter[c])
	}
	if t >= r.next {
		r.sample()
	}
}

// outcome is what a throw came to.
type outcome struct {
	completed bool
	reached   float64 // m of the stroke
	arrived   float64 // s when the rod was at its end, 0: never
	off       float64 // s when the drive was switched off
	supply    float64 // V at the drive, mean over the movement
	made      detection
}
