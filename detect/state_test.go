package detect

import (
	"bytes"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

// bench is a made turnout whose traces follow from a few numbers. It is for
// the mechanics of the state only; how good detection is, the invented yard
// and recordings tell.
type bench struct {
	rng      *rand.Rand
	at       time.Time
	quantity ingest.Quantity
	unit     ingest.Unit
	travel   float64 // change of the travel effort, a share
	time     float64 // change of the duration, a share
	n        int
}

func newBench(seed uint64) *bench {
	return &bench{rng: rand.New(rand.NewPCG(seed, 1)), at: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), quantity: ingest.MotorCurrent, unit: ingest.Ampere}
}

func (w *bench) throw() *Observation { return Measure(w.made()) }

// made returns the next throw as it is sent.
func (w *bench) made() *ingest.Throw {
	w.at = w.at.Add(time.Duration(40+w.rng.IntN(60)) * time.Minute)
	w.n++
	stretch := 1 + w.time + 0.004*w.rng.NormFloat64()
	level := 1 + 0.02*w.rng.NormFloat64()
	tr := (2 + 2*w.travel) * level
	v := draw(50, piece{0.1, 0, 0}, piece{0.02, 0, 9}, piece{0.1, 9, 3}, piece{0.4 * stretch, 3 * level, 3 * level}, piece{2 * stretch, tr, tr * 1.1}, piece{0.4 * stretch, 3.5 * level, 3.6 * level}, piece{0.4, 0, 0})
	for i := range v {
		v[i] += 0.02 * w.rng.NormFloat64()
	}
	th := throwOf(w.quantity, w.unit, 50, v)
	th.StartedAt = w.at
	if w.n%2 == 0 {
		th.To = ingest.Reverse
	}
	return th
}

func conditions(f []Finding) map[Condition]Finding {
	m := map[Condition]Finding{}
	for _, x := range f {
		m[x.Condition] = x
	}
	return m
}

// Friction that grows over weeks is called stiffening, with dry chairs first,
// long before it has doubled; before it grows nothing is called.
func TestStiffening(t *testing.T) {
	for seed := range uint64(10) {
		w := newBench(seed)
		s, set := &State{}, DefaultSettings()
		var a Assessment
		for range 600 {
			s, a = s.Step(w.throw(), &set)
			if len(a.Findings) > 0 {
				t.Fatalf("seed %d: expected calm, found %+v", seed, a.Findings[0])
			}
		}
		if l := s.Summary().Learning[0]; l.Throws < l.Needed {
			t.Fatalf("learned %+v", l)
		}
		for w.travel < 0.5 {
			w.travel += 0.001
			w.time += 0.0001
			s, a = s.Step(w.throw(), &set)
			if f, ok := conditions(a.Findings)[Stiffening]; ok {
				if f.Causes[0].Cause != DrySlideChairs {
					t.Errorf("seed %d: expected dry-slide-chairs first, found %+v", seed, f.Causes)
				}
				sum := 0.0
				for _, c := range f.Causes {
					sum += c.Probability
				}
				if math.Abs(sum-1) > 1e-9 {
					t.Errorf("probabilities add up to %g", sum)
				}
				break
			}
		}
		if w.travel > 0.25 {
			t.Errorf("seed %d: called at %.0f %%", seed, 100*w.travel)
		}
	}
}

// A hydraulic drive that only gets slower loses oil.
func TestSlowHydraulic(t *testing.T) {
	w := newBench(3)
	w.quantity, w.unit = ingest.HydraulicPressure, ingest.Bar
	s, set := &State{}, DefaultSettings()
	var a Assessment
	for range 300 {
		s, a = s.Step(w.throw(), &set)
	}
	for range 300 {
		w.time += 0.001
		s, a = s.Step(w.throw(), &set)
		if f, ok := conditions(a.Findings)[SlowThrow]; ok {
			if f.Causes[0].Cause != HydraulicLeak {
				t.Errorf("expected hydraulic-leak first, found %+v", f.Causes)
			}
			return
		}
	}
	t.Error("never called slow")
}

// An incomplete throw is called by itself, from the very first, and stands
// until three throws in a row arrived.
func TestIncomplete(t *testing.T) {
	w := newBench(1)
	s, set := &State{}, DefaultSettings()
	o := w.throw()
	o.Completed, o.ThrowID = false, "x1"
	s, a := s.Step(o, &set)
	f, ok := conditions(a.Findings)[IncompleteThrow]
	if !ok || f.ThrowID != "x1" || f.To != o.To {
		t.Fatalf("found %+v", a.Findings)
	}
	for i := range 2 * goodThrows {
		s, a = s.Step(w.throw(), &set)
		_, stands := conditions(a.Findings)[IncompleteThrow]
		if want := i < 2*goodThrows-1; stands != want {
			// the first bad throw was to normal, which is every second one
			if i < 2*goodThrows-2 {
				t.Errorf("after %d good throws: stands %v", i+1, stands)
			}
		}
	}
	if len(a.Findings) != 0 {
		t.Errorf("found %+v", a.Findings)
	}
}

// A late throw is told as late, and teaches nothing; one that did not arrive
// is told all the same.
func TestLate(t *testing.T) {
	w := newBench(1)
	s, set := &State{}, DefaultSettings()
	for range 100 {
		s, _ = s.Step(w.throw(), &set)
	}
	o := w.throw()
	o.StartedAt = o.StartedAt.Add(-50 * time.Hour)
	next, a := s.Step(o, &set)
	if !a.Late || len(a.Findings) != 0 {
		t.Errorf("found %+v", a)
	}
	if next.ends[o.To-1].tracks[0] != s.ends[o.To-1].tracks[0] {
		t.Error("a late throw taught something")
	}
	o.Completed = false
	if _, a = s.Step(o, &set); len(a.Findings) != 1 || a.Findings[0].Condition != IncompleteThrow {
		t.Errorf("found %+v", a.Findings)
	}
}

// Step changes neither its state nor its observation, and the same steps give
// the same state, also over a write and a read in between.
func TestStepIsPure(t *testing.T) {
	w := newBench(7)
	set := DefaultSettings()
	s, again := &State{}, &State{}
	for i := range 400 {
		if i == 250 {
			w.travel = 0.4
		}
		o := w.throw()
		copied := *o
		before, _ := s.MarshalBinary()
		next, a := s.Step(o, &set)
		after, _ := s.MarshalBinary()
		if !bytes.Equal(before, after) {
			t.Fatal("the state was changed")
		}
		if !sameObservation(copied, *o) {
			t.Fatal("the observation was changed")
		}
		b, err := again.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		again = &State{}
		if err := again.UnmarshalBinary(b); err != nil {
			t.Fatal(err)
		}
		var a2 Assessment
		again, a2 = again.Step(o, &set)
		if !reflect.DeepEqual(a.Findings, a2.Findings) {
			t.Fatalf("throw %d: expected %+v, found %+v", i, a.Findings, a2.Findings)
		}
		s = next
	}
	b1, _ := s.MarshalBinary()
	b2, _ := again.MarshalBinary()
	if !bytes.Equal(b1, b2) {
		t.Error("two walks end in different states")
	}
	if len(b1) > 2*8192 {
		t.Errorf("state of %d bytes for two ends", len(b1))
	}
	for n := range len(b1) {
		if err := new(State).UnmarshalBinary(b1[:n]); err == nil {
			t.Fatalf("a state cut to %d bytes was read", n)
		}
	}
}

func sameObservation(a, b Observation) bool {
	return a.Key == b.Key && a.StartedAt.Equal(b.StartedAt) && a.Completed == b.Completed && len(a.Traces) == len(b.Traces) && a.Traces[0].Profile == b.Traces[0].Profile
}

// stiffened returns a turnout that became half as heavy again and is called so.
func stiffened(t *testing.T, w *bench) (s *State, a Assessment, set Settings) {
	t.Helper()
	s, set = &State{}, DefaultSettings()
	for range 200 {
		s, a = s.Step(w.throw(), &set)
	}
	w.travel = 0.5
	for range 100 {
		s, a = s.Step(w.throw(), &set)
	}
	if _, ok := conditions(a.Findings)[Stiffening]; !ok {
		t.Fatal("not called")
	}
	return s, a, set
}

// Work that helps closes once throws have shown it; the level is found anew within a few throws.
func TestVisit(t *testing.T) {
	w := newBench(5)
	s, a, set := stiffened(t, w)
	w.travel = 0
	s, a = s.Visit(&ingest.Work{Turnout: "W1", DoneAt: w.at, Kind: ingest.Lubricated}, &set)
	if len(a.Findings) == 0 {
		t.Error("closed before a throw has shown that it helped")
	}
	var verdicts []Verdict
	for i := range 200 {
		s, a = s.Step(w.throw(), &set)
		verdicts = append(verdicts, a.Verdicts...)
		if len(a.Findings) > 0 && i > 2*3*groupCount {
			t.Fatalf("throw %d after the visit: found %+v", i, a.Findings[0])
		}
	}
	if len(verdicts) != 2 || verdicts[0].Outcome != Helped || !strings.Contains(verdicts[0].Said, "travel effort down 3") || !strings.Contains(verdicts[0].Said, "at its reference") {
		t.Errorf("expected that it helped to both ends, found %+v", verdicts)
	}
	if l := s.Summary().Learning[0]; l.Throws < l.Needed {
		t.Errorf("after the visit: learned %+v", l)
	}
}

// Work that does not help closes nothing, and the turnout's reference stays.
func TestVisitInVain(t *testing.T) {
	w := newBench(6)
	s, a, set := stiffened(t, w)
	s, _ = s.Visit(&ingest.Work{Turnout: "W1", DoneAt: w.at, Kind: ingest.Repaired}, &set)
	var verdicts []Verdict
	for i := range 200 {
		s, a = s.Step(w.throw(), &set)
		verdicts = append(verdicts, a.Verdicts...)
		if _, ok := conditions(a.Findings)[Stiffening]; !ok {
			t.Fatalf("throw %d after work that changed nothing: closed", i)
		}
	}
	if len(verdicts) != 2 || verdicts[0].Outcome != NotHelped || verdicts[1].Outcome != NotHelped {
		t.Errorf("expected that it did not help, found %+v", verdicts)
	}
}

// A baseline that is started anew takes what is there now for normal.
func TestRebaselined(t *testing.T) {
	w := newBench(7)
	s, a, set := stiffened(t, w)
	s, _ = s.Visit(&ingest.Work{Turnout: "W1", DoneAt: w.at, Kind: ingest.Rebaselined, Note: "other blades were fitted"}, &set)
	for i := range 200 {
		s, a = s.Step(w.throw(), &set)
		if len(a.Findings) > 0 && i > 2*3*groupCount {
			t.Fatalf("throw %d: still called, %+v", i, a.Findings[0])
		}
	}
	w.travel = 0.9
	for range 100 {
		s, a = s.Step(w.throw(), &set)
	}
	if len(a.Findings) == 0 {
		t.Error("blind after the new baseline")
	}
}

// A change that grows evenly towards the usual limit gets a forecast that holds
// the day on which it is reached, and a calm turnout gets none.
func TestForecast(t *testing.T) {
	held, told := 0, 0
	for seed := range uint64(6) {
		w := newBench(100 + seed)
		s, set := &State{}, DefaultSettings()
		var a Assessment
		for range 300 {
			s, a = s.Step(w.throw(), &set)
		}
		start := w.at
		life := 15 + 4*float64(seed) // d, to the limit of 0.5 ln
		for {
			age := w.at.Sub(start).Hours() / 24
			if age > life {
				break
			}
			w.travel = math.Expm1(0.5 * age / life)
			s, a = s.Step(w.throw(), &set)
			if f, ok := conditions(a.Findings)[Stiffening]; ok && f.Forecast != nil && age > life/2 {
				told++
				if left := life - age; f.Forecast.P10 <= left && left <= f.Forecast.P90 {
					held++
				}
				if f.Forecast.P10 > f.Forecast.P50 || f.Forecast.P50 > f.Forecast.P90 || f.Forecast.Limit == "" {
					t.Fatalf("quantiles out of order: %+v", f.Forecast)
				}
			}
		}
	}
	if told < 60 || float64(held) < 0.8*float64(told) {
		t.Errorf("of %d forecasts %d held", told, held)
	}
}

// Traces that cannot be used are told as the sensor's, and teach nothing.
func TestUseless(t *testing.T) {
	w := newBench(8)
	s, set := &State{}, DefaultSettings()
	var a Assessment
	for range 200 {
		s, a = s.Step(w.throw(), &set)
	}
	before, _ := s.Profile(ingest.Normal, "main", w.quantity), a
	for range 10 {
		o := w.throw()
		o.Traces[0] = Measure(throwOf(w.quantity, w.unit, 50, make([]float64, 200))).Traces[0]
		s, a = s.Step(o, &set)
	}
	f, ok := conditions(a.Findings)[DoubtfulMeasurement]
	if !ok || len(a.Findings) != 1 || f.Causes[0].Cause != MeasurementCause || !strings.Contains(f.Causes[0].Evidence[0], "do not move") {
		t.Fatalf("found %+v", a.Findings)
	}
	if now := s.Profile(ingest.Normal, "main", w.quantity); now != before {
		t.Error("useless traces moved what is usual")
	}
	for range 4 {
		s, a = s.Step(w.throw(), &set)
	}
	if len(a.Findings) != 0 {
		t.Errorf("good traces again: %+v", a.Findings)
	}
}
