package main

import "math"

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
	detectionAdjustment = "detection-adjustment"
	measurement         = "measurement" // of the sensor, not of the turnout: it fails no throw
)

// law is how a fault grows.
type law int

const (
	linear law = iota
	exponential
	stepCreep
	intermittent
	weathered
)

func (l law) String() string {
	return [...]string{"linear", "exponential", "step then creep", "intermittent", "weather-dependent"}[l]
}

// fault is one hidden fault.
type fault struct {
	cause       string
	variant     int // of the cause
	note        string
	onset, plan float64 // plan: when throws begin to fail, if none has before; until it is placed, the length
	fails       bool
	law         law
	bend, first float64    // of exponential growth; share that comes at once
	bad         float64    // sign of the weather that makes it worse: +1 dry and hot, -1 cold and wet
	full        float64    // size at the failure
	ends        [2]float64 // share of it that is felt, by end
	add         [2]grid    // kN at full size
	addBack     [2]grid    // the same, of a drive at the back
	place       float64    // where throws fail
	often       float64    // share of throws that fail once it has failed
	wait        float64    // days from failure to repair
	mended      bool       // at all
	recorded    bool       // its repair
	failed      float64    // NaN: not yet
	repaired    float64    // NaN: not yet
	failures    int

	// What it did to throws that completed, for the summary.
	before, just []float64
}

func (f *fault) over() bool { return !math.IsNaN(f.repaired) }

// at is how large the fault is, 1 at its planned failure.
func (f *fault) at(r random, t float64, wx *weather) float64 {
	x := (t - f.onset) / (f.plan - f.onset)
	if x <= 0 || f.over() && t >= f.repaired {
		return 0
	}
	x = min(x, 1.25)
	switch f.law {
	case linear:
		return x
	case exponential:
		return (math.Exp(f.bend*x) - 1) / (math.Exp(f.bend) - 1)
	case stepCreep:
		return f.first*ramp(t, f.onset, f.onset+0.4) + (1-f.first)*x
	case intermittent:
		if r.p(0.05 + 0.65*math.Pow(min(x, 1), 1.4)) {
			return (0.5 + 0.5*x) * r.u(0.7, 1.1)
		}
		return 0.08 * x
	}
	wet, rail := between(wx.wet, t), between(wx.rail, t)
	w := clamp(1-wet, 0, 1) * clamp(0.5+(rail-10)/40, 0.2, 1)
	if f.bad < 0 {
		w = clamp(0.3+0.5*wet+(8-rail)/25, 0, 1)
	}
	return x * (0.5 + 0.6*w)
}

// mix says how many of n turnouts get a fault that fails, a sensor that goes
// wrong, and a fault that has no time left to fail.
func mix(r random, n int) (fail, sensor, late int) {
	share := func(x float64) int { return int(math.Round(float64(n) * x)) }
	return share(r.u(0.42, 0.49)), share(0.075), share(0.05)
}

// plant chooses who falls ill, of what and when.
func plant(seed uint64, ts []*turnout, days float64) {
	r := stream(seed, "faults")
	order := r.Perm(len(ts))
	fail, sensor, late := mix(r, len(ts))
	const learning = 17 // days that are left without a fault
	for i, k := range order {
		t := ts[k]
		switch {
		case i < fail:
			f := newFault(r, t, "")
			f.set(r, learning, days-2)
			t.faults = append(t.faults, f)
			if f.plan < days*0.55 && r.p(0.25) {
				g := newFault(r, t, "")
				if f.plan+20+g.plan < days-4 {
					g.set(r, f.plan+20, days-2)
					t.faults = append(t.faults, g)
				}
			}
		case i < fail+sensor:
			f := newFault(r, t, measurement)
			f.set(r, learning, days-2)
			t.faults = append(t.faults, f)
		case i < fail+sensor+late:
			f := newFault(r, t, "")
			length := f.plan
			f.onset = days - length*r.u(0.45, 0.85)
			f.plan = f.onset + length
			t.faults = append(t.faults, f)
		}
	}
}

// set puts a fault, whose plan still is its length, between two times.
func (f *fault) set(r random, from, to float64) {
	length := f.plan
	f.onset = r.u(from, max(from+0.5, to-length-1))
	f.plan = f.onset + length
	if f.fails && f.plan > to-18 {
		f.mended = r.p(0.75) // else it fails on to the end
	}
}
