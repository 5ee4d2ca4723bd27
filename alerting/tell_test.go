package alerting

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/detect"
)

var targets = []string{"hook", "mail", "pager"}

func TestRouteCheck(t *testing.T) {
	good := Route{
		Name: "r", Targets: []string{"hook", "mail"}, Hours: &Hours{Zone: "Europe/Oslo", From: "22:00", To: "06:00", Days: []string{"mon", "sun"}},
		Remind: time.Hour, Escalate: []Escalation{{time.Hour, []string{"mail"}}, {2 * time.Hour, []string{"mail", "pager"}}},
	}
	if err := good.Check(targets); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		change func(*Route)
		want   string
	}{
		{func(r *Route) { r.Name = "" }, "expected a name"},
		{func(r *Route) { r.Targets = nil }, `route "r", targets: expected at least one`},
		{func(r *Route) { r.Targets = []string{"hok"} }, `targets: expected one of ["hook" "mail" "pager"], found "hok"`},
		{func(r *Route) { r.Targets = []string{"hook", "hook"} }, `found "hook" twice`},
		{func(r *Route) { r.Match.Priorities = []Priority{"x"} }, `route "r", match, priorities: expected`},
		{func(r *Route) { r.Hours = &Hours{Zone: "x"} }, `route "r", hours, zone: expected`},
		{func(r *Route) { r.Hours = &Hours{Zone: "UTC", From: "6:00", To: "07:00"} }, `from: expected a time such as 06:00, found "6:00"`},
		{func(r *Route) { r.Hours = &Hours{Zone: "UTC", From: "24:00", To: "07:00"} }, `from: expected`},
		{func(r *Route) { r.Hours = &Hours{Zone: "UTC", From: "06:00", To: "24:01"} }, `to: expected`},
		{func(r *Route) { r.Hours = &Hours{Zone: "UTC", From: "06:00", To: "07:00", Days: []string{"Monday"}} }, `found "Monday"`},
		{func(r *Route) { r.Remind = time.Second }, "remind: expected 0 for never, or 1 minute to 31 days, found 1s"},
		{func(r *Route) { r.Escalate[0].After = 0 }, "escalation 1: expected after 1 minute"},
		{func(r *Route) { r.Escalate[1].After = time.Hour }, "escalation 2: expected later than the one before it (1h0m0s)"},
		{func(r *Route) { r.Escalate[1].Targets = nil }, "escalation 2: expected at least one"},
	} {
		r := good
		r.Escalate = append([]Escalation{}, good.Escalate...)
		c.change(&r)
		if err := r.Check(targets); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("expected %q, found %v", c.want, err)
		}
	}
}

func tells(list []Delivery) string {
	var b []string
	for _, d := range list {
		b = append(b, fmt.Sprintf("%s to %s by %s", d.Message.Reason, d.Target, strings.Join(d.Routes, "+")))
	}
	return strings.Join(b, ", ")
}

// A night with two routes: one always, one by day.
func TestTelling(t *testing.T) {
	routes := []Route{
		{Name: "all", Targets: []string{"hook"}, Remind: 3 * time.Hour},
		{Name: "day", Targets: []string{"mail", "hook"}, Hours: &Hours{Zone: "Europe/Oslo", From: "06:00", To: "22:00"}, Escalate: []Escalation{{time.Hour, []string{"pager"}}}},
	}
	a := Alert{ID: "a1", Turnout: "W1", Condition: detect.Stiffening, Priority: High, RaisedAt: noon}
	var h Handling
	var told Told
	var next time.Time
	clock := func(s string) time.Time { return at(t, "2026-03-0"+s+":00+01:00") }
	event := func(when string, kind EventKind, want string) {
		t.Helper()
		now := clock(when)
		var list []Delivery
		list, told = Deliveries(routes, &Event{kind, now, a}, Place{}, StandingOf(&a, &h, now, false, false), told, now)
		if got := tells(list); got != want {
			t.Errorf("%s: expected %q, found %q", when, want, got)
		}
		for _, d := range list {
			if d.Message.Caution == "" || d.Message.Alert.ID != "a1" || len(d.Message.Key) != 32 || !d.Message.At.Equal(now) {
				t.Errorf("found %+v", d.Message)
			}
		}
	}
	due := func(when string, suppressed bool, want, wantNext string) {
		t.Helper()
		now := clock(when)
		var list []Delivery
		list, told, next = Due(routes, &a, &h, Place{}, StandingOf(&a, &h, now, suppressed, false), told, now)
		if got := tells(list); got != want {
			t.Errorf("%s: expected %q, found %q", when, want, got)
		}
		if wantNext == "" && !next.IsZero() || wantNext != "" && !next.Equal(clock(wantNext)) {
			t.Errorf("%s: expected next %q, found %s", when, wantNext, next)
		}
	}
	event("1T23:00", Raised, "raised to hook by all")
	due("1T23:01", false, "", "2T02:00")
	event("1T23:30", Changed, "") // no more serious
	due("2T02:00", false, "reminder to hook by all", "2T05:00")
	due("2T05:30", false, "reminder to hook by all", "2T06:00") // late, and once
	due("2T06:00", false, "still-stands to mail by day", "2T07:00")
	due("2T07:00", false, "escalated to pager by day", "2T08:30")
	a.Call, a.CalledAt = 1, clock("2T07:30")
	event("2T07:30", Changed, "changed to hook by all+day, changed to mail by day")
	due("2T08:30", false, "escalated to pager by day", "2T10:30")
	h.AcknowledgedAt, h.Call = clock("2T09:00"), 1
	due("2T11:00", false, "", "")
	due("2T12:00", true, "", "")
	due("2T14:00", false, "still-stands to hook by all+day, still-stands to mail by day", "") // though acknowledged: the window is over
	h = Handling{}
	due("2T15:00", false, "", "2T16:00") // taken back: it counts from now
	due("2T16:00", false, "escalated to pager by day", "2T18:00")
	due("2T17:00", true, "", "")
	a.ClearedAt = clock("2T17:30")
	now := clock("2T17:30")
	list, told2 := Deliveries(routes, &Event{Cleared, now, a}, Place{}, Suppressed, told, now)
	if told = told2; len(list) != 0 || !told.Untold(&a) {
		t.Errorf("found %q", tells(list))
	}
	due("2T23:00", false, "cleared to hook by all+day", "3T06:00")
	due("3T06:00", false, "cleared to mail by day, cleared to pager by day", "")
	if told.Untold(&a) {
		t.Errorf("found %+v", told)
	}
	a.ClearedAt, a.Call, a.Reopened, a.LeftAt, a.ReopenedAt = time.Time{}, 2, 1, clock("2T17:30"), clock("3T07:00")
	event("3T07:00", Raised, "raised to hook by all+day, raised to mail by day")
	h.ShelvedUntil = clock("3T09:00")
	due("3T08:00", false, "", "3T09:00")
	due("3T09:00", false, "still-stands to hook by all+day, still-stands to mail by day", "3T10:00")
	a.ClearedAt = clock("3T09:30")
	event("3T09:30", Cleared, "cleared to hook by all+day, cleared to mail by day")

	// Whom no one told knows nothing to take back.
	list, _ = Deliveries(routes, &Event{Cleared, now, a}, Place{}, Returned, Told{}, now)
	if len(list) != 0 {
		t.Errorf("found %q", tells(list))
	}
	// What was there before there were routes is reminded of, not told anew.
	a.ClearedAt = time.Time{}
	list, _, next = Due(routes, &a, &Handling{}, Place{}, Unacknowledged, Told{}, clock("3T12:00"))
	if len(list) != 0 || !next.Equal(clock("3T13:00")) {
		t.Errorf("found %q, %s", tells(list), next)
	}
}

func TestPreview(t *testing.T) {
	routes := []Route{
		{Name: "north", Match: Match{Areas: []string{"N"}}, Targets: []string{"hook"}, Remind: 90 * time.Minute},
		{Name: "day", Targets: []string{"mail"}, Hours: &Hours{Zone: "Europe/Oslo", From: "06:00", To: "22:00"}, Escalate: []Escalation{{2 * time.Hour, []string{"pager", "hook"}}}},
		{Name: "high", Match: Match{Priorities: []Priority{High}}, Targets: []string{"pager"}},
		{Name: "again", Targets: []string{"hook"}},
	}
	got := Preview(routes, Place{Turnout: "N-1"}, detect.Stiffening, Medium, at(t, "2026-03-28T23:00:00Z"))
	want := []Previewed{
		{"north", true, []string{"hook"}, "matches", []string{"reminder every 1h30m"}},
		{"day", false, []string{"mail"}, "outside its hours; told at 2026-03-29 06:00 CEST if it still stands unacknowledged", []string{"pager, hook after 2h"}},
		{"high", false, []string{"pager"}, "does not match: priority: expected high, found medium", nil},
		{"again", true, []string{"hook"}, "matches; hook is told once, with route north", nil},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("expected %+v\nfound    %+v", want, got)
	}
	if got := Preview(routes[:1], Place{Turnout: "S1"}, detect.Stiffening, Medium, noon); got[0].Why != "does not match: area: expected N, found none" {
		t.Errorf("found %q", got[0].Why)
	}
}
