package ingest_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"throwline/ingest"
)

func TestReceiptWith(t *testing.T) {
	type step struct {
		boot string
		seq  uint64
		want ingest.Receipt
	}
	for _, tt := range []struct {
		name  string
		steps []step
	}{
		{"in order", []step{
			{"a", 1, ingest.Receipt{Boot: "a", Through: 1}},
			{"a", 2, ingest.Receipt{Boot: "a", Through: 2}},
			{"a", 2, ingest.Receipt{Boot: "a", Through: 2}},
			{"a", 1, ingest.Receipt{Boot: "a", Through: 2}},
		}},
		{"begins late", []step{
			{"a", 7, ingest.Receipt{Boot: "a", Through: 7, Missing: [][2]uint64{{1, 6}}}},
			{"a", 3, ingest.Receipt{Boot: "a", Through: 7, Missing: [][2]uint64{{1, 2}, {4, 6}}}},
			{"a", 1, ingest.Receipt{Boot: "a", Through: 7, Missing: [][2]uint64{{2, 2}, {4, 6}}}},
			{"a", 2, ingest.Receipt{Boot: "a", Through: 7, Missing: [][2]uint64{{4, 6}}}},
			{"a", 6, ingest.Receipt{Boot: "a", Through: 7, Missing: [][2]uint64{{4, 5}}}},
			{"a", 9, ingest.Receipt{Boot: "a", Through: 9, Missing: [][2]uint64{{4, 5}, {8, 8}}}},
		}},
		{"counts anew", []step{
			{"a", 5, ingest.Receipt{Boot: "a", Through: 5, Missing: [][2]uint64{{1, 4}}}},
			{"b", 1, ingest.Receipt{Boot: "b", Through: 1}},
		}},
		{"does not number", []step{
			{"", 0, ingest.Receipt{}},
			{"a", 0, ingest.Receipt{}},
			{"", 4, ingest.Receipt{}},
		}},
		{"the last number there is", []step{
			{"a", math.MaxUint64, ingest.Receipt{Boot: "a", Through: math.MaxUint64, Missing: [][2]uint64{{1, math.MaxUint64 - 1}}}},
			{"a", 1, ingest.Receipt{Boot: "a", Through: math.MaxUint64, Missing: [][2]uint64{{2, math.MaxUint64 - 1}}}},
			{"a", math.MaxUint64, ingest.Receipt{Boot: "a", Through: math.MaxUint64, Missing: [][2]uint64{{2, math.MaxUint64 - 1}}}},
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var r ingest.Receipt
			for i, s := range tt.steps {
				r = r.With(s.boot, s.seq)
				if !sameReceipt(r, s.want) {
					t.Fatalf("step %d, %s/%d: got %+v, want %+v", i, s.boot, s.seq, r, s.want)
				}
			}
		})
	}
}

func sameReceipt(a, b ingest.Receipt) bool {
	return a.Boot == b.Boot && a.Through == b.Through && len(a.Missing) == len(b.Missing) &&
		(len(a.Missing) == 0 || reflect.DeepEqual(a.Missing, b.Missing))
}

// A receipt is compared with the plain set of the numbers that came, over
// arrivals in disorder, doubled, and with gaps.
func TestReceiptAgainstSet(t *testing.T) {
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 1))
		var arrivals []uint64
		for n := uint64(1); n <= 1+rng.Uint64N(120); n++ {
			if rng.IntN(10) > 0 { // one in ten never comes
				arrivals = append(arrivals, n)
			}
			if rng.IntN(5) == 0 { // one in five comes twice
				arrivals = append(arrivals, n)
			}
		}
		// From neighbours that change places to complete disorder.
		reach := 1 + rng.IntN(len(arrivals)+1)
		for i := range arrivals {
			j := min(i+rng.IntN(reach), len(arrivals)-1)
			arrivals[i], arrivals[j] = arrivals[j], arrivals[i]
		}
		var r ingest.Receipt
		came := map[uint64]bool{}
		for _, n := range arrivals {
			before := ingest.Receipt{Boot: r.Boot, Through: r.Through, Missing: append([][2]uint64(nil), r.Missing...)}
			was := r
			r = r.With("boot", n)
			came[n] = true
			if !sameReceipt(was, before) {
				t.Fatalf("seed %d: With(%d) changed the receipt it was called on", seed, n)
			}
			checkReceipt(t, r, came, true)
			if t.Failed() {
				t.Fatalf("seed %d, after %d", seed, n)
			}
		}
	}
}

// checkReceipt checks the form of r, that it covers only what came, and, if
// all, everything that came.
func checkReceipt(t *testing.T, r ingest.Receipt, came map[uint64]bool, all bool) {
	t.Helper()
	if len(r.Missing) > ingest.MaxMissing {
		t.Errorf("%d ranges, at most %d wanted", len(r.Missing), ingest.MaxMissing)
	}
	last := uint64(0)
	for i, m := range r.Missing {
		if m[0] > m[1] || i > 0 && m[0] <= last+1 || m[1] >= r.Through {
			t.Errorf("ranges are not ascending, apart and below %d: %v", r.Through, r.Missing)
		}
		last = m[1]
	}
	for n := uint64(1); n <= 1000; n++ {
		covered := r.Covers("boot", n)
		if covered && !came[n] {
			t.Errorf("number %d is called stored, and never came: %+v", n, r)
		}
		if all && came[n] && !covered {
			t.Errorf("number %d came and is not covered: %+v", n, r)
		}
	}
}

// With more gaps than fit, nothing that is missing is forgotten, the count goes on,
// and what has just come is covered.
func TestReceiptBounded(t *testing.T) {
	var r ingest.Receipt
	came := map[uint64]bool{}
	for n := uint64(2); n <= 600; n += 2 {
		before := r
		was := ingest.Receipt{Boot: r.Boot, Through: r.Through, Missing: append([][2]uint64(nil), r.Missing...)}
		r = r.With("boot", n)
		came[n] = true
		checkReceipt(t, r, came, false)
		if !r.Covers("boot", n) || !sameReceipt(before, was) {
			t.Fatalf("%d came and is not covered, or an earlier receipt was changed: %+v", n, r)
		}
	}
	if len(r.Missing) != ingest.MaxMissing || r.Through != 600 {
		t.Fatalf("%d ranges through %d; want %d through 600", len(r.Missing), r.Through, ingest.MaxMissing)
	}
	// What a cabinet still has of it comes again, in any order: each time it is covered.
	for _, n := range rand.New(rand.NewPCG(1, 2)).Perm(600) {
		if n := uint64(n + 1); n%3 > 0 && !r.Covers("boot", n) {
			r = r.With("boot", n)
			came[n] = true
			checkReceipt(t, r, came, false)
			if !r.Covers("boot", n) {
				t.Fatalf("%d came again and is not covered: %+v", n, r)
			}
		}
	}
	for n := uint64(1); n <= 600; n++ { // the cabinet sends all that is not covered, in order
		if !r.Covers("boot", n) {
			r = r.With("boot", n)
			came[n] = true
			checkReceipt(t, r, came, false)
		}
	}
	if len(r.Missing) != 0 || r.Through != 600 {
		t.Fatalf("after everything came again: %+v", r)
	}
}

// Splitting a range in its middle must not break the bound either.
func TestReceiptBoundedSplit(t *testing.T) {
	r := ingest.Receipt{}.With("boot", 10)
	for n := uint64(12); len(r.Missing) < ingest.MaxMissing; n += 2 {
		r = r.With("boot", n)
	}
	split := r.With("boot", 5)
	if len(split.Missing) != ingest.MaxMissing || !split.Covers("boot", 5) || split.Covers("boot", 4) || split.Covers("boot", 10) || split.Covers("boot", 11) || split.Through != r.Through {
		t.Fatalf("expected 5 covered, and 10 missing again: %+v", split)
	}
	if end := r.With("boot", 9); !end.Covers("boot", 9) || len(end.Missing) != ingest.MaxMissing {
		t.Fatalf("a number at a range's end needs no new range: %+v", end)
	}
}

func TestReceiptCovers(t *testing.T) {
	r := ingest.Receipt{Boot: "a", Through: 5, Missing: [][2]uint64{{2, 3}}}
	for n, want := range []bool{false, true, false, false, true, true, false} {
		if got := r.Covers("a", uint64(n)); got != want {
			t.Errorf("Covers(a, %d) = %v", n, got)
		}
	}
	if r.Covers("b", 1) || (ingest.Receipt{}).Covers("", 0) {
		t.Error("another count is covered")
	}
}
