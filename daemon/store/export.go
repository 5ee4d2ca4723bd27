package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// What exporters read: throws by their number and events by theirs, from a
// cursor of their own that is kept here. Nothing waits for an exporter; what
// is pruned before it comes by is gone, and it counts that.

// ErrEnough ends a walk over throws or events before its end, without an error.
var ErrEnough = errors.New("enough")

// walk is each, but for f ending it.
func (s *Store) walk(ctx context.Context, f func(row) error, query string, args ...any) error {
	if err := s.each(ctx, f, query, args...); !errors.Is(err, ErrEnough) {
		return err
	}
	return nil
}

// ExportEnds returns the number of the last throw that was filed and of the last event.
func (s *Store) ExportEnds(ctx context.Context) (throw, event int64, err error) {
	err = s.each(ctx, func(r row) error { return r.Scan(&throw, &event) },
		`SELECT max(coalesce((SELECT max(id) FROM throws), 0), coalesce((SELECT through FROM covered), 0), coalesce((SELECT max(throws) FROM exports), 0)),
			coalesce((SELECT max(seq) FROM events), 0)`)
	return throw, event, err
}

// ThrowsAfter gives throws to f in the order in which they were filed, from
// the one after number on, at most limit. f ends it with [ErrEnough].
func (s *Store) ThrowsAfter(ctx context.Context, number int64, limit int, f func(number int64, r *detect.Record) error) error {
	return s.walk(ctx, throwsTo(f), "SELECT "+throwColumns+` FROM throws JOIN turnouts ON turnouts.id = throws.turnout
		WHERE throws.id > ? ORDER BY throws.id LIMIT ?`, number, limit)
}

func throwsTo(f func(int64, *detect.Record) error) func(row) error {
	return func(r row) error {
		number, rec, err := scanThrow(r)
		if err != nil {
			return err
		}
		return f(number, &rec)
	}
}

// EventsFrom gives events to f in their order, from the one after seq on, at
// most limit. f ends it with [ErrEnough].
func (s *Store) EventsFrom(ctx context.Context, seq int64, limit int, f func(seq int64, e *alerting.Event) error) error {
	return s.walk(ctx, func(r row) error {
		var body string
		var seq int64
		if err := (checked{r}).Scan(&seq, &body); err != nil {
			return err
		}
		var e alerting.Event
		if err := json.Unmarshal([]byte(body), &e); err != nil {
			return fmt.Errorf("event %d: %w", seq, err)
		}
		return f(seq, &e)
	}, eventText+"WHERE seq > ? ORDER BY seq LIMIT ?", seq, limit)
}

// OldestAfter returns when the first throw after number arrived; the zero time
// where there is none.
func (s *Store) OldestAfter(ctx context.Context, number int64) (at time.Time, err error) {
	err = s.each(ctx, func(r row) error {
		var n int64
		err := r.Scan(&n)
		at = time.Unix(0, n).UTC()
		return err
	}, "SELECT arrived_at FROM throws WHERE id > ? ORDER BY id LIMIT 1", number)
	return at, err
}

// ExportCursor returns how far an exporter has come and what it has counted:
// points written, points refused by the other side, throws that were gone
// before they were read. found is false where it has never begun.
func (s *Store) ExportCursor(ctx context.Context, name string) (throw, event int64, counts [3]int64, found bool, err error) {
	err = s.each(ctx, func(r row) error {
		found = true
		return checked{r}.Scan(&throw, &event, &counts[0], &counts[1], &counts[2])
	}, exportsTable.read("throws, events, written, refused, missed")+" WHERE name = ?", name)
	return throw, event, counts, found, err
}

var exportCursorText = exportsTable.put("", "name", "?1", "throws", "?2", "events", "?3", "written", "?4", "refused", "?5", "missed", "?6")

// SaveExportCursor keeps what ExportCursor returns, synced.
func (s *Store) SaveExportCursor(ctx context.Context, name string, throw, event int64, counts [3]int64) error {
	return s.Update(ctx, func(tx *Tx) error {
		_, err := tx.tx.ExecContext(tx.ctx, exportCursorText, name, throw, event, counts[0], counts[1], counts[2])
		if err != nil {
			return fmt.Errorf("cursor of exporter %s: %w", name, err)
		}
		return nil
	})
}

// Place is where a walk over throws by time is; the zero Place is its beginning.
type Place struct {
	Bare    bool // those that have lost their traces come after the others
	Started int64
	ID      int64
	begun   bool
}

// ThrowsBetween gives throws that started in [from, to) to f, at most limit,
// from a place on, and returns the place to go on from; done where nothing is
// left. A throw that loses its traces meanwhile is given twice. f ends it with
// [ErrEnough]; the throw at which it did counts as given.
func (s *Store) ThrowsBetween(ctx context.Context, from, to time.Time, p Place, limit int, f func(r *detect.Record) error) (next Place, done bool, err error) {
	if !p.begun {
		p.Started, p.ID, p.begun = nanos(from), -1, true
	}
	which := "traces IS NOT NULL" // each has an index of its own by started_at
	if p.Bare {
		which = "traces IS NULL"
	}
	n, cut := 0, false
	err = s.walk(ctx, func(r row) error {
		number, rec, err := scanThrow(r)
		if err != nil {
			return err
		}
		n++
		p.Started, p.ID = nanos(rec.StartedAt), number
		err = f(&rec)
		cut = errors.Is(err, ErrEnough)
		return err
	}, "SELECT "+throwColumns+" FROM throws JOIN turnouts ON turnouts.id = throws.turnout WHERE "+which+
		" AND started_at < ? AND (started_at, throws.id) > (?, ?) ORDER BY started_at, throws.id LIMIT ?", nanos(to), p.Started, p.ID, limit)
	if err != nil || cut || n == limit {
		return p, false, err
	}
	if p.Bare {
		return p, true, nil
	}
	return Place{Bare: true, Started: nanos(from), ID: -1, begun: true}, false, nil
}

// OpenReader opens a store to read from it beside the process that holds it.
// Only reading is possible, and only what this release has laid out.
func OpenReader(ctx context.Context, path string) (*Store, error) {
	s, err := looker(path)
	if err != nil {
		return nil, err
	}
	var version, application int
	for _, q := range []struct {
		text string
		into *int
	}{{"PRAGMA user_version", &version}, {"PRAGMA application_id", &application}} {
		if err := s.read.QueryRowContext(ctx, q.text).Scan(q.into); err != nil {
			return nil, errors.Join(s.explain("open for reading", err), s.Close())
		}
	}
	if application != applicationID {
		return nil, errors.Join(fmt.Errorf("store %s: expected a store of this program, found another database", path), s.Close())
	}
	if known := len(scripts()); version != known {
		return nil, errors.Join(fmt.Errorf("store %s: expected version %d, found %d; let `throwline serve` of this release open it first", path, known, version), s.Close())
	}
	return s, nil
}
