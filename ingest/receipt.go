package ingest

import "slices"

// MaxMissing is how many gaps a receipt tells. With more, Through stops rising
// until old gaps are filled: what a receipt says is always true.
const MaxMissing = 256

// Receipt is what a cabinet that numbers its throws is told: every number up to
// Through, but for those in Missing, is kept here. The zero Receipt promises nothing.
type Receipt struct {
	Boot    string
	Through uint64
	Missing [][2]uint64 // first and last of each gap below Through, ascending
}

// Holds reports whether the receipt says that the number is kept.
func (r *Receipt) Holds(seq uint64) bool {
	if seq == 0 || seq > r.Through {
		return false
	}
	return !slices.ContainsFunc(r.Missing, func(m [2]uint64) bool { return m[0] <= seq && seq <= m[1] })
}

// With returns the receipt after number seq of a boot was kept; r is not
// changed. Another boot starts anew.
func (r Receipt) With(boot string, seq uint64) Receipt {
	if boot != r.Boot {
		r = Receipt{Boot: boot}
	}
	if seq == 0 || r.Holds(seq) {
		return r
	}
	if seq > r.Through {
		if seq > r.Through+1 {
			if len(r.Missing) >= MaxMissing {
				return r // the number is kept all the same; the cabinet sends it again
			}
			r.Missing = append(slices.Clip(r.Missing), [2]uint64{r.Through + 1, seq - 1})
		}
		r.Through = seq
		return r
	}
	var missing [][2]uint64
	for _, m := range r.Missing {
		if seq < m[0] || seq > m[1] {
			missing = append(missing, m)
			continue
		}
		if m[0] < seq {
			missing = append(missing, [2]uint64{m[0], seq - 1})
		}
		if seq < m[1] {
			missing = append(missing, [2]uint64{seq + 1, m[1]})
		}
	}
	if len(missing) > MaxMissing {
		return r
	}
	r.Missing = missing
	return r
}
