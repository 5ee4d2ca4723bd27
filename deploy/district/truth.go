package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"
)

// writeTruth writes what the district hides: a line for the whole, one a
// turnout, one a fault. What never came is left out of a fault.
func (d *district) writeTruth(w io.Writer) error {
	type m = map[string]any
	enc := json.NewEncoder(w)
	when := func(t float64) time.Time { return day(d.start, t).Truncate(time.Second) }
	lines := []m{{"fleet": m{"start": when(0), "end": when(d.days)}}}
	for _, t := range d.turnouts {
		lines = append(lines, m{"turnout": t.name, "drive_kind": t.label})
	}
	for _, t := range d.turnouts {
		for _, f := range t.faults {
			x := m{"turnout": t.name, "cause": f.cause, "onset": when(f.onset), "detectable_note": fmt.Sprintf("%s; %v", f.note, f.law)}
			if !math.IsNaN(f.failed) {
				x["failure"] = when(f.failed)
			}
			if f.over() {
				x["repaired"] = when(f.repaired)
			}
			lines = append(lines, m{"fault": x})
		}
	}
	for _, l := range lines {
		if err := enc.Encode(l); err != nil {
			return err
		}
	}
	return nil
}
