package alerting

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

func cause(name detect.CauseName, p float64) detect.Cause {
	return detect.Cause{Cause: name, Probability: p, Evidence: []string{"e " + string(name)}, Checks: []string{"c " + string(name)}}
}

func TestWorkList(t *testing.T) {
	ahead := func(days float64) *detect.Forecast {
		return &detect.Forecast{Limit: "the drive's limit", P10: days / 2, P50: days, P90: days * 2}
	}
	old := noon.AddDate(0, 0, -10)
	alerts := []Alert{
		{ID: "1", Turnout: "N-1", Condition: detect.Stiffening, Priority: Medium, RaisedAt: old, ChangedAt: old, ChangePercent: 31.4, To: ingest.Normal, Forecast: ahead(30),
			Causes: []detect.Cause{cause(detect.DrySlideChairs, 0.8), cause(detect.MotorWear, 0.2)}},
		{ID: "2", Turnout: "N-1", Condition: detect.SlowThrow, Priority: Medium, RaisedAt: noon.Add(-time.Hour), ChangedAt: noon, ChangePercent: -12,
			Causes: []detect.Cause{cause(detect.SupplyVoltageCause, 0.6), cause(detect.DrySlideChairs, 0.4)}},
		{ID: "3", Turnout: "S-1", Condition: detect.IncompleteThrow, Priority: High, RaisedAt: noon, ChangedAt: noon, Causes: []detect.Cause{cause(detect.Obstruction, 1)}},
		{ID: "4", Turnout: "N-2", Condition: detect.Stiffening, Priority: Low, RaisedAt: noon, ChangedAt: noon, Forecast: ahead(100), Causes: []detect.Cause{cause(detect.UnknownCause, 1)}},
		{ID: "5", Turnout: "S-2", Condition: detect.LateDetection, Priority: Low, RaisedAt: noon, ChangedAt: noon, Reopened: 1, ReopenedAt: noon, VisitedAt: noon.AddDate(0, 0, -3),
			Causes: []detect.Cause{cause(detect.DetectionAdjustment, 0.9), cause(detect.LockAdjustment, 0.1)}},
		{ID: "6", Turnout: "N-3", Condition: detect.Stiffening, Priority: Medium, RaisedAt: noon, ChangedAt: noon, Forecast: ahead(30), Causes: []detect.Cause{cause(detect.BackDrive, 1)}},
		{ID: "shelved", Turnout: "X", Condition: detect.Stiffening, Priority: High, RaisedAt: noon},
		{ID: "gone", Turnout: "X", Condition: detect.Stiffening, Priority: High, RaisedAt: noon, ClearedAt: noon},
		{ID: "out", Turnout: "Y", Condition: detect.Stiffening, Priority: High, RaisedAt: noon},
		{ID: "nothing", Turnout: "Z", Condition: detect.Stiffening, Priority: High, RaisedAt: noon},
		{ID: "cabinet", Turnout: "A-9", Condition: detect.CabinetSilent, Priority: Low, RaisedAt: noon},
	}
	handlings := map[string]Handling{
		"shelved": {ShelvedUntil: noon.Add(1)}, "nothing": {AcknowledgedAt: noon, Found: &Found{}},
		"6": {AcknowledgedAt: noon, Found: &Found{True: true, Cause: detect.BackDrive}},
	}
	places := map[string]Place{"Y": {OutOfService: true}, "N-2": {Criticality: 5}, "N-3": {Criticality: 1, Area: "Far", Line: "7", Position: 3}}
	forecasts := map[string]detect.Forecast{"N-2": {Limit: "the time allowed", P10: 10, P50: 20, P90: 30}}
	jobs := WorkList(alerts, handlings, places, forecasts, noon)
	var order []string
	for i, j := range jobs {
		order = append(order, j.Turnout)
		if j.Rank != i+1 {
			t.Errorf("%s: expected the rank %d, found %d", j.Turnout, i+1, j.Rank)
		}
	}
	// N-2 has 20 days left and weighs 1.5; N-1 20 of the 30 that were told; N-3 30, and weighs little.
	if got := strings.Join(order, " "); got != "S-1 N-2 N-1 N-3 S-2 A-9" {
		t.Fatalf("found %s", got)
	}
	n1 := jobs[2]
	if n1.Area != "N" || *n1.DaysLeft != 20 || *n1.DaysLow != 5 || *n1.DaysHigh != 50 || n1.Priority != Medium || strings.Join(n1.Alerts, "") != "12" {
		t.Errorf("found %+v", n1)
	}
	for _, c := range []struct {
		job  int
		want string
	}{
		{0, "a throw did not complete|incomplete throw, for 0 minutes"},
		{1, "about 20 days to the limit (10 to 30 days): the time allowed|stiffening, for 0 minutes|criticality 5 of 5"},
		{2, "about 20 days to the limit (5 to 50 days): the drive's limit|stiffening, +31 % against its own past, to normal, for 10 days|slow throw, -12 % against its own past, for 1 hour"},
		{3, "about 30 days to the limit (15 to 60 days): the drive's limit|stiffening, for 0 minutes|a visit found back drive, and it still stands|criticality 1 of 5"},
		{4, "late detection, for 0 minutes, again, 3 days after the visit"},
	} {
		if got := strings.Join(jobs[c.job].Why, "|"); got != c.want {
			t.Errorf("expected %q\nfound    %q", c.want, got)
		}
	}
	soon := WorkList([]Alert{{ID: "1", Turnout: "N-1", Condition: detect.Stiffening, RaisedAt: noon, ChangedAt: noon, Forecast: &detect.Forecast{Limit: "the drive's limit", P50: 0.2, P90: 0.4}}}, nil, nil, nil, noon)
	if got := soon[0].Why[0]; got != "less than a day to the limit: the drive's limit" {
		t.Errorf("found %q", got)
	}
	var causes []string
	for _, c := range n1.Causes {
		causes = append(causes, fmt.Sprintf("%s %.1f %s", c.Cause, c.Probability, c.Checks[0]))
	}
	if got := strings.Join(causes, ", "); got != "dry-slide-chairs 0.6 c dry-slide-chairs, supply-voltage 0.3 c supply-voltage, motor-wear 0.1 c motor-wear" {
		t.Errorf("found %s", got)
	}
	if got := strings.Join(n1.Bring, ", "); !strings.HasPrefix(got, "brushes and scrapers, slide-chair grease or oil") || !strings.Contains(got, "voltmeter") || strings.Contains(got, "spare brushes") {
		t.Errorf("found %s", got)
	}
	if got := strings.Join(jobs[4].Bring, ", "); strings.Contains(got, "lock") || !strings.Contains(got, "detector gauge") {
		t.Errorf("found %s", got)
	}
	for _, c := range causesWithout(bring) {
		t.Errorf("nothing is said to be brought for %s", c)
	}
	var areas []string
	for _, a := range ByArea(jobs) {
		s := a.Area + ":"
		for _, j := range a.Jobs {
			s += " " + j.Turnout
		}
		areas = append(areas, s)
	}
	if got := strings.Join(areas, "; "); got != "S: S-1 S-2; N: N-2 N-1; Far: N-3; A: A-9" {
		t.Errorf("found %s", got)
	}
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 1))
		rng.Shuffle(len(alerts), func(i, j int) { alerts[i], alerts[j] = alerts[j], alerts[i] })
		if got := WorkList(alerts, handlings, places, forecasts, noon); !reflect.DeepEqual(got, jobs) {
			t.Fatal("the order of the alerts changes the list")
		}
	}
	if got := WorkList(nil, nil, nil, nil, noon); got == nil || len(got) != 0 || len(ByArea(got)) != 0 {
		t.Errorf("found %v", got)
	}
}

func causesWithout(m map[detect.CauseName][]string) (list []detect.CauseName) {
	for _, c := range causes {
		if len(m[c]) == 0 {
			list = append(list, c)
		}
	}
	return list
}

func raisedAt(id string, p Priority, at time.Time) Event {
	return Event{Raised, at, Alert{ID: id, Turnout: id, Condition: detect.Stiffening, Priority: p, RaisedAt: at}}
}

func TestRates(t *testing.T) {
	var events []Event
	// One every twenty minutes for a day.
	for i := range 72 {
		events = append(events, raisedAt(fmt.Sprint("a", i), Low, noon.Add(time.Duration(i)*20*time.Minute)))
	}
	day := noon.Add(24 * time.Hour)
	r := RatesOf(events, nil, noon, day, 1)
	if r.Alerts != 72 || r.Hourly.Value != 3 || r.Hourly.Word != WithinLevel || r.Worst.Value != 1 || r.Floods != 0 || r.Flooded.Word != WithinLevel || r.Standing.Word != WithinLevel || r.Chattering.Word != WithinLevel {
		t.Errorf("found %+v", r)
	}
	if r.Shares[2].Value != 100 || r.Shares[2].Word != WithinLevel {
		t.Errorf("found %+v", r.Shares)
	}
	// Fifteen within the four minutes from 100 on, spread evenly: the eleventh
	// comes at 100 min + 10 × 16 s, the eleventh leaves at 110 min + 10 × 16 s.
	burst := events[:0:0]
	for i := range 15 {
		burst = append(burst, raisedAt(fmt.Sprint("b", i), High, noon.Add(100*time.Minute+time.Duration(i)*16*time.Second)))
	}
	r = RatesOf(burst, nil, noon, day, 1)
	if r.Worst.Value != 15 || !r.WorstFrom.Equal(noon.Add(100*time.Minute)) || r.Worst.Word != AboveLevel || r.Floods != 1 {
		t.Errorf("found %+v", r)
	}
	if want := 100 * 10.0 / (24 * 60); r.Flooded.Value < want-1e-9 || r.Flooded.Value > want+1e-9 || r.Flooded.Word != WithinLevel {
		t.Errorf("expected %g %%, found %+v", want, r.Flooded)
	}
	if r.Shares[0].Word != TooFew { // fifteen
		t.Errorf("found %+v", r.Shares[0])
	}
	if two := RatesOf(burst, nil, noon, day, 2); two.Floods != 0 || two.Worst.Value != 7.5 || two.Worst.Word != WithinLevel {
		t.Errorf("found %+v", two)
	}
	// Ten in ten minutes are none yet; the edge of the span is outside it.
	if r := RatesOf(burst[:10], nil, noon, day, 1); r.Floods != 0 || r.Worst.Word != WithinLevel {
		t.Errorf("found %+v", r)
	}
	// A flood that is on at the end lasts to the end.
	r = RatesOf(burst, nil, noon, noon.Add(105*time.Minute), 1)
	if want := 100 * (5 - 10*16.0/60) / 105; r.Flooded.Value < want-1e-9 || r.Flooded.Value > want+1e-9 || r.Flooded.Word != AboveLevel {
		t.Errorf("expected %g %%, found %+v", want, r.Flooded)
	}
	// Against counting every ten minutes that end with a call.
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 3))
		var list []Event
		at := noon
		for i := range 200 {
			at = at.Add(time.Duration(rng.ExpFloat64() * float64(time.Minute)))
			list = append(list, raisedAt(fmt.Sprint(i), Low, at))
		}
		worst := 0
		for i := range list {
			n := 0
			for j := 0; j <= i; j++ {
				if list[i].At.Sub(list[j].At) < floodSpan {
					n++
				}
			}
			worst = max(worst, n)
		}
		rng.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
		if got := RatesOf(list, nil, noon, at.Add(1), 1); got.Worst.Value != float64(worst) || got.Alerts != 200 || (worst > floodAbove) != (got.Floods > 0) {
			t.Errorf("seed %d: expected %d, found %+v", seed, worst, got.Worst)
		}
	}
	// Chatter: three within an hour of one turnout and condition.
	c := []Event{raisedAt("c", Low, noon), raisedAt("c", Low, noon.Add(20*time.Minute)), raisedAt("c", Low, noon.Add(59*time.Minute)), raisedAt("d", Low, noon), raisedAt("d", Low, noon.Add(time.Minute)), raisedAt("d", Low, noon.Add(time.Hour))}
	if r := RatesOf(c, nil, noon, day, 1); r.Chattering.Value != 1 || strings.Join(r.Chatter, "") != "c" || r.Chattering.Word != AboveLevel {
		t.Errorf("found %+v", r.Chattering)
	}
	// Only what calls counts: not what cleared, what was told anew, what is outside.
	quiet := []Event{{Cleared, noon, Alert{}}, {Changed, noon, Alert{Call: 1, CalledAt: noon.Add(-time.Hour)}}, {Changed, noon, Alert{}}, raisedAt("x", Low, noon.Add(-1)), raisedAt("x", Low, day),
		{Changed, noon, Alert{Call: 1, CalledAt: noon}}}
	if r := RatesOf(quiet, nil, noon, day, 0); r.Alerts != 1 || r.Operators != 1 {
		t.Errorf("found %+v", r)
	}
	var open []Alert
	for i := range 5 {
		open = append(open, Alert{ID: fmt.Sprint(i), RaisedAt: noon.Add(-time.Duration(i))})
	}
	if r := RatesOf(nil, open, noon, day, 1); r.Standing.Value != 4 || r.Standing.Word != WithinLevel { // one stands for 24 hours to the moment
		t.Errorf("found %+v", r.Standing)
	}
	open[0].RaisedAt = noon.Add(-1)
	if r := RatesOf(nil, open, noon, day, 1); r.Standing.Value != 5 || r.Standing.Word != AboveLevel {
		t.Errorf("found %+v", r.Standing)
	}
	open[0].Reopened, open[0].ReopenedAt = 1, day.Add(-time.Hour)
	if r := RatesOf(nil, open, noon, day, 1); r.Standing.Value != 4 {
		t.Errorf("found %+v", r.Standing)
	}
	if r := RatesOf(nil, nil, noon, noon, 1); r.Hourly.Value != 0 || r.Hourly.Word != WithinLevel {
		t.Errorf("found %+v", r)
	}
}

func TestMerit(t *testing.T) {
	on := func(day int) time.Time { return noon.AddDate(0, 0, day) }
	alerts := []Alert{
		// Warned of 20 days before it failed; judged true, and the first cause was right.
		{ID: "1", Turnout: "A", Condition: detect.Stiffening, RaisedAt: on(0), Causes: []detect.Cause{cause(detect.DrySlideChairs, 0.7), cause(detect.MotorWear, 0.3)}},
		{ID: "2", Turnout: "A", Condition: detect.SlowThrow, RaisedAt: on(10)},
		{ID: "3", Turnout: "A", Condition: detect.IncompleteThrow, RaisedAt: on(20), Causes: []detect.Cause{cause(detect.Obstruction, 0.6), cause(detect.DrySlideChairs, 0.4)}},
		// Failed without a warning: the only one cleared more than a week before.
		{ID: "4", Turnout: "B", Condition: detect.Stiffening, RaisedAt: on(0), ClearedAt: on(1)},
		{ID: "5", Turnout: "B", Condition: detect.IncompleteThrow, RaisedAt: on(9)},
		// Judged to be nothing, both.
		{ID: "6", Turnout: "C", Condition: detect.Stiffening, RaisedAt: on(0)},
		{ID: "7", Turnout: "C", Condition: detect.IncompleteThrow, RaisedAt: on(5)},
		// Visited in time: 4 and 8 days after.
		{ID: "8", Turnout: "D", Condition: detect.Stiffening, RaisedAt: on(0), ClearedAt: on(4), Causes: []detect.Cause{cause(detect.HydraulicLeak, 0.6), cause(detect.MotorWear, 0.4)}},
		{ID: "9", Turnout: "E", Condition: detect.LateDetection, RaisedAt: on(2), Causes: []detect.Cause{cause(detect.LockAdjustment, 0.6)}},
		{ID: "10", Turnout: "E", Condition: detect.OddThrow, RaisedAt: on(2)},
	}
	yes := func(c detect.CauseName) Handling { return Handling{Found: &Found{True: true, Cause: c}} }
	handlings := map[string]Handling{
		"1": yes(detect.DrySlideChairs), "3": yes(detect.DrySlideChairs), "6": {Found: &Found{}}, "7": {Found: &Found{}},
		"8": yes(detect.MotorWear), "9": yes(""), "10": yes(detect.UnknownCause),
	}
	work := []ingest.Work{
		{Turnout: "A", DoneAt: on(21)}, {Turnout: "D", DoneAt: on(-1)}, {Turnout: "D", DoneAt: on(9)}, {Turnout: "D", DoneAt: on(4)}, {Turnout: "E", DoneAt: on(10)}, {Turnout: "C", DoneAt: on(6)},
	}
	share := 5.0 / 7
	want := Merit{
		Alerts: 10, True: 5, False: 2, Unanswered: 3, TrueShare: &share, Failures: 2, Warned: 1,
		Failing: &Lead{1, 20, 20, 20}, Visited: &Lead{2, 5, 6, 7}, Causes: 3, First: 1, Two: 3,
	}
	if got := MeritOf(alerts, handlings, work); !reflect.DeepEqual(got, want) {
		t.Errorf("expected %+v %+v %+v\nfound    %+v %+v %+v", want, *want.Failing, *want.Visited, got, got.Failing, got.Visited)
	}
	if got := MeritOf(nil, nil, nil); !reflect.DeepEqual(got, Merit{}) {
		t.Errorf("found %+v", got)
	}
}
