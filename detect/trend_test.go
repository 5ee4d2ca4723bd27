package detect

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The yearly flow of the Nile at Aswan, 1871-1970, 10^8 m³ (Cobb, Biometrika
// 65, 1978; public; the same as Debian's python3-statsmodels carries).
var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140, 1100, 1210, 1150, 1250, 1260,
	1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821,
	768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801,
	1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// nileFile is where Debian's python3-statsmodels puts it.
const nileFile = "/usr/lib/python3/dist-packages/statsmodels/datasets/nile/nile.csv"

func upTo(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
	}
	return x
}

func close6(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: expected %.10g within %g, found %.10g", what, want, tolerance, got)
	}
}

// Our copy of the series is Debian's.
func TestNileSeries(t *testing.T) {
	b, err := os.ReadFile(nileFile)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var v []float64
	for _, r := range rows[1:] {
		x, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		v = append(v, x)
	}
	if !slices.Equal(v, nile) {
		t.Errorf("expected %v", v)
	}
}

// Mann-Kendall and Theil-Sen on the Nile (values: computed once by others for
// this check, from the definitions); the local level's variances are the
// maximum-likelihood ones of python3-statsmodels, near the 15099 and 1469.1 of
// Durbin & Koopman 2012, 2.10.3 (from memory).
func TestNile(t *testing.T) {
	k := MannKendall(nile)
	if k.N != 100 || k.S != -1387 {
		t.Errorf("n %d, S %g", k.N, k.S)
	}
	close6(t, "Var", k.Var, 112728.3333, 5e-5)
	close6(t, "Z", k.Z, -4.128067, 5e-7)
	close6(t, "p", k.P, 3.66e-5, 5e-8)
	close6(t, "slope", TheilSen(upTo(100), nile, 1).Slope, -2.6, 1e-12)
	if k.Inflation <= 1.5 || k.CorrectedP < 10*k.P {
		t.Errorf("the Nile's years are alike: inflation %g, p %g to %g", k.Inflation, k.P, k.CorrectedP)
	}
	l, ok := FitLocalLevel(upTo(100), nile)
	if !ok {
		t.Fatal("not fitted")
	}
	within(t, "noise", l.NoiseVar, 15098.58, 2e-4)
	within(t, "level", l.LevelVar, 1469.147, 5e-4)
	close6(t, "log likelihood (Durbin & Koopman 2012, 2.10.2, from memory)", l.LogLikelihood, -632.54, 0.01)
}

// scipy and statsmodels, run here and now: Nile, tied values, values that lie
// at uneven times, and missing ones.
func TestTrendLive(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	uneven, noisy, tied := make([]float64, 80), make([]float64, 80), make([]float64, 80)
	x := 0.0
	for i := range uneven {
		x += float64(1+rng.IntN(4)) / 2
		uneven[i] = x
		noisy[i] = 4 + 0.01*x + 0.3*rng.NormFloat64()
		tied[i] = math.Round(4 * noisy[i])
	}
	series := []struct {
		name string
		x, y []float64
	}{{"nile", upTo(100), nile}, {"uneven", uneven, noisy}, {"tied", uneven, tied}, {"short", upTo(6), []float64{3, 1, 4, 1, 5, 9}}}
	list := func(v []float64) string {
		var s []string
		for _, f := range v {
			if math.IsNaN(f) {
				s = append(s, "float('nan')")
			} else {
				s = append(s, strconv.FormatFloat(f, 'g', -1, 64))
			}
		}
		return "[" + strings.Join(s, ",") + "]"
	}
	code := `
import numpy as np, warnings
warnings.simplefilter('ignore')
from scipy import stats
from statsmodels.tsa.statespace.structural import UnobservedComponents
def inflation(x, y): # Hamed & Rao 1998, as it is written down
    n = len(y)
    r = stats.rankdata(y - stats.theilslopes(y, x)[0] * x)
    r = r - r.mean()
    s = 0.0
    for k in range(1, n // 4 + 1):
        rho = (r[k:] * r[:-k]).sum() / (r * r).sum()
        if abs(rho) > stats.norm.ppf(.975) / np.sqrt(n):
            s += (n-k) * (n-k-1) * (n-k-2) * rho
    return 1 + 2 / (n*(n-1)*(n-2)) * s
def show(*v): print(*[repr(float(f)) for f in v])
`
	for _, s := range series {
		code += fmt.Sprintf("x, y = np.array(%s), np.array(%s)\n", list(s.x), list(s.y)) +
			"m = stats.theilslopes(y, x, .95)\nshow(m[0], m[1], m[2], m[3], stats.kendalltau(x, y, method='asymptotic')[0], inflation(np.arange(len(y)), y))\n"
	}
	// Whole days between, so that statsmodels can be given the days without a
	// throw as missing values.
	gaps := slices.Clone(nile)
	for i := range gaps {
		if i >= 20 && i < 40 || i%7 == 3 {
			gaps[i] = math.NaN()
		}
	}
	for _, y := range [][]float64{nile, gaps} {
		code += "y = np.array(" + list(y) + `)
r = UnobservedComponents(y, 'llevel', use_exact_diffuse=True).fit(disp=0, method='lbfgs', maxiter=500, pgtol=1e-10, factr=10)
r = r.model.fit(r.params, disp=0, method='nm', maxiter=2000, xtol=1e-10, ftol=1e-12)
show(*r.params); show(*r.smoothed_state[0]); show(*np.sqrt(r.smoothed_state_cov[0, 0]))
`
	}
	got := outside(t, []string{"/usr/bin/python3", "python3"}, "-c", code)
	take := func(n int) []float64 {
		if len(got) < n {
			t.Fatalf("%d numbers are missing", n-len(got))
		}
		v := got[:n]
		got = got[n:]
		return v
	}
	for _, s := range series {
		want := take(6)
		line, k := TheilSen(s.x, s.y, 1), MannKendall(s.y)
		for i, v := range []float64{line.Slope, line.Intercept, line.Low, line.High} {
			close6(t, fmt.Sprint(s.name, " Theil-Sen, figure ", i), v, want[i], 1e-9*(1+math.Abs(want[i])))
		}
		// scipy gives tau-b; S is what it is made of.
		pairs := float64(k.N*(k.N-1)) / 2
		ties := 0.0
		for i := range s.y {
			for j := range i {
				if s.y[i] == s.y[j] {
					ties++
				}
			}
		}
		close6(t, s.name+" tau-b", k.S/math.Sqrt(pairs*(pairs-ties)), want[4], 1e-12)
		close6(t, s.name+" inflation", k.Inflation, max(want[5], 1e-3), 1e-9)
		t.Logf("%s: S %g, p %.3g, inflation %.3f, p corrected %.3g", s.name, k.S, k.P, k.Inflation, k.CorrectedP)
	}
	for _, y := range [][]float64{nile, gaps} {
		params, level, sd := take(2), take(len(y)), take(len(y))
		l, _ := FitLocalLevel(upTo(len(y)), y)
		within(t, "noise variance", l.NoiseVar, params[0], 1e-3)
		within(t, "level variance", l.LevelVar, params[1], 3e-3)
		for i := range y {
			within(t, fmt.Sprint("level at ", i), l.Level[i], level[i], 2e-4)
			within(t, fmt.Sprint("its deviation at ", i), l.Deviation[i], sd[i], 2e-3)
		}
		// A day without a throw may as well be left out: the level's variance is
		// for each day.
		var days, values []float64
		for i, v := range y {
			if !math.IsNaN(v) {
				days, values = append(days, float64(i)), append(values, v)
			}
		}
		short, _ := FitLocalLevel(days, values)
		for i, d := range days {
			within(t, fmt.Sprint("level on day ", d, " of those known"), short.Level[i], l.Level[int(d)], 1e-6)
		}
	}
}

// How often a series without a trend is called one at 1 %: what the correction
// is for, and how far it reaches. Hamed & Rao's alone: 6.0 % of 30 values at a
// correlation of 0.4, 11 % of 90 at 0.7.
func TestTrendFalseAlarms(t *testing.T) {
	const runs = 10_000
	rng := rand.New(rand.NewPCG(13, 14))
	for _, c := range []struct {
		n         int
		phi       float64
		plain, ok float64 // at most so many percent are called: without and with the correction
	}{{30, 0, 1.3, 1.2}, {30, 0.4, 9, 3}, {90, 0, 1.5, 1.5}, {90, 0.4, 13, 3.5}, {90, 0.7, 31, 3.5}} {
		plain, corrected := 0, 0
		v := make([]float64, c.n)
		for range runs / max(c.n/15, 1) {
			x := rng.NormFloat64() / math.Sqrt(1-c.phi*c.phi)
			for i := range v {
				x = c.phi*x + rng.NormFloat64()
				v[i] = x
			}
			k := MannKendall(v)
			if k.P < trendDoubt {
				plain++
			}
			if k.CorrectedP < trendDoubt {
				corrected++
			}
		}
		share := 100 * float64(max(c.n/15, 1)) / runs
		a, b := share*float64(plain), share*float64(corrected)
		t.Logf("n %d, autocorrelation %g: %.2f %% without, %.2f %% with the correction", c.n, c.phi, a, b)
		if a > c.plain || b > c.ok {
			t.Errorf("n %d, autocorrelation %g: expected at most %g and %g %%, found %.2f and %.2f", c.n, c.phi, c.plain, c.ok, a, b)
		}
	}
}

func TestTrendEdges(t *testing.T) {
	nan := math.NaN()
	for _, v := range [][]float64{nil, {1}, {nan, nan}, {2, 2, 2, 2, 2, 2}} {
		k := MannKendall(v)
		if k.S != 0 || k.P != 1 || k.CorrectedP != 1 {
			t.Errorf("%v: %+v", v, k)
		}
	}
	if s := TheilSen([]float64{1, 1}, []float64{2, 3}, 1); !math.IsNaN(s.Slope) {
		t.Errorf("at one moment: %+v", s)
	}
	if _, ok := FitLocalLevel([]float64{1, 1, 1}, []float64{2, 3, 4}); ok {
		t.Error("three values of one moment have no level variance")
	}
	l, ok := FitLocalLevel([]float64{0, 1, 2, 3, 4}, []float64{nan, 5, 5, 5, nan})
	if !ok || l.NoiseVar != 0 || l.Level[0] != 5 || l.Level[4] != 5 {
		t.Errorf("a constant: %+v", l)
	}
	in := slices.Clone(nile)
	MannKendall(in)
	TheilSen(upTo(100), in, 1)
	FitLocalLevel(upTo(100), in)
	if !slices.Equal(in, nile) {
		t.Error("the series was changed")
	}
}

// What is said, of throws three times a day.
func TestFindTrend(t *testing.T) {
	start := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	rng := rand.New(rand.NewPCG(15, 16))
	at := func(days float64) time.Time { return start.Add(time.Duration(days * 24 * float64(time.Hour))) }
	for _, c := range []struct {
		name  string
		days  int
		slope float64 // a day
		level float64
		work  []time.Time
		unit  string
		old   time.Duration // from the last throw to now
		want  []string
	}{
		{"rising", 30, 0.01, 4, nil, "s", 0, []string{"rising 1.", " % a week (1.", " to 1.", ") over the last 30 days"}},
		{"falling", 30, -0.01, 4, nil, "s", 72 * time.Hour, []string{"falling 1.", " over the 30 days to 2 March"}},
		{"level", 30, 0, 4, nil, "s", 0, []string{"no trend that stands out of chance over the last 30 days (−0.", " % a week)"}},
		{"of a value about zero", 30, 0.01, 0, nil, "A", 0, []string{"rising 0.0", " A a week (0.0"}},
		{"short", 9, 0.01, 4, nil, "s", 0, []string{"too short to tell a trend: throws on 9 of the 10 days that it takes"}},
		{"work", 30, 0.01, 4, []time.Time{at(14.5), at(2)}, "s", 0, []string{"rising", "over the 15 days since the last work"}},
		{"late work", 30, 0.01, 4, []time.Time{at(25)}, "s", 0, []string{"too short to tell a trend: throws on 5 of the 10 days that it takes, since the last work"}},
		{"long", 3000, 0.001, 4, nil, "s", 0, []string{"rising"}},
		{"nothing", 0, 0, 0, nil, "s", 0, []string{"too short"}},
	} {
		var times []time.Time
		var v []float64
		for i := range 3 * c.days {
			times = append(times, at(float64(i)/3+0.1))
			x := c.level + c.slope*float64(i)/3 + 0.02*rng.NormFloat64()
			if i%11 == 5 {
				x = math.NaN()
			}
			v = append(v, x)
		}
		now := start
		if len(times) > 0 {
			now = times[len(times)-1].Add(c.old)
		}
		got := FindTrend(times, v, c.work, c.unit, now)
		rest := got.Said
		for _, part := range c.want {
			_, after, ok := strings.Cut(rest, part)
			if !ok {
				t.Errorf("%s: expected %q in %q", c.name, part, got.Said)
			}
			rest = after
		}
		if len(got.At) > trendPoints+2 || len(got.Level) != len(got.At) || len(got.Throws) != len(got.At) {
			t.Errorf("%s: %d points, %d levels", c.name, len(got.At), len(got.Level))
		}
		for i := range got.Level {
			if got.Low[i] > got.Level[i] || got.High[i] < got.Level[i] {
				t.Errorf("%s: band %g to %g about %g", c.name, got.Low[i], got.High[i], got.Level[i])
			}
		}
	}
}

func BenchmarkFindTrend(b *testing.B) {
	start := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	rng := rand.New(rand.NewPCG(17, 18))
	for _, n := range []int{30, 365, 3000} {
		at, v := make([]time.Time, n*10), make([]float64, n*10)
		for i := range at {
			at[i], v[i] = start.Add(time.Duration(i)*144*time.Minute), 4+rng.NormFloat64()
		}
		b.Run(fmt.Sprintf("days-%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if !FindTrend(at, v, nil, "s", start).Enough {
					b.Fatal("too short")
				}
			}
		})
	}
}
