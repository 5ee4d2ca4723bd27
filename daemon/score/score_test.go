package score

import (
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// day is a time of the made-up recording, in days from its start.
func day(d float64) time.Time {
	return time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(d * 24 * float64(time.Hour)))
}

// madeUp is the truth of four turnouts over a hundred days.
func madeUp() *Truth {
	return &Truth{
		Start: day(0), End: day(100),
		Turnouts: map[string]string{"A": "electric", "B": "electric", "C": "hydraulic", "D": "hydraulic"},
		Faults: []Fault{
			{Turnout: "A", Cause: "motor-wear", Onset: day(30), Failure: day(50), Repaired: day(51), Note: "bearings <bind> & \"squeal\""},
			{Turnout: "B", Cause: "dry-slide-chairs", Onset: day(40), Failure: day(60), Repaired: day(61)},
			{Turnout: "C", Cause: "hydraulic-leak", Onset: day(50), Failure: day(90), Repaired: day(92)},
			{Turnout: "D", Cause: "obstruction", Onset: day(70)}, // never fails
			{Turnout: "A", Cause: "motor-wear", Onset: day(80), Failure: day(90)},
		},
	}
}

func event(kind alerting.EventKind, turnout string, at float64, c detect.Condition, causes ...detect.Cause) alerting.Event {
	return alerting.Event{Kind: kind, At: day(at), Alert: alerting.Alert{Turnout: turnout, Condition: c, Causes: causes}}
}

func cause(name detect.CauseName, p float64) detect.Cause {
	return detect.Cause{Cause: name, Probability: p}
}

func forecast(e alerting.Event, p10, p50, p90 float64) alerting.Event {
	e.Alert.Forecast = &detect.Forecast{P10: p10, P50: p50, P90: p90}
	return e
}

func madeUpEvents() []alerting.Event {
	incomplete := func(turnout, id string, at float64) alerting.Event {
		e := event(alerting.Raised, turnout, at, detect.IncompleteThrow)
		e.Alert.ThrowID = id
		return e
	}
	return []alerting.Event{
		event(alerting.Raised, "A", 10, detect.Stiffening, cause("unknown", 1)), // false
		event(alerting.Changed, "A", 11, detect.Stiffening, cause("unknown", 1)),
		event(alerting.Cleared, "A", 31, detect.Stiffening), // no warning
		event(alerting.Raised, "A", 32, detect.OddThrow),    // no warning
		// 15 of 20 days left; 15/12 of what was forecast, within.
		forecast(event(alerting.Raised, "A", 35, detect.Stiffening, cause(detect.DrySlideChairs, 0.5), cause(detect.MotorWear, 0.3)), 5, 12, 20),
		// 5 days left; half of what was forecast, outside.
		forecast(event(alerting.Changed, "A", 45, detect.Stiffening, cause(detect.MotorWear, 0.95)), 6, 10, 20),
		incomplete("A", "A-50", 50),
		forecast(event(alerting.Changed, "A", 50.5, detect.Stiffening, cause(detect.Obstruction, 1)), 1, 2, 3), // too late to count
		event(alerting.Raised, "A", 53, detect.SlowThrow, cause(detect.Obstruction, 1)),                        // within the grace
		event(alerting.Raised, "A", 55, detect.SlowThrow, cause(detect.Obstruction, 1)),                        // false
		event(alerting.Raised, "B", 60, detect.Stiffening, cause(detect.DrySlideChairs, 1)),                    // with the failure: too late
		event(alerting.Raised, "C", 80, detect.SlowThrow, cause(detect.HydraulicLeak, 0.6)),                    // 10 of 40 days left
		forecast(event(alerting.Raised, "D", 75, detect.Stiffening, cause(detect.Obstruction, 0.9)), 1, 2, 3),  // neither for nor against
		incomplete("C", "", 90),
	}
}

func TestScore(t *testing.T) {
	r := Score(madeUp(), madeUpEvents())
	for i, want := range []struct {
		warned float64 // 0: not
		left   float64
		first  int
	}{{35, 0.75, 1}, {}, {80, 0.25, 0}, {75, 0, 0}, {}} {
		c := &r.Cases[i]
		switch {
		case want.warned == 0 && c.Warned.IsZero():
		case !c.Warned.Equal(day(want.warned)), c.Left != want.left, c.rank(c.First) != want.first:
			t.Errorf("fault %d: expected a warning on day %g, %g left, cause at %d; found %+v", i, want.warned, want.left, want.first, c)
		}
	}
	if last := r.Cases[0].Last; len(last) != 1 || last[0].Probability != 0.95 {
		t.Errorf("expected what was last said before the failure, found %v", last)
	}
	if len(r.False) != 2 || !r.False[0].At.Equal(day(10)) || !r.False[1].At.Equal(day(55)) || r.Wanted != 4 || r.Odd != 1 {
		t.Errorf("expected 2 false alerts, 4 failures, 1 odd throw, found %d, %d, %d", len(r.False), r.Wanted, r.Odd)
	}
}

// A throw without an id that came late is told at the time of the latest one:
// each needs an event of its own there.
func TestLateIncomplete(t *testing.T) {
	l := NewTally(madeUp(), false)
	for _, x := range []struct {
		at        float64
		completed bool
	}{{20, true}, {19, false}, {18, false}, {17, false}, {21, false}} {
		l.Throw(&detect.Record{Observation: detect.Observation{Turnout: "A", StartedAt: day(x.at), Completed: x.completed}})
	}
	for range 2 {
		l.Event(event(alerting.Changed, "A", 20, detect.IncompleteThrow))
	}
	l.Event(event(alerting.Changed, "A", 21, detect.IncompleteThrow))
	if got := l.Result().Incomplete; got != (Told{Throws: 4, Alerted: 3}) {
		t.Errorf("expected 3 of 4 told, found %+v", got)
	}
}

// The numbers of this table were worked out by hand from the truth and the events above.
func TestPrint(t *testing.T) {
	const want = `                  failures  warned before  time left, median  cause first  among two
all               4         2 (50 %)       50 %               1 (50 %)     2 (100 %)
drive electric    3         1 (33 %)       75 %               0 (0 %)      1 (100 %)
drive hydraulic   1         1 (100 %)      25 %               1 (100 %)    1 (100 %)
dry-slide-chairs  1         0 (0 %)        -                  -            -
hydraulic-leak    1         1 (100 %)      25 %               1 (100 %)    1 (100 %)
motor-wear        2         1 (50 %)       75 %               0 (0 %)      1 (100 %)

false alerts: 2 in 1.1 turnout-years, 1.83 a turnout-year; odd throws raised: 1
incomplete throws alerted by the throw itself: 2 (50 %) of 4; from a failure to its repair: 2 (67 %) of 3
forecasts before a failure: 2 of 1 turnouts, failure within p10 to p90: 1 (50 %); days to failure over p50, median: 0.88

probability of the first cause  when warned  mean  right  last said  mean  right
0 to 0.4                        0            -     -      0          -     -
0.4 to 0.6                      1            0.50  0.00   0          -     -
0.6 to 0.8                      1            0.60  1.00   1          0.60  1.00
0.8 to 0.9                      0            -     -      0          -     -
0.9 to 1                        0            -     -      1          0.95  1.00
`
	if got := printed(t, madeUpTally(false).Result()); got != want {
		t.Errorf("expected\n%s\nfound\n%s", want, got)
	}
}

// madeUpTally takes the events and the throws of the made-up recording: twelve
// a day and turnout, A and C growing heavier while they have a fault.
func madeUpTally(pictures bool) *Tally {
	truth := madeUp()
	l := NewTally(truth, pictures)
	for _, x := range []struct {
		turnout, id string
		at          float64
	}{{"A", "A-50", 50}, {"A", "A-50b", 50.2}, {"C", "", 90}, {"D", "", 20}} {
		r := madeThrow(x.turnout, x.at, 0, 1)
		r.ThrowID, r.Completed = x.id, false
		l.Throw(r)
	}
	for n := range 1200 {
		at := float64(n)/12 + 0.01
		for name := range truth.Turnouts {
			heavy := float32(1)
			for _, f := range truth.Faults {
				if f.Turnout == name && !day(at).Before(f.Onset) && day(at).Before(f.over(truth.End)) {
					heavy += float32(day(at).Sub(f.Onset).Hours() / 24 / 40)
				}
			}
			l.Throw(madeThrow(name, at, n, heavy))
		}
	}
	l.Work(&ingest.Work{Turnout: "A", DoneAt: day(20), Kind: ingest.Lubricated})
	for _, e := range madeUpEvents() {
		l.Event(e)
	}
	return l
}

func madeThrow(turnout string, at float64, n int, heavy float32) *detect.Record {
	trace := detect.Trace{Drive: "main", Quantity: ingest.MotorCurrent}
	for f := range trace.Features {
		trace.Features[f] = (5 + float32(n*7919%100)/1000) // within 2 %
	}
	trace.Features[detect.TravelMean] *= heavy
	trace.Features[detect.LockPeak] *= heavy * heavy
	supply := detect.Trace{Drive: "main", Quantity: ingest.SupplyVoltage}
	return &detect.Record{Observation: detect.Observation{
		Turnout: turnout, To: ingest.Ends[n%2], StartedAt: day(at), Completed: true, Traces: []detect.Trace{supply, trace},
	}}
}

func printed(t *testing.T, r *Result) string {
	t.Helper()
	var b strings.Builder
	if err := r.Print(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// A table of nothing divides by nothing.
func TestPrintNothing(t *testing.T) {
	got := printed(t, &Result{})
	if !strings.Contains(got, "false alerts: 0 in 0.0 turnout-years, - a turnout-year") || strings.Contains(got, "NaN") {
		t.Errorf("expected a table of nothing, found\n%s", got)
	}
}

// Two recordings added up count as one of both.
func TestAdd(t *testing.T) {
	a, b := madeUpTally(false).Result(), madeUpTally(false).Result()
	a.Add(b)
	got := printed(t, a)
	for _, want := range []string{
		"all               8         4 (50 %)       50 %               2 (50 %)     4 (100 %)",
		"false alerts: 4 in 2.2 turnout-years, 1.83 a turnout-year; odd throws raised: 2",
		"itself: 4 (50 %) of 8; from a failure to its repair: 4 (67 %) of 6", "forecasts before a failure: 4 of",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("expected %q, found\n%s", want, got)
		}
	}
}

// The edges of the bins belong to the bin above, and 1 to the last.
func TestCalibrate(t *testing.T) {
	var cases []Case
	for _, p := range []float64{0, 0.39, 0.4, 0.6, 0.8, 0.9, 1} {
		cases = append(cases, Case{Fault: Fault{Cause: "motor-wear", Failure: day(1)}, First: []detect.Cause{cause(detect.MotorWear, p)}})
	}
	cases = append(cases, Case{Fault: Fault{Cause: "motor-wear"}, First: cases[0].First}) // did not fail
	for i, b := range calibrate(cases, func(c *Case) []detect.Cause { return c.First }) {
		if want := []int{2, 1, 1, 1, 2}[i]; b.n != want || b.right != want {
			t.Errorf("%g to %g: expected %d, all right, found %+v", b.low, b.high, want, b)
		}
	}
}

func TestStrange(t *testing.T) {
	l := NewTally(madeUp(), false)
	for _, r := range []*detect.Record{madeThrow("A", 1, 0, 1), madeThrow("X", 1, 0, 1), madeThrow("A", -1, 0, 1), madeThrow("A", 101, 0, 1)} {
		l.Throw(r)
	}
	if strange, throws := l.Strange(); strange != 3 || throws != 4 {
		t.Errorf("expected 3 of 4 strange, found %d of %d", strange, throws)
	}
}

func TestReadTruth(t *testing.T) {
	const fleet = `{"fleet":{"seed":1,"start":"2026-03-01T00:00:00Z","end":"2026-06-09T00:00:00Z"}}` + "\n"
	const a = `{"turnout":"A","drive_kind":"electric","throws":5}` + "\n"
	truth, err := ReadTruth(strings.NewReader(fleet + a +
		`{"fault":{"turnout":"A","cause":"motor-wear","onset":"2026-04-01T00:00:00Z","failure":"2026-04-09T00:00:00Z","detectable_note":"it binds"}}` + "\n" +
		`{"fault":{"turnout":"A","cause":"obstruction","onset":"2026-03-09T00:00:00Z"}}` + "\n" +
		`{"odd":{"turnout":"A","at":"2026-03-09T00:00:00Z"}}` + "\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(truth.Faults) != 2 || truth.Faults[0].Cause != "obstruction" || truth.Faults[1].Note != "it binds" || truth.Turnouts["A"] != "electric" || !truth.End.Equal(day(100)) {
		t.Errorf("expected two faults by onset and one turnout, found %+v", truth)
	}
	for text, want := range map[string]string{
		"":                                      "expected a fleet line with start and end, found none in 0 lines",
		"yard\n":                                "line 1: expected a JSON object of a truth file, found ",
		"[]\n":                                  "line 1: expected a JSON object of a truth file, found ",
		a:                                       "expected a fleet line with start and end, found none in 1 lines",
		fleet:                                   "expected the turnouts of the fleet, found none in 1 lines",
		fleet + fleet + a:                       "line 2: expected one fleet line, found another",
		`{"fleet":{}}` + "\n":                   "line 1: fleet: expected an end after its start, found none and none",
		strings.Repeat("x", 2<<20):              "line 1: expected at most 1048576 bytes, found more",
		fleet + a + `{"fault":{}}`:              `line 3: fault: turnout: expected one of the 1 of the fleet, found ""`,
		fleet + a + `{"fault":"x"}`:             "line 3: expected a JSON object of a truth file, found ",
		fleet + a + `{"fault":{"turnout":"A"}}`: "line 3: fault: cause: expected one, found none",
		fleet + a + `{"fault":{"turnout":"A","cause":"x"}}`:                                                                  "line 3: fault: onset: expected a time, found none",
		fleet + a + `{"fault":{"turnout":"A","cause":"x","onset":"tomorrow"}}`:                                               "line 3: expected a JSON object of a truth file, found ",
		fleet + a + `{"fault":{"turnout":"A","cause":"x","onset":"2026-04-02T00:00:00Z","failure":"2026-04-01T00:00:00Z"}}`:  "line 3: fault: failure: expected a time after the onset 2026-04-02T00:00:00Z, found 2026-04-01T00:00:00Z",
		fleet + a + `{"fault":{"turnout":"A","cause":"x","onset":"2026-04-02T00:00:00Z","repaired":"2026-04-01T00:00:00Z"}}`: "line 3: fault: repaired: expected a time after the onset 2026-04-02T00:00:00Z, found 2026-04-01T00:00:00Z",
	} {
		if _, err := ReadTruth(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.120q: expected %q, found %v", text, want, err)
		}
	}
}
