package main

import (
	"math"
	"strconv"
	"time"
)

// life is a turnout's way through the days, with where its blades and its
// grease have come to.
type life struct {
	*turnout
	r     random
	start time.Time
	days  float64
	out   []*line

	toward int        // end of the last throw
	places [2]float64 // of main and back on their way to it
	last   float64    // time of the last throw
	lubed  float64
	inRow  int     // throws that failed one after the other
	extra  []event // tests and second tries, in order of time
	n      int     // throws recorded

	course, courseBack course // of the throw that is being made
	load, loadBack     grid
	tally              tally
}

// event is a throw that is to be made.
type event struct {
	t      float64
	end    int
	others int // throws of the cabinet at the same time
	byHand bool
	abort  bool
}

// other is the end at which the blades are not.
const other = -1

func newLife(seed uint64, t *turnout, start time.Time, days float64) *life {
	return &life{turnout: t, r: stream(seed, "sim"+strconv.Itoa(t.i)), start: start, days: days, toward: 1, last: -0.2, lubed: -t.lubAge}
}

// live makes the throws of all days, with works and repairs between them.
func (s *life) live() {
	works := s.works
	for i := 0; i < len(s.times) || len(s.extra) > 0; {
		var e event
		if len(s.extra) > 0 && (i >= len(s.times) || s.extra[0].t <= s.times[i]) {
			e, s.extra = s.extra[0], s.extra[1:]
		} else {
			e = event{t: s.times[i], end: other, others: s.others[i]}
			i++
			if s.r.p(s.odd * 0.15) {
				e.abort = true
			}
			if s.hasFailed() && s.r.p(0.35) {
				continue // as few throws as can be
			}
		}
		if e.t <= s.last+12.0/86400 {
			continue
		}
		if e.t > s.days-2.0/1440 {
			break
		}
		for _, f := range s.faults {
			if due := f.due(); e.t >= due {
				s.repair(f, due)
			}
		}
		for len(works) > 0 && works[0].t <= e.t {
			s.work(works[0])
			works = works[1:]
		}
		if len(s.extra) > 0 && s.extra[0].t < e.t { // tests after the work come first
			s.push(e)
			continue
		}
		s.throw(e)
	}
}

// due is when a fault is to be repaired, infinite if it is not.
func (f *fault) due() float64 {
	switch {
	case !f.mended || f.over():
	case !f.fails:
		return f.plan + f.wait
	case !math.IsNaN(f.failed):
		return f.failed + f.wait
	}
	return math.Inf(1)
}

// hasFailed says whether a fault has failed throws and is not mended.
func (s *life) hasFailed() bool {
	for _, f := range s.faults {
		if f.fails && !math.IsNaN(f.failed) && !f.over() {
			return true
		}
	}
	return false
}

// push puts an event in its place among the extra ones.
func (s *life) push(e event) {
	s.extra = append(s.extra, e)
	for i := len(s.extra) - 1; i > 0 && s.extra[i].t < s.extra[i-1].t; i-- {
		s.extra[i], s.extra[i-1] = s.extra[i-1], s.extra[i]
	}
}
