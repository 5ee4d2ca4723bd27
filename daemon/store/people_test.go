package store

import (
	"database/sql"
	"encoding/json"
	"errors"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"throwline/alerting"
)

// A store of the fourth version keeps all it had; what cleared before there was
// anything to acknowledge calls nobody, and the journal begins with what happened.
func TestMigrateFromFourth(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=auto_vacuum(2)&_pragma=journal_mode(WAL)")
	if err != nil {
		t.Fatal(err)
	}
	do := func(text string, args ...any) {
		t.Helper()
		if _, err := db.Exec(text, args...); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range scripts()[:4] {
		text, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		do(string(text))
	}
	do("PRAGMA user_version = 4")
	th, rec := throw("W1", 1)
	var codec traceWriter
	do("INSERT INTO turnouts (id, name, cabinet, state) VALUES (7, 'W1', 'cab-1', x'0102')")
	do("INSERT INTO throws (id, key, turnout, to_end, started_at, arrived_at, completed, cabinet, record, traces) VALUES (5, ?, 7, ?, ?, ?, ?, 'cab-1', ?, ?)",
		rec.Key, int(rec.To), nanos(rec.StartedAt), nanos(rec.ArrivedAt), rec.Completed, appendRecord(nil, rec), codec.append(nil, th.Channels))
	do(`INSERT INTO work (turnout, done_at, kind, note, by, arrived_at, verdicts) VALUES ('W1', 1, 'cleaned', 'n', 'b', 2, '[]')`)
	stands, past := alert("a", "W1", 1), cleared(alert("b", "W1", 2), 30)
	for _, ev := range []alerting.Event{
		{Kind: alerting.Raised, At: minute(1), Alert: stands},
		{Kind: alerting.Raised, At: minute(2), Alert: alert("b", "W1", 2)},
		{Kind: alerting.Cleared, At: minute(30), Alert: past},
	} {
		a, err1 := json.Marshal(ev.Alert)
		e, err2 := json.Marshal(ev)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		do("INSERT OR REPLACE INTO alerts VALUES (?, ?, ?, ?, ?)", ev.Alert.ID, "W1", ev.Alert.Open(), nanos(ev.Alert.RaisedAt), string(a))
		do("INSERT INTO events (at, alert, body) VALUES (?, ?, ?)", nanos(ev.At), ev.Alert.ID, string(e))
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	for range 2 { // brought to this release, then opened as it is
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		wholly(t, path, "migrated")
		ctx := t.Context()
		got, channels, err := s.Throw(ctx, rec.Key)
		if err != nil || !same(&got, rec) || len(channels) != 1 {
			t.Errorf("found %+v, %v", got, err)
		}
		work, err := s.Work(ctx, "W1")
		expect(t, "visits", len(work), 1, err)
		all, _, err := s.Alerts(ctx, alerting.Query{Limit: 9})
		expect(t, "alerts", all, []alerting.Alert{past, stands}, err)
		live, err := s.Handlings(ctx)
		expect(t, "live alerts", live, []Handled{{Alert: stands}}, err)
		handling, err := s.HandlingOf(ctx, "b")
		expect(t, "handling of what cleared", handling["b"], alerting.Handling{AcknowledgedAt: minute(30)}, err)
		recent, err := s.RecentlyCleared(ctx, minute(30))
		expect(t, "recently cleared", recent, map[string][]alerting.Alert{"W1": {past}}, err)
		recent, err = s.RecentlyCleared(ctx, minute(31))
		expect(t, "recently cleared, later", len(recent), 0, err)
		journal, _, err := s.Journal(ctx, alerting.JournalQuery{Limit: 9})
		expect(t, "journal", journal, []alerting.Entry{
			{ID: 3, Alert: "b", Turnout: "W1", At: minute(30), Action: "cleared"}, {ID: 2, Alert: "b", Turnout: "W1", At: minute(2), Action: "raised"},
			{ID: 1, Alert: "a", Turnout: "W1", At: minute(1), Action: "raised"},
		}, err)
		events, last, err := s.EventsAfter(ctx, 0, 9)
		if err != nil || len(events) != 3 || last != 3 {
			t.Errorf("found %d events up to %d, %v", len(events), last, err)
		}
		var sound, broken string
		err1 := s.read.QueryRow("PRAGMA integrity_check").Scan(&sound)
		err2 := s.read.QueryRow("PRAGMA foreign_key_check").Scan(&broken)
		if err1 != nil || sound != "ok" || !errors.Is(err2, sql.ErrNoRows) {
			t.Errorf("integrity: %s %v, foreign keys: %s %v", sound, err1, broken, err2)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// The journal and the audit log are only added to, and what refers to something
// keeps it from being deleted.
func TestWhatIsSaidStays(t *testing.T) {
	s := opened(t)
	update(t, s, func(tx *Tx) error {
		a := alert("a", "W1", 0)
		err := tx.Transition(alerting.Event{Kind: alerting.Raised, At: dawn, Alert: a})
		return errors.Join(err, second(tx.AddEntry(alerting.Entry{Alert: "a", At: dawn})), second(tx.Enqueue(outgoing("mail", "k", "a", 0))), tx.Audit(dawn, "a", "b", "c"))
	})
	for text, want := range map[string]string{
		"DELETE FROM journal":           "only added to",
		"UPDATE journal SET at = 0":     "only added to",
		"DELETE FROM audit":             "only added to",
		"UPDATE audit SET by = ''":      "only added to",
		"DELETE FROM alerts":            "FOREIGN KEY",
		"UPDATE outbox SET alert = 'b'": "FOREIGN KEY",
		"INSERT INTO attempts (id, outgoing, at, outcome) VALUES (1, 9, 0, '')": "FOREIGN KEY",
	} {
		err := s.Update(t.Context(), func(tx *Tx) error {
			_, err := tx.tx.ExecContext(tx.ctx, text)
			return err
		})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: expected %s, found %v", text, want, err)
		}
	}
}

// What goes with an alert: BenchmarkTransition files one with all that people
// and targets get of it.
func BenchmarkTransition(b *testing.B) {
	s := opened(b)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		update(b, s, func(tx *Tx) error {
			for range 100 {
				n++
				a := alert("a"+strconv.Itoa(n), "W1", n)
				err := tx.Transition(alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a})
				err1 := tx.SaveHandling(a.ID, alerting.Handling{})
				_, err2 := tx.AddEntry(alerting.Entry{Alert: a.ID, Turnout: "W1", At: a.RaisedAt, Action: "raised"})
				_, err3 := tx.Enqueue(outgoing("mail", a.ID, a.ID, n))
				if err := errors.Join(err, err1, err2, err3); err != nil {
					return err
				}
			}
			return nil
		})
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(n)*1e6, "µs/alert")
}

// BenchmarkLists reads what is read at the start, by senders and by pages, with
// 10,000 open alerts beside 50,000 that are over, a message of each to two
// targets of which one fails; and replaces the places of 65,000 turnouts.
func BenchmarkLists(b *testing.B) {
	s, ctx := opened(b), b.Context()
	for n := 0; n < 60_000; n += 1000 {
		update(b, s, func(tx *Tx) error {
			for i := n; i < n+1000; i++ {
				a := alert("a"+strconv.Itoa(i), "W"+strconv.Itoa(i), i)
				if i >= 10_000 {
					a = cleared(a, i+1)
				}
				if err := tx.Transition(alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a}); err != nil {
					return err
				}
				for _, target := range []string{"hook", "mail"} {
					if _, err := tx.Enqueue(outgoing(target, a.ID, a.ID, i)); err != nil {
						return err
					}
				}
				err := tx.PutOff(int64(2*i+1), a.RaisedAt, minute(90_000), "refused", 1)
				err = errors.Join(err, tx.Sent(int64(2*i+2), a.RaisedAt, "ok"))
				if i >= 10_000 {
					err = errors.Join(err, tx.SaveHandling(a.ID, alerting.Handling{AcknowledgedAt: a.ClearedAt}))
				}
				if err != nil {
					return err
				}
			}
			return nil
		})
	}
	places := make([]alerting.Place, 65_000)
	for i := range places {
		places[i] = alerting.Place{Turnout: "W" + strconv.Itoa(i), Area: "North", Line: "main", Position: float64(i), Criticality: 3}
	}
	for _, c := range []struct {
		what string
		want int
		do   func() (int, error)
	}{
		{"Handlings", 10_000, func() (int, error) { list, err := s.Handlings(ctx); return len(list), err }},
		{"DueOutgoing", 100, func() (int, error) {
			list, err := s.DueOutgoing(ctx, "hook", minute(100_000), 100)
			return len(list), err
		}},
		{"DueOutgoing, none", 0, func() (int, error) {
			list, err := s.DueOutgoing(ctx, "hook", minute(80_000), 100)
			return len(list), err
		}},
		{"OutboxState", 2, func() (int, error) { list, err := s.OutboxState(ctx); return len(list), err }},
		{"Journal", 100, func() (int, error) {
			list, _, err := s.Journal(ctx, alerting.JournalQuery{Limit: 100})
			return len(list), err
		}},
		{"ReplacePlaces", 65_000, func() (int, error) {
			err := s.Update(ctx, func(tx *Tx) error { return tx.ReplacePlaces(places) })
			return len(places), err
		}},
		{"Places", 65_000, func() (int, error) { list, err := s.Places(ctx); return len(list), err }},
	} {
		b.Run(c.what, func(b *testing.B) {
			for b.Loop() {
				if n, err := c.do(); err != nil || n != c.want {
					b.Fatalf("found %d, %v", n, err)
				}
			}
		})
	}
}
