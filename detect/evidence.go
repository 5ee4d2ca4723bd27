package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"throwline/ingest"
)

// evidence says in words what changed and what did not.
func (p *picture) evidence() []string {
	var lines, quiet []string
	for i := range p.views {
		v := &p.views[i]
		if !slices.ContainsFunc(p.alarms, func(a raised) bool { return a.signal >= 0 && a.drive == v.drive }) {
			continue
		}
		prefix := ""
		if len(p.views) > 1 {
			prefix = v.drive + " drive: "
			if slices.ContainsFunc(p.views, func(o view) bool { return o.drive == v.drive && o.q != v.q }) {
				prefix = v.drive + " drive, " + strings.ReplaceAll(string(v.q), "_", " ") + ": "
			}
		}
		words, loud := v.words()
		if loud {
			lines = append(lines, prefix+words)
		} else {
			quiet = append(quiet, prefix+words)
		}
	}
	lines = append(lines, quiet...)
	for e := range p.lag {
		for _, l := range p.lag[e] {
			if l.d > 3*l.sd && l.d > lagKind.allowance {
				lines = append(lines, fmt.Sprintf("detection at %q follows the movement to %s %.2f s later than it did", l.place, ingest.Ends[e], l.d))
			}
		}
	}
	for e, known := range p.known {
		if known && p.sag[e] > sagKind.allowance {
			lines = append(lines, "supply at the drive "+percent(100*(math.Exp(-p.sag[e])-1)))
			break
		}
	}
	if len(lines) == 0 {
		lines = []string{"nothing else stands out"}
	}
	return lines
}

// words says what the channel shows, and whether that is any change at all.
func (v *view) words() (text string, loud bool) {
	var parts []string
	say := func(sig int, quietly bool) {
		var texts []string
		for e := range 2 {
			if v.have[e] {
				texts = append(texts, percent(kinds[sig].percent(v.change(e, sig))))
			}
		}
		quiet := !slices.ContainsFunc(texts, func(t string) bool { return t != unchanged })
		loud = loud || !quiet
		name := kinds[sig].name
		switch {
		case quiet && quietly:
		case len(texts) == 2 && texts[0] == texts[1]:
			parts = append(parts, name+" "+texts[0]+both(texts[0]))
		case len(texts) == 2:
			parts = append(parts, fmt.Sprintf("%s %s to normal and %s to reverse", name, texts[0], texts[1]))
		case v.have[0]:
			parts = append(parts, name+" "+texts[0]+" to normal")
		default:
			parts = append(parts, name+" "+texts[0]+" to reverse")
		}
	}
	say(sTravel, false)
	say(sDuration, false)
	say(sUnlock, true)
	say(sLock, true)
	if v.q != ingest.HydraulicPressure {
		say(sInrush, false)
	}
	for e := range 2 {
		if !v.have[e] {
			continue
		}
		if at := v.heavy(e); at >= 0 {
			loud = true
			parts = append(parts, fmt.Sprintf("heaviest at %d %% of the travel to %s, %s there", (100*at+50)/cells, ingest.Ends[e], percent(kinds[sCell].percent(v.change(e, sCell+at)))))
		}
	}
	for _, sig := range []int{sIdle, sRipple} {
		for e := range 2 {
			if v.have[e] && math.Abs(v.change(e, sig)) > 0.6*kinds[sig].allowance {
				say(sig, false)
				break
			}
		}
	}
	return strings.Join(parts, ", "), loud
}

// heavy returns the cell that stands out from the others, -1 where none does.
func (v *view) heavy(e int) int {
	at, most := -1, 0.0
	for i := range cells {
		d := v.own[e][sCell+i]
		if d > most && d > 3*v.sd[e][sCell+i] && d > kinds[sCell].allowance {
			at, most = i, d
		}
	}
	return at
}

func both(text string) string {
	if text == unchanged {
		return ""
	}
	return " in both directions"
}

// meaning is what the figures say when the cause is the right one.
var meaning = map[CauseName]string{
	DrySlideChairs:      "friction along the whole movement",
	SeizedRoller:        "a heavy place in the travel",
	Obstruction:         "something is met on the way to one end",
	LockAdjustment:      "heavy where the lock works",
	BackDrive:           "the rear part of the switch drags",
	HydraulicLeak:       "slower with the pressure as ever, oil is lost on the way",
	MotorWear:           "the drive gives less than it did",
	SupplyVoltageCause:  "slower from the first moment, the supply sags",
	MeasurementCause:    "the trace has changed as no load changes it",
	DetectionAdjustment: "the movement is as ever, its proof comes late",
	ColdWeather:         "the cold makes it heavier",
	UnknownCause:        "no known pattern",
}

// checks to make on site. Common practice; local rules come first.
var checks = map[CauseName][]string{
	DrySlideChairs:      {"look at slide chairs and rollers for dry, rusty or dirty faces", "clean and lubricate as the lubrication plan says", "throw by hand crank and feel for stiff places"},
	SeizedRoller:        {"turn every roller by hand; clean or replace those that do not turn", "check roller height against the fitting instructions"},
	Obstruction:         {"look between switch rail and stock rail, under stretcher bars and in the drive's pit for ballast, ice or debris", "check that sleepers and ballast leave the rods free"},
	LockAdjustment:      {"check the lock's play and the closing of the switch rail against the stock rail with the gauge", "look for wear and dirt in the lock; clean and lubricate it"},
	BackDrive:           {"check rods, joints and slack of the supplementary drive", "compare the opening at the supplementary drive with its nominal value"},
	HydraulicLeak:       {"look at hoses, unions and ram seals for oil", "check the oil level and the pump's pressure on the gauge"},
	MotorWear:           {"check brushes, commutator or coupling, and the clutch's setting", "compare the motor's current with its plate"},
	SupplyVoltageCause:  {"measure the voltage at the drive while it runs", "check battery, rectifier, cable joints and terminals"},
	MeasurementCause:    {"compare the sensor with a clamp meter or gauge", "check the sensor's clamp, zero and plug"},
	DetectionAdjustment: {"check the detector rods and contacts against the gauge", "look for looseness at the detector's fixing"},
	ColdWeather:         {"compare with the neighbouring turnouts at this temperature", "check point heating if it is fitted"},
	UnknownCause:        {"look at the traces beside those of its past", "inspect the turnout at the next visit"},
}
