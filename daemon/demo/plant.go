package demo

import (
	"math"
	"math/rand/v2"
	"time"

	"throwline/ingest"
)

// plant is one turnout as it was built: track, drive, sensors.
type plant struct {
	name    string
	cabinet int // index into the yard's cabinets
	track   track
	rails   rails
	// Exactly one of the two is set.
	electric  *electric
	hydraulic *hydraulic
	own       *ownBack // a back drive with a motor of its own, nil where there is none

	sensors []sensor // of the main drive
	rate    float64  // Hz
	lag     float64  // s of the input's filter
	lead    float64  // s recorded before the command; negative: recording begins late
	tells   tells
	creep   float64 // s
}

// ownBack is a supplementary drive with a motor and a channel of its own.
type ownBack struct {
	track    track
	electric electric
	sensor   sensor
}

// tells is what its cabinet says of a throw beside the traces.
type tells struct{ rail, supply, detections, id bool }

// kind names the drive as the truth does.
func (p *plant) kind() string {
	if p.hydraulic != nil {
		return "hydraulic"
	}
	return "electric"
}

// workshop is room for simulating throws, one at a time.
type workshop struct {
	stroke stroke
	rec    recorder
	backs  stroke
	back   recorder
}

// result is what a throw sends and what truly happened.
type result struct {
	outcome
	channels []ingest.Channel
	places   []string
	after    []float64 // s, beside places
}

// picks lists the signals that the plant's sensors need.
func (p *plant) picks(dst []int) []int {
	for i := range p.sensors {
		dst = append(dst, p.sensors[i].signal)
	}
	return dst
}

// move throws the turnout without measuring.
func (p *plant) move(w *workshop, h *health, a *around, rec *recorder) outcome {
	w.stroke.build(&p.track, h, a)
	if p.hydraulic != nil {
		return p.hydraulic.run(&w.stroke, h, a, rec, nil)
	}
	return p.electric.run(&w.stroke, h, a, rec, nil)
}

// throw throws the turnout and measures it. rng is for the sensors' noise.
func (p *plant) throw(w *workshop, h *health, a *around, rng *rand.Rand) result {
	var picks [3]int
	w.rec.begin(p.picks(picks[:0]), p.rate, p.lag, -p.lead)
	r := result{outcome: p.move(w, h, a, &w.rec)}
	faulty, none := h, sound()
	for i := range p.sensors {
		r.channels = append(r.channels, p.sensors[i].channel(w.rec.out[i], p.rate, -p.lead, faulty, rng))
		faulty = &none // a fault of measurement is one of the first sensor
	}
	for i, c := range w.stroke.makes {
		if t := r.made.after[i]; !math.IsNaN(t) && t <= a.pickup+p.limit() {
			r.places, r.after = append(r.places, c.place), append(r.after, t)
		}
	}
	if p.own != nil {
		p.throwBack(w, h, a, rng, &r)
	}
	return r
}

func (p *plant) limit() float64 {
	if p.hydraulic != nil {
		return p.hydraulic.limit
	}
	return p.electric.limit
}

// throwBack throws the back drive that has its own motor: its chairs are its
// own, so that only what is wrong there shows there.
func (p *plant) throwBack(w *workshop, h *health, a *around, rng *rand.Rand, r *result) {
	o := p.own
	bh, ba := p.backHealth(h), *a
	ba.bumps, ba.from = nil, min(a.from, o.track.stroke())
	w.backs.build(&o.track, &bh, &ba)
	w.back.begin([]int{o.sensor.signal}, p.rate, p.lag, -p.lead)
	out := o.electric.run(&w.backs, &bh, &ba, &w.back, nil)
	none := sound()
	r.channels = append(r.channels, o.sensor.channel(w.back.out[0], p.rate, -p.lead, &none, rng))
	if t := out.made.after[0]; out.completed {
		r.places, r.after = append(r.places, "back"), append(r.after, t)
	}
	r.completed = r.completed && out.completed
}

// backHealth is the health of the back drive that has its own motor, which is
// part of the turnout's.
func (p *plant) backHealth(h *health) health {
	b := sound()
	b.source, b.cable, b.sag, b.creep = h.source, h.cable, h.sag, h.creep
	b.chairs = 1 + 0.6*(h.chairs-1) // the same neglect, other chairs
	b.bind = h.backBind
	b.toeDetector = h.backDetector
	return b
}

// sound returns the health of the turnout without faults.
func (p *plant) sound() health {
	h := sound()
	h.creep = p.creep
	return h
}

// moment makes t a time that a cabinet would write: with its zone, in ms.
func moment(t time.Time, zone *time.Location) time.Time {
	return t.Truncate(time.Millisecond).In(zone)
}
