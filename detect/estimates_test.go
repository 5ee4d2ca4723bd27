package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// norris is the data set Norris of the NIST Statistical Reference Datasets
// (linear regression): y and x of the calibration of ozone monitors.
var norris = [][2]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6},
	{778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0}, {448.9, 447.5}, {10.8, 11.6},
	{557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3}, {0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1},
	{888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

// The certified line of Norris. The certified deviation of the slope is
// 0.000429796848199937 (from memory).
const (
	norrisSlope     = 1.00211681802045
	norrisIntercept = -0.262323073774029
)

// The regression of the slopes on Norris. With a prior that weighs nothing it
// comes near the certified slope, not onto it: it measures from running means
// and not from the final ones, leaves the first four points out, and forgets a
// four-thousandth a point; far residuals would be cut, which the deviation
// given here forbids. After one pass it is off by half of the slope's own
// deviation, after twenty over the same points by a thirtieth.
func TestSlopeOnNorris(t *testing.T) {
	// That the data are the certified ones: their plain least squares.
	var mx, my, sxx, sxy float64
	for _, p := range norris {
		mx += p[1] / float64(len(norris))
		my += p[0] / float64(len(norris))
	}
	for _, p := range norris {
		sxx += (p[1] - mx) * (p[1] - mx)
		sxy += (p[1] - mx) * (p[0] - my)
	}
	if b := sxy / sxx; math.Abs(b-norrisSlope) > 1e-12 || math.Abs(my-b*mx-norrisIntercept) > 1e-9 {
		t.Fatalf("the data are not Norris: slope %.15g, intercept %.15g", b, my-b*mx)
	}
	for _, c := range []struct {
		passes    int
		tolerance float64
	}{{1, 0.0004}, {20, 0.00004}} {
		s := &signal{v: 1e6, vb: 1e6, size: 0}
		s.precision[covTemperature] = 1e-12
		for range c.passes {
			for _, p := range norris {
				c := covariates{}
				c.x[covTemperature], c.known[covTemperature] = p[1], true
				s.covary(0, p[0], &c)
			}
		}
		got := float64(s.slope[covTemperature])
		t.Logf("%d passes: slope %.6f, certified %.6f, difference %.6f", c.passes, got, norrisSlope, got-norrisSlope)
		if math.Abs(got-norrisSlope) > c.tolerance {
			t.Errorf("%d passes: expected %.6f ± %.4f, found %.6f", c.passes, norrisSlope, c.tolerance, got)
		}
	}
}

// blockCov is the covariance of the means of two blocks of m throws that lie
// apart blocks, from the covariance of throws.
func blockCov(m, apart int, cov func(lag int) float64) float64 {
	sum := 0.0
	for i := range m {
		for j := range m {
			lag := apart*m + j - i
			sum += cov(max(lag, -lag))
		}
	}
	return sum / float64(m*m)
}

// What a signal measures of its blocks, fed with first-order throws (AR(1)),
// against the exact variance and covariance of block means. vb is right for
// independent blocks. For correlated ones vb and cb come out low, as the mean of
// the last blocks that they are measured from goes along: by as much as follows
// from its weights, which the test holds. So the deviation that the interval
// rests on (longRun) is too small by some 5 to 10 %, with nine throws a block.
func TestBlockNoise(t *testing.T) {
	const m, throwSD, blocks, signals = 9, 0.03, 900, 40
	k := kindOf{name: "test", allowance: 1, least: 1, spread: 0.01}
	for _, c := range []struct{ phi, longRunLeast float64 }{{0, 0.97}, {0.5, 0.9}, {0.8, 0.9}, {0.95, 0.8}} {
		cov := func(lag int) float64 { return throwSD * throwSD * math.Pow(c.phi, float64(lag)) }
		const lags = 150
		var gamma [lags]float64
		long := 0.0 // variance of a long sum, a block
		for i := range gamma {
			gamma[i] = blockCov(m, i, cov)
			long += gamma[i]
			if i > 0 {
				long += gamma[i]
			}
		}
		// e = b - mean of the last few, as weights of the blocks; its variance
		// and its covariance with the e before.
		var w [lags]float64
		w[0] = 1
		for i := 1; i < lags; i++ {
			w[i] = -math.Pow(1-1/fastBlocks, float64(i-1)) / fastBlocks
		}
		aim := func(back int) (sum float64) {
			for i := range w {
				for j := range w {
					if d := max(i-j-back, j+back-i); d < lags {
						sum += w[i] * w[j] * gamma[d]
					}
				}
			}
			return sum
		}
		vb, cb := aim(0)*(2-1/fastBlocks)/2, aim(1)

		rng := rand.New(rand.NewPCG(21, uint64(100*c.phi)))
		var sumV, sumC, sumL float64
		for range signals {
			s, x, none := &signal{}, throwSD*rng.NormFloat64(), covariates{}
			s.start(&k)
			for hour := range needed + blocks*m {
				x = c.phi*x + math.Sqrt(1-c.phi*c.phi)*throwSD*rng.NormFloat64()
				s.step(&k, x, &none, int64(hour)*3600, 1e9, false)
			}
			if s.size != m || s.blocks < blocks-1 {
				t.Fatalf("phi %g: blocks of %g throws, %g learned from", c.phi, s.size, s.blocks)
			}
			sumV += float64(s.vb) / signals
			sumC += float64(s.cb) / signals
			sumL += s.longRun() / signals
		}
		t.Logf("phi %.2f: variance %.3e (exact %.3e, measured so %.3e), covariance %.2e (exact %.2e, measured so %.2e), deviation of a long sum %.2f of the exact",
			c.phi, sumV, gamma[0], vb, sumC, gamma[1], cb, sumL/math.Sqrt(long))
		within(t, "variance of blocks", sumV, vb, 0.04)
		if math.Abs(sumC-cb) > 0.03*vb {
			t.Errorf("phi %g: covariance of neighbouring blocks: expected %.3e, found %.3e", c.phi, cb, sumC)
		}
		if r := sumL / math.Sqrt(long); r < c.longRunLeast || r > 1.1 {
			t.Errorf("phi %g: the deviation of a long sum is %.2f of the exact, expected %g to 1.1", c.phi, r, c.longRunLeast)
		}
	}
}

// settled is the standard deviation that a variance learned from values
// nearer than cut of its own deviations, times gain, settles at for normal
// values of deviation 1.
func settled(cut, gain float64) float64 {
	v := 1.0
	for range 200 {
		c := cut * math.Sqrt(v)
		v = gain * (1 - 2*c*density(c)/(2*normal(c)-1)) // variance of a normal distribution cut off at ±c
	}
	return math.Sqrt(v)
}

// The constants of the normal distribution that the code has as figures.
func TestConstants(t *testing.T) {
	// zeta(1/2) = -1.4603545088 (Abramowitz & Stegun, from memory); Siegmund
	// himself rounds -zeta(1/2)/sqrt(2·pi) to 0.583.
	within(t, "Siegmund's correction", overshoot, 2*1.4603545088/math.Sqrt(2*math.Pi), 1e-3)

	// The band of the course is three deviations, from a mean absolute one.
	tr := newTrack("main", "")
	tr.spread[0] = 1
	within(t, "three deviations", float64(tr.profile().High[0]), 3*math.Sqrt(math.Pi/2), 1e-4)

	// A throw beyond 3.5 deviations teaches nothing of the noise, and what is
	// learned is raised by 3 %: the deviation of a throw settles a little above
	// that of normal values.
	if sd := settled(winsor, 1.03); sd < 1.005 || sd > 1.02 {
		t.Errorf("deviation of a throw: expected 1.005 to 1.02 of the true one, found %.4f", sd)
	}
	// And a live signal settles there.
	rng := rand.New(rand.NewPCG(31, 32))
	k := kindOf{name: "test", allowance: 100, least: 1, spread: 1}
	s, none, mean := &signal{}, covariates{}, 0.0
	s.start(&k)
	for hour := range 40_000 {
		s.step(&k, rng.NormFloat64(), &none, int64(hour)*3600, 1e9, false)
		if hour >= 10_000 {
			mean += float64(s.v) / 30_000
		}
	}
	within(t, "deviation of a throw, live", math.Sqrt(mean), settled(winsor, 1.03), 0.02)

	// An exponential mean of weight w leaves 2/(2-w) of the variance of
	// independent blocks (Roberts 1959, from memory): 1 + the sum of squared weights.
	sum := 1.0
	for i := range 500 {
		q := math.Pow(1-1/fastBlocks, float64(i)) / fastBlocks
		sum += q * q
	}
	within(t, "what the mean of the last blocks leaves", 2/(2-1/fastBlocks), sum, 1e-9)
	within(t, "throws between two alarms of the chart of odd throws", math.Exp(oftenLimit), 160_000, 0.02)
}

// The same constants, the distribution function and the covariance of
// first-order blocks that the tests rest on, beside SciPy and statsmodels (Debian
// python3-scipy, python3-statsmodels), run here and now.
func TestConstantsLive(t *testing.T) {
	const code = `
from math import sqrt
from scipy.stats import norm, truncnorm, halfnorm
for x in (-8, -3.5, -1, 0, 0.5, 2, 5): print(repr(float(norm.cdf(x))))
print(repr(float(truncnorm.var(-3.5, 3.5))))
print(repr(float(1/halfnorm.mean())))
from statsmodels.tsa.arima_process import arma_acovf
g = arma_acovf([1, -0.8], [1], 30, sigma2=1-0.8**2)
for apart in (0, 1): print(repr(float(sum(g[abs(9*apart+j-i)] for i in range(9) for j in range(9))/81)))
`
	got := outside(t, []string{"/usr/bin/python3", "python3"}, "-c", code)
	first := func(lag int) float64 { return math.Pow(0.8, float64(lag)) }
	want := []float64{
		normal(-8), normal(-3.5), normal(-1), normal(0), normal(0.5), normal(2), normal(5),
		1 - 7*density(3.5)/(2*normal(3.5)-1), math.Sqrt(math.Pi / 2), blockCov(9, 0, first), blockCov(9, 1, first),
	}
	if len(got) != len(want) {
		t.Fatalf("expected %d numbers, found %d", len(want), len(got))
	}
	for i := range want {
		within(t, fmt.Sprintf("number %d", i+1), want[i], got[i], 1e-9)
	}
}
