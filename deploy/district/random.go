package main

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// random is a stream of random numbers. Every part of the district has its own,
// by name, so that neither the order of work nor the number of workers matters.
type random struct{ *rand.Rand }

func stream(seed uint64, name string) random {
	h := fnv.New64a()
	h.Write([]byte(name))
	return random{rand.New(rand.NewPCG(seed*0x9e3779b97f4a7c15+1, h.Sum64()))}
}

// u is uniform from a to b, lu uniform in the logarithm, n normal with mean m
// and spread s, logn normal in the logarithm about a median; p is true with a
// chance of p. They are drawn so often that longer names would hide the numbers.
func (r random) u(a, b float64) float64      { return a + (b-a)*r.Float64() }
func (r random) lu(a, b float64) float64     { return a * math.Exp(r.Float64()*math.Log(b/a)) }
func (r random) n(m, s float64) float64      { return m + s*r.NormFloat64() }
func (r random) logn(med, s float64) float64 { return med * math.Exp(s*r.NormFloat64()) }
func (r random) p(p float64) bool            { return r.Float64() < p }

// tail is Student's t with four degrees of freedom, scaled to about unit
// spread: measured throws stray further now and then than a normal law allows.
func (r random) tail() float64 {
	z := r.NormFloat64()
	q := 0.0
	for range 4 {
		x := r.NormFloat64()
		q += x * x
	}
	return z / math.Sqrt(max(q, 0.05)/4) / 1.414
}

func (r random) poisson(mean float64) int {
	e, k, p := math.Exp(-mean), 0, 1.0
	for {
		p *= r.Float64()
		if p <= e {
			return k
		}
		k++
	}
}

func pick[T any](r random, x ...T) T { return x[r.IntN(len(x))] }

// weighted picks an index with a chance in proportion to its weight.
func (r random) weighted(w []float64) int {
	s := 0.0
	for _, x := range w {
		s += x
	}
	v := r.Float64() * s
	for i, x := range w {
		if v -= x; v < 0 {
			return i
		}
	}
	return len(w) - 1
}

// wander is a level that strays from 0 and comes back (an Ornstein-Uhlenbeck
// process): tau in days, sd its spread over a long time.
type wander struct{ tau, sd, x, t float64 }

func newWander(r random, tau, sd float64) *wander {
	return &wander{tau: tau, sd: sd, x: sd * r.NormFloat64()}
}

// at moves on to a time not before the last one.
func (o *wander) at(r random, t float64) float64 {
	k := math.Exp(-(t - o.t) / o.tau)
	o.x = k*o.x + math.Sqrt(1-k*k)*o.sd*r.NormFloat64()
	o.t = t
	return o.x
}

func clamp(x, a, b float64) float64 { return min(max(x, a), b) }

// ramp goes smoothly from 0 at a to 1 at b.
func ramp(x, a, b float64) float64 {
	t := clamp((x-a)/(b-a), 0, 1)
	return t * t * (3 - 2*t)
}

// bell is 1 at c and falls off on both sides with a width of w.
func bell(x, c, w float64) float64 { d := (x - c) / w; return math.Exp(-0.5 * d * d) }

// one is 1 for true.
func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// orZero is 0 for a time that never came.
func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// between reads hourly values at a time.
func between(x []float64, t float64) float64 {
	h := clamp(t*24, 0, float64(len(x)-2))
	i := int(h)
	f := h - float64(i)
	return x[i]*(1-f) + x[i+1]*f
}
