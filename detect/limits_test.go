package detect

import (
	"math"
	"strings"
	"testing"

	"throwline/ingest"
)

// The bench's usual throw lasts 3.0 s. One that arrives after the operator's
// limit is told by itself, with both figures, and stands until good throws follow.
func TestThrowBeyondLimit(t *testing.T) {
	w := newBench(21)
	limit := 3.3
	set := DefaultSettings()
	set.Limits = func(turnout string) Limits {
		if turnout != "W1" {
			t.Errorf("asked for %q", turnout)
		}
		return Limits{ThrowTime: limit}
	}
	s := &State{}
	var a Assessment
	for range 60 {
		if s, a = s.Step(w.throw(), &set); len(a.Findings) > 0 {
			t.Fatalf("found %+v", a.Findings)
		}
	}
	w.time = 0.2 // 3.6 s
	o := w.throw()
	o.ThrowID = "slow"
	s, a = s.Step(o, &set)
	f, ok := conditions(a.Findings)[SlowThrow]
	if !ok || f.ThrowID != "slow" || !f.Fresh || f.To != o.To || f.Urgency < 0.75 {
		t.Fatalf("found %+v", a.Findings)
	}
	if said := f.Causes[0].Evidence[0]; said != "a throw to "+o.To.String()+" took 3.6 s, longer than the 3.3 s set for a throw" && !strings.Contains(said, "took 3.5 s") {
		t.Errorf("said %q", said)
	}
	sum := 0.0
	for _, c := range f.Causes {
		sum += c.Probability
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("probabilities add up to %g", sum)
	}
	b, err := s.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	again := &State{}
	if err := again.UnmarshalBinary(b); err != nil || again.ends[o.To-1].slow != s.ends[o.To-1].slow {
		t.Errorf("expected %+v kept, found %+v, %v", s.ends[o.To-1].slow, again.ends[o.To-1].slow, err)
	}
	w.time = 0
	for i := range 2 * goodThrows {
		s, a = s.Step(w.throw(), &set)
		if _, stands := conditions(a.Findings)[SlowThrow]; stands != (i < 2*goodThrows-1) {
			t.Errorf("after %d more throws: stands %v", i+1, stands)
		}
	}
	// Another limit holds from the next throw on, and a throw that did not arrive is not slow but incomplete.
	limit = 2.5
	o = w.throw()
	if _, a = s.Step(o, &set); len(a.Findings) != 1 || a.Findings[0].Condition != SlowThrow {
		t.Errorf("expected the new limit, found %+v", a.Findings)
	}
	o.Completed = false
	if _, a = s.Step(o, &set); len(a.Findings) != 1 || a.Findings[0].Condition != IncompleteThrow {
		t.Errorf("expected incomplete alone, found %+v", a.Findings)
	}
	if n := len(s.ends[0].tracks); n != 1 {
		t.Errorf("%d tracks", n)
	}
}

// What the charts say and what the limit says of slowness is one finding.
func TestSlowByChartAndLimit(t *testing.T) {
	w := newBench(22)
	w.quantity, w.unit = ingest.HydraulicPressure, ingest.Bar
	set := DefaultSettings()
	set.Limits = func(string) Limits { return Limits{ThrowTime: 3.4} }
	s := &State{}
	var a Assessment
	for range 300 {
		s, a = s.Step(w.throw(), &set)
	}
	both, charts := false, false
	for w.time < 0.3 {
		w.time += 0.001
		s, a = s.Step(w.throw(), &set)
		slow := 0
		for _, f := range a.Findings {
			if f.Condition != SlowThrow {
				continue
			}
			slow++
			if f.Forecast != nil && f.Forecast.Limit != "the 3.4 s set for a throw" {
				t.Fatalf("limit %q", f.Forecast.Limit)
			}
			past := strings.Contains(f.Causes[0].Evidence[0], "longer than the 3.4 s")
			charts = charts || !past
			both = both || past && f.ChangePercent > 5
		}
		if slow > 1 {
			t.Fatalf("told twice: %+v", a.Findings)
		}
	}
	if !charts || !both {
		t.Errorf("told by the charts first %v, then by both %v", charts, both)
	}
}

// A forecast counts the days to the operator's own limit: the tighter it is,
// the sooner, and narrower than to a limit that is only assumed.
func TestForecastToLimit(t *testing.T) {
	forecast := func(l Limits) (f Forecast, left float64) {
		w := newBench(23)
		w.quantity, w.unit = ingest.HydraulicPressure, ingest.Bar
		set := DefaultSettings()
		set.Limits = func(string) Limits { return l }
		s := &State{}
		var a Assessment
		for range 300 {
			s, a = s.Step(w.throw(), &set)
		}
		start := w.at
		for age := 0.0; age < 10; age = w.at.Sub(start).Hours() / 24 {
			w.time = 0.01 * age // 1 % a day
			s, a = s.Step(w.throw(), &set)
		}
		for _, x := range a.Findings {
			if x.Forecast != nil {
				return *x.Forecast, 20 - 10 // to 20 %, the limit of 3.6 s
			}
		}
		t.Fatalf("%+v: no forecast in %+v", l, a.Findings)
		return
	}
	assumed, _ := forecast(Limits{})
	own, left := forecast(Limits{ThrowTime: 3.6})
	if assumed.Limit != "the time allowed for a throw" || own.Limit != "the 3.6 s set for a throw" {
		t.Errorf("limits %q and %q", assumed.Limit, own.Limit)
	}
	if own.P10 > left || own.P90 < left {
		t.Errorf("expected %.0f d within the forecast, found %+v", left, own)
	}
	if own.P90 >= assumed.P90 || own.P50 >= assumed.P50 {
		t.Errorf("expected less than %+v, found %+v", assumed, own)
	}
}

// The operator's limit of the effort is one of the forecast's.
func TestForecastToEffort(t *testing.T) {
	w := newBench(24)
	set := DefaultSettings()
	set.Limits = func(string) Limits { return Limits{EffortRise: 40} }
	s := &State{}
	var a Assessment
	for range 300 {
		s, a = s.Step(w.throw(), &set)
	}
	start := w.at
	for age := 0.0; age < 10; age = w.at.Sub(start).Hours() / 24 {
		w.travel = 0.02 * age
		s, a = s.Step(w.throw(), &set)
	}
	f := conditions(a.Findings)[Stiffening].Forecast
	if f == nil || f.Limit != "the 40 % set for the rise of the effort" || f.P10 > 10 || f.P90 < 10 {
		t.Errorf("expected 10 d to 40 %%, found %+v", f)
	}
}
