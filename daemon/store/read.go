package store

import (
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// cursorError is a cursor that cannot be read.
type cursorError struct{ found string }

func (e *cursorError) Error() string {
	return fmt.Sprintf("cursor: expected one that this API gave, found %q", e.found)
}

// BadCursor marks the error as the caller's.
func (e *cursorError) BadCursor() bool { return true }

// place is where a page of a list ends: a time and, among equal times, an id.
type place struct {
	List string `json:"l"` // "a" alerts, "j" journal, "q" quarantine, "t" throws, "u" audit: a cursor is good for its own list
	At   int64  `json:"a,omitempty"`
	ID   int64  `json:"i,omitempty"`
	Text string `json:"t,omitempty"`
}

func (p place) String() string {
	b, _ := json.Marshal(p) // numbers and texts: cannot fail
	return base64.RawURLEncoding.EncodeToString(b)
}

// from reads a cursor of a list; the empty one is beyond the newest.
func from(list, cursor string) (place, error) {
	if cursor == "" {
		return place{At: math.MaxInt64, ID: math.MaxInt64, Text: "\U0010ffff"}, nil
	}
	var p place
	b, err := base64.RawURLEncoding.DecodeString(cursor)
	if err == nil {
		err = json.Unmarshal(b, &p)
	}
	if err != nil || p.List != list {
		return p, &cursorError{cursor}
	}
	return p, nil
}

// each runs a query and gives every row to f.
func (s *Store) each(ctx context.Context, f func(row) error, query string, args ...any) error {
	if err := s.gate.enter(ctx); err != nil {
		return s.explain("read", err)
	}
	defer s.gate.leave()
	rows, err := s.read.QueryContext(ctx, query, args...)
	if err != nil {
		return s.explain("read", err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return s.explain("read", err)
		}
	}
	return s.explain("read", rows.Err())
}

// States gives the state of every turnout to f, in no order that says anything.
// The bytes are valid until f returns; there are none where they have changed on
// the disk.
func (s *Store) States(ctx context.Context, f func(turnout, cabinet string, state []byte) error) error {
	return s.each(ctx, func(r row) error {
		var name, cabinet string
		var state sql.RawBytes
		var said sql.NullInt64
		if err := (checked{r}).Scan(&name, &cabinet, &state, &said); err != nil {
			return err
		}
		if said.Valid && uint32(said.Int64) != sum(state) {
			s.o.Log.Error("a turnout's state cannot be used", "path", s.path, "turnout", name, "error", errChanged)
			state = nil
		}
		return f(name, cabinet, state)
	}, turnoutsTable.read("name, cabinet, state, state_sum")+" WHERE state IS NOT NULL")
}

// OpenAlerts returns all open alerts, oldest raised first.
func (s *Store) OpenAlerts(ctx context.Context) ([]alerting.Alert, error) {
	var list []alerting.Alert
	err := s.each(ctx, func(r row) error {
		a, err := scanAlert(r)
		list = append(list, a)
		return err
	}, alertText+"WHERE open = 1 ORDER BY raised_at, id")
	return list, err
}

var alertText = alertsTable.read("body") + " "

func scanAlert(r row) (alerting.Alert, error) {
	var a alerting.Alert
	var body string
	if err := (checked{r}).Scan(&body); err != nil {
		return a, err
	}
	return a, json.Unmarshal([]byte(body), &a)
}

// Alerts returns alerts, newest raised first.
func (s *Store) Alerts(ctx context.Context, q alerting.Query) (items []alerting.Alert, next string, err error) {
	p, err := from("a", q.Cursor)
	if err != nil {
		return nil, "", err
	}
	limit := max(1, q.Limit)
	// What is not asked for stands not in the text, so that an index serves it.
	text, args := alertText+"WHERE (raised_at, id) < (?, ?)", []any{p.At, p.Text}
	if q.OpenOnly {
		text += " AND open = 1"
	}
	if q.Turnout != "" {
		text, args = text+" AND turnout = ?", append(args, q.Turnout)
	}
	err = s.each(ctx, func(r row) error {
		a, err := scanAlert(r)
		items = append(items, a)
		return err
	}, text+" ORDER BY raised_at DESC, id DESC LIMIT ?", append(args, limit+1)...)
	if err == nil && len(items) > limit {
		items = items[:limit]
		last := &items[limit-1]
		next = place{List: "a", At: nanos(last.RaisedAt), Text: last.ID}.String()
	}
	return items, next, err
}

// EventsAfter returns at most limit events in their order, from the one after
// seq on, and the number of the last.
func (s *Store) EventsAfter(ctx context.Context, seq int64, limit int) (events []alerting.Event, last int64, err error) {
	last = seq
	err = s.each(ctx, func(r row) error {
		var body string
		if err := (checked{r}).Scan(&last, &body); err != nil {
			return err
		}
		var e alerting.Event
		if err := json.Unmarshal([]byte(body), &e); err != nil {
			return err
		}
		events = append(events, e)
		return nil
	}, eventText+"WHERE seq > ? ORDER BY seq LIMIT ?", seq, limit)
	return events, last, err
}

var eventText = eventsTable.read("seq, body") + " "

const (
	oldThrowColumns = "throws.id, key, turnouts.name, to_end, started_at, arrived_at, completed, throws.cabinet, record, throws.turnout, NULL" // before there were checksums
	throwColumns    = "throws.id, key, turnouts.name, to_end, started_at, arrived_at, completed, throws.cabinet, record, throws.turnout, throws.sum"
)

// sumOfThrow is the checksum of a throw's row, of which all but its number, that
// of its turnout and the record stand in r.
func sumOfThrow(s *summer, id, turnout int64, r *detect.Record, record []byte) int64 {
	s.begin(throwsTable.name)
	s.int(id)
	s.text(r.Key)
	s.int(turnout)
	s.int(int64(r.To))
	s.int(nanos(r.StartedAt))
	s.int(nanos(r.ArrivedAt))
	if r.Completed {
		s.int(1)
	} else {
		s.int(0)
	}
	s.text(r.Cabinet)
	s.blob(record)
	return s.sum()
}

func scanThrow(r row, more ...any) (id int64, rec detect.Record, err error) {
	var to int
	var started, arrived, completed, turnout int64
	var said sql.NullInt64
	var blob []byte
	if err := r.Scan(append([]any{&id, &rec.Key, &rec.Turnout, &to, &started, &arrived, &completed, &rec.Cabinet, &blob, &turnout, &said}, more...)...); err != nil {
		return id, rec, err
	}
	rec.Completed = completed == 1
	rec.To = ingest.End(to)
	rec.StartedAt, rec.ArrivedAt = time.Unix(0, started).UTC(), time.Unix(0, arrived).UTC()
	if completed&^1 != 0 || said.Valid && said.Int64 != sumOfThrow(new(summer), id, turnout, &rec, blob) {
		return id, rec, fmt.Errorf("throw %s: %w", rec.Key, errChanged)
	}
	if err := consumeRecord(blob, &rec); err != nil {
		return id, rec, fmt.Errorf("throw %s: %w", rec.Key, err)
	}
	return id, rec, nil
}

// Throws returns a turnout's throws that started in [start, end), newest first,
// without their traces. Zero times leave that side open.
func (s *Store) Throws(ctx context.Context, turnout string, start, end time.Time, cursor string, limit int) (items []detect.Record, next string, err error) {
	p, err := from("t", cursor)
	if err != nil {
		return nil, "", err
	}
	limit = max(1, limit)
	low := int64(math.MinInt64)
	if !start.IsZero() {
		low = nanos(start)
	}
	// The end and the cursor become one bound: of two, SQLite seeks to either,
	// and might walk from the end of the range for every page.
	if !end.IsZero() && nanos(end) <= p.At {
		p.At, p.ID = nanos(end), math.MinInt64
	}
	var ids []int64
	err = s.each(ctx, func(r row) error {
		id, rec, err := scanThrow(r)
		items, ids = append(items, rec), append(ids, id)
		return err
	}, throwsText, turnout, low, p.At, p.ID, limit+1)
	if err == nil && len(items) > limit {
		items = items[:limit]
		next = place{List: "t", At: nanos(items[limit-1].StartedAt), ID: ids[limit-1]}.String()
	}
	return items, next, err
}

const throwsText = "SELECT " + throwColumns + ` FROM throws JOIN turnouts ON turnouts.id = throws.turnout
	WHERE throws.turnout = (SELECT id FROM turnouts WHERE name = ?) AND started_at >= ? AND (started_at, throws.id) < (?, ?)
	ORDER BY started_at DESC, throws.id DESC LIMIT ?`

// Throw returns a throw and its traces as sent; no channels where the raw
// traces are past their retention.
func (s *Store) Throw(ctx context.Context, key string) (rec detect.Record, channels []ingest.Channel, err error) {
	if err := s.gate.enter(ctx); err != nil {
		return rec, nil, s.explain("read throw "+key, err)
	}
	defer s.gate.leave()
	var blob []byte
	_, rec, err = scanThrow(s.read.QueryRowContext(ctx, "SELECT "+throwColumns+", traces FROM throws JOIN turnouts ON turnouts.id = throws.turnout WHERE key = ?", key), &blob)
	if errors.Is(err, sql.ErrNoRows) {
		return rec, nil, fmt.Errorf("throw %q: %w", key, fs.ErrNotExist)
	}
	if err == nil && rec.Key != key {
		err = fmt.Errorf("the index leads to throw %s: %w", rec.Key, errChanged)
	}
	if err != nil || blob == nil {
		return rec, nil, s.explain("read throw "+key, err)
	}
	channels, err = consumeTraces(blob)
	return rec, channels, s.explain("read throw "+key, err)
}

// Work returns the visits to a turnout, newest first, and what became of them.
func (s *Store) Work(ctx context.Context, turnout string) ([]detect.Visit, error) {
	return s.visits(ctx, "WHERE turnout = ? ORDER BY done_at DESC, id DESC LIMIT 1000", turnout)
}

// WorkOf returns the visits to all turnouts from from to before to, newest
// first, at most most.
func (s *Store) WorkOf(ctx context.Context, from, to time.Time, most int) ([]detect.Visit, error) {
	return s.visits(ctx, "WHERE done_at >= ? AND done_at < ? ORDER BY done_at DESC, id DESC LIMIT ?", nanos(from), nanos(to), most)
}

func (s *Store) visits(ctx context.Context, which string, args ...any) (list []detect.Visit, err error) {
	err = s.each(ctx, func(r row) error {
		var w detect.Visit
		var at int64
		var kind, verdicts string
		if err := (checked{r}).Scan(&w.Turnout, &at, &kind, &w.Note, &w.By, &verdicts); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(verdicts), &w.Verdicts); err != nil {
			return fmt.Errorf("verdicts on work at %s: %w", w.Turnout, err)
		}
		w.DoneAt, w.Kind = time.Unix(0, at).UTC(), ingest.WorkKind(kind)
		list = append(list, w)
		return nil
	}, workTable.read("turnout, done_at, kind, note, by, verdicts")+" "+which, args...)
	return list, err
}

// pageBytes is how much of payloads a page holds beside its first message; a
// page that holds more items than that is shorter than asked for.
const pageBytes = 32 << 20

var errEnough = errors.New("page is full")

// Quarantine returns what was set aside, newest first. A page of long messages
// may be shorter than limit.
func (s *Store) Quarantine(ctx context.Context, cursor string, limit int) (items []ingest.SetAside, next string, err error) {
	p, err := from("q", cursor)
	if err != nil {
		return nil, "", err
	}
	limit = max(1, limit)
	size := 0
	err = s.each(ctx, func(r row) error {
		a, err := scanAside(r)
		if err != nil {
			return err
		}
		if size += len(a.Payload); len(items) == limit || len(items) > 0 && size > pageBytes {
			return errEnough
		}
		items = append(items, a)
		return nil
	}, asideText+"WHERE id < ? ORDER BY id DESC LIMIT ?", p.ID, limit+1)
	if errors.Is(err, errEnough) {
		err, next = nil, place{List: "q", ID: items[len(items)-1].ID}.String()
	}
	return items, next, err
}

// Aside returns one message that was set aside, or an error that wraps [fs.ErrNotExist].
func (s *Store) Aside(ctx context.Context, id int64) (a ingest.SetAside, err error) {
	if err := s.gate.enter(ctx); err != nil {
		return a, s.explain("read what was set aside", err)
	}
	defer s.gate.leave()
	a, err = scanAside(s.read.QueryRowContext(ctx, asideText+"WHERE id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		return a, fmt.Errorf("message %d is not set aside: %w", id, fs.ErrNotExist)
	}
	return a, s.explain("read what was set aside", err)
}

// Receipts returns what each cabinet is to be told.
func (s *Store) Receipts(ctx context.Context) (map[string]ingest.Receipt, error) {
	out := map[string]ingest.Receipt{}
	err := s.each(ctx, func(r row) error {
		var cabinet string
		var rec ingest.Receipt
		var through int64
		var missing []byte
		if err := (checked{r}).Scan(&cabinet, &rec.Boot, &through, &missing); err != nil {
			return err
		}
		rec.Through = uint64(through)
		c := reader{b: missing}
		for range c.count(2) {
			rec.Missing = append(rec.Missing, [2]uint64{c.uvarint(), c.uvarint()})
		}
		if c.bad {
			return fmt.Errorf("receipt of %s: %w", cabinet, errCodec)
		}
		out[cabinet] = rec
		return nil
	}, receiptsTable.read("cabinet, boot, through, missing"))
	return out, err
}

func known(n sql.NullFloat64) ingest.Reading {
	return ingest.Reading{Value: n.Float64, Known: n.Valid}
}

// Cabinets returns the last state of every cabinet that told one.
func (s *Store) Cabinets(ctx context.Context) (list []ingest.CabinetState, err error) {
	err = s.each(ctx, func(r row) error {
		var c ingest.CabinetState
		var at int64
		var offset sql.NullFloat64
		if err := (checked{r}).Scan(&c.Cabinet, &c.Online, &at, &c.Agent, &offset); err != nil {
			return err
		}
		c.At, c.ClockOffset = time.Unix(0, at).UTC(), known(offset)
		list = append(list, c)
		return nil
	}, cabinetsTable.read("name, online, at, agent, clock_offset")+" WHERE at IS NOT NULL ORDER BY name")
	return list, err
}

// LatestConditions returns the latest conditions of every cabinet that told some.
func (s *Store) LatestConditions(ctx context.Context) (list []ingest.Conditions, err error) {
	err = s.each(ctx, func(r row) error {
		var c ingest.Conditions
		var at int64
		var x [4]sql.NullFloat64
		if err := (checked{r}).Scan(&c.Cabinet, &at, &x[0], &x[1], &x[2], &x[3]); err != nil {
			return err
		}
		c.At = time.Unix(0, at).UTC()
		c.RailTemperature, c.AirTemperature, c.Supply, c.Rain = known(x[0]), known(x[1]), known(x[2]), known(x[3])
		list = append(list, c)
		return nil
	}, cabinetsTable.read("name, conditions_at, rail_temperature, air_temperature, supply, rain")+" WHERE conditions_at IS NOT NULL ORDER BY name")
	return list, err
}

// Prune forgets, of at most most throws in each of its steps, the traces of
// throws that started before tracesBefore and the throws that started before
// throwsBefore; a zero time forgets nothing. It returns how many it met; 0 means
// that nothing is left to prune.
func (s *Store) Prune(ctx context.Context, tracesBefore, throwsBefore time.Time, most int) (pruned int, err error) {
	err = s.Update(ctx, func(tx *Tx) error {
		for _, step := range []struct {
			text   string
			before time.Time
		}{
			{pruneBare, throwsBefore},
			{pruneWhole, throwsBefore},
			{pruneTraces, tracesBefore},
		} {
			if step.before.IsZero() {
				continue
			}
			res, err := tx.tx.ExecContext(tx.ctx, step.text, nanos(step.before), most)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err != nil {
				return err
			}
			pruned += int(n)
		}
		if pruned == 0 {
			return nil
		}
		_, err := tx.tx.ExecContext(tx.ctx, "PRAGMA incremental_vacuum(256)")
		return err
	})
	if err != nil {
		return 0, err
	}
	return pruned, nil
}

// Each finds its throws by the index that holds only such.
const (
	pruneBare   = "DELETE FROM throws WHERE id IN (SELECT id FROM throws WHERE traces IS NULL AND started_at < ? ORDER BY started_at LIMIT ?)"
	pruneWhole  = "DELETE FROM throws WHERE id IN (SELECT id FROM throws WHERE traces IS NOT NULL AND started_at < ? ORDER BY started_at LIMIT ?)"
	pruneTraces = "UPDATE throws SET traces = NULL WHERE id IN (SELECT id FROM throws WHERE traces IS NOT NULL AND started_at < ? ORDER BY started_at LIMIT ?)"
)
