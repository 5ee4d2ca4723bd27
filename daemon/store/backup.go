package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"throwline/alerting"
)

// Contents is what a store was found to hold when it was read from end to end.
type Contents struct {
	Version  int // of its layout
	Bytes    int64
	Turnouts int
	Throws   int // each record was read
	Traces   int // throws whose raw traces are still there; each was read
	Alerts   int
	Work     int
	Aside    int
	From, To time.Time // of the throws, zero where there is none
}

// looker opens a store to look at it alone. Another process may hold it.
func looker(path string) (*Store, error) {
	if err := functions(); err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	s := &Store{path: path, o: Options{Log: slog.New(slog.DiscardHandler)}}
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("store %s: expected a file that can be read: %w", path, err)
	}
	if err := s.header(); err != nil {
		return nil, err
	}
	var err error
	if s.read, err = s.pool("ro", ""); err != nil {
		return nil, err
	}
	s.read.SetMaxOpenConns(1)
	return s, nil
}

// Backup writes a copy of the store at path to a new file, as it is at one
// moment, synced to disk, and reads the copy from end to end. The program may
// run meanwhile. A file that is there already is left alone. state reads one
// state and says what is wrong with it.
func Backup(ctx context.Context, path, to string, state func([]byte) error) (c Contents, err error) {
	s, err := looker(path)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, s.read.Close()) }()
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		return c, fmt.Errorf("backup %s: expected no file there, found one, or a folder that cannot be read; name another", to)
	}
	part := to + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return c, fmt.Errorf("backup %s: %w", to, err)
	}
	defer os.Remove(part) // gone already where all went well
	if _, err := s.read.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return c, s.explain("copy to "+part, err)
	}
	if c, err = Verify(ctx, part, state); err != nil {
		return c, fmt.Errorf("backup %s: the copy cannot be read: %w", to, err)
	}
	return c, inPlace(part, to)
}

// Verify reads a store from end to end, a live one or a backup, and says what
// it holds, or the first thing that is wrong. It changes nothing.
func Verify(ctx context.Context, path string, state func([]byte) error) (c Contents, err error) {
	s, err := looker(path)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, s.read.Close()) }()
	if c.Version, err = s.versionOf(ctx); err != nil {
		return c, err
	}
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // all of one moment
	if err != nil {
		return c, s.explain("verify", err)
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	wrong := func(format string, a ...any) error {
		return fmt.Errorf("store %s: "+format+"; bring it back from a backup", append([]any{path}, a...)...)
	}
	// All but what is read below.
	k := &checker{s: s, version: c.Version, view: func(ctx context.Context, f func(*sql.Tx) error) error { return f(tx) }, but: []*table{turnoutsTable, throwsTable}}
	if err := k.run(ctx); err != nil {
		return c, s.explain("verify", err)
	}
	if err := k.c.Error(path); err != nil {
		return c, err
	}
	each := func(text string, f func(*sql.Rows) error) error {
		rows, err := tx.QueryContext(ctx, text)
		if err != nil {
			return s.explain("verify", err)
		}
		defer rows.Close()
		for rows.Next() {
			if err := f(rows); err != nil {
				return err
			}
		}
		return s.explain("verify", rows.Err())
	}
	sumColumn, damaged, columns := "state_sum", turnoutsTable.damaged(), throwColumns
	if c.Version < stateSumsSince {
		sumColumn = "NULL"
	}
	if c.Version < sumsSince {
		damaged, columns = "NULL", oldThrowColumns
	}
	err = errors.Join(
		each("SELECT name, state, "+sumColumn+", "+damaged+" FROM turnouts", func(r *sql.Rows) error {
			var name string
			var blob []byte
			var said sql.NullInt64
			if err := (checked{r}).Scan(&name, &blob, &said); err != nil {
				return wrong("turnout %q: %w", name, err)
			}
			c.Turnouts++
			if blob != nil && said.Valid && uint32(said.Int64) != sum(blob) {
				return wrong("state of turnout %q: %w", name, errChanged)
			}
			if err := state(blob); blob != nil && err != nil {
				return wrong("state of turnout %q: %w", name, err)
			}
			return nil
		}),
		each("SELECT "+columns+", traces FROM throws JOIN turnouts ON turnouts.id = throws.turnout", func(r *sql.Rows) error {
			var traces []byte
			id, rec, err := scanThrow(r, &traces)
			if err != nil {
				return wrong("throw %d: %w", id, err)
			}
			c.Throws++
			if traces != nil {
				c.Traces++
				if _, err := consumeTraces(traces); err != nil {
					return wrong("traces of throw %s: %w", rec.Key, err)
				}
			}
			if c.From.IsZero() || rec.StartedAt.Before(c.From) {
				c.From = rec.StartedAt
			}
			if rec.StartedAt.After(c.To) {
				c.To = rec.StartedAt
			}
			return nil
		}),
		each("SELECT body FROM alerts", func(r *sql.Rows) error {
			var body []byte
			if err := r.Scan(&body); err != nil {
				return err
			}
			if err := json.Unmarshal(body, new(alerting.Alert)); err != nil {
				return wrong("alert: %w", err)
			}
			c.Alerts++
			return nil
		}),
		tx.QueryRowContext(ctx, "SELECT (SELECT count(*) FROM work), (SELECT count(*) FROM aside)").Scan(&c.Work, &c.Aside),
	)
	if info, e := os.Stat(path); e == nil {
		c.Bytes = info.Size()
	}
	return c, err
}

// Restore puts a backup in the place of the store at path, which no process may
// hold. What was there is kept beside it under the name that is returned, "" for
// nothing. The backup is read from end to end before anything is moved, and the
// store once it is in its place.
func Restore(ctx context.Context, from, path string, now time.Time, state func([]byte) error) (kept string, c Contents, err error) {
	if c, err = Verify(ctx, from, state); err != nil {
		return "", c, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return "", c, fmt.Errorf("store %s: make its folder: %w", path, err)
	}
	lock, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return "", c, fmt.Errorf("store %s: expected a folder that can be written: %w", path, err)
	}
	defer lock.Close()
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return "", c, fmt.Errorf("store %s: another process holds it (lock file %s); stop that one first", path, lock.Name())
	}
	part := path + ".part"
	defer os.Remove(part) // gone already where all went well
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", c, fmt.Errorf("store %s: %w", path, err)
	}
	// Not as a file: what stands in a log beside it belongs to it.
	s, err := looker(from)
	if err != nil {
		return "", c, err
	}
	_, err = s.read.ExecContext(ctx, "VACUUM INTO ?", part)
	if err = errors.Join(s.explain("copy to "+part, err), s.read.Close()); err != nil {
		return "", c, err
	}
	// A log goes first, and goes even where it lies alone: beside the backup it
	// would be played into it.
	name := path + ".before-" + now.UTC().Format("20060102T150405Z")
	for _, end := range []string{"-shm", "-wal", ""} {
		switch err := os.Rename(path+end, name+end); {
		case err == nil:
			kept = name
		case !errors.Is(err, fs.ErrNotExist):
			return kept, c, fmt.Errorf("store %s: move what was there: %w", path, err)
		}
	}
	if err := errors.Join(toDisk(filepath.Dir(path)), inPlace(part, path), setMark(lock, markClosed, "")); err != nil {
		return kept, c, fmt.Errorf("store %s: %w", path, err)
	}
	found, err := Verify(ctx, path, state)
	if c.Bytes = found.Bytes; err == nil && found != c {
		err = fmt.Errorf("store %s: expected %+v as in the backup, found %+v", path, c, found)
	}
	return kept, found, err
}

// inPlace gives a whole file its name.
func inPlace(part, name string) error {
	if err := toDisk(part); err != nil {
		return err
	}
	if err := os.Rename(part, name); err != nil {
		return err
	}
	return toDisk(filepath.Dir(name))
}

// toDisk has a file or folder on disk.
func toDisk(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
