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
// boot starts anew; number 0 and an empty boot change nothing. A number that
// would open one range too many is not covered: Through stops rising, rather
// than calling stored what is not, until what is missing has come again.
func (r Receipt) With(boot string, seq uint64) Receipt {
	if boot == "" || seq == 0 {
		return r
	}
	if boot != r.Boot {
		r = Receipt{Boot: boot}
	}
	if seq > r.Through {
		if seq > r.Through+1 {
			if len(r.Missing) >= MaxMissing {
				return r
			}
			r.Missing = append(slices.Clip(r.Missing), [2]uint64{r.Through + 1, seq - 1})
		}
		r.Through = seq
		return r
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
	if len(r.Missing)-1+len(left) > MaxMissing {
		return r
	}
	r.Missing = slices.Replace(slices.Clone(r.Missing), i, i+1, left...)
	return r
}

// Covers reports whether the throw of this number is stored.
func (r Receipt) Covers(boot string, seq uint64) bool {
	if boot == "" || boot != r.Boot || seq == 0 || seq > r.Through {
		return false
	}
	return !slices.ContainsFunc(r.Missing, func(m [2]uint64) bool { return m[0] <= seq && seq <= m[1] })
}
