package detect

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

// A feeder that sags for a week at four of twelve turnouts is one notice and
// nobody's alert; a supply that sags at one alone is that turnout's.
func TestSagSharedByNeighbours(t *testing.T) {
	const n = 12
	var near Neighbours
	set := DefaultSettings()
	var benches [n]*bench
	var states [n]*State
	for i := range benches {
		benches[i], states[i] = newBench(uint64(i)+50), &State{}
	}
	sag := [n]float64{}
	alerted := map[int]Condition{}
	var notices []Notice
	round := func() {
		for i, w := range benches {
			w.time = 0.6 * sag[i]
			o := w.throw()
			o.Turnout = fmt.Sprintf("ELM-W%02d", i)
			o.Supply = ingest.Known(120 * (1 - sag[i]) * (1 + 0.005*w.rng.NormFloat64()))
			near.Fill(o, "")
			var a Assessment
			states[i], a = states[i].Step(o, &set)
			near.Take(states[i], "", o.StartedAt)
			for _, f := range a.Findings {
				alerted[i] = f.Condition
			}
			if list, changed := near.Notices(); changed {
				notices = list
			}
		}
	}
	for range 400 {
		round()
	}
	if len(alerted) > 0 || len(notices) > 0 {
		t.Fatalf("calm: %v alerted, notices %+v", alerted, notices)
	}
	for i := range 4 {
		sag[i] = 0.06
	}
	for range 150 { // some seven days
		round()
	}
	if len(alerted) > 0 {
		t.Errorf("what they share: %v alerted", alerted)
	}
	if len(notices) != 1 || notices[0].What != "supply" || notices[0].Turnouts != 4 || !strings.Contains(notices[0].Said, "lower than usual") {
		t.Errorf("expected one notice of the supply of four, found %+v", notices)
	}
	clear(sag[:])
	for range 100 {
		round()
	}
	if len(notices) > 0 || len(alerted) > 0 {
		t.Errorf("over: %v alerted, notices %+v", alerted, notices)
	}
	sag[7] = 0.08
	for range 150 {
		round()
	}
	if len(alerted) != 1 || alerted[7] != WeakSupply {
		t.Errorf("one alone: expected its weak supply, found %v", alerted)
	}
}

// A sensor that reads one direction as less than nothing from the first throw on
// is learned like any other, and what gets heavier there is found.
func TestSignedSensor(t *testing.T) {
	w := newBench(3)
	w.quantity, w.unit = ingest.DriveForce, ingest.Kilonewton
	signed := func() *Observation {
		th := w.made()
		if th.To == ingest.Reverse {
			for i := range th.Channels[0].Samples {
				th.Channels[0].Samples[i] *= -1
			}
		}
		return Measure(th)
	}
	s, set := &State{}, DefaultSettings()
	var a Assessment
	for range 400 {
		s, a = s.Step(signed(), &set)
		if len(a.Findings) > 0 {
			t.Fatalf("expected calm, found %+v", a.Findings[0])
		}
	}
	if l := s.Summary().Learning; l[1].Throws < l[1].Needed {
		t.Errorf("it learned %+v", l)
	}
	began := w.at
	for w.travel < 0.4 {
		w.travel += 0.004
		if s, a = s.Step(signed(), &set); len(a.Findings) > 0 {
			break
		}
	}
	if f := conditions(a.Findings)[Stiffening]; f.Condition != Stiffening || w.at.Sub(began) > 6*24*time.Hour {
		t.Errorf("expected stiffening within six days, found %+v after %s", a.Findings, w.at.Sub(began))
	}
}

// A supply next to nothing is none: it makes no figure that is no number.
func TestNoSupplyIsNone(t *testing.T) {
	var near Neighbours
	set := DefaultSettings()
	states := [3]*State{{}, {}, {}}
	benches := [3]*bench{newBench(1), newBench(2), newBench(3)}
	for n := range 200 {
		for i, w := range benches {
			o := w.throw()
			o.Turnout = fmt.Sprintf("ELM-W%d", i)
			o.Supply = ingest.Known([]float64{1e-50, 0, 5000}[(n+i)%3])
			near.Fill(o, "")
			states[i], _ = states[i].Step(o, &set)
			near.Take(states[i], "", o.StartedAt)
		}
	}
	if b, err := near.Lasting(); err != nil || !strings.Contains(string(b), "a/ELM") {
		t.Errorf("%s, %v", b, err)
	}
}
