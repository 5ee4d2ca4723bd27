package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"throwline/detect"
	"throwline/ingest"
)

// plants draws some turnouts of both kinds.
func plants(n int) (out []*plant) {
	for i := range n {
		rng := rand.New(rand.NewPCG(11, uint64(i)))
		out = append(out, drawPlant(rng, fmt.Sprintf("T-W%02d", i), 0, i%3 == 0))
	}
	return out
}

// TestDrawnTurnoutsWork: what is drawn throws to both ends in time, between
// -15 and 40 °C, with a supply 5 % low.
func TestDrawnTurnoutsWork(t *testing.T) {
	var w workshop
	failed := 0
	for _, p := range plants(60) {
		for _, to := range ingest.Ends {
			for _, c := range []float64{-15, 40} {
				h, a := p.sound(), calm(to)
				a.air, a.rail, a.source = c, c, 0.95
				if !p.completes(&w, &h, &a) {
					failed++
					t.Logf("%s (%s) does not complete to %s at %g °C", p.name, p.what(10), to, c)
				}
			}
		}
	}
	// A few designs are on the brink in deep cold; that is as it is on a railway.
	if failed > 6 {
		t.Errorf("%d of 240 throws in hard weather did not complete", failed)
	}
}

// TestEveryFault: each kind of fault can befall some turnout, changes what is
// measured or detected, and where it is said to make the turnout fail it does,
// but not at four fifths of its size.
func TestEveryFault(t *testing.T) {
	all := plants(40)
	var w workshop
	for i, s := range shapes() {
		name := fmt.Sprintf("%s/%d", s.cause, i)
		t.Run(name, func(t *testing.T) {
			tried, fails := 0, 0
			for _, p := range all {
				if s.possible != nil && !s.possible(p) {
					continue
				}
				if tried++; tried > 6 {
					break
				}
				apply, most := s.apply(p, 1), s.most(p)
				h := p.sound()
				if apply(&h, 0); h.chairs != 1 || !reflect.DeepEqual(without(h), without(p.sound())) {
					t.Fatalf("a fault of size 0 changes the turnout: %+v", h)
				}
				if s.cause == detect.MeasurementCause {
					fails++
					continue
				}
				size, failed := p.failing(&w, apply, most)
				if !failed {
					continue
				}
				fails++
				ok := func(share float64) bool {
					h := p.sound()
					apply(&h, share*size)
					return !slices.ContainsFunc(ingest.Ends[:], func(to ingest.End) bool {
						a := calm(to)
						return !p.completes(&w, &h, &a)
					})
				}
				if ok(1) {
					t.Errorf("%s: said to fail at %g, does not", p.name, size)
				}
				if !ok(0.8) {
					t.Errorf("%s: said to fail at %g, fails at four fifths of it already", p.name, size)
				}
			}
			if tried == 0 || fails == 0 {
				t.Errorf("of %d turnouts that can have it, it makes %d fail", tried, fails)
			}
		})
	}
	// No cause but those of the contract, and each of them but what is none of one turnout.
	seen := map[detect.CauseName]bool{}
	for _, s := range shapes() {
		seen[s.cause] = true
	}
	for _, c := range []detect.CauseName{
		detect.DrySlideChairs, detect.SeizedRoller, detect.Obstruction, detect.LockAdjustment, detect.BackDrive, detect.HydraulicLeak,
		detect.MotorWear, detect.SupplyVoltageCause, detect.MeasurementCause, detect.DetectionAdjustment,
	} {
		if !seen[c] {
			t.Errorf("no fault of cause %s", c)
		}
		delete(seen, c)
	}
	if len(seen) > 0 {
		t.Errorf("causes that are not the contract's: %v", seen)
	}
}

// without is h without what only says where or how a fault is, not how large.
func without(h health) health {
	h.debrisEnd, h.rough = 0, 0
	return h
}

// TestGrowth: from nothing at the onset to the whole at the end of its life,
// never shrinking but for what comes and goes.
func TestGrowth(t *testing.T) {
	for _, g := range []growth{linear, accelerating, stepwise} {
		f := fault{onset: 10 * day, life: 20 * day, growth: g, power: 1, steps: []float64{0.2, 0.6, 1}}
		if g == accelerating {
			f.power = 2.5
		}
		if s := f.severity(10*day, 0.5); s != 0 {
			t.Errorf("%s: %g at its onset", growthNames[g], s)
		}
		near(t, growthNames[g]+" at the end", f.severity(30*day, 0.5), 1, 1e-9)
		for at := 10 * day; at < 40*day; at += 3600 {
			if f.severity(at+3600, 0.5) < f.severity(at, 0.5) {
				t.Fatalf("%s: shrinks at day %g", growthNames[g], at/day)
			}
		}
	}
	f := fault{life: 20 * day, growth: intermittent}
	there := func(u float64) (n int) {
		for i := range 100 {
			if f.severity(u*20*day, float64(i)/100) > 0.3 {
				n++
			}
		}
		return n
	}
	if early, late := there(0.05), there(0.95); early > 25 || late < 90 {
		t.Errorf("intermittent: there in %d of 100 throws early, %d late", early, late)
	}
}

func TestBearAsked(t *testing.T) {
	var w workshop
	rng := rand.New(rand.NewPCG(2, 2))
	for _, p := range plants(9) {
		f := p.bear(&w, rng, detect.HydraulicLeak, 5*day)
		if (f != nil) != (p.hydraulic != nil) {
			t.Errorf("%s drive: a leak is %v", p.kind(), f)
		}
		if f != nil && (f.cause != detect.HydraulicLeak || f.onset != 5*day || !strings.Contains(f.note, "half of its size")) {
			t.Errorf("not what was asked for: %+v", f)
		}
	}
}

// TestWeather: the same seed draws the same, whatever is extended or forgotten
// in between; values stay within what is believed; it rains now and then.
func TestWeather(t *testing.T) {
	a, b := newWeather(source(4, 1), 10), newWeather(source(4, 1), 10)
	a.extend(400 * day)
	var wet int
	for d := range 400 {
		b.extend(float64(d) * day)
		b.forget(float64(d-1) * day)
		for h := range 4 {
			at := float64(d)*day - float64(h)*3600
			if at < 0 {
				continue
			}
			if x, y := a.at(at), b.at(at); x != y {
				t.Fatalf("day %d: %+v and %+v", d, x, y)
			}
		}
		s := a.at(float64(d) * day)
		if s.air < -35 || s.air > 45 || s.rail < s.air-5 || s.rail > s.air+40 || s.wet < 0 || s.wet > 1 {
			t.Fatalf("day %d: weather %+v", d, s)
		}
		wet += int(s.rain)
	}
	if wet < 10 || wet > 200 {
		t.Errorf("rain at %d of 400 midnights", wet)
	}
	if len(b.hours) > 1100 {
		t.Errorf("%d hours are kept although they are forgotten", len(b.hours))
	}
	cold := newWeather(source(4, 1), 10)
	cold.snaps = []snap{{100 * day, 106 * day, 20}}
	cold.extend(120 * day)
	near(t, "a cold spell", a.at(103*day).air-cold.at(103*day).air, 20, 1e-9)
	near(t, "before a cold spell", a.at(99*day).air, cold.at(99*day).air, 1e-12)
}

// TestSensor: what is sent is what was there, within the count of the
// converter, with gain, zero and full scale as drawn.
func TestSensor(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	raw := []float64{0, 1, 2.5, 7, 30}
	for _, c := range []sensor{
		{drive: "main", signal: amps, unit: ingest.Ampere, gain: 1.02, zero: 0.1, low: -0.5, full: 10, count: 0.005, places: 1000},
		{drive: "main", signal: amps, unit: ingest.Ampere, gain: 1.02, zero: 0.1, low: -0.5, full: 10, count: 0.005, counts: true},
		{drive: "main", signal: bar, unit: ingest.Kilopascal, gain: 0.98, low: -1, full: 20, count: 0.02, places: 10},
		{drive: "main", signal: bar, unit: ingest.Kilopascal, gain: 0.98, low: -1, full: 20, count: 0.02, counts: true},
	} {
		h := sound()
		ch := c.channel(raw, 50, -0.1, &h, rng)
		got := ch.AppendPhysical(nil)
		for i, v := range raw {
			want := min(v*c.gain+c.zero, c.full)
			if math.Abs(got[i]-want) > 1.01*c.count {
				t.Errorf("%s, counts %v: %g was sent as %g, want %g", c.unit, c.counts, v, got[i], want)
			}
		}
		h.gain = 0.5
		bad := c.channel(raw, 50, -0.1, &h, rng)
		near(t, "with half of its gain", bad.AppendPhysical(nil)[3]-c.zero, 7*c.gain/2, 0.01)
	}
}
