package detect

import (
	"fmt"
	"math"
	"slices"
)

// A forecast says how long it may be until a limit is reached, from how far the
// change has come and how long that took.
//
// A fault's change grows about as a power of its age: d(t) = D·(t/L)^p, with D
// the change at which the turnout fails and L the fault's life. After the age t
// it has reached the share x = d/D, so L = t·x^(-1/p), and L - t is left. How a
// fault grows (p), where this turnout fails (D) and how much older the fault is
// than what the chart saw of it are not known; each is drawn from what is common
// practice, and the quantiles of all combinations are told.

// grid is a discrete distribution.
type grid []struct{ x, weight float64 }

var (
	// growths are exponents: worn parts grow linearly, packed dirt and rust ever faster.
	growths = grid{{0.7, 0.1}, {1, 0.25}, {1.5, 0.3}, {2.2, 0.2}, {3, 0.15}}
	// ages are how many times older a fault is than its chart's rise.
	ages = grid{{1.1, 0.3}, {1.5, 0.4}, {2.2, 0.3}}
	// capability: by how much the limit of a turnout differs from the usual one, ln.
	capability = grid{{-0.7, 0.1}, {-0.3, 0.2}, {0.1, 0.25}, {0.5, 0.25}, {1, 0.2}}
	// certainty is the same where the limit is known.
	certainty = grid{{-0.05, 0.3}, {0, 0.4}, {0.05, 0.3}}
)

const (
	leastAge  = 0.4 // d under which a rise says nothing of its pace
	mostAhead = 200 // d beyond which nothing is told
)

// limitOf returns the change at which a turnout usually fails by a signal, in
// the signal's unit, and what gives way. Common practice: drives are chosen for
// about twice the usual effort and time.
func limitOf(sig int) (change float64, limit string) {
	switch {
	case sig == sLag:
		return 0.5, "the time allowed for detection"
	case sig == sSag:
		return 0.3, "the least voltage of the drive"
	case sig == sDuration:
		return 0.35, "the time allowed for a throw"
	case sig == sTravel:
		return 0.5, "the drive's capability"
	case sig == sUnlock, sig == sLock:
		return 0.6, "the drive's capability at the lock"
	case sig == sIdle:
		return 0.25, "a trace of no use"
	case sig == sRipple:
		return 1.2, "a trace of no use"
	case sig >= sCell:
		return 0.8, "the drive's capability"
	}
	return math.Inf(1), ""
}

// forecast returns how many days are left, nil where the alarms do not say. now
// is in unix s; sensor: it is the sensor that is in doubt, not the turnout.
func (p *picture) forecast(now int64, sensor bool) *Forecast {
	var near raised
	share, limit, spread := 0.0, "", capability
	first := now
	for _, a := range p.alarms {
		if a.fell || !sensor && (a.signal == sIdle || a.signal == sRipple) {
			continue
		}
		if a.since > 0 {
			first = min(first, a.since)
		}
		d, name := limitOf(a.signal)
		s := capability
		if set, said := p.limitSet(&a); said != "" {
			if set == 0 {
				continue
			}
			d, name, s = set, said, certainty
		} else if a.signal == sDuration && p.allowed[a.end] > 0 {
			if d = math.Log(p.allowed[a.end] / p.lapse[a.end]); d < 0.05 {
				continue
			}
			name, s = fmt.Sprintf("the %.1f s allowed for a throw", p.allowed[a.end]), certainty
		}
		if sensor {
			name = "a trace of no use"
		}
		if x := math.Abs(a.d) / d; x > share {
			near, share, limit, spread = a, x, name, s
		}
	}
	age := float64(now-first) / 86400
	if share == 0 || age < leastAge || math.Abs(near.own) < 2*near.sd {
		return nil
	}
	type left struct{ days, weight float64 }
	var all [len5 * len5 * len5]left
	n, sum := 0, 0.0
	for _, c := range spread {
		x := min(share/math.Exp(c.x), 0.97) // it has not failed yet
		for _, g := range growths {
			for _, a := range ages {
				t := age * a.x
				all[n] = left{t*math.Pow(x, -1/g.x) - t, c.weight * g.weight * a.weight}
				sum += all[n].weight
				n++
			}
		}
	}
	slices.SortFunc(all[:n], func(a, b left) int {
		switch {
		case a.days < b.days:
			return -1
		case a.days > b.days:
			return 1
		}
		return 0
	})
	quantile := func(q float64) float64 {
		w := 0.0
		for _, l := range all[:n] {
			if w += l.weight; w >= q*sum {
				return l.days
			}
		}
		return all[n-1].days
	}
	f := &Forecast{Limit: limit, P10: round1(quantile(0.1)), P50: round1(quantile(0.5)), P90: round1(quantile(0.9))}
	if f.P50 > mostAhead {
		return nil
	}
	return f
}

// len5 bounds the lengths of the grids.
const len5 = 5
