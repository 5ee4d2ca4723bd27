package alerting

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/detect"
)

func TestStanding(t *testing.T) {
	open := &Alert{ID: "a", RaisedAt: noon}
	gone := &Alert{ID: "a", RaisedAt: noon, ClearedAt: noon.Add(time.Hour)}
	louder := &Alert{ID: "a", RaisedAt: noon, Call: 1, CalledAt: noon.Add(time.Hour)}
	seen := &Handling{AcknowledgedAt: noon}
	quiet := &Handling{ShelvedUntil: noon.Add(time.Hour)}
	both := &Handling{AcknowledgedAt: noon, ShelvedUntil: noon.Add(time.Hour)}
	for _, c := range []struct {
		a               *Alert
		h               *Handling
		suppressed, out bool
		want            Standing
	}{
		{open, nil, false, false, Unacknowledged},
		{open, seen, false, false, Acknowledged},
		{louder, seen, false, false, Unacknowledged}, // seen was what was less
		{louder, &Handling{AcknowledgedAt: noon, Call: 1}, false, false, Acknowledged},
		{gone, nil, false, false, Returned},
		{gone, seen, false, false, Normal},
		{open, quiet, false, false, Shelved},
		{open, both, false, false, Shelved},
		{gone, quiet, false, false, Shelved},
		{open, quiet, true, false, Suppressed},
		{open, quiet, true, true, OutOfService},
		{open, quiet, false, true, OutOfService},
		{gone, both, true, true, Normal}, // over is over
		{open, &Handling{ShelvedUntil: noon}, false, false, Unacknowledged},
	} {
		if got := StandingOf(c.a, c.h, noon, c.suppressed, c.out); got != c.want {
			t.Errorf("%+v, %+v, %v, %v: expected %s, found %s", c.a, c.h, c.suppressed, c.out, c.want, got)
		}
	}
}

func TestApplyRefuses(t *testing.T) {
	open := &Alert{ID: "a7", Turnout: "W1", RaisedAt: noon}
	gone := &Alert{ID: "a7", Turnout: "W1", RaisedAt: noon, ClearedAt: noon}
	seen := Handling{AcknowledgedAt: noon, AcknowledgedBy: "Kim"}
	for _, c := range []struct {
		a        *Alert
		h        Handling
		act      Act
		conflict bool
		want     string
	}{
		{open, Handling{}, Act{Action: Acknowledge}, false, "acknowledge alert a7: expected the name of who does it, found none"},
		{open, seen, Act{Action: Acknowledge, By: "Jo"}, true, "expected an alert that nobody has acknowledged, found acknowledged by Kim at 2026-03-01T12:00:00Z"},
		{open, Handling{}, Act{Action: Shelve, By: "Jo", Until: noon.Add(time.Hour)}, false, "expected a reason, found none"},
		{open, Handling{}, Act{Action: Shelve, By: "Jo", Note: "x"}, false, "expected an end after 2026-03-01T12:00:00Z, found none"},
		{open, Handling{}, Act{Action: Shelve, By: "Jo", Note: "x", Until: noon}, false, "expected an end after 2026-03-01T12:00:00Z, found 2026-03-01T12:00:00Z"},
		{open, Handling{}, Act{Action: Shelve, By: "Jo", Note: "x", Until: noon.Add(MaxShelving + 1)}, false, "expected an end by 2026-03-31T12:00:00Z, 30 days from now"},
		{gone, Handling{}, Act{Action: Shelve, By: "Jo", Note: "x", Until: noon.Add(1)}, true, "expected an alert that stands, found cleared at"},
		{open, Handling{}, Act{Action: Unshelve, By: "Jo"}, true, "expected a shelved alert, found one that is not"},
		{open, Handling{ShelvedUntil: noon}, Act{Action: Unshelve, By: "Jo"}, true, "found one whose shelving ended at 2026-03-01T12:00:00Z"},
		{open, Handling{}, Act{Action: Note, By: "Jo", Note: " "}, false, "expected a note, found none"},
		{open, Handling{}, Act{Action: Note, By: "Jo", Note: strings.Repeat("x", 4097)}, false, "at most 4096 bytes of UTF-8, found 4097 bytes"},
		{open, Handling{}, Act{Action: Note, By: "Jo", Note: "\xff"}, false, "UTF-8"},
		{open, Handling{}, Act{Action: Note, By: "Jo", Note: "x", Until: noon}, false, "expected an end for a shelving alone"},
		{open, Handling{}, Act{Action: Note, By: "Jo", Note: "x", Found: &Found{}}, false, "expected what was found for a judgement alone"},
		{open, Handling{}, Act{Action: Judge, By: "Jo"}, false, "expected what was found, found nothing said"},
		{open, Handling{}, Act{Action: Judge, By: "Jo", Found: &Found{Cause: detect.MotorWear}}, false, `expected no cause where there was nothing, found "motor-wear"`},
		{open, Handling{}, Act{Action: Judge, By: "Jo", Found: &Found{True: true, Cause: "gremlins"}}, false, `found "gremlins"`},
		{open, Handling{}, Act{Action: Judge, By: "Jo", Found: &Found{Note: strings.Repeat("x", 4097)}}, false, "at most 4096 bytes"},
		{open, Handling{}, Act{Action: Reopen, By: "Jo"}, true, "expected an alert that someone has acknowledged or judged"},
		{open, Handling{}, Act{Action: Deliver, By: "Jo"}, false, `expected acknowledge, shelve, unshelve, note, judge or reopen, found "deliver"`},
	} {
		h, e, err := Apply(c.a, c.h, c.act, noon)
		var r *RefusedError
		if !errors.As(err, &r) || !strings.Contains(err.Error(), c.want) || r.Conflict != c.conflict {
			t.Errorf("%+v: expected %q, conflict %v, found %v", c.act, c.want, c.conflict, err)
		}
		if !reflect.DeepEqual(h, c.h) || !reflect.DeepEqual(e, Entry{}) {
			t.Errorf("%+v: refused, and yet %+v, %+v", c.act, h, e)
		}
	}
}

func TestLifeOfAHandling(t *testing.T) {
	a := &Alert{ID: "a7", Turnout: "W1", RaisedAt: noon}
	var h Handling
	do := func(minutes int, act Act, want Standing) {
		t.Helper()
		now := noon.Add(time.Duration(minutes) * time.Minute)
		var err error
		var e Entry
		if h, e, err = Apply(a, h, act, now); err != nil {
			t.Fatal(err)
		}
		if e.By != act.By || e.Alert != "a7" || e.Turnout != "W1" || !e.At.Equal(now) || e.Action != string(act.Action) || e.Note != act.Note {
			t.Errorf("found %+v", e)
		}
		if got := StandingOf(a, &h, now, false, false); got != want {
			t.Errorf("%s: expected %s, found %s", act.Action, want, got)
		}
	}
	do(1, Act{Action: Note, By: "Jo", Note: "heard"}, Unacknowledged)
	do(2, Act{Action: Acknowledge, By: "Jo", Note: "mine"}, Acknowledged)
	a.Call, a.CalledAt = 1, noon.Add(3*time.Minute)
	do(4, Act{Action: Note, By: "Jo", Note: "worse"}, Unacknowledged)
	do(5, Act{Action: Acknowledge, By: "Jo"}, Acknowledged)
	do(6, Act{Action: Shelve, By: "Jo", Note: "parts ordered", Until: noon.Add(10 * time.Minute)}, Shelved)
	do(7, Act{Action: Shelve, By: "Jo", Note: "later still", Until: noon.Add(20 * time.Minute)}, Shelved)
	do(8, Act{Action: Unshelve, By: "Kim"}, Acknowledged)
	a.ClearedAt = noon.Add(9 * time.Minute)
	do(10, Act{Action: Reopen, By: "Kim", Note: "wrong one"}, Returned)
	do(11, Act{Action: Judge, By: "Kim", Note: "a stone", Found: &Found{True: true, Cause: detect.Obstruction, By: "someone else"}}, Normal)
	if h.Found == nil || h.Found.By != "Kim" || h.Found.Note != "a stone" || !h.Found.At.Equal(noon.Add(11*time.Minute)) || h.AcknowledgedBy != "Kim" {
		t.Errorf("found %+v, %+v", h, h.Found)
	}
	do(12, Act{Action: Reopen, By: "Kim"}, Returned)
	if h.Found != nil {
		t.Errorf("found %+v", h.Found)
	}
}

// stands makes a past in which a turnout's stiffening was raised at noon and has cleared.
func cleared(t *testing.T, after time.Duration) Past {
	t.Helper()
	p, _ := Step(Past{}, "W1", []detect.Finding{stiff(20)}, noon)
	p, e := Step(p, "W1", nil, noon.Add(after))
	if kinds(e) != "cleared stiffening" || len(p.Open) != 0 || len(p.Recent) != 1 {
		t.Fatalf("found %q, %+v", kinds(e), p)
	}
	return p
}

func TestReopens(t *testing.T) {
	id := cleared(t, time.Hour).Recent[0].ID
	for _, c := range []struct {
		name  string
		past  func(Past) Past
		after time.Duration // that it cleared
		same  bool
		again string
	}{
		{"soon", nil, 26 * time.Hour, true, "again, 1 day after it had cleared"},
		{"at the last", nil, ReopenWithin, true, "again, 7 days after it had cleared"},
		{"too late", nil, ReopenWithin + 1, false, ""},
		{"after a visit", func(p Past) Past { return p.Visit(noon.Add(2 * time.Hour)) }, 73 * time.Hour, true, "again, 3 days after the visit"},
		{"a visit of before", func(p Past) Past { return p.Visit(noon.Add(-time.Hour)) }, 5 * time.Hour, true, "again, 5 hours after it had cleared"},
		{"a visit to come", func(p Past) Past { return p.Visit(noon.Add(100 * time.Hour)) }, 2 * time.Minute, true, "again, 2 minutes after it had cleared"},
	} {
		p := cleared(t, time.Hour)
		if c.past != nil {
			p = c.past(p)
		}
		now := noon.Add(time.Hour + c.after)
		// A throw on the way that shows nothing keeps what is recent.
		p, _ = Step(p, "W1", nil, noon.Add(time.Hour+c.after/2))
		next, events := Step(p, "W1", []detect.Finding{stiff(25)}, now)
		if kinds(events) != "raised stiffening" || len(next.Open) != 1 || len(next.Recent) != 0 {
			t.Errorf("%s: found %q, %d recent", c.name, kinds(events), len(next.Recent))
			continue
		}
		a := events[0].Alert
		if (a.ID == id) != c.same || a.Again() != c.again || !a.Open() {
			t.Errorf("%s: expected same %v, %q, found %s, %q", c.name, c.same, c.again, a.ID, a.Again())
		}
		if c.same && (!a.RaisedAt.Equal(noon) || a.Reopened != 1 || !a.ReopenedAt.Equal(now) || a.Call != 1 || !a.LastCall().Equal(now) || a.ChangePercent != 25) {
			t.Errorf("%s: found %+v", c.name, a)
		}
	}
	// Seen before, it is unseen now.
	p, _ := Step(cleared(t, time.Hour), "W1", []detect.Finding{stiff(25)}, noon.Add(2*time.Hour))
	if got := StandingOf(&p.Open[0], &Handling{AcknowledgedAt: noon.Add(time.Hour)}, noon.Add(2*time.Hour), false, false); got != Unacknowledged {
		t.Errorf("found %s", got)
	}
	// An odd throw is another each time.
	odd := []detect.Finding{{Condition: detect.OddThrow}}
	p, e1 := Step(Past{}, "W1", odd, noon)
	p, _ = Step(p, "W1", nil, noon.Add(time.Minute))
	_, e2 := Step(p, "W1", odd, noon.Add(2*time.Minute))
	if len(p.Recent) != 0 || e1[0].Alert.ID == e2[0].Alert.ID || e2[0].Alert.Reopened != 0 {
		t.Errorf("found %+v", e2)
	}
	// Restored from a store, where odd throws are kept among the others, too.
	p.Recent = []Alert{e1[0].Alert}
	p.Recent[0].ClearedAt = noon.Add(time.Minute)
	if _, e := Step(p, "W1", odd, noon.Add(2*time.Minute)); e[0].Alert.Reopened != 0 {
		t.Errorf("found %+v", e)
	}
}

func TestCalls(t *testing.T) {
	urgent := stiff(20)
	urgent.Urgency = 0.9
	p, _ := Step(Past{}, "W1", []detect.Finding{stiff(20)}, noon)
	p, e := Step(p, "W1", []detect.Finding{stiff(40)}, noon.Add(time.Minute)) // told, but no more serious
	if kinds(e) != "changed stiffening" || p.Open[0].Call != 0 {
		t.Errorf("found %+v", e)
	}
	p, e = Step(p, "W1", []detect.Finding{urgent}, noon.Add(2*time.Minute))
	if kinds(e) != "changed stiffening" || p.Open[0].Call != 1 || !p.Open[0].CalledAt.Equal(noon.Add(2*time.Minute)) {
		t.Errorf("found %+v", e)
	}
	// How important the turnout is may change while the alert stands.
	p, _ = Step(Past{Criticality: 1}, "W1", []detect.Finding{urgent}, noon)
	if p.Open[0].Priority != Medium || p.Criticality != 1 {
		t.Errorf("found %+v", p)
	}
	p.Criticality = 5
	if p, e = Step(p, "W1", []detect.Finding{urgent}, noon); kinds(e) != "changed stiffening" || p.Open[0].Priority != High || p.Open[0].Call != 1 {
		t.Errorf("found %+v", p)
	}
}

func TestPriorityOf(t *testing.T) {
	for _, c := range []struct {
		urgency     float64
		criticality int
		want        Priority
	}{
		{0.75, 0, High}, {0.74, 0, Medium}, {0.3, 0, Medium}, {0.29, 0, Low}, // as it always was
		{1, 1, Medium}, {0.5, 1, Medium}, {0.49, 1, Low}, {1, 2, High}, {0.9, 2, Medium}, {0.6, 4, High}, {0.5, 5, High}, {0.2, 5, Medium}, {0.1, 5, Low},
		{0.75, 9, High}, {0.75, -1, High},
	} {
		if got := PriorityOf(c.urgency, c.criticality); got != c.want {
			t.Errorf("urgency %g, criticality %d: expected %s, found %s", c.urgency, c.criticality, c.want, got)
		}
	}
	for c := range 5 {
		for u := 0.0; u <= 1; u += 0.01 {
			if PriorityOf(u+0.01, c+1).Rank() > PriorityOf(u, c+1).Rank() || c > 0 && PriorityOf(u, c+1).Rank() > PriorityOf(u, c).Rank() {
				t.Fatalf("urgency %g, criticality %d: less where it should be more", u, c+1)
			}
			if PriorityOf(u, 0) != PriorityOf(u, 3) {
				t.Fatal("what is not said counts as 3")
			}
		}
	}
}

// Whatever was written comes back as it was.
func TestHandlingJSON(t *testing.T) {
	h := Handling{AcknowledgedAt: noon, AcknowledgedBy: "Jo", Call: 2, ShelvedUntil: noon, ShelvedBy: "Jo", ShelvedFor: "x", Found: &Found{True: true, Cause: detect.MotorWear, Note: "n", By: "Jo", At: noon}}
	b, err := json.Marshal(h)
	var back Handling
	if err = errors.Join(err, json.Unmarshal(b, &back)); err != nil || !reflect.DeepEqual(h, back) {
		t.Errorf("%v: expected %+v, found %+v", err, h, back)
	}
	if b, _ = json.Marshal(Handling{}); string(b) != "{}" {
		t.Errorf("expected {}, found %s", b)
	}
}

// Who acknowledges what he saw does not acknowledge what he did not.
func TestAcknowledgesWhatWasSeen(t *testing.T) {
	a := &Alert{ID: "x", Turnout: "W1", RaisedAt: noon, Call: 1, CalledAt: noon.Add(time.Minute)}
	seen, now := 0, 1
	var refused *RefusedError
	if _, _, err := Apply(a, Handling{}, Act{Action: Acknowledge, By: "Ada", Call: &seen}, noon.Add(time.Hour)); !errors.As(err, &refused) || !refused.Conflict {
		t.Errorf("found %v", err)
	}
	if h, _, err := Apply(a, Handling{}, Act{Action: Acknowledge, By: "Ada", Call: &now}, noon.Add(time.Hour)); err != nil || !h.Acknowledges(a) {
		t.Errorf("found %+v, %v", h, err)
	}
}
