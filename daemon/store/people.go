package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"time"

	"throwline/alerting"
)

// What people do about alerts, and what the program does in its own name.

// peopleStatements are those that stand on the way of a throw, or are run many
// times in a transaction.
type peopleStatements struct {
	getAlert, saveHandling, saveCalls, addEntry, enqueue, savePlace *sql.Stmt
}

func (p *peopleStatements) all() []statement {
	return []statement{
		{&p.getAlert, handledText + "WHERE id = ?"},
		{&p.saveHandling, alertsTable.update(3, "handling", "?1", "acknowledged", "?2")},
		{&p.saveCalls, alertsTable.update(3, "calls", "?1", "untold", "?2")},
		{&p.addEntry, journalTable.add("at", "?1", "alert", "?2", "turnout", "?3", "body", "?4")},
		{&p.enqueue, outboxTable.add("target", "?1", "key", "?2", "alert", "?3", "turnout", "?4", "reason", "?5", "body", "?6", "since", "?7", "due", "?8",
			"tries", "0", "outcome", "''", "sent", "0") + " ON CONFLICT (target, key) DO NOTHING"},
		{&p.savePlace, placesTable.put("", "turnout", "?1", "body", "?2")},
	}
}

var handledText = alertsTable.read("body, handling, calls") + " "

// Handled is an alert and what was done about it.
type Handled struct {
	Alert    alerting.Alert
	Handling alerting.Handling
	Calls    json.RawMessage // as SaveCalls was given it; nil: never
}

func scanHandled(r row) (h Handled, err error) {
	var body, handling, calls []byte
	if err := (checked{r}).Scan(&body, &handling, &calls); err != nil {
		return h, err
	}
	if string(calls) != "null" {
		h.Calls = calls
	}
	if err := errors.Join(json.Unmarshal(body, &h.Alert), json.Unmarshal(handling, &h.Handling)); err != nil {
		return h, fmt.Errorf("alert %s: %w", h.Alert.ID, err)
	}
	return h, nil
}

// Handled returns an alert and what was done about it, this transaction's
// changes among it; an error that wraps [fs.ErrNotExist] if there is none.
func (tx *Tx) Handled(alert string) (Handled, error) {
	h, err := scanHandled(tx.tx.StmtContext(tx.ctx, tx.s.tx.people.getAlert).QueryRowContext(tx.ctx, alert))
	if errors.Is(err, sql.ErrNoRows) {
		err = noAlert(alert)
	}
	return h, err
}

func noAlert(id string) error { return fmt.Errorf("alert %q: %w", id, fs.ErrNotExist) }

// Alert is the first part of Handled.
func (tx *Tx) Alert(id string) (alerting.Alert, error) {
	h, err := tx.Handled(id)
	return h.Alert, err
}

// Handling is the second part of Handled.
func (tx *Tx) Handling(alert string) (alerting.Handling, error) {
	h, err := tx.Handled(alert)
	return h.Handling, err
}

// SaveHandling keeps what was done about an alert. An alert that is not there is
// an error that wraps [fs.ErrNotExist].
func (tx *Tx) SaveHandling(alert string, h alerting.Handling) error {
	b, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("handling of alert %s: %w", alert, err)
	}
	acknowledged := -1
	if !h.AcknowledgedAt.IsZero() {
		acknowledged = h.Call
	}
	return tx.ofAlert(alert, tx.s.tx.people.saveHandling, string(b), acknowledged, alert)
}

// SaveCalls keeps what is to be remembered of an alert's reminders and
// escalations: JSON that the store does not look into. untold says that a target
// is still to be told that the alert cleared, so that Handlings lists it until
// then. An alert that is not there is an error that wraps [fs.ErrNotExist].
func (tx *Tx) SaveCalls(alert string, calls json.RawMessage, untold bool) error {
	if len(calls) == 0 {
		calls = json.RawMessage("null")
	}
	if !json.Valid(calls) {
		return fmt.Errorf("calls of alert %s: expected JSON, found %.60q", alert, calls)
	}
	return tx.ofAlert(alert, tx.s.tx.people.saveCalls, string(calls), untold, alert)
}

func (tx *Tx) ofAlert(alert string, st *sql.Stmt, args ...any) error {
	res, err := tx.exec(st, args...)
	if err != nil {
		return fmt.Errorf("alert %s: %w", alert, err)
	}
	if n, err := res.RowsAffected(); n != 0 || err != nil {
		return err
	}
	return noAlert(alert)
}

var (
	// The condition is that of its index, word for word.
	handlingsText = handledText + "WHERE (open | (acknowledged < call) | untold) = 1 ORDER BY raised_at, id"
	clearedText   = alertText + "WHERE cleared_at >= ? ORDER BY cleared_at, id"
	handlingText  = alertsTable.read("id, handling") + " WHERE id IN (SELECT value FROM json_each(?))"
)

// Handlings returns the alerts that are not over, oldest raised first: those that
// are open, those that cleared with nobody having acknowledged their last call,
// and those of which a target is still to be told.
func (s *Store) Handlings(ctx context.Context) (list []Handled, err error) {
	err = s.each(ctx, func(r row) error {
		h, err := scanHandled(r)
		list = append(list, h)
		return err
	}, handlingsText)
	return list, err
}

// HandlingOf returns what was done about each of these alerts, open or not;
// those that are not there are left out.
func (s *Store) HandlingOf(ctx context.Context, alerts ...string) (map[string]alerting.Handling, error) {
	out := make(map[string]alerting.Handling, len(alerts))
	ids, err := json.Marshal(alerts)
	if err != nil {
		return nil, err
	}
	err = s.each(ctx, func(r row) error {
		var id string
		var body []byte
		if err := (checked{r}).Scan(&id, &body); err != nil {
			return err
		}
		var h alerting.Handling
		if err := json.Unmarshal(body, &h); err != nil {
			return fmt.Errorf("handling of alert %s: %w", id, err)
		}
		out[id] = h
		return nil
	}, handlingText, string(ids))
	return out, err
}

// CasesOf returns alerts that stood at any time from from to before to, of one
// turnout or, for "", of all, newest raised first, at most most.
func (s *Store) CasesOf(ctx context.Context, from, to time.Time, turnout string, most int) (list []Handled, err error) {
	text, args := handledText+"WHERE raised_at < ? AND (cleared_at IS NULL OR cleared_at >= ?)", []any{nanos(to), nanos(from)}
	if turnout != "" {
		text, args = text+" AND turnout = ?", append(args, turnout)
	}
	err = s.each(ctx, func(r row) error {
		h, err := scanHandled(r)
		list = append(list, h)
		return err
	}, text+" ORDER BY raised_at DESC, id DESC LIMIT ?", append(args, most)...)
	return list, err
}

// AlertOf returns an alert and what was done about it; an error that wraps
// [fs.ErrNotExist] if there is none.
func (s *Store) AlertOf(ctx context.Context, id string) (h Handled, err error) {
	found := false
	err = s.each(ctx, func(r row) error {
		found = true
		h, err = scanHandled(r)
		return err
	}, handledText+"WHERE id = ?", id)
	if err == nil && !found {
		err = noAlert(id)
	}
	return h, err
}

// RecentlyCleared returns the alerts that cleared at since or later, by
// turnout, oldest cleared first.
func (s *Store) RecentlyCleared(ctx context.Context, since time.Time) (map[string][]alerting.Alert, error) {
	out := map[string][]alerting.Alert{}
	err := s.each(ctx, func(r row) error {
		a, err := scanAlert(r)
		out[a.Turnout] = append(out[a.Turnout], a)
		return err
	}, clearedText, nanos(since))
	return out, err
}

// orNull is what stands in a column that refers to another table.
func orNull(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// AddEntry adds a line to the journal and returns its number; that of e is not
// looked at. The alert, if it names one, must be there, or the error wraps
// [fs.ErrNotExist].
func (tx *Tx) AddEntry(e alerting.Entry) (id int64, err error) {
	e.ID = 0
	b, err := json.Marshal(e)
	if err != nil {
		return 0, fmt.Errorf("journal of alert %s: %w", e.Alert, err)
	}
	res, err := tx.exec(tx.s.tx.people.addEntry, nanos(e.At), orNull(e.Alert), e.Turnout, string(b))
	if isForeign(err) {
		return 0, noAlert(e.Alert)
	}
	if err != nil {
		return 0, fmt.Errorf("journal of alert %s: %w", e.Alert, err)
	}
	return res.LastInsertId()
}

// journalWhere is the query, and its arguments but for the limit. What is not asked for
// stands not in it, so that an index serves it.
func journalWhere(q *alerting.JournalQuery, p place) (string, []any) {
	low := int64(math.MinInt64)
	if !q.From.IsZero() {
		low = nanos(q.From)
	}
	// The end and the cursor become one bound, as in Throws.
	if !q.To.IsZero() && nanos(q.To) <= p.At {
		p.At, p.ID = nanos(q.To), math.MinInt64
	}
	text, args := journalTable.read("id, body")+" WHERE at >= ? AND (at, id) < (?, ?)", []any{low, p.At, p.ID}
	if q.Alert != "" {
		text, args = text+" AND alert = ?", append(args, q.Alert)
		if q.Turnout != "" {
			text, args = text+" AND +turnout = ?", append(args, q.Turnout) // +: an alert has fewer lines than its turnout
		}
	} else if q.Turnout != "" {
		text, args = text+" AND turnout = ?", append(args, q.Turnout)
	}
	return text + " ORDER BY at DESC, id DESC LIMIT ?", args
}

// Journal returns lines of the journal, newest first.
func (s *Store) Journal(ctx context.Context, q alerting.JournalQuery) (items []alerting.Entry, next string, err error) {
	p, err := from("j", q.Cursor)
	if err != nil {
		return nil, "", err
	}
	limit := max(1, q.Limit)
	text, args := journalWhere(&q, p)
	err = s.each(ctx, func(r row) error {
		var id int64
		var body []byte
		if err := (checked{r}).Scan(&id, &body); err != nil {
			return err
		}
		var e alerting.Entry
		if err := json.Unmarshal(body, &e); err != nil {
			return fmt.Errorf("line %d of the journal: %w", id, err)
		}
		e.ID = id
		items = append(items, e)
		return nil
	}, text, append(args, limit+1)...)
	if err == nil && len(items) > limit {
		items = items[:limit]
		next = place{List: "j", At: nanos(items[limit-1].At), ID: items[limit-1].ID}.String()
	}
	return items, next, err
}
