package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

const (
	// trendDays are needed: Kendall's normal approximation holds from ten on
	// (Gilbert 1987), and a course of the day is no trend.
	trendDays = 10
	// trendPoints bounds the pairs of a long range: beyond it, points are
	// medians of more than a day.
	trendPoints = 400
	// trendDoubt is the highest p that is called a trend. A page shows ten graphs
	// a turnout: at 5 % half of them would show one that is none.
	trendDoubt = 0.01
	// levelDoubt are the deviations on each side of the level: 95 %.
	levelDoubt = 1.96
)

// Trend is how one feature of one channel and end went.
type Trend struct {
	// Columns of one place a point, oldest first: the median of a day's throws
	// (UTC), or of more days in a long range, at the median of their times.
	At     []time.Time
	Value  []float64
	Throws []int
	// The smoothed level and its 95 % band, NaN where a part between two visits
	// has too few points.
	Level, Low, High []float64

	Since time.Time // where what is judged begins: the first throw after the last work
	Work  bool      // work bounds it
	// Of the points from Since on; Enough is false where they are too few.
	Enough      bool
	MannKendall MannKendallTest
	TheilSen    TheilSenLine // value a day
	Usual       float64      // median, what percentages are of; 0 where it is none to take them of
	Said        string       // in words
}

// FindTrend looks for a trend in values of throws in ascending order of their
// start, NaN for unknown ones. Work, in any order, parts the series: each part
// has its own level, and the trend is of what follows the last of it. unit is
// the value's. now is only used to say when the range ended.
func FindTrend(at []time.Time, value []float64, work []time.Time, unit string, now time.Time) *Trend {
	t := &Trend{}
	work = slices.SortedFunc(slices.Values(work), time.Time.Compare)
	part := func(x time.Time) int { // how many visits were before x
		n := 0
		for n < len(work) && !work[n].After(x) {
			n++
		}
		return n
	}
	const day = 24 * time.Hour
	width := day
	if n := len(at); n > 0 {
		if days := at[n-1].Sub(at[0])/day + 1; days > trendPoints {
			width = day * ((days + trendPoints - 1) / trendPoints)
		}
	}
	var starts []int // of the parts, among the points
	var times, values []float64
	lastPart, lastBlock, last := -1, time.Time{}, time.Time{}
	for i := range at {
		if math.IsNaN(value[i]) {
			continue
		}
		p, b := part(at[i]), at[i].Truncate(width)
		if p != lastPart || !b.Equal(lastBlock) {
			t.close(times, values)
			times, values = times[:0], values[:0]
			if p != lastPart {
				starts = append(starts, len(t.At))
				t.Since, t.Work = at[i], p > 0
			}
			lastPart, lastBlock = p, b
		}
		times, values, last = append(times, float64(at[i].UnixMilli())), append(values, value[i]), at[i]
	}
	t.close(times, values)
	days := make([]float64, len(t.At))
	for i, x := range t.At {
		days[i] = x.Sub(t.At[0]).Hours() / 24
	}
	nan := math.NaN()
	for range t.At {
		t.Level, t.Low, t.High = append(t.Level, nan), append(t.Low, nan), append(t.High, nan)
	}
	for i, from := range starts {
		to := len(t.At)
		if i+1 < len(starts) {
			to = starts[i+1]
		}
		l, ok := FitLocalLevel(days[from:to], t.Value[from:to])
		for j := range l.Level {
			if w := levelDoubt * l.Deviation[j]; ok {
				t.Level[from+j], t.Low[from+j], t.High[from+j] = l.Level[j], l.Level[j]-w, l.Level[j]+w
			}
		}
	}
	from := 0
	if len(starts) > 0 {
		from = starts[len(starts)-1]
	}
	t.judge(days[from:], t.Value[from:], last, unit, now)
	return t
}

// close adds the point of a block; it may reorder what it is given.
func (t *Trend) close(times, values []float64) {
	if len(times) == 0 {
		return
	}
	slices.Sort(values)
	t.At = append(t.At, time.UnixMilli(int64(middle(times))).UTC()) // ascending already
	t.Value = append(t.Value, middle(values))
	t.Throws = append(t.Throws, len(values))
}

// judge fills what is said of the points since the last work; the last throw
// was at last.
func (t *Trend) judge(days, value []float64, last time.Time, unit string, now time.Time) {
	n := len(value)
	over := ""
	if n > 0 {
		d := max(int(math.Round(last.Sub(t.Since).Hours()/24)), 1)
		switch {
		case t.Work:
			over = fmt.Sprintf("over the %s since the last work", dayCount(d))
		case now.Sub(last) < 48*time.Hour:
			over = fmt.Sprintf("over the last %s", dayCount(d))
		default:
			over = fmt.Sprintf("over the %s to %s", dayCount(d), last.Format("2 January"))
		}
	}
	t.MannKendall = MannKendall(value)
	t.TheilSen = TheilSen(days, value, t.MannKendall.Caution)
	if n > 0 {
		// A share says nothing of a value that crosses zero.
		sorted := slices.Sorted(slices.Values(value))
		if sorted[0] > 0 {
			t.Usual = middle(sorted)
		}
	}
	if n < trendDays {
		t.Said = fmt.Sprintf("too short to tell a trend: throws on %d of the %d days that it takes", n, trendDays)
		if t.Work {
			t.Said += ", since the last work"
		}
		return
	}
	t.Enough = true
	slope, low, high, most := 7*t.TheilSen.Slope, 7*t.TheilSen.Low, 7*t.TheilSen.High, 6
	if t.Usual > 0 {
		unit, most = "%", 2
		slope, low, high = 100*slope/t.Usual, 100*low/t.Usual, 100*high/t.Usual
	}
	if t.MannKendall.CorrectedP > trendDoubt || slope == 0 {
		between := fmt.Sprintf("%s to %s", digits(low, low, high, most), digits(high, low, high, most))
		if between == "0 to 0" {
			between = "under " + fmt.Sprint(math.Pow10(-most))
		}
		t.Said = fmt.Sprintf("no trend that stands out of chance %s (%s %s a week)", over, between, unit)
		return
	}
	word := "rising"
	if slope < 0 {
		word, slope, low, high = "falling", -slope, -high, -low
	}
	t.Said = fmt.Sprintf("%s %s %s a week (%s to %s) %s", word, digits(slope, low, high, most), unit, digits(low, low, high, most), digits(high, low, high, most), over)
}

func dayCount(d int) string {
	if d == 1 {
		return "day"
	}
	return fmt.Sprintf("%d days", d)
}

// digits writes a figure with as many decimals as give the wider end of its
// interval two significant digits, but at most that many.
func digits(v, low, high float64, most int) string {
	d := 0
	if top := max(math.Abs(low), math.Abs(high)); top > 0 {
		d = min(max(1-int(math.Floor(math.Log10(top))), 0), most)
	}
	s := fmt.Sprintf("%.*f", d, v)
	if strings.Trim(s, "-0.") == "" {
		return "0"
	}
	return strings.Replace(s, "-", "−", 1)
}
