package detect

import (
	"math"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

// taught returns what a fault of the sensor must not move: the levels of all
// signals to both ends, the usual course and the usual duration.
func taught(s *State) (out [2]track) {
	for i := range out {
		out[i] = s.ends[i].tracks[0]
	}
	return out
}

// spoil is a fault of the measurement, made of good samples.
type spoil func(w *bench, c *ingest.Channel)

// rescaled multiplies and shifts samples.
func rescaled(by, plus float64) spoil {
	return func(_ *bench, c *ingest.Channel) {
		for i := range c.Samples {
			c.Samples[i] = c.Samples[i]*by + plus
		}
	}
}

func cutAt(top float64) spoil {
	return func(_ *bench, c *ingest.Channel) {
		for i, x := range c.Samples {
			c.Samples[i] = min(x, top)
		}
	}
}

func paced(f float64) spoil {
	return func(_ *bench, c *ingest.Channel) { c.SampleRate /= f }
}

// What cannot be trusted is called so and by nothing else, and teaches nothing.
func TestDoubtful(t *testing.T) {
	for _, c := range []struct {
		name   string
		spoil  spoil
		said   string  // in the evidence
		within int     // throws
		moved  float64 // allowances that the level may have moved by before it was called
	}{
		{"cut in the inrush", cutAt(4.2), "peak is cut off", 6, 0.05},
		{"cut in the travel", cutAt(2.05), "while the blades move", 6, 0.05},
		{"flat", rescaled(0, 0), "do not move", 6, 0},
		{"sign", rescaled(-1, -0.5), "another sign than all before", 6, 0},
		{"zero", rescaled(1, 0.6), "zero", 60, 0.2},
		{"gain", rescaled(1.3, 0), "", 80, 0.2},
		{"gain down", rescaled(0.7, 0), "", 80, 0.2},
		{"rate 0.5", paced(0.5), "last 0.50 times the usual", 6, 0.05},
		{"rate 0.8", paced(0.8), "last 0.80 times the usual", 6, 0.05},
		{"rate 1.25", paced(1.25), "last 1.25 times the usual", 6, 0.05},
		{"rate 2", paced(2), "last 2.00 times the usual", 6, 0.05},
		{"start cut and told", func(_ *bench, c *ingest.Channel) { c.Samples, c.Offset = c.Samples[40:], 0.8 }, "begin in the middle", 6, 0},
		{"start cut", func(_ *bench, c *ingest.Channel) { c.Samples = c.Samples[40:] }, "begin in the middle", 6, 0},
		{"noise", func(w *bench, c *ingest.Channel) {
			for i := range c.Samples {
				c.Samples[i] += 0.8 * w.rng.NormFloat64()
			}
		}, "noise", 6, 0.2},
		{"some noise", func(w *bench, c *ingest.Channel) {
			for i := range c.Samples {
				c.Samples[i] += 0.12 * w.rng.NormFloat64()
			}
		}, "ripple", 80, 0.2},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newBench(31)
			s, set := &State{}, DefaultSettings()
			var a Assessment
			for range 200 {
				s, a = s.Step(w.throw(), &set)
			}
			before := taught(s)
			called := 0
			for n := 1; n <= 100; n++ {
				th := w.made()
				c.spoil(w, &th.Channels[0])
				s, a = s.Step(Measure(th), &set)
				got := conditions(a.Findings)
				f, doubtful := got[DoubtfulMeasurement]
				if doubtful && called == 0 {
					called = n
					if said := strings.Join(f.Causes[0].Evidence, "; "); f.Causes[0].Cause != MeasurementCause || !strings.Contains(said, c.said) {
						t.Errorf("said %s: %s", f.Causes[0].Cause, said)
					}
				}
				delete(got, DoubtfulMeasurement)
				for other := range got {
					t.Errorf("throw %d: also called %s: %v", n, other, got[other].Causes[0])
				}
			}
			if called == 0 || called > c.within {
				t.Errorf("expected it called within %d throws, found %d", c.within, called)
			}
			for e, now := range taught(s) {
				for k := range now.signals {
					if x := math.Abs(float64(now.signals[k].level-before[e].signals[k].level)) / kinds[k].allowance; x > c.moved {
						t.Errorf("%s: the level of the %s moved by %.2f allowances", ingest.Ends[e], kinds[k].name, x)
					}
				}
				if math.Abs(math.Log(float64(now.duration/before[e].duration))) > 0.01 {
					t.Errorf("the usual duration went from %.2f to %.2f s", before[e].duration, now.duration)
				}
			}
			for range 40 {
				s, a = s.Step(w.throw(), &set)
			}
			if len(a.Findings) > 0 {
				t.Errorf("good again: %+v", a.Findings)
			}
			b, err := s.MarshalBinary()
			if err == nil {
				err = new(State).UnmarshalBinary(b)
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
}

// A real slow throw, though it came at once to both ends, is no wrong clock:
// the inrush keeps its time.
func TestSlowIsNoClock(t *testing.T) {
	for _, slower := range []float64{0.12, 0.25, 0.5, 1} {
		for seed := range uint64(4) {
			w := newBench(200 + seed)
			s, set := &State{}, DefaultSettings()
			var a Assessment
			for range 200 {
				s, a = s.Step(w.throw(), &set)
			}
			w.time = slower
			slow := false
			for range 60 {
				s, a = s.Step(w.throw(), &set)
				got := conditions(a.Findings)
				if _, bad := got[DoubtfulMeasurement]; bad {
					t.Fatalf("%.0f %% slower, seed %d: found %+v", 100*slower, seed, a.Findings)
				}
				_, x := got[SlowThrow]
				_, y := got[WeakSupply] // slower without more effort
				slow = slow || x || y
			}
			if !slow {
				t.Errorf("%.0f %% slower, seed %d: not called slow", 100*slower, seed)
			}
		}
	}
}

// Without an inrush, what has its own clock tells: the detectors, and a second channel.
func TestWitnessesOfTheClock(t *testing.T) {
	for _, c := range []struct {
		name           string
		detector, twin bool
		clock          bool
	}{
		{"detector, clock", true, false, true}, {"detector, slow", true, false, false},
		{"twin, clock", false, true, true}, {"twin, slow", false, true, false},
	} {
		w := newBench(41)
		w.quantity, w.unit = ingest.HydraulicPressure, ingest.Bar
		s, set := &State{}, DefaultSettings()
		var a Assessment
		throw := func(rate float64) *Observation {
			th := w.made()
			if c.detector {
				end := Measure(th).Traces[0].Bounds[Tail]
				th.Detections = []ingest.Detection{{Place: "toe", After: time.Duration((float64(end) + 0.2 + 0.01*w.rng.NormFloat64()) * float64(time.Second))}}
			}
			if c.twin {
				second := th.Channels[0]
				second.Quantity, second.Unit = ingest.MotorPower, ingest.Watt
				th.Channels = append(th.Channels, second)
			}
			th.Channels[0].SampleRate *= rate
			return Measure(th)
		}
		for range 300 {
			s, a = s.Step(throw(1), &set)
		}
		rate := 1.0
		if c.clock {
			rate = 0.8
		} else {
			w.time = 0.25
		}
		seen := map[Condition]bool{}
		for range 60 {
			s, a = s.Step(throw(rate), &set)
			for _, f := range a.Findings {
				seen[f.Condition] = true
			}
		}
		if seen[DoubtfulMeasurement] != c.clock || seen[SlowThrow] == c.clock {
			t.Errorf("%s: found %v", c.name, seen)
		}
	}
}

// A range that was always too small for the inrush is the installation's own:
// nobody is told, nothing is learned of the inrush, the rest is watched.
func TestCutFromTheFirst(t *testing.T) {
	w := newBench(51)
	s, set := &State{}, DefaultSettings()
	throw := func(top float64) *Observation {
		th := w.made()
		cutAt(top)(w, &th.Channels[0])
		return Measure(th)
	}
	for range 300 {
		var a Assessment
		if s, a = s.Step(throw(4.2), &set); len(a.Findings) > 0 {
			t.Fatalf("found %+v", a.Findings)
		}
	}
	if n := s.ends[0].tracks[0].signals[sInrush].n; n > 10 {
		t.Errorf("learned the inrush of %g throws", n)
	}
	w.travel = 0.5
	for range 100 {
		var a Assessment
		s, a = s.Step(throw(4.2), &set)
		if _, ok := conditions(a.Findings)[Stiffening]; ok {
			return
		}
	}
	t.Error("blind to what is not cut")
}

// An inrush that is cut now and then is not told again and again.
func TestCutNowAndThen(t *testing.T) {
	w := newBench(52)
	s, set := &State{}, DefaultSettings()
	told, stood := 0, false
	for n := range 600 {
		th := w.made()
		if n > 200 && n%16 < 8 {
			cutAt(4.2)(w, &th.Channels[0])
		}
		var a Assessment
		s, a = s.Step(Measure(th), &set)
		_, now := conditions(a.Findings)[DoubtfulMeasurement]
		if now && !stood {
			told++
		}
		stood = now
	}
	if told < 1 || told > clipsUsual+1 {
		t.Errorf("told %d times", told)
	}
}

// A wrong clock at which the baseline is started anew is normal from then on.
func TestRebaselinedClock(t *testing.T) {
	w := newBench(61)
	s, set := &State{}, DefaultSettings()
	var a Assessment
	for range 200 {
		s, _ = s.Step(w.throw(), &set)
	}
	throw := func() *Observation {
		th := w.made()
		paced(1.25)(w, &th.Channels[0])
		return Measure(th)
	}
	for range 10 {
		s, a = s.Step(throw(), &set)
	}
	if len(a.Findings) != 1 {
		t.Fatalf("found %+v", a.Findings)
	}
	s, _ = s.Visit(&ingest.Work{Turnout: "W1", DoneAt: w.at, Kind: ingest.Rebaselined}, &set)
	for range 100 {
		if s, a = s.Step(throw(), &set); len(a.Findings) > 0 {
			t.Fatalf("found %+v", a.Findings)
		}
	}
}
