package detect

import "math"

// A cumulative sum chart (Page 1954) on block means whose noise is correlated.
//
// With a reference value k and a long-run variance s² of the blocks, the sum
// S = max(0, S + d - k) behaves before a change like a Brownian motion with
// drift -k and variance s², reflected at 0. Its mean time to the decision
// interval h is (Siegmund 1985)
//
//	ARL0 = s²/(2k²) · (exp(b) - 1 - b),  b = 2k(h + 1.166 s)/s²
//
// The 1.166 s is his correction for looking once a block instead of always.

// overshoot is Siegmund's correction in deviations of a block: twice -zeta(1/2)/sqrt(2·pi).
const overshoot = 1.166

// decision returns the decision interval h that lets a one-sided sum with
// reference value k over blocks of deviation sd run arl blocks on average
// without a change. All are > 0; h is in the unit of k and sd, at least 0.
func decision(k, sd, arl float64) float64 {
	target := arl * 2 * k * k / (sd * sd)
	// exp(b) - 1 - b = target, by Newton's steps from above.
	b := math.Log1p(target) + 1
	for range 20 {
		e := math.Exp(b)
		step := (e - 1 - b - target) / (e - 1)
		b -= step
		if math.Abs(step) < 1e-6*b {
			break
		}
	}
	return max(b*sd*sd/(2*k)-overshoot*sd, 0)
}

// climb moves a one-sided cumulative sum by a value x against the reference
// value k (Page 1954). No value adds more than most, and the sum is held at top,
// so that the way back is not too long.
func climb(sum, x, k, most, top float64) float64 {
	return min(max(sum+min(x-k, most), 0), top)
}

// runLength is the inverse of decision: the mean number of blocks to an alarm
// of a one-sided sum when the blocks' mean is shift.
func runLength(h, k, sd, shift float64) float64 {
	d := (shift - k) / sd
	b := h/sd + overshoot
	if math.Abs(d) < 1e-9 {
		return b * b
	}
	return (math.Exp(-2*d*b) + 2*d*b - 1) / (2 * d * d)
}
