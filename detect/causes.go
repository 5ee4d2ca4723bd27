package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"throwline/ingest"
)

// template is the pattern of changes that a cause leaves, relative to the
// largest of them, in the order duration, inrush, unlocking, travel thirds,
// locking, hump. It follows from the physics of the drive; see the file's
// comments beside each.
type template struct {
	cause   CauseName
	prior   float64
	both    float64 // weight of showing in both ends alike, 0 to 1; the rest is for one end alone
	pattern [9]float64
}

var templateSignals = [9]int{sDuration, sInrush, sUnlock, sTravelA, sTravelB, sTravelC, sLock, sBump, sRipple}

// rippleWeight brings the ripple, which varies by more than the effort does,
// to the size of the others.
const rippleWeight = 0.2

// electric: the current or power of a motor shows the load; the speed falls
// little with it; inrush is set by the supply and the windings.
var electric = []template{
	{DrySlideChairs, 0.24, 0.9, [9]float64{0.15, 0.02, 0.6, 1, 1, 1, 0.7, 0.1, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.08, 0, 0.2, 1, 0.3, 0.1, 0.1, 0.9, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.08, 0, 0.1, 0.3, 1, 0.3, 0.1, 0.9, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.08, 0, 0, 0.1, 0.3, 1, 0.2, 0.9, 0}},
	{Obstruction, 0.05, 0.15, [9]float64{0.2, 0, 0, 0, 0.3, 1, 0.6, 0.9, 0}},
	{Obstruction, 0.05, 0.15, [9]float64{0.2, 0, 0, 0, 0, 0.3, 1, 0.3, 0}},
	{LockAdjustment, 0.07, 0.35, [9]float64{0.15, 0, 0.2, 0, 0, 0.1, 1, 0.1, 0}},
	{LockAdjustment, 0.05, 0.35, [9]float64{0.15, 0, 1, 0.1, 0, 0, 0.6, 0.1, 0}},
	{BackDrive, 0.08, 0.7, [9]float64{0.25, 0, 0, 0.1, 0.5, 1, 0.6, 0.5, 0}},
	{MotorWear, 0.06, 0.95, [9]float64{1, -0.5, 0.2, 0.2, 0.2, 0.2, 0.2, 0, 0.6}},
	{MotorWear, 0.04, 0.95, [9]float64{0.4, 0.1, 0.9, 1, 1, 1, 0.9, 0, 0.5}},
	{SupplyVoltageCause, 0.08, 0.95, [9]float64{1, -1, 0, 0, 0, 0, 0, 0, 0}},
	{MeasurementCause, 0.06, 0.95, [9]float64{0, 1, 1, 1, 1, 1, 1, 0, 0}},
}

// hydraulic: the pressure shows the load; the speed is set by the flow, so a
// leak or a worn pump shows in time and hardly in pressure.
var hydraulic = []template{
	{DrySlideChairs, 0.24, 0.9, [9]float64{0.08, 0.6, 0.6, 1, 1, 1, 0.7, 0.1, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.05, 0, 0.2, 1, 0.3, 0.1, 0.1, 0.9, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.05, 0, 0.1, 0.3, 1, 0.3, 0.1, 0.9, 0}},
	{SeizedRoller, 0.05, 0.85, [9]float64{0.05, 0, 0, 0.1, 0.3, 1, 0.2, 0.9, 0}},
	{Obstruction, 0.05, 0.15, [9]float64{0.1, 0, 0, 0, 0.3, 1, 0.6, 0.9, 0}},
	{Obstruction, 0.05, 0.15, [9]float64{0.1, 0, 0, 0, 0, 0.3, 1, 0.3, 0}},
	{LockAdjustment, 0.07, 0.35, [9]float64{0.1, 0, 0.2, 0, 0, 0.1, 1, 0.1, 0}},
	{LockAdjustment, 0.05, 0.35, [9]float64{0.1, 0.5, 1, 0.1, 0, 0, 0.6, 0.1, 0}},
	{BackDrive, 0.08, 0.7, [9]float64{0.15, 0, 0, 0.1, 0.5, 1, 0.6, 0.5, 0}},
	{HydraulicLeak, 0.16, 0.9, [9]float64{1, -0.1, -0.05, -0.05, -0.05, -0.05, -0.1, 0, 0}},
	{MotorWear, 0.06, 0.95, [9]float64{1, -0.3, -0.1, 0, 0, 0, -0.1, 0, 0.5}},
	{SupplyVoltageCause, 0.05, 0.95, [9]float64{1, -0.2, -0.1, -0.05, -0.05, -0.05, -0.1, 0, 0}},
	{MeasurementCause, 0.06, 0.95, [9]float64{0, 1, 1, 1, 1, 1, 1, 0, 0}},
}

// causes ranks what may be behind the picture. Each template is laid over the
// changes with the size that suits it best; what it leaves unexplained, against
// the uncertainty of the changes and the roughness of the template itself,
// makes its likelihood; a plain "something else" competes with a wide spread.
func (p *picture) causes() []Cause {
	weights := map[CauseName]float64{}
	drives := map[string][]change{}
	var order []string
	for _, c := range p.changes {
		if c.signal < 0 {
			continue
		}
		key := c.drive + "\x00" + string(c.q)
		if _, ok := drives[key]; !ok {
			order = append(order, key)
		}
		drives[key] = append(drives[key], c)
	}
	// The channel that stands out most tells the cause; where a supplementary
	// drive has its own and it alone stands out, it is the supplementary drive.
	var lead string
	size := func(key string) float64 {
		top := 0.0
		for _, c := range drives[key] {
			if c.alarm > 0 && alarms(c.signal) {
				top = max(top, c.d/kinds[c.signal].allowance)
			}
		}
		return top
	}
	for _, key := range order {
		if lead == "" || size(key) > size(lead) {
			lead = key
		}
	}
	if lead != "" && size(lead) > 0 {
		p.fit(drives[lead], weights)
		if d := drives[lead][0].drive; d != "main" {
			elsewhere := 0.0
			for _, key := range order {
				if key != lead && drives[key][0].drive == "main" {
					elsewhere = max(elsewhere, size(key))
				}
			}
			if elsewhere < 0.4*size(lead) {
				sum := total(weights)
				for name := range weights {
					weights[name] *= 0.3
				}
				weights[BackDrive] += 0.7 * sum
			}
		}
	}
	// Detection that follows late, with the effort as ever.
	late := false
	for _, c := range p.changes {
		late = late || c.signal == sLag && c.alarm > 0
	}
	if late {
		sum := total(weights)
		if sum == 0 {
			sum = 1
			weights[LockAdjustment], weights[UnknownCause] = 0.15, 0.08
		} else {
			for name := range weights {
				weights[name] *= 0.5
			}
		}
		weights[DetectionAdjustment] += 0.75 * sum
	}
	// A supply that is reported settles whether it is the supply.
	if p.known {
		if p.sagging {
			sum := total(weights)
			for name := range weights {
				weights[name] *= 0.25
			}
			weights[SupplyVoltageCause] += 0.75*sum + 1e-9
		} else if p.sag < sagKind.allowance {
			weights[SupplyVoltageCause] *= 0.05
		}
	}
	if total(weights) == 0 {
		weights[UnknownCause] = 1
	}
	sum := total(weights)
	evidence := p.evidence()
	var out []Cause
	for name, w := range weights {
		if w/sum < 0.01 {
			continue
		}
		out = append(out, Cause{Cause: name, Probability: w / sum, Evidence: evidence, Checks: checks[name]})
	}
	kept := 0.0
	for _, c := range out {
		kept += c.Probability
	}
	for i := range out {
		out[i].Probability = math.Round(out[i].Probability/kept*1000) / 1000
	}
	sortCauses(out)
	rest := 1.0
	for i := range out[1:] {
		rest -= out[i+1].Probability
	}
	out[0].Probability = math.Round(rest*1000) / 1000
	for i := range out {
		if s := meaning[out[i].Cause]; s != "" {
			e := append([]string{}, out[i].Evidence...)
			if len(e) > 0 {
				e[0] += ": " + s
			}
			out[i].Evidence = e
		}
	}
	return out
}

// total adds the weights in a fixed order, so that every run rounds alike.
func total(w map[CauseName]float64) float64 {
	sum := 0.0
	for _, name := range causeOrder {
		sum += w[name]
	}
	return sum
}

var causeOrder = [...]CauseName{DrySlideChairs, SeizedRoller, Obstruction, LockAdjustment, BackDrive, HydraulicLeak, MotorWear, SupplyVoltageCause, MeasurementCause, DetectionAdjustment, ColdWeather, UnknownCause}

// fit adds the likelihood of every template to the weights.
func (p *picture) fit(changes []change, weights map[CauseName]float64) {
	var d, v [2][9]float64
	var have [2]bool
	top := 0.0
	for _, c := range changes {
		for i, sig := range templateSignals {
			if c.signal == sig {
				d[c.end][i], v[c.end][i] = c.d, c.sd*c.sd
				have[c.end] = true
				if sig == sRipple {
					d[c.end][i] *= rippleWeight
					v[c.end][i] *= rippleWeight * rippleWeight
				} else {
					top = max(top, math.Abs(c.d))
				}
			}
		}
	}
	list := electric
	q := changes[0].q
	if q == ingest.HydraulicPressure {
		list = hydraulic
	}
	// A template is right to about a quarter of the change.
	rough := 0.006 + 0.28*top
	score := func(end int, pattern *[9]float64, amount float64) float64 {
		s := 0.0
		for i := range pattern {
			if v[end][i] == 0 {
				continue
			}
			r := d[end][i] - amount*pattern[i]
			s -= 0.5 * r * r / (v[end][i] + rough*rough)
		}
		return s
	}
	amount := func(end int, pattern *[9]float64) float64 {
		a, b := 0.0, 0.0
		for i := range pattern {
			if v[end][i] == 0 {
				continue
			}
			w := 1 / (v[end][i] + rough*rough)
			a += w * d[end][i] * pattern[i]
			b += w * pattern[i] * pattern[i]
		}
		return max(a/max(b, 1e-12), 0)
	}
	for i := range list {
		t := &list[i]
		w := 0.0
		switch {
		case have[0] && have[1]:
			a0, a1 := amount(0, &t.pattern), amount(1, &t.pattern)
			s0, s1 := score(0, &t.pattern, a0), score(1, &t.pattern, a1)
			n0, n1 := score(0, &t.pattern, 0), score(1, &t.pattern, 0)
			// Alike in both ends, or in one alone.
			ratio := min(a0, a1) / max(a0, a1, 1e-9)
			alike := math.Exp(s0+s1) * smooth((ratio-0.3)/0.3)
			alone := math.Exp(max(s0+n1, s1+n0)) + math.Exp(s0+s1)*(1-smooth((ratio-0.3)/0.3))
			w = t.both*alike + (1-t.both)*alone
		case have[0]:
			w = math.Exp(score(0, &t.pattern, amount(0, &t.pattern)))
		default:
			w = math.Exp(score(1, &t.pattern, amount(1, &t.pattern)))
		}
		weights[t.cause] += t.prior * w
	}
	// Something else: as likely as a template that misses by two roughnesses.
	weights[UnknownCause] += 0.08 * math.Exp(-7)
}

// smooth goes from 0 at -1 to 1 at 1.
func smooth(x float64) float64 { return 1 / (1 + math.Exp(-4*x)) }

// evidence says in words what changed and what did not.
func (p *picture) evidence() []string {
	type row struct{ d, sd [2]float64 }
	var lines []string
	seen := map[string]bool{}
	for _, c := range p.changes {
		key := c.drive + " " + string(c.q)
		if c.signal < 0 || seen[key] {
			continue
		}
		seen[key] = true
		var rows [numSignals]row
		var have [2]bool
		moved := false
		for _, x := range p.changes {
			if x.signal >= 0 && x.drive == c.drive && x.q == c.q {
				rows[x.signal].d[x.end], rows[x.signal].sd[x.end] = x.d, x.sd
				have[x.end] = true
				moved = moved || x.alarm > 0
			}
		}
		if !moved {
			continue
		}
		var parts []string
		say := func(sig int) {
			var texts []string
			for end := range have {
				if have[end] {
					texts = append(texts, percent(kinds[sig].percent(rows[sig].d[end])))
				}
			}
			quiet := !slices.ContainsFunc(texts, func(t string) bool { return t != unchanged })
			switch {
			case quiet && (sig == sUnlock || sig == sLock):
				// What did not change is told where it tells causes apart.
			case len(texts) == 2 && texts[0] == texts[1]:
				parts = append(parts, kinds[sig].name+" "+texts[0]+both(texts[0]))
			case len(texts) == 2:
				parts = append(parts, fmt.Sprintf("%s %s to normal and %s to reverse", kinds[sig].name, texts[0], texts[1]))
			case have[0]:
				parts = append(parts, kinds[sig].name+" "+texts[0]+" to normal")
			default:
				parts = append(parts, kinds[sig].name+" "+texts[0]+" to reverse")
			}
		}
		say(sTravel)
		say(sDuration)
		say(sUnlock)
		say(sLock)
		if c.q != ingest.HydraulicPressure {
			say(sInrush)
		}
		for _, end := range []int{0, 1} {
			if have[end] && rows[sBump].d[end] > kinds[sBump].allowance {
				say(sBump)
				break
			}
		}
		prefix := ""
		if len(p.drives()) > 1 {
			prefix = c.drive + " drive: "
		}
		lines = append(lines, prefix+strings.Join(parts, ", "))
	}
	for _, c := range p.changes {
		if c.signal == sLag && c.alarm > 0 {
			lines = append(lines, fmt.Sprintf("detection at %q follows the movement to %s %.2f s later than it did", c.place, ingest.Ends[c.end], c.d))
		}
	}
	if p.sagging {
		lines = append(lines, "supply at the drive "+percent(100*(math.Exp(-p.sag)-1)))
	}
	if len(lines) == 0 {
		lines = []string{"nothing else stands out"}
	}
	return lines
}

func both(text string) string {
	if text == unchanged {
		return ""
	}
	return " in both directions"
}

func (p *picture) drives() map[string]bool {
	m := map[string]bool{}
	for _, c := range p.changes {
		if c.signal >= 0 {
			m[c.drive] = true
		}
	}
	return m
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
	MeasurementCause:    "all parts of the trace grew alike while the time stayed, which a load does not do",
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
