package ingest

import "slices"

// MaxMissing is the largest number of ranges in [Receipt.Missing].
const MaxMissing = 64

// Receipt says which throws of one count of a cabinet are stored: every number
// from 1 to Through, but for the ranges of Missing. The zero Receipt covers
// nothing. A Receipt is a value: what was handed out never changes.
type Receipt struct {
	Boot    string
	Through uint64
	Missing [][2]uint64 // inclusive, ascending, disjoint, all below Through; at most MaxMissing
}

// With returns the receipt that covers the throw of this number too. A new
// boot starts anew; number 0 and an empty boot change nothing. Where there would be
// one range too many, the two lowest become one: what lies between them is stored
// and called missing again, which costs a sender that still has it a repeat. Numbers
// that never come would stop Through for good otherwise, and fill its spool.
func (r Receipt) With(boot string, seq uint64) Receipt {
	if boot == "" || seq == 0 {
		return r
	}
	if boot != r.Boot {
		r = Receipt{Boot: boot}
	}
	if seq > r.Through {
		if seq > r.Through+1 {
			r.Missing = append(slices.Clip(r.Missing), [2]uint64{r.Through + 1, seq - 1})
		}
		r.Through = seq
		return r.bounded(seq)
	}
	i := slices.IndexFunc(r.Missing, func(m [2]uint64) bool { return m[0] <= seq && seq <= m[1] })
	if i < 0 {
		return r // covered already
	}
	low, high := r.Missing[i][0], r.Missing[i][1]
	var left [][2]uint64
	if low < seq {
		left = append(left, [2]uint64{low, seq - 1})
	}
	if seq < high {
		left = append(left, [2]uint64{seq + 1, high})
	}
	r.Missing = slices.Replace(slices.Clone(r.Missing), i, i+1, left...)
	return r.bounded(seq)
}

// bounded makes one of two ranges where there is one too many. The number that has
// just come stays covered, or it would come again for ever. Missing is r's alone.
func (r Receipt) bounded(seq uint64) Receipt {
	if len(r.Missing) <= MaxMissing {
		return r
	}
	i := 0
	if r.Missing[0][1] < seq && seq < r.Missing[1][0] {
		i = 1
	}
	r.Missing[i+1][0] = r.Missing[i][0]
	r.Missing = slices.Delete(r.Missing, i, i+1)
	return r
}

// Covers reports whether the throw of this number is stored.
func (r Receipt) Covers(boot string, seq uint64) bool {
	if boot == "" || boot != r.Boot || seq == 0 || seq > r.Through {
		return false
	}
	return !slices.ContainsFunc(r.Missing, func(m [2]uint64) bool { return m[0] <= seq && seq <= m[1] })
}
