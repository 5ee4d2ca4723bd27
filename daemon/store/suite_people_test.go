package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// The part of the suite that looks at what people do, and at what is sent.

type peopleKeeper interface {
	Handlings(ctx context.Context) ([]Handled, error)
	HandlingOf(ctx context.Context, alerts ...string) (map[string]alerting.Handling, error)
	RecentlyCleared(ctx context.Context, since time.Time) (map[string][]alerting.Alert, error)
	Journal(ctx context.Context, q alerting.JournalQuery) ([]alerting.Entry, string, error)
	DueOutgoing(ctx context.Context, target string, now time.Time, limit int) ([]Outgoing, error)
	OutgoingOf(ctx context.Context, alert string) ([]Outgoing, error)
	Attempts(ctx context.Context, id int64) ([]Attempt, error)
	OutboxState(ctx context.Context) ([]TargetState, error)
	Places(ctx context.Context) ([]alerting.Place, error)
	Windows(ctx context.Context) ([]alerting.Window, error)
	AuditLog(ctx context.Context, cursor string, limit int) ([]alerting.Audited, string, error)
}

type peopleEntries interface {
	Handled(alert string) (Handled, error)
	Alert(id string) (alerting.Alert, error)
	Handling(alert string) (alerting.Handling, error)
	SaveHandling(alert string, h alerting.Handling) error
	SaveCalls(alert string, calls json.RawMessage, untold bool) error
	AddEntry(e alerting.Entry) (id int64, err error)
	Enqueue(o Outgoing) (added bool, err error)
	Sent(id int64, at time.Time, outcome string) error
	PutOff(id int64, at, until time.Time, outcome string, tries int) error
	GiveUp(id int64, at time.Time, outcome string) error
	PruneOutbox(before time.Time, most int) (pruned int, err error)
	SavePlace(p alerting.Place) error
	DropPlace(turnout string) error
	ReplacePlaces(places []alerting.Place) error
	SaveWindow(w alerting.Window) (id int64, err error)
	DropWindow(id int64) error
	Audit(at time.Time, by, what, detail string) error
}

// minute is n minutes after dawn.
func minute(n int) time.Time { return dawn.Add(time.Duration(n) * time.Minute) }

// raise files alerts as raised, or as cleared where they are.
func raise(alerts ...alerting.Alert) func(entries) error {
	return func(e entries) error {
		for _, a := range alerts {
			ev := alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a}
			if !a.Open() {
				ev.Kind, ev.At = alerting.Cleared, a.ClearedAt
			}
			if err := e.Transition(ev); err != nil {
				return err
			}
		}
		return nil
	}
}

func cleared(a alerting.Alert, minutes int) alerting.Alert {
	a.ClearedAt = minute(minutes)
	return a
}

// outgoing is a message that is due some minutes after dawn.
func outgoing(target, key, alert string, due int) Outgoing {
	return Outgoing{Target: target, Key: key, Alert: alert, Turnout: "W1", Reason: alerting.NewAlert, Body: json.RawMessage(`{"key":"` + key + `"}`), Due: minute(due)}
}

func enqueue(list ...Outgoing) func(entries) error {
	return func(e entries) error {
		for _, o := range list {
			if added, err := e.Enqueue(o); err != nil || !added {
				return fmt.Errorf("message %s: added %v: %w", o.Key, added, err)
			}
		}
		return nil
	}
}

// lines gives a journal, short.
func lines(list []alerting.Entry) (out []string) {
	for _, e := range list {
		out = append(out, fmt.Sprint(e.Alert, " ", e.Turnout, " ", e.At.Sub(dawn).Minutes(), " ", e.Action, " ", e.Target, " ", e.Outcome))
	}
	return out
}

// An alert is listed from raised until it both cleared and was acknowledged, and
// what was said of it outlives its transitions and the process.
func TestHandling(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		live := func(want ...string) {
			t.Helper()
			list, err := k.Handlings(ctx)
			var got []string
			for _, h := range list {
				got = append(got, h.Alert.ID)
			}
			expect(t, "live alerts", got, want, err)
		}
		live()
		a, b, c := alert("a", "W1", 2), alert("b", "W2", 1), alert("c", "W1", 3)
		keep(t, k, raise(a, b, c))
		live("b", "a", "c")
		h := alerting.Handling{
			AcknowledgedAt: minute(4).Add(time.Nanosecond), AcknowledgedBy: "kari", ShelvedUntil: minute(90), ShelvedBy: "ola",
			Found: &alerting.Found{True: true, Cause: detect.DrySlideChairs, Note: "dry", By: "per", At: minute(60)},
		}
		calls := json.RawMessage(`{"steps":[1,2]}`)
		keep(t, k, func(e entries) error {
			before, err1 := e.Handled("a")
			expect(t, "before", before, Handled{Alert: a}, err1)
			err := errors.Join(e.SaveHandling("a", h), e.SaveCalls("a", calls, true))
			after, err2 := e.Handled("a")
			expect(t, "in the same transaction", after, Handled{a, h, calls}, err2)
			got, err3 := e.Alert("a")
			expect(t, "alert", got, a, err3)
			handling, err4 := e.Handling("a")
			expect(t, "handling", handling, h, err4)
			for _, err := range []error{e.SaveHandling("none", h), e.SaveCalls("none", calls, false), second(e.Alert("none")), second(e.Handling("none")), second(e.Handled("none"))} {
				if !errors.Is(err, fs.ErrNotExist) {
					t.Errorf("no such alert: found %v", err)
				}
			}
			if e.SaveCalls("a", json.RawMessage("{"), false) == nil {
				t.Error("took what is no JSON")
			}
			return err
		})
		live("b", "a", "c") // acknowledged, and stands
		keep(t, k, raise(cleared(a, 10), cleared(b, 11)))
		live("b", "a", "c") // a is acknowledged, but a target is to be told that it cleared
		keep(t, k, func(e entries) error { return e.SaveCalls("a", calls, false) })
		live("b", "c") // b cleared, nobody has seen it
		got, err := k.HandlingOf(ctx, "a", "b", "none")
		expect(t, "handling", got, map[string]alerting.Handling{"a": h, "b": {}}, err)
		got, err = k.HandlingOf(ctx)
		expect(t, "handling of none", got, map[string]alerting.Handling{}, err)

		past, err := k.RecentlyCleared(ctx, minute(10))
		expect(t, "cleared", past, map[string][]alerting.Alert{"W1": {cleared(a, 10)}, "W2": {cleared(b, 11)}}, err)
		past, err = k.RecentlyCleared(ctx, minute(10).Add(1))
		expect(t, "cleared since", past, map[string][]alerting.Alert{"W2": {cleared(b, 11)}}, err)

		// a is raised again under its own name: what was said stays, until someone takes it back.
		keep(t, k, raise(a))
		live("b", "a", "c")
		past, err = k.RecentlyCleared(ctx, time.Time{})
		expect(t, "cleared after reopening", past, map[string][]alerting.Alert{"W2": {cleared(b, 11)}}, err)
		keep(t, k, func(e entries) error {
			seen := alerting.Handling{AcknowledgedAt: minute(12)}
			return errors.Join(e.SaveHandling("b", seen), e.SaveHandling("c", seen), e.SaveCalls("a", nil, false))
		})
		live("a", "c")
		keep(t, k, raise(cleared(a, 20), cleared(c, 20)))
		live()
		keep(t, k, func(e entries) error { return e.SaveHandling("c", alerting.Handling{}) })
		live("c")
		// Whoever acknowledged the first call has not acknowledged the second.
		called := cleared(c, 21)
		called.Call = 1
		keep(t, k, func(e entries) error { return e.SaveHandling("c", alerting.Handling{AcknowledgedAt: minute(13)}) })
		live()
		keep(t, k, raise(called))
		live("c")
		keep(t, k, func(e entries) error {
			return e.SaveHandling("c", alerting.Handling{AcknowledgedAt: minute(22), Call: 1})
		})
		live()
		keep(t, k, func(e entries) error { return e.SaveHandling("c", alerting.Handling{AcknowledgedAt: minute(13)}) })
		live("c")
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		k = open()
		live("c")
		keep(t, k, func(e entries) error {
			got, err := e.Handled("a")
			expect(t, "after opening again", got, Handled{Alert: cleared(a, 20), Handling: h}, err)
			return nil
		})
	})
}

func second[T any](_ T, err error) error { return err }

// Every page size gives the same journal, newest first; nothing of it is lost.
func TestJournalPageByPage(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		full := alerting.Entry{
			Alert: "a", Turnout: "W1", At: minute(7).Add(123), By: "kari", Action: "judge", Note: "n", Until: minute(8),
			Found: &alerting.Found{Note: "nothing", At: minute(6)}, Target: "mail", Outcome: "sent",
		}
		keep(t, k, raise(alert("a", "W1", 0), alert("b", "W1", 0), alert("c", "W2", 0)))
		keep(t, k, func(e entries) error {
			for i, x := range []alerting.Entry{
				{Alert: "a", Turnout: "W1", At: minute(3), Action: "1"}, {Alert: "b", Turnout: "W1", At: minute(5), Action: "2"},
				{Alert: "a", Turnout: "W1", At: minute(5), Action: "3"}, {Alert: "c", Turnout: "W2", At: minute(5), Action: "4"},
				{At: minute(1), Action: "5", ID: 99}, full,
			} {
				id, err := e.AddEntry(x)
				if err != nil || id != int64(i+1) {
					return fmt.Errorf("line %d: %w", id, err)
				}
			}
			if _, err := e.AddEntry(alerting.Entry{Alert: "none", At: dawn}); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("of no alert: found %v", err)
			}
			return nil
		})
		for _, c := range []struct {
			q    alerting.JournalQuery
			want []int64
		}{
			{alerting.JournalQuery{}, []int64{6, 4, 3, 2, 1, 5}},
			{alerting.JournalQuery{Alert: "a"}, []int64{6, 3, 1}},
			{alerting.JournalQuery{Turnout: "W1"}, []int64{6, 3, 2, 1}},
			{alerting.JournalQuery{Alert: "a", Turnout: "W2"}, nil},
			{alerting.JournalQuery{From: minute(3), To: minute(5).Add(1)}, []int64{4, 3, 2, 1}},
			{alerting.JournalQuery{From: minute(3).Add(1), To: minute(5)}, nil},
			{alerting.JournalQuery{Turnout: "W1", To: minute(5)}, []int64{1}},
			{alerting.JournalQuery{Alert: "none"}, nil},
		} {
			for c.q.Limit = 0; c.q.Limit < 8; c.q.Limit++ {
				var got []int64
				for q, page := c.q, 0; ; page++ {
					items, next, err := k.Journal(t.Context(), q)
					if err != nil || len(items) > max(1, q.Limit) || page > 8 {
						t.Fatalf("%+v: %d items, %v", q, len(items), err)
					}
					for _, e := range items {
						got = append(got, e.ID)
					}
					if q.Cursor = next; next == "" {
						break
					}
				}
				if !slices.Equal(got, c.want) {
					t.Errorf("%+v: expected %v, found %v", c.q, c.want, got)
				}
			}
		}
		items, _, err := k.Journal(t.Context(), alerting.JournalQuery{Limit: 1})
		full.ID = 6
		expect(t, "a full line", items, []alerting.Entry{full}, err)
	})
}

// Each target gets the messages of an alert in the order of entry, each once it
// is due, and nothing passes one that waits.
func TestOutboxKeepsItsOrder(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		ids := map[string]int64{}
		due := func(target string, now int, want ...string) {
			t.Helper()
			list, err := k.DueOutgoing(ctx, target, minute(now), 10)
			var got []string
			for _, o := range list {
				got = append(got, o.Key)
				ids[o.Key] = o.ID
			}
			expect(t, fmt.Sprintf("due at %d for %s", now, target), got, want, err)
		}
		keep(t, k, raise(alert("a", "W1", 0), alert("b", "W2", 0)))
		keep(t, k, enqueue(outgoing("mail", "a1", "a", 5), outgoing("mail", "a2", "a", 3), outgoing("mail", "b1", "b", 4),
			outgoing("mail", "t1", "", 4), outgoing("mail", "t2", "", 4), outgoing("hook", "a1", "a", 1)))
		due("mail", 3)
		due("mail", 4, "b1", "t1", "t2") // a2 waits for a1
		due("mail", 5, "b1", "t1", "t2", "a1")
		due("hook", 9, "a1")
		due("none", 9)
		list, err := k.DueOutgoing(ctx, "mail", minute(5), 0)
		expect(t, "the least page", len(list), 1, err)
		want := outgoing("mail", "b1", "b", 4)
		want.ID, want.Since = list[0].ID, want.Due
		expect(t, "all of a message", list[0], want, nil)

		due("mail", 5, "b1", "t1", "t2", "a1")
		keep(t, k, func(e entries) error { return e.PutOff(ids["a1"], minute(5), minute(8), "refused", 1) })
		due("mail", 7, "b1", "t1", "t2")
		due("mail", 8, "b1", "t1", "t2", "a1")
		keep(t, k, func(e entries) error {
			return errors.Join(e.Sent(ids["a1"], minute(8), "250 taken"), e.GiveUp(ids["t1"], minute(9), "no such box"))
		})
		due("mail", 9, "a2", "b1", "t2")
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		k = open()
		due("mail", 9, "a2", "b1", "t2")
	})
}

// A repeat changes nothing, in this transaction, in a later one, once it was sent.
func TestOutboxTakesAKeyOnce(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		keep(t, k, raise(alert("a", "W1", 0)))
		first, other := outgoing("mail", "k", "a", 1), outgoing("mail", "k", "", 9)
		repeat := func(e entries) error {
			if added, err := e.Enqueue(other); added || err != nil {
				t.Errorf("a repeat: added %v, %v", added, err)
			}
			return nil
		}
		keep(t, k, func(e entries) error { return errors.Join(enqueue(first)(e), repeat(e)) })
		keep(t, k, repeat)
		list, err := k.OutgoingOf(ctx, "a")
		if err != nil || len(list) != 1 || string(list[0].Body) != string(first.Body) || !list[0].Due.Equal(first.Due) || list[0].Alert != "a" {
			t.Fatalf("found %+v, %v", list, err)
		}
		keep(t, k, func(e entries) error { return e.Sent(list[0].ID, minute(1), "ok") })
		keep(t, k, repeat)
		if due, err := k.DueOutgoing(ctx, "mail", minute(99), 9); err != nil || len(due) != 0 {
			t.Errorf("found %+v, %v", due, err)
		}
		keep(t, k, enqueue(outgoing("hook", "k", "a", 1))) // to another target it is another message
		keep(t, k, func(e entries) error {
			if _, err := e.Enqueue(outgoing("mail", "k2", "none", 1)); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("of no alert: found %v", err)
			}
			for what, bad := range map[string]func(*Outgoing){
				"no target": func(o *Outgoing) { o.Target = "" }, "no key": func(o *Outgoing) { o.Key = "" },
				"no time": func(o *Outgoing) { o.Due = time.Time{} }, "no body": func(o *Outgoing) { o.Body = nil },
			} {
				o := outgoing("mail", "k3", "a", 1)
				if bad(&o); second(e.Enqueue(o)) == nil {
					t.Errorf("%s was taken", what)
				}
			}
			return nil
		})
	})
}

// Every try is kept, the journal has what is news, and each target tells how it
// fares; pruning takes what is done and leaves what waits, and the journal.
func TestOutboxTries(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		keep(t, k, raise(alert("a", "W1", 0)))
		keep(t, k, enqueue(outgoing("hook", "1", "a", 1), outgoing("hook", "2", "a", 2), outgoing("hook", "3", "", 3), outgoing("mail", "1", "a", 4)))
		keep(t, k, func(e entries) error {
			return errors.Join(e.PutOff(1, minute(1), minute(2), "timeout", 1), e.PutOff(1, minute(2), minute(4), "timeout", 2),
				e.PutOff(1, minute(4), minute(8), "503", 3), e.Sent(1, minute(8), "204"),
				e.GiveUp(2, minute(9), "410"), e.GiveUp(3, minute(9), "410"))
		})
		tries, err := k.Attempts(ctx, 1)
		expect(t, "tries", tries, []Attempt{{minute(1), "timeout"}, {minute(2), "timeout"}, {minute(4), "503"}, {minute(8), "204"}}, err)
		tries, err = k.Attempts(ctx, 4)
		expect(t, "no tries", len(tries), 0, err)
		list, err := k.OutgoingOf(ctx, "a")
		got := ""
		for _, o := range list {
			got += fmt.Sprintln(o.Target, o.Key, o.Tries, o.Outcome, o.Sent, !o.DoneAt.IsZero())
		}
		expect(t, "messages", got, "hook 1 3 204 true true\nhook 2 0 410 false true\nmail 1 0  false false\n", err)
		journal, _, err := k.Journal(ctx, alerting.JournalQuery{Limit: 99})
		wantJournal := []string{" W1 9 deliver hook 410", "a W1 9 deliver hook 410", "a W1 8 deliver hook 204", "a W1 4 deliver hook 503", "a W1 1 deliver hook timeout"}
		expect(t, "journal", lines(journal), wantJournal, err)
		expect(t, "why it was sent", journal[0].Note, "raised", nil)
		hook := TargetState{Target: "hook", Sent: 1, GivenUp: 2, LastSent: minute(8), LastFailure: minute(9), Failure: "410"}
		state, err := k.OutboxState(ctx)
		expect(t, "state", state, []TargetState{hook, {Target: "mail", Waiting: 1, Oldest: minute(4)}}, err)

		for _, id := range []int64{1, 2, 77} { // done, or never there
			for i, f := range []func(entries) error{
				func(e entries) error { return e.Sent(id, minute(9), "") },
				func(e entries) error { return e.PutOff(id, minute(9), minute(10), "", 1) },
				func(e entries) error { return e.GiveUp(id, minute(9), "") },
			} {
				if err := k.Update(ctx, f); !errors.Is(err, fs.ErrNotExist) {
					t.Errorf("message %d, %d: found %v", id, i, err)
				}
			}
		}

		prune := func(before time.Time, most, want int) {
			t.Helper()
			keep(t, k, func(e entries) error {
				n, err := e.PruneOutbox(before, most)
				expect(t, "pruned", n, want, err)
				return nil
			})
		}
		prune(minute(8), 10, 0)
		prune(minute(9), 10, 1)
		prune(minute(99), 1, 1)
		prune(minute(99), 9, 1)
		prune(minute(99), 9, 0)
		tries, err = k.Attempts(ctx, 1)
		expect(t, "tries after pruning", len(tries), 0, err)
		list, err = k.OutgoingOf(ctx, "a")
		expect(t, "messages after pruning", len(list), 1, err)
		journal, _, err = k.Journal(ctx, alerting.JournalQuery{Limit: 99})
		expect(t, "journal after pruning", lines(journal), wantJournal, err)
		again, err := k.OutboxState(ctx)
		expect(t, "state after pruning", again, state, err)
	})
}

// Places, windows and the record of who has done what.
func TestRegistry(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		places := func(want ...alerting.Place) {
			t.Helper()
			list, err := k.Places(ctx)
			expect(t, "places", list, want, err)
		}
		w1 := alerting.Place{Turnout: "W1", Area: "North", Line: "main", Position: 12.5, Drive: "electric", Criticality: 4, ThrowTime: 6, EffortRise: 20, OutOfService: true, Notes: "n\n☃"}
		w2, w3 := alerting.Place{Turnout: "W2"}, alerting.Place{Turnout: "W3", Area: "South"}
		keep(t, k, func(e entries) error {
			return errors.Join(e.SavePlace(w2), e.SavePlace(alerting.Place{Turnout: "W1"}), e.SavePlace(w1), e.DropPlace("none"))
		})
		places(w1, w2)
		// A replacement that fails half way changes nothing.
		if err := k.Update(ctx, func(e entries) error { return errors.Join(e.ReplacePlaces([]alerting.Place{w3}), fs.ErrInvalid) }); !errors.Is(err, fs.ErrInvalid) {
			t.Errorf("found %v", err)
		}
		places(w1, w2)
		keep(t, k, func(e entries) error { return e.ReplacePlaces([]alerting.Place{w3, w1}) })
		places(w1, w3)
		keep(t, k, func(e entries) error { return e.DropPlace("W1") })
		places(w3)

		a := alerting.Window{Name: "a", Match: alerting.Match{Areas: []string{"North"}, Priorities: []alerting.Priority{alerting.Low}},
			Zone: "Europe/Oslo", Start: "2026-03-29T01:30", Duration: 4 * time.Hour, Repeat: "FREQ=WEEKLY;BYDAY=SU", By: "kari", Note: "n"}
		b := alerting.Window{Name: "b"}
		windows := func(want ...alerting.Window) {
			t.Helper()
			list, err := k.Windows(ctx)
			expect(t, "windows", list, want, err)
		}
		keep(t, k, func(e entries) (err error) {
			var err1, err2 error
			a.ID, err1 = e.SaveWindow(a)
			b.ID, err2 = e.SaveWindow(b)
			return errors.Join(err1, err2)
		})
		windows(a, b)
		a.Note = "other"
		keep(t, k, func(e entries) error {
			id, err := e.SaveWindow(a)
			expect(t, "number of a window saved again", id, a.ID, err)
			if _, err := e.SaveWindow(alerting.Window{ID: 99}); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("no such window: found %v", err)
			}
			return errors.Join(e.DropWindow(b.ID), e.DropWindow(b.ID))
		})
		windows(a)
		keep(t, k, func(e entries) error {
			id, err := e.SaveWindow(alerting.Window{Name: "c"})
			if id == b.ID {
				t.Error("a number was given twice")
			}
			return errors.Join(err, e.DropWindow(id))
		})

		keep(t, k, func(e entries) error {
			return errors.Join(e.Audit(minute(3), "kari", "log in", "from here"), e.Audit(minute(1), "", "import", "W1"), e.Audit(minute(2), "ola", "log out", ""))
		})
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		k = open()
		places(w3)
		windows(a)
		want := []alerting.Audited{{At: minute(2), By: "ola", What: "log out"}, {At: minute(1), What: "import", Detail: "W1"}, {At: minute(3), By: "kari", What: "log in", Detail: "from here"}}
		for limit := range 5 {
			var got []alerting.Audited
			for cursor, page := "", 0; ; page++ {
				items, next, err := k.AuditLog(ctx, cursor, limit)
				if err != nil || len(items) > max(1, limit) || page > 4 {
					t.Fatalf("limit %d: found %d items, %v", limit, len(items), err)
				}
				got = append(got, items...)
				if cursor = next; cursor == "" {
					break
				}
			}
			expect(t, "audit log", got, want, nil)
		}
	})
}

// Throw, alert, handling, journal and outbox are kept together or not at all,
// wherever the transaction fails.
func TestPeoplesPartOfWhatFailed(t *testing.T) {
	boom := errors.New("boom")
	th, rec := throw("W1", 1)
	steps := []func(entries) error{
		func(e entries) error { return second(e.AddThrow(rec, th)) },
		raise(alert("new", "W1", 1)),
		func(e entries) error { return e.SaveHandling("new", alerting.Handling{AcknowledgedAt: dawn}) },
		func(e entries) error { return e.SaveCalls("new", json.RawMessage("1"), true) },
		func(e entries) error { return second(e.AddEntry(alerting.Entry{Alert: "new", At: dawn})) },
		enqueue(outgoing("mail", "new", "new", 1)),
		func(e entries) error { return e.SaveReceipt("cab-1", ingest.Receipt{Boot: "b", Through: 1}) },
		func(e entries) error { return e.SaveHandling("old", alerting.Handling{AcknowledgedAt: dawn}) },
		func(e entries) error { return e.PutOff(1, dawn, minute(9), "x", 1) },
		func(e entries) error { return e.Sent(1, dawn, "x") },
		func(e entries) error { return e.GiveUp(2, dawn, "x") },
		func(e entries) error { return second(e.PruneOutbox(minute(99), 9)) },
		func(e entries) error { return e.ReplacePlaces([]alerting.Place{{Turnout: "W2"}}) },
		func(e entries) error { return e.DropPlace("W2") },
		func(e entries) error { return second(e.SaveWindow(alerting.Window{})) },
		func(e entries) error { return e.DropWindow(1) },
		func(e entries) error { return e.Audit(dawn, "a", "b", "c") },
	}
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		keep(t, k, raise(alert("old", "W1", 0)))
		keep(t, k, enqueue(outgoing("mail", "1", "old", 0), outgoing("mail", "2", "old", 0)))
		keep(t, k, func(e entries) error {
			return errors.Join(e.SavePlace(alerting.Place{Turnout: "W1"}), second(e.SaveWindow(alerting.Window{Name: "w"})))
		})
		kept := func() string {
			throws, _, err1 := k.Throws(ctx, "W1", time.Time{}, time.Time{}, "", 10)
			live, err2 := k.Handlings(ctx)
			journal, _, err3 := k.Journal(ctx, alerting.JournalQuery{Limit: 99})
			due, err4 := k.DueOutgoing(ctx, "mail", minute(1), 99)
			state, err5 := k.OutboxState(ctx)
			places, err6 := k.Places(ctx)
			windows, err7 := k.Windows(ctx)
			audit, _, err8 := k.AuditLog(ctx, "", 99)
			receipts, err9 := k.Receipts(ctx)
			all, err10 := k.OutgoingOf(ctx, "old")
			tries, err11 := k.Attempts(ctx, 1)
			if err := errors.Join(err1, err2, err3, err4, err5, err6, err7, err8, err9, err10, err11); err != nil {
				t.Fatal(err)
			}
			return fmt.Sprint(len(throws), live, journal, due, state, places, windows, audit, receipts, all, tries)
		}
		before := kept()
		for n := 1; n <= len(steps); n++ {
			err := k.Update(ctx, func(e entries) error {
				for i, step := range steps[:n] {
					if err := step(e); err != nil {
						t.Fatalf("step %d: %v", i, err)
					}
				}
				return boom
			})
			if !errors.Is(err, boom) {
				t.Fatalf("%d steps: found %v", n, err)
			}
			if after := kept(); after != before {
				t.Errorf("%d steps:\nexpected %s\nfound    %s", n, before, after)
			}
		}
		for n, step := range steps {
			before := kept()
			keep(t, k, step)
			if kept() == before {
				t.Errorf("step %d changed nothing that the test would see", n)
			}
		}
	})
}
