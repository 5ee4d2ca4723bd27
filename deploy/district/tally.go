package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"time"
)

// tally counts what a turnout did, for the summary.
type tally struct {
	throws, lost, odd             int // made; not recorded; that mean nothing
	incomplete, benign, unfounded int // not completed; of them by chance, and without a reason
}

func (c *tally) add(o *tally) {
	c.throws, c.lost, c.odd = c.throws+o.throws, c.lost+o.lost, c.odd+o.odd
	c.incomplete, c.benign, c.unfounded = c.incomplete+o.incomplete, c.benign+o.benign, c.unfounded+o.unfounded
}

// count takes in a throw, and what its faults do to it, from the simulator's own
// knowledge.
func (s *life) count(h *throw) {
	c := &s.tally
	c.throws++
	benign := h.abort || h.byHand
	if h.isOdd || benign {
		c.odd++
	}
	if !h.done {
		c.incomplete++
		if benign {
			c.benign++
		} else if h.fault == nil || !h.fault.fails || !h.forced && h.size <= 0.1 {
			c.unfounded++
		}
		return
	}
	if h.from >= 0.01 {
		return // not a whole throw
	}
	for _, f := range s.faults {
		if f.ends[h.end] < f.ends[1-h.end] {
			continue
		}
		switch {
		case h.t < f.onset && h.t > f.onset-20:
			f.before = append(f.before, s.shown(f, h))
		case math.IsNaN(f.failed) && h.t > f.onset+(f.plan-f.onset)*0.85 && h.t < f.plan:
			f.just = append(f.just, s.shown(f, h))
		}
	}
}

// shown is the number in which a cause shows best: a time, or the load where it
// acts.
func (s *life) shown(f *fault, h *throw) float64 {
	src := s.channels[0].of(&s.course)
	free := s.free[h.end]
	weigh := func(weight func(i int, x float64) float64) float64 {
		a, b := 0.0, 0.0
		for i, x := range s.course.place {
			w := weight(i, x)
			a += w * src[i]
			b += w
		}
		return a / max(b, 1e-12)
	}
	switch f.cause {
	case hydraulicLeak, supplyVoltage, motorWear:
		return s.course.arrived
	case detectionAdjustment:
		return h.toe
	case lockAdjustment, obstruction, seizedRoller:
		return weigh(func(_ int, x float64) float64 {
			return at(&f.add[h.end], x) * one((x > free+0.05 || f.cause == lockAdjustment) && x < 0.999)
		})
	case backDrive:
		if s.back != nil {
			src := s.channels[len(s.channels)-1].of(&s.courseBack)
			sum := 0.0
			for _, v := range src[len(src)/5:] {
				sum += v
			}
			return sum / float64(len(src)-len(src)/5)
		}
	}
	return h.gain * weigh(func(i int, x float64) float64 {
		return one(x > free+0.1 && x < 0.995 && float64(i)*dt < s.course.arrived)
	})
}

// sumUp writes a line for the district and one for every fault: when it was, and
// by how much the number in which it shows best had changed shortly before the
// failure. What cannot be said is NaN.
func (d *district) sumUp(w io.Writer) error {
	var all tally
	for _, s := range d.lives {
		all.add(&s.tally)
	}
	late, twice := 0, 0
	for _, l := range d.lines {
		if l.copyOf != nil {
			twice++
		} else if l.throw && l.at-l.t > 0.01 {
			late++
		}
	}
	if _, err := fmt.Fprintf(w, "from %s: %d throws, %d not recorded, %d late, %d twice, %d odd; %d incomplete (%d by chance, %d without a reason)\n",
		d.start.Format(time.DateOnly), all.throws, all.lost, late, twice, all.odd, all.incomplete, all.benign, all.unfounded); err != nil {
		return err
	}
	for _, t := range d.turnouts {
		for _, f := range t.faults {
			written := ""
			if f.over() && !f.recorded {
				written = ", not written down"
			}
			if _, err := fmt.Fprintf(w, "%-8s %-9s %-20s size %.2f, %-17s onset %5.1f, planned +%4.1f d, failed +%4.1f d, effect %+4.0f %%, %d failed throws, repaired %.1f%s\n",
				t.name, t.label, f.cause, f.full, f.law, f.onset, f.plan-f.onset, f.failed-f.onset, 100*(median(f.just)/median(f.before)-1), f.failures, f.repaired, written); err != nil {
				return err
			}
		}
	}
	return nil
}

// median of none is NaN.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return x[len(x)/2]
}
