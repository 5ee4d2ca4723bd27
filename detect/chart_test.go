package detect

import (
	"math"
	"testing"
)

// Run lengths of a one-sided sum, k = 0.5, against values computed with the
// reference library r-cran-spc 0.6.7 (xcusum.arl): Siegmund's approximation
// holds within 2 %.
func TestRunLength(t *testing.T) {
	for _, c := range []struct{ h, shift, want float64 }{
		{4, 0, 335.37}, {5, 0, 930.89}, {7.361, 0, 1e4}, {9.662, 0, 1e5}, {11.964, 0, 1e6},
		{7.361, 1, 15.1}, {9.662, 1, 19.7}, {11.964, 1, 24.3},
	} {
		if got := runLength(c.h, 0.5, 1, c.shift); math.Abs(got/c.want-1) > 0.02 {
			t.Errorf("h %g, shift %g: expected %g, found %g", c.h, c.shift, c.want, got)
		}
	}
	if got, want := runLength(4, 0.5, 1, 0.5), (4+overshoot)*(4+overshoot); math.Abs(got-want) > 1e-9 {
		t.Errorf("no drift: expected %g, found %g", want, got)
	}
}

// decision undoes runLength, in any unit.
func TestDecision(t *testing.T) {
	for _, c := range []struct{ arl, want float64 }{{335.37, 4}, {930.89, 5}, {1e4, 7.361}, {1e5, 9.662}, {1e6, 11.964}} {
		if got := decision(0.5, 1, c.arl); math.Abs(got-c.want) > 0.02 {
			t.Errorf("ARL %g: expected h %g, found %g", c.arl, c.want, got)
		}
		if got := decision(0.05, 0.1, c.arl); math.Abs(got-c.want/10) > 0.002 {
			t.Errorf("ARL %g, a tenth of the unit: expected h %g, found %g", c.arl, c.want/10, got)
		}
	}
	for _, k := range []float64{0.01, 0.1, 1, 10} {
		for _, sd := range []float64{0.001, 0.1, 5} {
			h := decision(k, sd, 1e5)
			if h > 0 {
				if got := runLength(h, k, sd, 0); math.Abs(got/1e5-1) > 1e-6 {
					t.Errorf("k %g sd %g: expected 1e5, found %g", k, sd, got)
				}
			}
		}
	}
}
