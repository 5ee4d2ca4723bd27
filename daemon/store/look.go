package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"throwline/ingest"
)

// Looked is a store at a glance.
type Looked struct {
	Version     int
	Bytes       int64
	Turnouts    int
	Held        bool              // a process has it open
	LastArrival time.Time         // of a throw; zero: none
	Aside       []ingest.SetAside // of late, newest first, without their payloads
	Targets     []TargetState
	Checked     Checked // as LastCheck says
	Damage      string  // that was met since it was last found sound; "": none
}

// Look says what a store is like without opening it for good; another process
// may hold it. An error wraps [fs.ErrNotExist] where there is none.
func Look(ctx context.Context, path string, since time.Time, most int) (l Looked, err error) {
	s, err := looker(path)
	if err != nil {
		return l, err
	}
	defer func() { err = errors.Join(err, s.read.Close()) }()
	if info, err := os.Stat(path); err == nil {
		l.Bytes = info.Size()
	}
	l.Held = held(path)
	if f, err := os.Open(path + ".lock"); err == nil {
		_, l.Damage, err = readMark(f)
		if err = errors.Join(err, f.Close()); err != nil {
			return l, fmt.Errorf("store %s: read how it was left: %w", path, err)
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return l, fmt.Errorf("store %s: %w", path, err)
	}
	if err := s.read.QueryRowContext(ctx, "PRAGMA user_version").Scan(&l.Version); err != nil {
		return l, s.explain("look", err)
	}
	if known := len(scripts()); l.Version != known {
		return l, fmt.Errorf("store %s: it is of version %d, this release works with %d; an older one is brought up at the next start", path, l.Version, known)
	}
	var last int64
	if err := s.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM turnouts),
		coalesce((SELECT arrived_at FROM throws WHERE id = (SELECT max(id) FROM throws)), 0)`).Scan(&l.Turnouts, &last); err != nil {
		return l, s.explain("look", err)
	}
	if last != 0 {
		l.LastArrival = time.Unix(0, last).UTC()
	}
	if err := s.each(ctx, func(r row) error {
		a, err := scanAside(r)
		a.Payload = nil
		l.Aside = append(l.Aside, a)
		return err
	}, asideText+"WHERE at >= ? ORDER BY id DESC LIMIT ?", nanos(since), most); err != nil {
		return l, err
	}
	if l.Checked, err = s.LastCheck(ctx); err != nil {
		return l, err
	}
	l.Targets, err = s.OutboxState(ctx)
	return l, err
}
