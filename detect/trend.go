package detect

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Whether a series has a trend, how steep it is, and where its level stands.
// All of it is computed when somebody asks, never in the path of a throw.

// MannKendallTest is what the Mann-Kendall test says of a series.
type MannKendallTest struct {
	N   int     // values that are known
	S   float64 // pairs that rise less pairs that fall
	Var float64 // of S were there no trend and the values independent, ties taken out
	Z   float64 // of S, one step nearer to 0 for its being an integer
	P   float64 // two-sided

	// Inflation is the variance of S over Var for the autocorrelation that the
	// series has (n/n* of Hamed & Rao); under 1 where neighbours alternate.
	Inflation float64
	// Caution is the inflation that CorrectedZ and CorrectedP take in: the
	// largest of Hamed & Rao's, that of a first-order autoregression whose
	// correlation is freed of its bias, and 1. Hamed & Rao's alone promises too
	// much of short series: with 90 values and a correlation of 0.7 it calls 11 %
	// trends where 1 % is asked for; see TestTrendFalseAlarms.
	Caution                float64
	CorrectedZ, CorrectedP float64
}

// MannKendall tests a series in the order of its time for a monotonic trend
// (Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods, 1975; ties
// and continuity after Gilbert, Statistical Methods for Environmental Pollution
// Monitoring, 1987, ch. 16). The variance for autocorrelated values is that of
// Hamed & Rao, J. Hydrology 204, 1998: from the ranks of the series less its
// Theil-Sen line, lags that stand out at 5 % only; of lags, no more than a
// quarter of the series, as beyond it too few pairs are left. NaN is a missing
// value. It takes all pairs: n² / 2 steps.
func MannKendall(v []float64) MannKendallTest {
	var x, y []float64
	for i, f := range v {
		if !math.IsNaN(f) {
			x, y = append(x, float64(i)), append(y, f)
		}
	}
	t := MannKendallTest{N: len(y), P: 1, Inflation: 1, Caution: 1, CorrectedP: 1}
	for i := range y {
		for j := i + 1; j < len(y); j++ {
			switch {
			case y[j] > y[i]:
				t.S++
			case y[j] < y[i]:
				t.S--
			}
		}
	}
	t.Var = kendallVar(x, y)
	if t.Var <= 0 {
		return t
	}
	z := func(variance float64) (z, p float64) {
		s := max(math.Abs(t.S)-1, 0) / math.Sqrt(variance)
		return math.Copysign(s, t.S), 2 * distuv.UnitNormal.Survival(s)
	}
	t.Z, t.P = z(t.Var)
	var autoregressive float64
	t.Inflation, autoregressive = inflation(x, y)
	t.Caution = max(t.Inflation, autoregressive, 1)
	t.CorrectedZ, t.CorrectedP = z(t.Var * t.Caution)
	return t
}

// kendallVar returns the variance of S of independent pairs of values; groups
// of equal ones take their part out (Sen 1968, 2.6).
func kendallVar(x, y []float64) float64 {
	term := func(n int) float64 { return float64(n) * float64(n-1) * float64(2*n+5) }
	sum := term(len(y))
	for _, c := range [][]float64{x, y} {
		s := slices.Sorted(slices.Values(c))
		for i := 0; i < len(s); {
			j := i + 1
			for j < len(s) && s[j] == s[i] {
				j++
			}
			sum -= term(j - i)
			i = j
		}
	}
	return sum / 18
}

// inflation returns n/n* of Hamed & Rao for a series at ascending x, and what
// it would be of a first-order autoregression with the series' correlation of
// neighbours. A line taken out of n values lowers that by about (2 + 4r)/n
// (after Marriott & Pope, Biometrika 41, 1954; from memory, and held by
// TestTrendFalseAlarms).
func inflation(x, y []float64) (published, autoregressive float64) {
	n := len(y)
	if n < 6 {
		return 1, 1
	}
	slope := TheilSen(x, y, 1).Slope
	rest := make([]float64, n)
	for i := range y {
		rest[i] = y[i] - slope*x[i]
	}
	r := ranks(rest)
	mean, within := stat.Mean(r, nil), 0.0
	for i := range r {
		r[i] -= mean
		within += r[i] * r[i]
	}
	if within == 0 {
		return 1, 1
	}
	nf := float64(n)
	weight := func(lag int) float64 {
		d := nf - float64(lag)
		return 2 * d * (d - 1) * (d - 2) / (nf * (nf - 1) * (nf - 2))
	}
	correlation := func(lag int) float64 {
		c := 0.0
		for i := lag; i < n; i++ {
			c += r[i] * r[i-lag]
		}
		return c / within
	}
	published = 1
	for lag := 1; lag <= n/4; lag++ {
		if c := correlation(lag); math.Abs(c) > distuv.UnitNormal.Quantile(0.975)/math.Sqrt(nf) {
			published += weight(lag) * c
		}
	}
	next := min((nf*correlation(1)+2)/(nf-4), 0.95)
	autoregressive = 1
	for lag, c := 1, next; next > 0 && lag < n && c > 1e-6; lag, c = lag+1, c*next {
		autoregressive += weight(lag) * c
	}
	return max(published, 1e-3), autoregressive // a sum of correlations that stand out may be no variance
}

// ranks returns the ranks from 1 on, equal values sharing the middle of theirs.
func ranks(v []float64) []float64 {
	order := make([]int, len(v))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return v[order[a]] < v[order[b]] })
	out := make([]float64, len(v))
	for i := 0; i < len(order); {
		j := i + 1
		for j < len(order) && v[order[j]] == v[order[i]] {
			j++
		}
		for _, k := range order[i:j] {
			out[k] = float64(i+j+1) / 2
		}
		i = j
	}
	return out
}

// TheilSenLine is the line through a series whose slope is the median of the
// slopes between all pairs of its points.
type TheilSenLine struct {
	Slope     float64 // of y for each unit of x; NaN where no two x differ
	Intercept float64 // median of y less slope times median of x
	Low, High float64 // 95 % interval of the slope
}

// TheilSen fits the line (Theil 1950; Sen, J. American Statistical Association
// 63, 1968); the interval is Sen's, as in Gilbert 1987, 16.5, to the nearest
// pair. inflation widens it for autocorrelated values: the variance of S over
// that of independent ones ([MannKendallTest]), at least 1. A point with NaN is
// left out. All pairs are kept and sorted, 8 bytes each: some hundred points
// take a few milliseconds, 3,000 would take half a second, so [FindTrend] takes
// medians of days first.
func TheilSen(x, y []float64, inflation float64) TheilSenLine {
	var xs, ys []float64
	for i := range y {
		if !math.IsNaN(x[i]) && !math.IsNaN(y[i]) {
			xs, ys = append(xs, x[i]), append(ys, y[i])
		}
	}
	slopes := make([]float64, 0, len(xs)*max(len(xs)-1, 0)/2)
	for i := range xs {
		for j := i + 1; j < len(xs); j++ {
			if d := xs[j] - xs[i]; d != 0 {
				slopes = append(slopes, (ys[j]-ys[i])/d)
			}
		}
	}
	nan := math.NaN()
	if len(slopes) == 0 {
		return TheilSenLine{nan, nan, nan, nan}
	}
	slices.Sort(slopes)
	t := TheilSenLine{Slope: middle(slopes)}
	t.Intercept = middle(slices.Sorted(slices.Values(ys))) - t.Slope*middle(slices.Sorted(slices.Values(xs)))
	n := float64(len(slopes))
	c := distuv.UnitNormal.Quantile(0.975) * math.Sqrt(kendallVar(xs, ys)*max(inflation, 1))
	low, high := int(math.RoundToEven((n-c)/2))-1, int(math.RoundToEven((n+c)/2))
	t.Low, t.High = slopes[max(low, 0)], slopes[min(high, len(slopes)-1)]
	return t
}

// middle returns the median of sorted values.
func middle(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

// LocalLevel is a random walk seen through noise, fitted to a series: value i
// is level i + noise, the level moves from one value to the next by a normal
// step whose variance is LevelVar for each day between.
type LocalLevel struct {
	NoiseVar      float64 // unit²
	LevelVar      float64 // unit² a day
	LogLikelihood float64 // diffuse, of all values but the first
	// Of the level at each point given all values, those later too.
	Level     []float64
	Deviation []float64 // standard, of the level, not of the values about it
}

// FitLocalLevel fits the model by maximum likelihood (Durbin & Koopman, Time
// Series Analysis by State Space Methods, 2nd ed. 2012, ch. 2; a level of which
// nothing is known before the first value). day is ascending, in days; a value
// of NaN is missing and gets a level all the same. ok is false with fewer than
// three values or where all stand at one moment. Some 60 passes over the series.
func FitLocalLevel(day, value []float64) (l LocalLevel, ok bool) {
	first, last, n := -1, 0, 0
	for i, v := range value {
		if !math.IsNaN(v) {
			if first < 0 {
				first = i
			}
			last, n = i, n+1
		}
	}
	if n < 3 || !(day[last] > day[first]) {
		return l, false
	}
	w := walk{day: day[first:], value: value[first:], known: n}
	spacing := (day[last] - day[first]) / float64(n-1)
	// The likelihood of the ratio q of both variances, the noise's being what
	// suits q best, may have two peaks: the best of a coarse grid begins.
	best, most := 0.0, w.likelihood(0)
	for lg := -8.0; lg <= 8; lg += 0.5 {
		q := math.Pow(10, lg) / spacing
		if ll := w.likelihood(q); ll > most {
			best, most = q, ll
		}
	}
	if best > 0 {
		p := optimize.Problem{Func: func(x []float64) float64 { return -w.likelihood(math.Exp(x[0])) }}
		settings := &optimize.Settings{FuncEvaluations: 200, Converger: &optimize.FunctionConverge{Absolute: 1e-10, Iterations: 8}}
		r, err := optimize.Minimize(p, []float64{math.Log(best)}, settings, &optimize.NelderMead{SimplexSize: 0.3})
		if err == nil && -r.F >= most {
			best, most = math.Exp(r.X[0]), -r.F
		}
	}
	l.LogLikelihood = most
	w.smooth(best)
	l.NoiseVar, l.LevelVar = w.noise, w.noise*best
	l.Level, l.Deviation = make([]float64, len(value)), make([]float64, len(value))
	for i := range value {
		// Before the first value the walk is the same, run backwards.
		j := max(i-first, 0)
		variance := w.variance[j] * w.noise
		if i < first {
			variance += l.LevelVar * (day[first] - day[i])
		}
		l.Level[i], l.Deviation[i] = w.level[j], math.Sqrt(variance)
	}
	return l, true
}

// walk is a series that begins with a known value, and its working memory.
type walk struct {
	day, value []float64
	known      int
	noise      float64 // variance
	// Of each point, given all values up to it and then all values; variances
	// in units of the noise's.
	level, variance []float64
}

// filter runs the Kalman filter with level variance q a day, in units of the
// noise's, and returns the sums that the likelihood is made of.
func (w *walk) filter(q float64, each func(i int, a, p float64)) (squares, logs float64) {
	a, p := w.value[0], 1.0 // the first value is all that is known of the level
	each(0, a, p)
	for i := 1; i < len(w.value); i++ {
		p += q * (w.day[i] - w.day[i-1])
		if v := w.value[i] - a; v == v { // not NaN
			f := p + 1
			squares += v * v / f
			logs += math.Log(f)
			a += v * p / f
			p /= f
		}
		each(i, a, p)
	}
	return squares, logs
}

// likelihood returns the logarithm of the diffuse likelihood at q with the best
// noise for it (Durbin & Koopman, 2.10.2), NaN never.
func (w *walk) likelihood(q float64) float64 {
	squares, logs := w.filter(q, func(int, float64, float64) {})
	n := float64(w.known - 1)
	w.noise = squares / n
	// All values equal: any q is as good, and the noise is none.
	return -0.5 * (n*(math.Log(2*math.Pi)+1+math.Log(max(w.noise, math.SmallestNonzeroFloat64))) + logs)
}

// smooth fills level, variance and noise for q (fixed-interval smoother of
// Rauch, Tung and Striebel 1965).
func (w *walk) smooth(q float64) {
	w.level, w.variance = make([]float64, len(w.value)), make([]float64, len(w.value))
	squares, _ := w.filter(q, func(i int, a, p float64) { w.level[i], w.variance[i] = a, p })
	w.noise = squares / float64(w.known-1)
	for i := len(w.level) - 2; i >= 0; i-- {
		before := w.variance[i] + q*(w.day[i+1]-w.day[i]) // of the next, before its value
		j := w.variance[i] / before
		w.level[i] += j * (w.level[i+1] - w.level[i])
		w.variance[i] += j * j * (w.variance[i+1] - before)
	}
}
