package alerting

import (
	"testing"
	"time"
)

// What was told by a clock that ran ahead by a year is followed up from when the
// clock is right again, not in a year.
func TestToldByClockAhead(t *testing.T) {
	now := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	ahead := now.AddDate(1, 0, 0)
	routes := []Route{{Name: "all", Targets: []string{"office"}, Remind: time.Hour, Escalate: []Escalation{{After: 2 * time.Hour, Targets: []string{"chief"}}}}}
	a := Alert{ID: "a", Turnout: "W1", Condition: "stiffening", RaisedAt: now}
	list, told := Deliveries(routes, &Event{Kind: Raised, At: now, Alert: a}, Place{Turnout: "W1"}, Unacknowledged, Told{}, ahead)
	if len(list) != 1 {
		t.Fatalf("found %+v", list)
	}
	var reasons []Reason
	for range 4 {
		list, told, _ = Due(routes, &a, nil, Place{Turnout: "W1"}, Unacknowledged, told, now)
		for _, d := range list {
			reasons = append(reasons, d.Message.Reason)
		}
		now = now.Add(time.Hour)
	}
	if len(reasons) != 4 {
		t.Errorf("expected three reminders and an escalation, found %q", reasons)
	}
}
