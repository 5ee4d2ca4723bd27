package sketch

import (
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/score"
	"throwline/detect"
	"throwline/ingest"
)

func env(name string, def int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return def
}

// TestFleet scores detection on the sketched fleet and guards what has been
// reached. SEED, SEEDS and TURNOUTS widen it, V=1 tells each case.
func TestFleet(t *testing.T) {
	if racing {
		t.Skip("make score runs it without the race detector")
	}
	var all score.Result
	for seed := env("SEED", 1); seed < env("SEED", 1)+env("SEEDS", 1); seed++ {
		f := New(Options{Seed: uint64(seed), Turnouts: env("TURNOUTS", 20), Days: 150, Start: time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC), Faults: 0.6})
		truth := f.Truth
		truth.Faults = append([]score.Fault{}, f.Truth.Faults...)
		states := map[string]*detect.State{}
		past := map[string]alerting.Past{}
		set := detect.DefaultSettings()
		var events []alerting.Event
		var m detect.Measurer
		var sky detect.Weather
		var near detect.Neighbours
		f.Run(func(a ingest.Arrival) {
			if a.Work != nil {
				s := states[a.Work.Turnout]
				if s == nil {
					s = &detect.State{}
				}
				next, as := s.Visit(a.Work, &set)
				states[a.Work.Turnout] = next
				p, e := alerting.Step(past[a.Work.Turnout].Visit(a.Work.DoneAt), a.Work.Turnout, as.Findings, a.Work.DoneAt)
				past[a.Work.Turnout] = p
				events = append(events, e...)
				return
			}
			th := a.Throw
			s := states[th.Turnout]
			if s == nil {
				s = &detect.State{}
			}
			ob := m.Measure(th)
			sky.Fill(ob, th.Cabinet)
			near.Fill(ob, th.Cabinet)
			next, as := s.Step(ob, &set)
			near.Take(next, th.Cabinet, th.StartedAt)
			states[th.Turnout] = next
			p, e := alerting.Step(past[th.Turnout], th.Turnout, as.Findings, th.StartedAt)
			past[th.Turnout] = p
			events = append(events, e...)
			if os.Getenv("ODD") != "" {
				for _, x := range e {
					if x.Alert.Condition == detect.OddThrow && x.Kind == alerting.Raised {
						t.Log("ODD", x.At.Format("01-02"), x.Alert.Turnout, x.Alert.Causes[0].Evidence[0])
					}
				}
			}
		})
		r := score.Score(&truth, events)
		all.Add(r)
	}
	if os.Getenv("V") != "" {
		for _, c := range all.Cases {
			first := "none"
			if len(c.First) > 0 {
				first = string(c.First[0].Cause)
			}
			t.Logf("%s %s %s: warned %v of %s with %.2f of the time left, change %.1f %%, first cause %s", c.Kind, c.Turnout, c.Cause, !c.Warned.IsZero(), c.Condition, c.Left, c.Change, first)
		}
		for _, e := range all.False {
			t.Logf("false: %s %s %s %.1f %% %s", e.At.Format(time.DateOnly), e.Alert.Turnout, e.Alert.Condition, e.Alert.ChangePercent, e.Alert.Causes[0].Evidence[0])
		}
	}
	if err := all.Print(os.Stderr); err != nil {
		t.Fatal(err)
	}
	if os.Getenv("SEEDS") != "" || os.Getenv("TURNOUTS") != "" {
		return
	}
	failures, warned, first, two := 0, 0, 0, 0
	var left []float64
	for _, c := range all.Cases {
		if c.Failure.IsZero() {
			continue
		}
		failures++
		if c.Warned.IsZero() {
			continue
		}
		warned++
		left = append(left, c.Left)
		for i, x := range c.First {
			if string(x.Cause) == c.Cause && i < 2 {
				two++
				if i == 0 {
					first++
				}
			}
		}
	}
	slices.Sort(left)
	held := 0
	for _, g := range all.Guesses {
		if g.P10 <= g.Days && g.Days <= g.P90 {
			held++
		}
	}
	// It may only get better.
	if failures < 12 || warned < failures || left[len(left)/2] < 0.7 || first < 8 || two < 11 || len(all.False) > 1 || 4*held < 3*len(all.Guesses) {
		t.Errorf("of %d failures %d were warned of with %.2f of the time left, %d with the right cause first, %d among two; %d false alerts; %d of %d forecasts held",
			failures, warned, left[len(left)/2], first, two, len(all.False), held, len(all.Guesses))
	}
}
