package main

import (
	"math"
	"math/rand/v2"
)

// Causes of a fault, as the truth names them.
const (
	dryChairs           = "dry-slide-chairs"
	seizedRoller        = "seized-roller"
	obstruction         = "obstruction"
	lockAdjustment      = "lock-adjustment"
	backDrive           = "back-drive"
	hydraulicLeak       = "hydraulic-leak"
	motorWear           = "motor-wear"
	supplyVoltage       = "supply-voltage"
	measurement         = "measurement"
	detectionAdjustment = "detection-adjustment"
)

var causes = []string{dryChairs, seizedRoller, obstruction, lockAdjustment, backDrive,
	hydraulicLeak, motorWear, supplyVoltage, measurement, detectionAdjustment}

// repairLead is how long before the time of a repair its work is done, in days.
const repairLead = 25. / 1440

// fault is one hidden fault: it begins at onset, grows until failure, and is
// over with the repair.
type fault struct {
	cause                  string
	onset, failure, repair float64 // days
	growth                 string  // linear, accelerating or stepwise
	steps, levels          []float64
	expo                   float64    // of accelerating growth
	m, m2                  float64    // how strong at the failure; what they measure is the cause's
	c, w                   float64    // place along the stroke, and width
	dir                    [2]float64 // how much of it is felt, by end
	mode, place, drive     int
	pFail                  float64 // chance that a throw fails after the failure
}

// eligible says whether a turnout can have, and show, a cause.
func (t *turnout) eligible(cause string) bool {
	switch cause {
	case backDrive:
		return len(t.drives) > 1
	case hydraulicLeak:
		return t.drives[0].kind == hy
	case detectionAdjustment:
		return t.sendDet
	}
	return true
}

// newFault draws a fault that is repaired before the recording ends, after
// total days.
func newFault(r *rand.Rand, t *turnout, cause string, total float64) *fault {
	f := &fault{cause: cause, growth: pick(r, "linear", "accelerating", "stepwise"), expo: uni(r, 2, 3.5), dir: [2]float64{1, 1}}
	for {
		f.onset = uni(r, .2, .8) * total
		f.failure = f.onset + math.Exp(uni(r, math.Log(4), math.Log(40)))
		f.repair = f.failure + math.Exp(uni(r, math.Log(4), math.Log(48)))/24
		if f.repair < total-.3 {
			break
		}
	}
	n := 3 + r.IntN(4)
	for i := range n {
		f.steps = append(f.steps, (float64(i)+uni(r, 0, .6))/float64(n))
		f.levels = append(f.levels, (float64(i+1)+uni(r, -.25, .25))/float64(n))
	}
	f.steps[0], f.levels[n-1] = 0, 1
	f.pFail = uni(r, .3, .95)
	one := r.IntN(2)
	switch cause {
	case dryChairs:
		f.m, f.m2 = uni(r, .35, 1), uni(r, 0, .2)
		f.dir[one] = uni(r, .6, 1)
	case seizedRoller:
		f.m, f.c, f.w = uni(r, .6, 1.5), uni(r, .3, .7), uni(r, .1, .2)
		f.dir[one] = uni(r, .6, 1)
	case obstruction:
		f.m, f.c, f.w = uni(r, .7, 1.5), uni(r, .7, .86), uni(r, .025, .06)
		f.dir[one] = 0
	case lockAdjustment:
		f.m, f.m2 = uni(r, .7, 1.6), uni(r, .3, .7)
		f.dir[one] = uni(r, 0, .5)
	case backDrive:
		f.m, f.m2, f.mode = uni(r, .4, 1), uni(r, .2, .4), r.IntN(2)
	case hydraulicLeak:
		f.m, f.m2 = uni(r, .18, .42), uni(r, .1, .3)
	case motorWear:
		f.m, f.m2, f.mode = uni(r, .2, .4), uni(r, .1, .25), r.IntN(2)
	case supplyVoltage:
		f.m = uni(r, .2, .36)
		if t.drives[0].kind != dc {
			f.m = uni(r, .28, .42)
		}
	case measurement:
		f.mode = r.IntN(3)
		f.m = [3]float64{uni(r, .2, .5), uni(r, .1, .4), uni(r, 4, 10)}[f.mode] * pick(r, 1., -1.)
		f.drive = r.IntN(len(t.drives))
	case detectionAdjustment:
		f.m = uni(r, .35, 1)
		f.place = r.IntN(len(t.places))
		if chance(r, .5) {
			f.dir[one] = uni(r, 0, .3)
		}
	}
	return f
}

// severity on day d: 0 without a fault, 1 from the failure to the repair.
func (f *fault) severity(d float64) float64 {
	if f == nil || d < f.onset || d >= f.repair-repairLead {
		return 0
	}
	x := (d - f.onset) / (f.failure - f.onset)
	if x >= 1 {
		return 1
	}
	switch f.growth {
	case "accelerating":
		return math.Pow(x, f.expo)
	case "stepwise":
		v := 0.0
		for i, s := range f.steps {
			if x >= s {
				v = f.levels[i]
			}
		}
		return v
	}
	return x
}
