package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Hotelling's T² for a further value and Jackson & Mudholkar's limit of SPE
// (values: computed by others for this check from scipy's F and normal
// distributions; the formulas: Tracy, Young & Mason 1992, Jackson & Mudholkar 1979).
func TestShapeLimits(t *testing.T) {
	close6(t, "T², p 3, n 50, .0027", hotellingLimit(3, 50, .0027), 17.36002, 5e-6)
	close6(t, "T², p 2, n 20, .01", hotellingLimit(2, 20, .01), 13.32861, 5e-6)
	close6(t, "SPE, .5 .3 .2, .01", speLimit([]float64{.5, .3, .2}, .01), 4.21779, 5e-6)
}

// How near the limit is to the true tail of a weighted sum of squared normal
// values, by 400,000 draws: even eigenvalues, falling ones, and one far above
// many small ones, for which Jackson & Mudholkar's power is below 0.
func TestSPELimitTail(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	falling, one := make([]float64, 20), make([]float64, 42)
	for i := range falling {
		falling[i] = math.Pow(0.8, float64(i))
	}
	for i := range one {
		one[i] = 0.1
	}
	one[0] = 4
	for name, vars := range map[string][]float64{"even": {1, 1, 1, 1, 1}, "alone": {2}, "falling": falling, "one above": one} {
		const draws = 400_000
		limit, beyond := speLimit(vars, shapeChance), 0
		for range draws {
			sum := 0.0
			for _, v := range vars {
				x := rng.NormFloat64()
				sum += v * x * x
			}
			if sum > limit {
				beyond++
			}
		}
		within(t, name, float64(beyond)/draws, shapeChance, 0.15)
	}
	if speLimit(nil, shapeChance) != 0 {
		t.Error("no residual has no limit")
	}
}

// numpy and scipy, run here and now: T², SPE and its limit from a singular
// value decomposition of the same courses.
func TestShapeLive(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	past, p := courses(rng, 80, 0.02), courses(rng, 1, 0.06)[0]
	rows := func(list [][ProfileLen]float32) string {
		var b strings.Builder
		for _, r := range list {
			b.WriteString("[")
			for _, v := range r {
				fmt.Fprintf(&b, "%.9g,", v)
			}
			b.WriteString("],")
		}
		return "[" + b.String() + "]"
	}
	var m shapeModel
	if !m.learn(past, 0) {
		t.Fatal("not learned")
	}
	t2, spe := m.distance(&p, nil, nil)
	got := outside(t, []string{"/usr/bin/python3", "python3"}, "-c", `
import numpy as np
from scipy import stats
x, y, k = np.float32(`+rows(past)+`).astype(float), np.float32(`+rows([][ProfileLen]float32{p})+`).astype(float)[0], `+fmt.Sprint(len(m.vars))+`
mean, sd = x.mean(0), np.maximum(x.std(0, ddof=1), .005 * np.abs(x.mean(0)).mean())
z, d = (x - mean) / sd, (y - mean) / sd
vals, vecs = np.linalg.eigh(np.cov(z.T))
vals, vecs = vals[::-1], vecs[:, ::-1]
s = vecs[:, :k].T @ d
r = d - vecs[:, :k] @ s
n = len(x)
print((s*s/vals[:k]).sum(), (r*r).sum(), k*(n+1)*(n-1)/(n*(n-k))*stats.f.ppf(1-.0027, k, n-k), vals[:k].sum()/vals.sum(), vals[:k-1].sum()/vals.sum())
`)
	if len(got) != 5 {
		t.Fatalf("%v", got)
	}
	within(t, "T²", t2, got[0], 1e-6)
	within(t, "SPE", spe, got[1], 1e-6)
	within(t, "T² limit", hotellingLimit(len(m.vars), len(past), .0027), got[2], 1e-9)
	if full := len(m.vars) == shapeComponents; got[3] < shapeShare && !full || got[4] >= shapeShare {
		t.Errorf("%d components tell %g, one fewer %g", len(m.vars), got[3], got[4])
	}
}

// courses are profiles that vary in level, in slope, in the place of the peak
// and by noise of that share in each part.
func courses(rng *rand.Rand, n int, noise float64) [][ProfileLen]float32 {
	out := make([][ProfileLen]float32, n)
	for i := range out {
		level, slope, place := 1+0.03*rng.NormFloat64(), 0.05*rng.NormFloat64(), 0.05*rng.NormFloat64()
		for j := range out[i] {
			x := float64(j)
			v := level*(3+0.01*x) + slope*(x-24)/24 + 4*math.Exp(-(x-place)*(x-place)/4)
			if x > 40 {
				v += 1.5
			}
			out[i][j] = float32(v * (1 + noise*rng.NormFloat64()))
		}
	}
	return out
}

// How often a throw like its past is told to be unlike it: 1 in 370 for each of
// the two, so that one of them is about 1 in 185. That is of throws that are
// drawn alike; with weather and odd throws it is two to four times as many
// (detect/method/README.md).
func TestShapePromise(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	for _, n := range []int{ShapeLeast, 100, ShapeMost} {
		var t2, spe, all int
		for range 60 {
			s, ok := LearnShape(courses(rng, n, 0.01))
			if !ok {
				t.Fatal("not learned")
			}
			for _, p := range courses(rng, 300, 0.01) {
				l := s.Compare(&Trace{Profile: p})
				all++
				if l.T2 > l.T2Limit {
					t2++
				}
				if l.SPE > l.SPELimit {
					spe++
				}
			}
		}
		a, b := float64(t2)/float64(all)/shapeChance, float64(spe)/float64(all)/shapeChance
		t.Logf("%d throws: T² beyond its limit %.2f times as often as promised, SPE %.2f times", n, a, b)
		if a > 1.8 || b > 2.5 {
			t.Errorf("%d throws: T² %.2f times as often as promised, SPE %.2f times", n, a, b)
		}
	}
}

// What is unlike the past is told, and where.
func TestShapeTells(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	past := courses(rng, 120, 0.01)
	s, ok := LearnShape(past)
	if !ok {
		t.Fatal("not learned")
	}
	tr := Trace{Bounds: [NumPhases + 1]float32{0, 0.2, 0.6, 3.4, 4, 4.2}}
	tr.Profile = courses(rng, 1, 0.01)[0]
	if l := s.Compare(&tr); l.Beyond || !strings.HasPrefix(l.Said, "in the shape of its course like the 120 throws just before it") {
		t.Errorf("a throw like its past: %+v", l)
	}
	heavy := tr
	for j := 28; j < 32; j++ { // 58 to 67 %
		heavy.Profile[j] *= 1.15
	}
	l := s.Compare(&heavy)
	if want := "farther from its past than 1 in 370 throws would be, mostly at 58 to 67 % of the movement (travel)"; l.Said != want || !l.Beyond || l.SPE < l.SPELimit {
		t.Errorf("expected %q, found %+v", want, l)
	}
	// A throw far along a direction in which the past varies too.
	stiff := tr
	for j := range stiff.Profile {
		stiff.Profile[j] *= 1.3
	}
	if l := s.Compare(&stiff); l.T2 < l.T2Limit || !strings.HasPrefix(l.Said, "farther from its past") {
		t.Errorf("a stiff throw: %+v", l)
	}
	// What the parts add comes to the whole.
	var a, b [ProfileLen]float64
	t2, spe := s.model.distance(&heavy.Profile, &a, &b)
	sum := func(v []float64) (x float64) {
		for _, f := range v {
			x += f
		}
		return x
	}
	within(t, "contributions to T²", sum(a[:]), t2, 1e-9)
	within(t, "contributions to SPE", sum(b[:]), spe, 1e-9)
}

func TestShapeEdges(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 28))
	if _, ok := LearnShape(courses(rng, ShapeLeast-1, 0.01)); ok {
		t.Error("learned from too few")
	}
	if _, ok := LearnShape(make([][ProfileLen]float32, 80)); ok {
		t.Error("learned from nothing at all")
	}
	alike := make([][ProfileLen]float32, 80)
	for i := range alike {
		for j := range alike[i] {
			alike[i][j] = 3
		}
	}
	if _, ok := LearnShape(alike); ok {
		t.Error("learned from throws that never differ")
	}
	past := courses(rng, 80, 0.01)
	kept := slices.Clone(past)
	if LearnShape(past); !slices.Equal(past, kept) {
		t.Error("the past was changed")
	}
}

func BenchmarkShape(b *testing.B) {
	past := courses(rand.New(rand.NewPCG(29, 30)), ShapeMost, 0.01)
	b.ReportAllocs()
	for b.Loop() {
		s, ok := LearnShape(past)
		if l := s.Compare(&Trace{Profile: past[0]}); !ok || l.Beyond {
			b.Fatal(l)
		}
	}
}
