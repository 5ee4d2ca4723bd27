package store

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"time"

	"throwline/alerting"
)

// What people have told the program: the places of the turnouts, the windows,
// and the record of who has done what.

// SavePlace keeps what was said of a turnout, whether it is known or not.
func (tx *Tx) SavePlace(p alerting.Place) error {
	b, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("place of %s: %w", p.Turnout, err)
	}
	if _, err := tx.exec(tx.s.tx.people.savePlace, p.Turnout, string(b)); err != nil {
		return fmt.Errorf("place of %s: %w", p.Turnout, err)
	}
	return nil
}

// DropPlace forgets what was said of a turnout; nothing said is no error.
func (tx *Tx) DropPlace(turnout string) error {
	if _, err := tx.tx.ExecContext(tx.ctx, "DELETE FROM places WHERE turnout = ?", turnout); err != nil {
		return fmt.Errorf("place of %s: %w", turnout, err)
	}
	return nil
}

// ReplacePlaces keeps these places and no others.
func (tx *Tx) ReplacePlaces(places []alerting.Place) error {
	if _, err := tx.tx.ExecContext(tx.ctx, "DELETE FROM places"); err != nil {
		return fmt.Errorf("places: %w", err)
	}
	for _, p := range places {
		if err := tx.SavePlace(p); err != nil {
			return err
		}
	}
	return nil
}

// Places returns what was said of turnouts, by name.
func (s *Store) Places(ctx context.Context) (list []alerting.Place, err error) {
	err = s.each(ctx, func(r row) error {
		var turnout string
		var body []byte
		if err := (checked{r}).Scan(&turnout, &body); err != nil {
			return err
		}
		var p alerting.Place
		if err := json.Unmarshal(body, &p); err != nil {
			return fmt.Errorf("place of %s: %w", turnout, err)
		}
		list = append(list, p)
		return nil
	}, placesTable.read("turnout, body")+" ORDER BY turnout")
	return list, err
}

// SaveWindow keeps a window and returns its number: a new one if w has none
// (0). A number that is not there is an error that wraps [fs.ErrNotExist].
func (tx *Tx) SaveWindow(w alerting.Window) (id int64, err error) {
	b, err := json.Marshal(w)
	if err != nil {
		return 0, fmt.Errorf("window %q: %w", w.Name, err)
	}
	if w.ID == 0 {
		res, err := tx.tx.ExecContext(tx.ctx, windowsTable.add("body", "?1"), string(b))
		if err != nil {
			return 0, fmt.Errorf("window %q: %w", w.Name, err)
		}
		return res.LastInsertId()
	}
	res, err := tx.tx.ExecContext(tx.ctx, windowsTable.update(2, "id", "?2", "body", "?1"), string(b), w.ID)
	if err != nil {
		return 0, fmt.Errorf("window %d: %w", w.ID, err)
	}
	switch n, err := res.RowsAffected(); {
	case err != nil:
		return 0, err
	case n == 0:
		return 0, fmt.Errorf("window %d: %w", w.ID, fs.ErrNotExist)
	}
	return w.ID, nil
}

// DropWindow forgets a window; one that is not there is no error. Its number is
// not given again.
func (tx *Tx) DropWindow(id int64) error {
	if _, err := tx.tx.ExecContext(tx.ctx, "DELETE FROM windows WHERE id = ?", id); err != nil {
		return fmt.Errorf("window %d: %w", id, err)
	}
	return nil
}

// Windows returns all windows in the order in which they were made.
func (s *Store) Windows(ctx context.Context) (list []alerting.Window, err error) {
	err = s.each(ctx, func(r row) error {
		var id int64
		var body []byte
		if err := (checked{r}).Scan(&id, &body); err != nil {
			return err
		}
		var w alerting.Window
		if err := json.Unmarshal(body, &w); err != nil {
			return fmt.Errorf("window %d: %w", id, err)
		}
		w.ID = id
		list = append(list, w)
		return nil
	}, windowsTable.read("id, body")+" ORDER BY id")
	return list, err
}

// Audit adds a line to the record of who has done what; by is "" for the
// program itself.
func (tx *Tx) Audit(at time.Time, by, what, detail string) error {
	if _, err := tx.tx.ExecContext(tx.ctx, auditTable.add("at", "?1", "by", "?2", "what", "?3", "detail", "?4"), nanos(at), by, what, detail); err != nil {
		return fmt.Errorf("audit of %s: %w", what, err)
	}
	return nil
}

// AuditLog returns the record of who has done what, the line entered last first.
func (s *Store) AuditLog(ctx context.Context, cursor string, limit int) (items []alerting.Audited, next string, err error) {
	p, err := from("u", cursor)
	if err != nil {
		return nil, "", err
	}
	limit = max(1, limit)
	var ids []int64
	err = s.each(ctx, func(r row) error {
		var id, at int64
		var a alerting.Audited
		if err := (checked{r}).Scan(&id, &at, &a.By, &a.What, &a.Detail); err != nil {
			return err
		}
		a.At = time.Unix(0, at).UTC()
		items, ids = append(items, a), append(ids, id)
		return nil
	}, auditTable.read("id, at, by, what, detail")+" WHERE id < ? ORDER BY id DESC LIMIT ?", p.ID, limit+1)
	if err == nil && len(items) > limit {
		items = items[:limit]
		next = place{List: "u", ID: ids[limit-1]}.String()
	}
	return items, next, err
}
