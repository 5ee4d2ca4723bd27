package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// work is done on a turnout; it is written down days later, or never.
type work struct {
	t        float64
	kind     string
	note     string
	recorded bool
	late     float64
	effect   effect
	size     float64
}

// effect is what a work that mends nothing does.
type effect int

const (
	lubrication effect = iota
	inspection
	adjustment
	tamping
	sensorExchange
	renewal
)

// plan draws the works that come by the calendar.
func (t *turnout) plan(r random, days float64, rounds []float64) {
	for _, d := range rounds {
		if !r.p(0.92) {
			continue
		}
		at := d + float64(r.IntN(3)) + r.u(8.5, 15.5)/24
		if at < days-0.1 {
			t.works = append(t.works, work{at, pick(r, "lubricated", "lubricated", "lubricated", "cleaned"), pick(r, "", "round", "chairs greased", "chairs oiled, rollers wiped"), r.p(t.cab.recorded), r.lu(0.02, 2.5), lubrication, r.u(0.35, 1.1)})
		}
	}
	add := func(mean float64, w work) {
		for range r.poisson(mean) {
			w.t = math.Floor(r.u(3, days-3)) + r.u(8.5, 15.5)/24
			w.late = r.lu(0.02, 2.5)
			w.recorded = r.p(max(t.cab.recorded, 0.6))
			if w.effect >= tamping { // too great to go unwritten
				w.recorded = true
			}
			t.works = append(t.works, w)
		}
	}
	add(days/55, work{kind: "inspected", note: pick(r, "", "visual", "gauge and wear"), effect: inspection})
	add(days/200, work{kind: "adjusted", note: pick(r, "", "lock set", "switch rods"), effect: adjustment})
	add(0.14, work{kind: "other", note: "tamped and re-levelled", effect: tamping})
	add(0.06, work{kind: "replaced", note: "sensor", effect: sensorExchange})
	add(0.02, work{kind: "replaced", note: "drive exchanged at its date", effect: renewal})
	slices.SortStableFunc(t.works, func(a, b work) int { return cmp.Compare(a.t, b.t) })
}

// work does one of the calendar's works, unless it would have found a fault:
// who has one is who was passed by.
func (s *life) work(w work) {
	r, l := s.r, &s.level
	for _, f := range s.faults {
		if w.t > f.onset-6 && !f.over() && w.t < f.plan+8 {
			if f.cause == dryChairs && w.effect == lubrication || w.effect == adjustment || w.effect == renewal || w.effect == sensorExchange {
				return
			}
		}
	}
	switch w.effect {
	case lubrication:
		s.lubed += (w.t - s.lubed) * clamp(w.size, 0, 1)
		s.tests(w.t, 1+r.IntN(4))
		l.mu *= math.Exp(r.n(0, 0.012))
	case inspection:
		if r.p(0.5) {
			s.tests(w.t, 1+r.IntN(3))
		}
		if r.p(0.12) {
			s.push(event{t: max(w.t, s.last) + r.u(60, 300)/86400, end: other, byHand: true})
		}
	case adjustment:
		for e := range 2 {
			l.lock[e] *= math.Exp(r.n(-0.03, 0.12))
			l.seal[e] *= math.Exp(r.n(0, 0.1))
		}
		s.tests(w.t, 2+r.IntN(5))
	case tamping:
		l.mu *= math.Exp(r.n(0, 0.09))
		l.spring += r.n(0, 0.05)
		for e := range 2 {
			l.lock[e] *= math.Exp(r.n(0, 0.12))
			l.seal[e] *= math.Exp(r.n(0, 0.15))
		}
		s.tests(w.t, 2+r.IntN(4))
	case sensorExchange:
		l.sensor = math.Exp(r.n(0, 0.07))
		w.note = pick(r, "sensor exchanged", "current sensor replaced", "new measuring card")
		s.tests(w.t, 1+r.IntN(3))
	case renewal:
		l.gear = math.Exp(r.n(-0.04, 0.12))
		for e := range 2 {
			l.lock[e] *= math.Exp(r.n(0, 0.12))
		}
		s.tests(w.t, 4+r.IntN(6))
	}
	s.tell(w)
}

// repair mends a fault at its due time; it leaves the turnout a little other
// than it was before.
func (s *life) repair(f *fault, due float64) {
	r, l := s.r, &s.level
	f.repaired = due
	kind, note := "repaired", ""
	switch f.cause {
	case dryChairs:
		kind, note = pick(r, "lubricated", "cleaned", "repaired", "lubricated"), pick(r, "", "chairs cleaned and greased", "after failure")
		s.lubed = due
		l.mu *= math.Exp(r.n(-0.02, 0.05))
	case seizedRoller:
		kind, note = pick(r, "replaced", "repaired"), "roller"
		l.mu *= math.Exp(r.n(-0.02, 0.04))
	case obstruction:
		kind, note = pick(r, "cleaned", "cleaned", "repaired", "other"), pick(r, "stone removed", "ballast cleared", "")
	case lockAdjustment:
		kind, note = pick(r, "adjusted", "adjusted", "repaired"), pick(r, "lock set", "")
		for e := range 2 {
			l.lock[e] = math.Exp(r.n(0, 0.13))
		}
	case backDrive:
		kind, note = pick(r, "repaired", "adjusted", "replaced"), pick(r, "back drive", "")
	case hydraulicLeak:
		kind, note = pick(r, "repaired", "replaced", "repaired"), pick(r, "seals, oil filled up", "pump unit", "hose")
	case motorWear:
		kind, note = pick(r, "replaced", "repaired", "replaced"), pick(r, "motor", "drive exchanged")
		l.gear = math.Exp(r.n(0, 0.1))
	case supplyVoltage:
		kind, note = pick(r, "repaired", "replaced", "other"), pick(r, "cable joint", "feed", "")
	case detectionAdjustment:
		kind, note = pick(r, "adjusted", "adjusted", "repaired"), pick(r, "detection set", "")
	case measurement:
		kind, note = pick(r, "replaced", "repaired", "replaced"), pick(r, "sensor", "measuring card", "cabling of the sensor")
		l.sensor = math.Exp(r.n(0, 0.05))
	}
	if f.fails {
		l.mu *= math.Exp(r.n(-0.01, 0.04))
		for e := range 2 {
			l.seal[e] *= math.Exp(r.n(0, 0.06))
		}
		s.tests(due, 2+r.IntN(7))
	} else {
		s.tests(due, r.IntN(3))
	}
	s.tell(work{t: due, kind: kind, note: note, recorded: f.recorded, late: r.lu(0.02, 2)})
}

// tests are throws to try the turnout after work.
func (s *life) tests(t float64, n int) {
	t = max(t, s.last)
	for range n {
		t += s.r.u(20, 90) / 86400
		s.push(event{t: t, end: other})
	}
}

// tell writes a work down, if it is.
func (s *life) tell(w work) {
	if !w.recorded {
		return
	}
	b := fmt.Appendf(nil, `"work":{"turnout":%q,"done_at":%q,"work":%q`, s.name, day(s.start, w.t).Format("2006-01-02T15:04:00Z"), w.kind)
	if w.note != "" {
		b = fmt.Appendf(b, `,"note":%q`, w.note)
	}
	s.out = append(s.out, &line{at: w.t + w.late, t: w.t, cab: s.cab, body: append(b, '}')})
}
