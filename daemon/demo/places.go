package demo

import (
	"math"

	"throwline/alerting"
)

// lines are the yard's invented lines, and how much hangs on their turnouts.
var lines = [...]struct {
	name        string
	criticality int
}{{"Main line", 5}, {"Loop", 3}, {"Sidings", 1}}

// Places returns what the people of the yard have said of its turnouts.
func (y *Yard) Places() []alerting.Place {
	list := make([]alerting.Place, 0, len(y.w.lives))
	each := (len(y.w.lives) + len(lines) - 1) / len(lines)
	for i, l := range y.w.lives {
		line := lines[i/each]
		p := alerting.Place{
			Turnout: l.p.name, Area: "Orrdale", Line: line.name, Position: math.Round(1000*(12.4+0.12*float64(i%each))) / 1000,
			Drive: "electric", Criticality: line.criticality,
		}
		if isHydraulic(l.p) {
			p.Drive = "hydraulic"
		}
		list = append(list, p)
	}
	return list
}
