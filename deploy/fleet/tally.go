package main

import (
	"fmt"
	"io"
)

// tally counts what was simulated, for the summary.
type tally struct {
	throws, samples, bytes int
	incomplete, outside    int // throws that did not complete, and those of them outside a failure
	twice, late            int
	odd                    map[string]int
	faults                 []faultTally // by turnout
}

// faultTally holds what a fault does to whole throws that completed.
type faultTally struct {
	before, last   sums // the 8 days before the onset, the 1.5 days before the failure
	tried, trapped int  // throws between failure and repair, and those that did not complete
}

type sums struct{ effort, time, lag, n float64 }

func (s *sums) add(res *result, lag float64) {
	s.effort, s.time, s.lag, s.n = s.effort+res.effort, s.time+res.dur, s.lag+lag, s.n+1
}

func newTally(turnouts int) *tally {
	return &tally{odd: map[string]int{}, faults: make([]faultTally, turnouts)}
}

// count takes in a throw of turnout i on day x; full: it began at the other end.
func (c *tally) count(i int, t *turnout, x float64, full bool, res *result) {
	f := t.fault
	c.throws++
	c.samples += len(res.traces[0]) + len(res.traces[1])
	if res.odd != "" {
		c.odd[res.odd]++
	}
	if !res.completed {
		c.incomplete++
		if f == nil || x < f.failure || x > f.repair {
			c.outside++
			c.odd["incomplete outside failure"]++
			if f != nil && x > f.onset && x < f.failure {
				c.odd["incomplete before failure:"+f.cause]++
			}
		}
	}
	if f == nil {
		return
	}
	of := &c.faults[i]
	if x > f.failure && x < f.repair-repairLead {
		of.tried++
		if !res.completed {
			of.trapped++
		}
		return
	}
	if !full || !res.completed {
		return
	}
	lag := 0.0
	if p := f.place; res.det[p] >= 0 {
		lag = res.det[p] - res.dur
	}
	switch {
	case x > f.onset-8 && x < f.onset:
		of.before.add(res, lag)
	case x > f.failure-1.5 && x < f.failure:
		of.last.add(res, lag)
	}
}

// sumUp writes a line for the fleet and one for every fault: how effort, time
// in seconds and lag of detection in seconds stood before it and at its end. A
// mean of no throws is NaN.
func (fl *fleet) sumUp(w io.Writer) error {
	c := fl.tally
	if _, err := fmt.Fprintf(w, "%d throws, %d samples, %.0f MB raw; %d incomplete (%d outside a failure), %d twice, %d late; snap day %.0f; odd %v\n",
		c.throws, c.samples, float64(c.bytes)/1e6, c.incomplete, c.outside, c.twice, c.late, fl.w.snap, c.odd); err != nil {
		return err
	}
	for i, t := range fl.turnouts {
		f := t.fault
		if f == nil {
			continue
		}
		of := c.faults[i]
		b, l := of.before, of.last
		if _, err := fmt.Fprintf(w, "%-8s %-10s %d drv %-20s m=%+.2f mode %d %-12s onset %5.1f +%4.1f d rep +%4.1f h | effort %8.2f -> %8.2f (%+4.0f%%) time %5.2f -> %5.2f (%+4.0f%%) lag %.2f -> %.2f | failed %d/%d\n",
			t.name, t.drives[0].unit+"/"+[]string{"dc", "ac", "hy"}[t.drives[0].kind], len(t.drives), f.cause, f.m, f.mode, f.growth, f.onset, f.failure-f.onset, (f.repair-f.failure)*24,
			b.effort/b.n, l.effort/l.n, 100*(l.effort/l.n/(b.effort/b.n)-1), b.time/b.n, l.time/l.n, 100*(l.time/l.n/(b.time/b.n)-1), b.lag/b.n, l.lag/l.n, of.trapped, of.tried); err != nil {
			return err
		}
	}
	return nil
}
