package score

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"

	"throwline/detect"
)

// group is one row of the table: faults that failed, of one kind.
type group struct {
	failures, warned, first, two int
	left                         []float64 // shares, of those warned of
}

func (g *group) add(c *Case) {
	g.failures++
	if c.Warned.IsZero() {
		return
	}
	g.warned++
	g.left = append(g.left, c.Left)
	switch c.rank(c.First) {
	case 0:
		g.first++
		g.two++
	case 1:
		g.two++
	}
}

// bin is a range of probabilities and what was said within it.
type bin struct {
	low, high float64
	n, right  int
	sum       float64
}

// bins are the ranges in which the causes' probabilities are judged; the last takes 1 as well.
func bins() []bin {
	return []bin{{high: 0.4}, {low: 0.4, high: 0.6}, {low: 0.6, high: 0.8}, {low: 0.8, high: 0.9}, {low: 0.9, high: 1}}
}

// calibrate bins the first cause of a list for every fault that failed and was
// warned of.
func calibrate(cases []Case, list func(*Case) []detect.Cause) []bin {
	b := bins()
	for i := range cases {
		c := &cases[i]
		causes := list(c)
		if c.Failure.IsZero() || len(causes) == 0 {
			continue
		}
		k := len(b) - 1
		for k > 0 && causes[0].Probability < b[k].low {
			k--
		}
		b[k].n++
		b[k].sum += causes[0].Probability
		if c.rank(causes) == 0 {
			b[k].right++
		}
	}
	return b
}

func (b *bin) String() string {
	if b.n == 0 {
		return "0\t-\t-"
	}
	return fmt.Sprintf("%d\t%.2f\t%.2f", b.n, b.sum/float64(b.n), float64(b.right)/float64(b.n))
}

// Print writes the table: by kind of drive and cause how many failures were
// warned of, how early and how rightly; false alerts; throws that did not
// complete; and how far probabilities and forecasts keep their word.
func (r *Result) Print(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "\tfailures\twarned before\ttime left, median\tcause first\tamong two")
	for _, k := range r.groups() {
		g := k.group
		fmt.Fprintf(tw, "%s\t%d\t%s\t%s\t%s\t%s\n", k.name, g.failures, share(g.warned, g.failures), percent(median(g.left)), share(g.first, g.warned), share(g.two, g.warned))
	}
	fmt.Fprintln(tw)
	if err := tw.Flush(); err != nil {
		return err
	}
	quiet := "-"
	if r.Years > 0 {
		quiet = fmt.Sprintf("%.2f", float64(len(r.False))/r.Years)
	}
	fmt.Fprintf(w, "false alerts: %d in %.1f turnout-years, %s a turnout-year; odd throws raised: %d\n", len(r.False), r.Years, quiet, r.Odd)
	if n := r.Incomplete.Throws; n > 0 {
		fmt.Fprintf(w, "incomplete throws alerted by the throw itself: %s of %d; from a failure to its repair: %s of %d\n",
			share(r.Incomplete.Alerted, n), n, share(r.Failed.Alerted, r.Failed.Throws), r.Failed.Throws)
	}
	if err := r.printGuesses(w); err != nil {
		return err
	}
	fmt.Fprintln(tw, "\nprobability of the first cause\twhen warned\tmean\tright\tlast said\tmean\tright")
	last := calibrate(r.Cases, func(c *Case) []detect.Cause { return c.Last })
	for i, b := range calibrate(r.Cases, func(c *Case) []detect.Cause { return c.First }) {
		fmt.Fprintf(tw, "%g to %g\t%v\t%v\n", b.low, b.high, &b, &last[i])
	}
	return tw.Flush()
}

// printGuesses writes how far the forecasts keep their word.
func (r *Result) printGuesses(w io.Writer) error {
	if len(r.Guesses) == 0 {
		_, err := fmt.Fprintln(w, "forecasts before a failure: none")
		return err
	}
	within := 0
	var ratio []float64
	turnouts := map[string]bool{}
	for i := range r.Guesses {
		g := &r.Guesses[i]
		if g.P10 <= g.Days && g.Days <= g.P90 {
			within++
		}
		ratio = append(ratio, g.Days/g.P50)
		turnouts[g.Turnout] = true
	}
	_, err := fmt.Fprintf(w, "forecasts before a failure: %d of %d turnouts, failure within p10 to p90: %s; days to failure over p50, median: %.2f\n",
		len(r.Guesses), len(turnouts), share(within, len(r.Guesses)), median(ratio))
	return err
}

type named struct {
	name string
	*group
}

// groups returns the rows: all, by kind of drive, by cause.
func (r *Result) groups() []named {
	rows := []named{{"all", &group{}}}
	row := func(name string) *group {
		i := slices.IndexFunc(rows, func(n named) bool { return n.name == name })
		if i < 0 {
			i = len(rows)
			rows = append(rows, named{name, &group{}})
		}
		return rows[i].group
	}
	failed := slices.DeleteFunc(slices.Clone(r.Cases), func(c Case) bool { return c.Failure.IsZero() })
	slices.SortStableFunc(failed, func(a, b Case) int { return cmp.Compare(a.Kind, b.Kind) })
	for i := range failed {
		row("all").add(&failed[i])
		row("drive " + failed[i].Kind).add(&failed[i])
	}
	slices.SortStableFunc(failed, func(a, b Case) int { return cmp.Compare(a.Cause, b.Cause) })
	for i := range failed {
		row(failed[i].Cause).add(&failed[i])
	}
	return rows
}

// share writes a count and which part of all it is.
func share(n, all int) string {
	if all == 0 {
		return "-"
	}
	return fmt.Sprintf("%d (%.0f %%)", n, 100*float64(n)/float64(all))
}

func percent(x float64) string {
	if math.IsNaN(x) {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", 100*x)
}

// median returns the middle of x, the mean of the two middle ones where their
// number is even, NaN of nothing. It leaves x as it is.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}
