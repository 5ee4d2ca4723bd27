package main

import (
	"fmt"
	"math"
	"slices"
)

// turnout is one switch: what it is built of, how it answers to weather and
// age, what is measured of it and when it is thrown.
type turnout struct {
	name  string
	i     int
	cab   *cabinet
	wx    *weather
	label string // kind for the truth
	main  *drive
	back  *drive // one of its own,
	rod   bool   // or moved by a rod from the main one
	place string // name of the back detector

	stroke
	blade                float64 // way of the blades, mm
	allowed              float64 // seconds for a throw
	post, window         float64 // as in attempt
	byDetection          bool    // as in attempt
	sendDetections       bool
	detSlack, detJitter  float64 // seconds from arrival to detection, and their spread
	rate                 float64 // samples a second
	pre                  float64 // seconds from the command to the first sample
	jitter, skew         float64 // of the samples: seconds, and a share
	channels             []channel
	usual                float64 // throws a day
	peaks                bool    // most of them morning and evening
	odd                  float64 // chance that a throw is odd, and means nothing
	train                float64 // chance that a train passes beside it
	times                []float64
	others               []int // throws of the cabinet at the same time
	faults               []*fault
	works                []work
	level                level
	partner              *turnout // thrown with it
	lubShare, lubTau     float64  // friction that grease takes away, and for how many days
	lubAge               float64  // days since it was lubricated, at the start
	cold, hot, heat      float64  // friction by temperature: a share for every 10 kelvin below, above, at all
	damp, rust           float64  // by water: wet, and drying
	ice                  float64  // below freezing and wet
	gearCold             float64  // share of the drive's own friction for every 10 kelvin of cold
	lockHeat, bladeHeat  float64  // locking, and place of the blades' spring, for 20 kelvin
	idle                 float64  // friction that grows while it stands
	tail, texture, locks float64  // spread from throw to throw: friction, along the stroke, locking
	stick                float64  // when it starts
	slowMu, fastMu       *wander
	gearing, feed, seen  *wander // drive, supply at the drive, detection
	toEnd, locking       [2]*wander
	sealing, springing   [2]*wander
	jumps                []spell // of friction, for no reason that can be seen
}

// level is what work on the turnout changes for good.
type level struct {
	mu, gear, sensor float64
	lock, seal       [2]float64
	spring           float64 // shift of the place where the blades rest
}

func newTurnout(seed uint64, i int, c *cabinet, wx *weather, kind int, days float64, rounds []float64) *turnout {
	r := stream(seed, fmt.Sprint("turnout", i))
	t := &turnout{i: i, cab: c, wx: wx, name: fmt.Sprintf("%s-%d%s", codes[c.area], 101+i*3+r.IntN(3), pick(r, "A", "B", "", ""))}
	f0, t0 := r.lu(0.9, 3.6), r.u(1.7, 4.6)
	var m motor
	switch kind {
	case 0:
		m, t.label = shunt, "dc"
		if r.p(0.3) {
			m = series
		}
	case 1:
		m, t.label = threePhase, "ac"
		t0 = r.u(2.4, 5.2)
	case 2:
		m, t.label = pump, "hydraulic"
		t0 = r.u(2.2, 5)
	}
	t.main = newDrive(r, m, f0, t0)
	pin := kind != 2 && r.p(0.14)
	if pin {
		t.label = "force-pin"
	}
	if r.p(0.36) {
		t.place = pick(r, "back", "heel", "mid")
		if r.p(0.62) && !pin {
			t.back = newDrive(r, m, f0*r.u(0.45, 0.9), t0*r.u(0.8, 1.05))
			t.back.nominal = t.main.nominal
			if m == shunt || m == series {
				t.back.supplyLike(t.main)
			}
		} else {
			t.rod = true
		}
	}
	t.stroke.draw(r, t.rod)
	t.stroke.ease(t.main, r.u(0.4, 0.56))
	t.blade = r.u(80, 160)
	t.allowed = min(7.2, t0*r.u(1.5, 1.9)+r.u(1, 2.2))
	t.post = r.u(0.15, 0.9)
	if r.p(0.25) {
		t.window = clamp(t0*1.25+1.2, 3, 7.5)
	}
	if r.p(0.3) {
		t.pre = -math.Round(r.u(0.05, 0.4)*100) / 100
	} else if r.p(0.2) {
		t.pre = math.Round(r.u(0.01, 0.06)*100) / 100
	}
	t.byDetection = r.p(0.4)
	t.sendDetections = r.p(0.55)
	t.detSlack, t.detJitter = r.u(0.02, 0.25), r.lu(0.003, 0.03)
	t.rate = pick(r, 25.0, 25, 40, 50, 50, 50, 80, 100, 100, 125, 200)
	t.jitter, t.skew = pick(r, 0, 0, 0.0005, 0.002, 0.004), r.n(0, 0.002)
	t.measure(r, pin)
	t.habits(r, days)
	t.plan(r, days, rounds)
	return t
}

// habits draws how a sound turnout varies.
func (t *turnout) habits(r random, days float64) {
	t.lubShare, t.lubTau, t.lubAge = r.lu(0.04, 0.3), r.u(12, 50), r.u(0, 40)
	t.cold, t.hot, t.heat = r.lu(0.01, 0.16), r.lu(0.005, 0.09), r.n(-0.012, 0.018)
	t.damp, t.rust = r.n(-0.05, 0.05), r.lu(0.002, 0.05)
	t.ice, t.gearCold = r.lu(0.01, 0.2), r.lu(0.01, 0.1)
	t.lockHeat, t.bladeHeat = r.n(0, 0.06), r.n(0, 0.02)
	t.idle = r.lu(0.004, 0.05)
	t.tail, t.texture, t.locks, t.stick = r.lu(0.004, 0.028), r.lu(0.003, 0.03), r.lu(0.01, 0.08), r.u(0.05, 0.45)
	t.slowMu = newWander(r, r.lu(2, 18), r.lu(0.012, 0.06))
	t.fastMu = newWander(r, r.u(0.1, 0.6), r.lu(0.004, 0.025))
	t.gearing, t.feed, t.seen = newWander(r, r.lu(3, 20), r.lu(0.004, 0.025)), newWander(r, 2, r.lu(0.001, 0.006)), newWander(r, r.u(3, 15), r.lu(0.003, 0.025))
	for e := range 2 {
		t.toEnd[e] = newWander(r, r.lu(2, 15), r.lu(0.006, 0.035))
		t.locking[e] = newWander(r, r.lu(2, 15), r.lu(0.015, 0.1))
		t.sealing[e] = newWander(r, r.lu(2, 15), r.lu(0.015, 0.09))
		t.springing[e] = newWander(r, r.lu(4, 20), r.lu(0.004, 0.03))
	}
	for range r.poisson(days / 110) {
		f := r.u(0, days)
		t.jumps = append(t.jumps, spell{f, f + r.lu(3, 200), 0.028 * r.tail()})
	}
	if r.p(0.12) { // hardly used
		t.usual = r.u(1.6, 2.6)
	} else {
		t.usual = r.lu(6, 20)
	}
	t.peaks = r.p(0.3)
	t.odd = r.lu(0.0005, 0.006)
	t.train = r.lu(0.002, 0.03)
	t.level = level{1, 1, 1, [2]float64{1, 1}, [2]float64{1, 1}, 0}
}

// schedule draws when the turnout is thrown.
func (t *turnout) schedule(r random, days float64) {
	if p := t.partner; p != nil {
		gap := r.u(0.2, 2) / 86400
		for _, x := range p.times {
			if r.p(0.93) {
				t.times = append(t.times, x+gap)
			}
		}
		return
	}
	const settled = 2.0 / 1440 // no throw before the cabinets have reported
	for d := range int(days) {
		k := r.poisson(t.usual * (1 - 0.35*one(d%7 == 3)))
		var x []float64
		for len(x) < k {
			h := r.u(0, 24)
			w := 0.25
			if h > 5 && h < 23 {
				w = 0.7
			}
			if t.peaks {
				w = 0.15 + bell(h, 7.7, 1) + 0.9*bell(h, 17.2, 1.2)
			}
			if r.p(w) {
				x = append(x, (float64(d) + h/24))
			}
		}
		slices.Sort(x)
		for _, y := range x {
			if n := len(t.times); n == 0 && y > settled || n > 0 && y-t.times[n-1] > 50.0/86400 && y < days-3.0/1440 {
				t.times = append(t.times, y)
			}
		}
	}
}
