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

// place is where a page ends: a time and, among equal times, an id.
type place struct {
	At int64  `json:"a"`
	ID int64  `json:"i,omitempty"`
	T  string `json:"t,omitempty"`
}

func (p place) String() string {
	b, _ := json.Marshal(p) // two numbers and a text: cannot fail
	return base64.RawURLEncoding.EncodeToString(b)
}

// from reads a cursor; the empty one is beyond the newest.
func from(cursor string) (place, error) {
	if cursor == "" {
		return place{At: math.MaxInt64, ID: math.MaxInt64, T: "\U0010ffff"}, nil
	}
	var p place
	b, err := base64.RawURLEncoding.DecodeString(cursor)
	if err == nil {
		err = json.Unmarshal(b, &p)
	}
	if err != nil {
		return p, &cursorError{cursor}
	}
	return p, nil
}

// each runs a query and gives every row to f.
func (s *Store) each(ctx context.Context, f func(row) error, query string, args ...any) error {
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

func (s *Store) loadIDs(ctx context.Context) error {
	return s.each(ctx, func(r row) error {
		var id int64
		var name string
		if err := r.Scan(&id, &name); err != nil {
			return err
		}
		s.ids[name] = id
		return nil
	}, "SELECT id, name FROM turnouts")
}

// States gives the state of every turnout to f. The bytes are valid until f returns.
func (s *Store) States(ctx context.Context, f func(turnout, cabinet string, state []byte) error) error {
	return s.each(ctx, func(r row) error {
		var name, cabinet string
		var state sql.RawBytes
		if err := r.Scan(&name, &cabinet, &state); err != nil {
			return err
		}
		return f(name, cabinet, state)
	}, "SELECT name, cabinet, state FROM turnouts WHERE state IS NOT NULL ORDER BY name")
}

// OpenAlerts returns all open alerts, oldest raised first.
func (s *Store) OpenAlerts(ctx context.Context) ([]alerting.Alert, error) {
	var list []alerting.Alert
	err := s.each(ctx, func(r row) error {
		a, err := scanAlert(r)
		list = append(list, a)
		return err
	}, "SELECT body FROM alerts WHERE open = 1 ORDER BY raised_at, id")
	return list, err
}

func scanAlert(r row) (alerting.Alert, error) {
	var a alerting.Alert
	var body string
	if err := r.Scan(&body); err != nil {
		return a, err
	}
	return a, json.Unmarshal([]byte(body), &a)
}

// Alerts returns alerts, newest raised first.
func (s *Store) Alerts(ctx context.Context, q alerting.Query) (items []alerting.Alert, next string, err error) {
	p, err := from(q.Cursor)
	if err != nil {
		return nil, "", err
	}
	err = s.each(ctx, func(r row) error {
		a, err := scanAlert(r)
		items = append(items, a)
		return err
	}, `SELECT body FROM alerts WHERE (raised_at, id) < (?, ?) AND (? = '' OR turnout = ?) AND (? = 0 OR open = 1)
		ORDER BY raised_at DESC, id DESC LIMIT ?`, p.At, p.T, q.Turnout, q.Turnout, q.OpenOnly, q.Limit+1)
	if len(items) > q.Limit {
		items = items[:q.Limit]
		last := items[q.Limit-1]
		next = place{At: last.RaisedAt.UnixNano(), T: last.ID}.String()
	}
	return items, next, err
}

// EventsAfter returns at most limit events in their order, from the one after
// seq on, and the number of the last.
func (s *Store) EventsAfter(ctx context.Context, seq int64, limit int) (events []alerting.Event, last int64, err error) {
	last = seq
	err = s.each(ctx, func(r row) error {
		var body string
		if err := r.Scan(&last, &body); err != nil {
			return err
		}
		var e alerting.Event
		if err := json.Unmarshal([]byte(body), &e); err != nil {
			return err
		}
		events = append(events, e)
		return nil
	}, "SELECT seq, body FROM events WHERE seq > ? ORDER BY seq LIMIT ?", seq, limit)
	return events, last, err
}

const throwColumns = "throws.id, key, turnouts.name, to_end, started_at, arrived_at, completed, throws.cabinet, record"

func scanThrow(r row, more ...any) (id int64, rec detect.Record, err error) {
	var to int
	var started, arrived int64
	var blob []byte
	if err := r.Scan(append([]any{&id, &rec.Key, &rec.Turnout, &to, &started, &arrived, &rec.Completed, &rec.Cabinet, &blob}, more...)...); err != nil {
		return 0, rec, err
	}
	rec.To = ingest.End(to)
	rec.StartedAt, rec.ArrivedAt = time.Unix(0, started).UTC(), time.Unix(0, arrived).UTC()
	return id, rec, consumeRecord(blob, &rec)
}

// Throws returns a turnout's throws that started in [start, end), newest first,
// without their traces. Zero times leave that side open.
func (s *Store) Throws(ctx context.Context, turnout string, start, end time.Time, cursor string, limit int) (items []detect.Record, next string, err error) {
	p, err := from(cursor)
	if err != nil {
		return nil, "", err
	}
	low, high := int64(math.MinInt64), int64(math.MaxInt64)
	if !start.IsZero() {
		low = start.UnixNano()
	}
	if !end.IsZero() {
		high = end.UnixNano()
	}
	var ids []int64
	err = s.each(ctx, func(r row) error {
		id, rec, err := scanThrow(r)
		items, ids = append(items, rec), append(ids, id)
		return err
	}, "SELECT "+throwColumns+` FROM throws JOIN turnouts ON turnouts.id = throws.turnout
		WHERE throws.turnout = (SELECT id FROM turnouts WHERE name = ?) AND started_at >= ? AND started_at < ? AND (started_at, throws.id) < (?, ?)
		ORDER BY started_at DESC, throws.id DESC LIMIT ?`, turnout, low, high, p.At, p.ID, limit+1)
	if len(items) > limit {
		items = items[:limit]
		next = place{At: items[limit-1].StartedAt.UnixNano(), ID: ids[limit-1]}.String()
	}
	return items, next, err
}

// Throw returns a throw and its traces as sent; no channels where the raw
// traces are past their retention.
func (s *Store) Throw(ctx context.Context, key string) (rec detect.Record, channels []ingest.Channel, err error) {
	var blob []byte
	_, rec, err = scanThrow(s.read.QueryRowContext(ctx, "SELECT "+throwColumns+", traces FROM throws JOIN turnouts ON turnouts.id = throws.turnout WHERE key = ?", key), &blob)
	if errors.Is(err, sql.ErrNoRows) {
		return rec, nil, fmt.Errorf("throw %q: %w", key, fs.ErrNotExist)
	}
	if err != nil || blob == nil {
		return rec, nil, s.explain("read throw "+key, err)
	}
	channels, err = consumeTraces(blob)
	return rec, channels, s.explain("read throw "+key, err)
}

// Work returns the visits to a turnout, newest first.
func (s *Store) Work(ctx context.Context, turnout string) (list []ingest.Work, err error) {
	err = s.each(ctx, func(r row) error {
		w := ingest.Work{Turnout: turnout}
		var at int64
		var kind string
		if err := r.Scan(&at, &kind, &w.Note, &w.By); err != nil {
			return err
		}
		w.DoneAt, w.Kind = time.Unix(0, at).UTC(), ingest.WorkKind(kind)
		list = append(list, w)
		return nil
	}, "SELECT done_at, kind, note, by FROM work WHERE turnout = ? ORDER BY done_at DESC, id DESC LIMIT 1000", turnout)
	return list, err
}

// Quarantine returns what was set aside, newest first.
func (s *Store) Quarantine(ctx context.Context, cursor string, limit int) (items []ingest.SetAside, next string, err error) {
	p, err := from(cursor)
	if err != nil {
		return nil, "", err
	}
	err = s.each(ctx, func(r row) error {
		a, err := scanAside(r)
		items = append(items, a)
		return err
	}, "SELECT id, at, topic, turnout, faults, payload, retries FROM aside WHERE id < ? ORDER BY id DESC LIMIT ?", p.ID, limit+1)
	if len(items) > limit {
		items = items[:limit]
		next = place{ID: items[limit-1].ID}.String()
	}
	return items, next, err
}

// Aside returns one message that was set aside, or an error that wraps [fs.ErrNotExist].
func (s *Store) Aside(ctx context.Context, id int64) (a ingest.SetAside, err error) {
	a, err = scanAside(s.read.QueryRowContext(ctx, "SELECT id, at, topic, turnout, faults, payload, retries FROM aside WHERE id = ?", id))
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("message %d is not set aside: %w", id, fs.ErrNotExist)
	}
	return a, err
}

// Receipts returns what each cabinet is to be told.
func (s *Store) Receipts(ctx context.Context) (map[string]ingest.Receipt, error) {
	out := map[string]ingest.Receipt{}
	err := s.each(ctx, func(r row) error {
		var cabinet string
		var rec ingest.Receipt
		var through int64
		var missing []byte
		if err := r.Scan(&cabinet, &rec.Boot, &through, &missing); err != nil {
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
	}, "SELECT cabinet, boot, through, missing FROM receipts")
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
		if err := r.Scan(&c.Cabinet, &c.Online, &at, &c.Agent, &offset); err != nil {
			return err
		}
		c.At, c.ClockOffset = time.Unix(0, at).UTC(), known(offset)
		list = append(list, c)
		return nil
	}, "SELECT name, online, at, agent, clock_offset FROM cabinets WHERE at IS NOT NULL ORDER BY name")
	return list, err
}

// LatestConditions returns the latest conditions of every cabinet that told some.
func (s *Store) LatestConditions(ctx context.Context) (list []ingest.Conditions, err error) {
	err = s.each(ctx, func(r row) error {
		var c ingest.Conditions
		var at int64
		var x [4]sql.NullFloat64
		if err := r.Scan(&c.Cabinet, &at, &x[0], &x[1], &x[2], &x[3]); err != nil {
			return err
		}
		c.At = time.Unix(0, at).UTC()
		c.RailTemperature, c.AirTemperature, c.Supply, c.Rain = known(x[0]), known(x[1]), known(x[2]), known(x[3])
		list = append(list, c)
		return nil
	}, "SELECT name, conditions_at, rail_temperature, air_temperature, supply, rain FROM cabinets WHERE conditions_at IS NOT NULL ORDER BY name")
	return list, err
}

// Prune forgets, at most most throws at a time, the traces of throws that
// started before tracesBefore and the throws that started before throwsBefore.
// It returns how many it met; 0 means that nothing is left to prune.
func (s *Store) Prune(ctx context.Context, tracesBefore, throwsBefore time.Time, most int) (pruned int, err error) {
	err = s.Update(ctx, func(tx *Tx) error {
		for _, step := range []struct {
			text   string
			before time.Time
		}{
			{"DELETE FROM throws WHERE id IN (SELECT id FROM throws WHERE started_at < ? ORDER BY started_at LIMIT ?)", throwsBefore},
			{"UPDATE throws SET traces = NULL WHERE id IN (SELECT id FROM throws WHERE started_at < ? AND traces IS NOT NULL ORDER BY started_at LIMIT ?)", tracesBefore},
		} {
			if step.before.IsZero() {
				continue
			}
			res, err := tx.tx.ExecContext(tx.ctx, step.text, step.before.UnixNano(), most)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err != nil {
				return err
			}
			pruned += int(n)
		}
		_, err := tx.tx.ExecContext(tx.ctx, "PRAGMA incremental_vacuum(256)")
		return err
	})
	return pruned, err
}
