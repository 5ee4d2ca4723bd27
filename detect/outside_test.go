package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// This file checks the statistics of the charts against what others published
// or computed. The source stands beside each check.

// normal is the distribution function of the normal distribution.
func normal(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// density is its density.
func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// unlimited is a most or top that limits nothing.
var unlimited = math.Inf(1)

// chain is the one-sided cumulative sum that climb moves, over independent
// values of deviation 1 about shift, as the Markov chain of Brook & Evans
// (Biometrika 59, 1972): n states, 0 standing for the sum 0 and its
// surroundings. It goes by the chart's definition and shares nothing with chart.go.
type chain struct {
	h, k, most float64
	n          int
}

func (c chain) width() float64 { return 2 * c.h / float64(2*c.n-1) }

// row returns the probabilities of leaving state i for state j < n.
func (c chain) row(i int, shift float64) []float64 {
	w := c.width()
	below := func(d float64) float64 { // P(min(x-k, most) <= d)
		if d >= c.most {
			return 1
		}
		return normal(d + c.k - shift)
	}
	p := make([]float64, c.n)
	last := 0.0
	for j := range p {
		next := below((float64(j-i) + 0.5) * w)
		p[j] = next - last
		last = next
	}
	return p
}

// runs returns the mean number of values to the alarm from each state: the
// solution of (I - P) r = 1, by elimination. I - P is diagonally dominant.
func (c chain) runs(shift float64) []float64 {
	m := make([][]float64, c.n)
	r := make([]float64, c.n)
	for i := range m {
		m[i] = c.row(i, shift)
		for j := range m[i] {
			m[i][j] = -m[i][j]
		}
		m[i][i]++
		r[i] = 1
	}
	for i := range m {
		for j := i + 1; j < c.n; j++ {
			f := m[j][i] / m[i][i]
			a, b := m[j][i:], m[i][i:]
			for l := range a {
				a[l] -= f * b[l]
			}
			r[j] -= f * r[i]
		}
	}
	for i := c.n - 1; i >= 0; i-- {
		for j := i + 1; j < c.n; j++ {
			r[i] -= m[i][j] * r[j]
		}
		r[i] /= m[i][i]
	}
	return r
}

// chainLength is the mean run length from 0. The chain's error falls with the
// square of its states; of two chains the rest is taken out (Richardson).
// Where most cuts, a value of some weight falls between the states and only
// one, finer chain is used.
func chainLength(h, k, shift, most float64) float64 {
	n := 16 + int(6*h)
	if !math.IsInf(most, 1) {
		return chain{h, k, most, 4 * n}.runs(shift)[0]
	}
	a, b := chain{h, k, most, n}, chain{h, k, most, 2 * n}
	wa, wb := a.width()*a.width(), b.width()*b.width()
	ra, rb := a.runs(shift)[0], b.runs(shift)[0]
	return rb + (rb-ra)*wb/(wa-wb)
}

// chainInterval is the h at which a sum that nothing cuts runs arl values
// without a change: by secants of the logarithm, from near.
func chainInterval(k, arl, near float64) float64 {
	miss := func(h float64) float64 { return math.Log(chainLength(h, k, 0, unlimited) / arl) }
	a, b := near, near+0.05
	fa, fb := miss(a), miss(b)
	for range 20 {
		a, b, fa = b, b-fb*(b-a)/(fb-fa), fb
		if fb = miss(b); math.Abs(fb) < 1e-6 {
			break
		}
	}
	return b
}

// climbTo runs a sum through climb until it passes h and returns the number of
// values.
func climbTo(rng *rand.Rand, h, k, most float64, at func(n int) float64) int {
	sum := 0.0
	for n := 1; ; n++ {
		if sum = climb(sum, at(n)+rng.NormFloat64(), k, most, 3*h); sum > h {
			return n
		}
	}
}

// simulate returns the mean of runs through climb and its standard error.
func simulate(rng *rand.Rand, runs int, h, k, most float64, at func(n int) float64) (mean, se float64) {
	squares := 0.0
	for range runs {
		n := float64(climbTo(rng, h, k, most, at))
		mean += n
		squares += n * n
	}
	mean /= float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs))
}

func steady(shift float64) func(int) float64 { return func(int) float64 { return shift } }

// within says so where got is not within tolerance of want, a share of it.
func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got/want-1) <= tolerance) {
		t.Errorf("%s: expected %.6g within %.2g %%, found %.6g", what, want, 100*tolerance, got)
	}
}

// The two-sided table in Montgomery, Introduction to Statistical Quality
// Control (table: from memory; values: r-cran-spc 0.6.7, xcusum.arl). Of two
// one-sided sums the rates of alarms add up (Van Dobben de Bruyn 1968, from
// memory): 1/ARL = 1/up + 1/down. It holds our chain to every printed digit.
func TestChainAgainstTable(t *testing.T) {
	shifts := []float64{0, .25, .5, .75, 1, 1.5, 2, 2.5, 3, 4}
	for h, row := range map[float64][]float64{
		4: {167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71},
		5: {465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01},
	} {
		for i, shift := range shifts {
			up, down := chainLength(h, 0.5, shift, unlimited), chainLength(h, 0.5, -shift, unlimited)
			if got := 1 / (1/up + 1/down); math.Abs(got-row[i]) > 0.0055 {
				t.Errorf("h %g, shift %g: expected %.2f, found %.4f", h, shift, row[i], got)
			}
		}
	}
	// One-sided (values: r-cran-spc 0.6.7).
	for _, c := range []struct{ h, shift, want, tolerance float64 }{
		{4, 0, 335.37, 2e-5}, {5, 0, 930.89, 2e-5}, {7.361, 0, 1e4, 1e-3}, {9.662, 0, 1e5, 1e-3}, {11.964, 0, 1e6, 1e-3},
		{7.361, 1, 15.1, 4e-3}, {9.662, 1, 19.7, 4e-3}, {11.964, 1, 24.3, 4e-3},
	} {
		within(t, fmt.Sprintf("h %g, shift %g", c.h, c.shift), chainLength(c.h, 0.5, c.shift, unlimited), c.want, c.tolerance)
	}
}

// climb itself, fed with normal values, runs as long as the chain says: within
// four standard errors, without and with the cut of single values.
func TestClimbRuns(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		h, k, shift, most float64
		runs              int
	}{
		{4, .5, 0, unlimited, 3000}, {5, .5, 0, unlimited, 1500}, {4, .5, .5, unlimited, 8000}, {5, .5, 1, unlimited, 8000},
		{5, .5, 2, unlimited, 8000}, {5, .5, 4, unlimited, 8000}, {3.4, 1, 2, step * 3.4, 8000}, {2.2, 1.5, 3, step * 2.2, 8000}, {2.2, 1.5, 0.5, step * 2.2, 4000},
	} {
		mean, se := simulate(rng, c.runs, c.h, c.k, c.most, steady(c.shift))
		want := chainLength(c.h, c.k, c.shift, c.most)
		// The chain with a cut is itself good to a few thousandths.
		if math.Abs(mean-want) > 4*se+0.003*want {
			t.Errorf("h %g, k %g, shift %g, most %g: expected %.3f, found %.3f ± %.3f", c.h, c.k, c.shift, c.most, want, mean, se)
		}
	}
}

// A mean that drifts from the first value on: h = 5, k = 0.5, deviations a
// value (values: r-cran-spc 0.6.7).
func TestClimbDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct{ drift, want float64 }{{.001, 231}, {.01, 57}, {.05, 20.4}, {.1, 13.3}} {
		mean, se := simulate(rng, 4000, 5, 0.5, unlimited, func(n int) float64 { return c.drift * float64(n) })
		if math.Abs(mean-c.want) > 4*se+0.003*c.want {
			t.Errorf("drift %g: expected %g, found %.2f ± %.2f", c.drift, c.want, mean, se)
		}
	}
}

// The worked example of the NIST/SEMATECH e-Handbook, 6.3.2.3: target 325,
// k = 0.3175, h = 4.1959. The handbook's own sums, upper and lower.
func TestHandbookSums(t *testing.T) {
	x := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675,
		327.775, 326.875, 328.350,
	}
	high := map[int]float64{5: .03, 13: 3.01, 14: 4.94, 15: 7.45, 16: 10.63, 17: 11.99, 18: 14.44, 19: 16.00, 20: 19.04}
	for _, scale := range []float64{1, 0.01} {
		up, down, first, worst, worstAt := 0.0, 0.0, 0, 0.0, 0
		for i, v := range x {
			d := (v - 325) * scale
			up = climb(up, d, .3175*scale, unlimited, unlimited)
			down = climb(down, -d, .3175*scale, unlimited, unlimited)
			if want, ok := high[i+1]; ok && math.Abs(up/scale-want) > 0.0101 { // the handbook rounds as it goes
				t.Errorf("value %d: expected %g, found %.4f", i+1, want, up/scale)
			}
			if first == 0 && up > 4.1959*scale {
				first = i + 1
			}
			if down/scale > worst {
				worst, worstAt = down/scale, i+1
			}
		}
		if first != 14 || worstAt != 8 || math.Abs(worst-.72) > 0.0101 {
			t.Errorf("expected the first signal at 14 and the lower sum at most .72, at 8; found %d, %.3f, %d", first, worst, worstAt)
		}
	}
}

// The example of Lucas & Crosier (Technometrics 24, 1982), k = 0.5, plain and
// with a head start of half of h = 5.
func TestHeadStartSums(t *testing.T) {
	x := []float64{.8, 1.9, 1.4, 2.0, 1.1, .7, 2.6}
	for head, want := range map[float64][]float64{0: {.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0}, 2.5: {2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5}} {
		sum := head
		for i, v := range x {
			if sum = climb(sum, v, 0.5, unlimited, unlimited); math.Abs(sum-want[i]) > 1e-9 {
				t.Errorf("head start %g, value %d: expected %g, found %g", head, i+1, want[i], sum)
			}
		}
	}
	// With our own limits: no value adds more than most, the sum stays at top.
	if got := climb(1, 9, 0.5, 2, 10); got != 3 {
		t.Errorf("a far value: expected 3, found %g", got)
	}
	if got := climb(9, 9, 0.5, 2, 10); got != 10 {
		t.Errorf("at the top: expected 10, found %g", got)
	}
}

// How near Siegmund's approximation is. The charts' reference is at least a
// deviation of a block, so k is 1 and more where blocks are independent, less
// where they are correlated; published tables mostly end at k = 0.5.
func TestSiegmundTolerance(t *testing.T) {
	for _, c := range []struct{ k, length, interval float64 }{
		// k, largest error found of the run length, of the interval in deviations
		{0.5, 0.01, 0.009}, {1, 0.06, 0.03}, {1.5, 0.2, 0.07}, {2, 0.4, 0.13},
	} {
		for _, arl := range []float64{1e3, 1e4, 1e5} {
			h := decision(c.k, 1, arl)
			exact, right, cut := chainLength(h, c.k, 0, unlimited), chainInterval(c.k, arl, h), chainLength(h, c.k, 0, step*h)
			t.Logf("k %.2f, asked %g: h %.3f (exact %.3f), runs %.4g, with the cut of single values %.4g", c.k, arl, h, right, exact, cut)
			if cut < 0.97*arl {
				t.Errorf("k %g, with the cut: asked %g, runs %.4g", c.k, arl, cut)
			}
			within(t, fmt.Sprintf("k %g, run length asked %g", c.k, arl), exact, arl, c.length)
			if math.Abs(h-right) > c.interval {
				t.Errorf("k %g, run length %g: expected h %.3f within %g, found %.3f", c.k, arl, right, c.interval, h)
			}
		}
	}
}

// outside runs a program of others and returns the numbers that it prints.
// Without the program the test skips, but fails where CI is set.
func outside(t *testing.T, names []string, args ...string) []float64 {
	t.Helper()
	var out []byte
	err := exec.ErrNotFound
	for _, name := range names {
		if out, err = exec.CommandContext(t.Context(), name, args...).Output(); err == nil {
			break
		}
	}
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s: %v", names[0], err)
		}
		t.Skipf("%s is not here, or lacks a package: %v (deploy/deps.sh installs it)", names[0], err)
	}
	var v []float64
	for _, f := range strings.Fields(string(out)) {
		x, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatalf("%s printed %q", names[0], out)
		}
		v = append(v, x)
	}
	return v
}

// The package spc of R (Debian r-cran-spc), run here and now, solves Page's
// integral equation; our chain and it agree to some three parts in 100,000.
func TestRunLengthsLive(t *testing.T) {
	type point struct{ k, h, shift float64 }
	var points []point
	var code strings.Builder
	code.WriteString("suppressMessages(library(spc)); p <- function(x) cat(format(x, digits=12), '\\n');")
	for _, k := range []float64{0.25, 0.5, 1, 1.5, 2} {
		for _, arl := range []float64{1e3, 1e5} {
			for _, shift := range []float64{0, k, 2 * k, 3 * k} {
				p := point{k, decision(k, 1, arl), shift}
				points = append(points, p)
				fmt.Fprintf(&code, "p(xcusum.arl(%g, %.17g, %g, sided='one', r=80));", p.k, p.h, p.shift)
			}
		}
	}
	drifts := []float64{.001, .01, .05, .1}
	for _, d := range drifts {
		fmt.Fprintf(&code, "p(xDcusum.arl(0.5, 5, %g, sided='one'));", d)
	}
	got := outside(t, []string{"Rscript"}, "--vanilla", "-e", code.String())
	if len(got) != len(points)+len(drifts) {
		t.Fatalf("expected %d numbers, found %d", len(points)+len(drifts), len(got))
	}
	worst := 0.0
	for i, p := range points {
		ours := chainLength(p.h, p.k, p.shift, unlimited)
		worst = max(worst, math.Abs(ours/got[i]-1))
		within(t, fmt.Sprintf("k %g, h %.4f, shift %g", p.k, p.h, p.shift), ours, got[i], 5e-5)
	}
	t.Logf("largest difference %.1e; drifts %v: %.5g", worst, drifts, got[len(points):])
	rng := rand.New(rand.NewPCG(5, 6))
	for i, d := range drifts {
		mean, se := simulate(rng, 2000, 5, 0.5, unlimited, func(n int) float64 { return d * float64(n) })
		if want := got[len(points)+i]; math.Abs(mean-want) > 4*se {
			t.Errorf("drift %g: expected %.3f, found %.3f ± %.3f", d, want, mean, se)
		}
	}
}
