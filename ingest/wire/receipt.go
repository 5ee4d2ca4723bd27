package wire

import (
	"fmt"

	"throwline/ingest"
)

func (r *reader) receipt(rec *ingest.Receipt) {
	if !r.object("") {
		return
	}
	const (
		boot seen = 1 << iota
		through
		missing
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "boot":
			if r.once(&s, boot, "boot") {
				rec.Boot = r.given("boot", "text of 1 to 64 characters")
			}
		case "through":
			if r.once(&s, through, "through") {
				rec.Through = r.count("through", 0)
			}
		case "missing":
			if r.value(&s, missing, "missing") {
				r.missing(rec)
			}
		default:
			r.src.skip()
		}
	}
	r.lacking(s,
		required{boot, "boot", "text of 1 to 64 characters"},
		required{through, "through", "a whole number from 0"})
	last := uint64(0)
	for i, m := range rec.Missing {
		if r.ok() && (m[0] <= last || m[1] < m[0] || m[1] > rec.Through) {
			r.fault(fmt.Sprintf("missing[%d]", i), "first and last number of a gap, ascending, up to through", fmt.Sprint(m))
		}
		last = m[1]
	}
}

func (r *reader) missing(rec *ingest.Receipt) {
	const rule = "a list of [first, last]"
	if !r.elements("missing", rule) {
		return
	}
	for i := 0; r.src.more(); i++ {
		r.list, r.index = "missing", i
		if !r.elements("", rule) {
			continue
		}
		var gap [2]uint64
		n := 0
		for ; r.src.more(); n++ {
			if n < 2 {
				gap[n] = r.count("", 1)
			} else {
				r.src.skip()
			}
		}
		if n != 2 && !r.src.failed() {
			r.fault(r.path(""), "[first, last]", fmt.Sprint(n, " numbers"))
		}
		rec.Missing = append(rec.Missing, gap)
	}
	r.list = ""
}
