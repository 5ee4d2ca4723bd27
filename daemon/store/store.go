// Package store keeps what lasts: throws with their traces, the turnouts'
// states, alerts and their events, work, receipts, and what was set aside.
//
// It is one SQLite file with a write-ahead log. One connection writes, others
// read. [Store.Update] is one transaction, synced to disk before it returns.
package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Options of a store. The zero Options are good.
type Options struct {
	Log *slog.Logger // nil: nothing is logged

	// What is kept of refused messages, at most; the oldest go first. A message
	// is never dropped for itself, however long. 0: 100,000 messages, 1 GiB.
	MostAside      int
	MostAsideBytes int64

	// Broken is told, once and from any goroutine, when the disk fails or the
	// file is found damaged. Nothing is written after that: the program must end.
	Broken func(error)
}

// Store is one open store. Its methods may be called at once.
type Store struct {
	path string
	o    Options
	lock *os.File

	was, why string // how it was left before it was opened, and the damage that is noted; see mark.go
	now      string // how it would be found now
	unclean  bool   // it had not been closed
	opened   bool
	broken   atomic.Pointer[error]
	noted    sync.Mutex // one word beside the store at a time
	told     bool       // damage that was met since it was opened stands there
	checked  Checked    // before it was used

	write *sql.DB // one connection
	read  *sql.DB
	gate  gate // readers pass through it

	mu     sync.Mutex       // one transaction at a time; holds what follows
	ids    map[string]int64 // turnouts by name
	last   int64            // number of the throw filed last
	tx     statements
	traces traceWriter
	sums   summer
	walMet int64 // size of the log up to which it is not tried again to empty it
	closed bool

	asideMu sync.Mutex
	aside   Aside
}

// Aside counts what is set aside.
type Aside struct {
	Messages int64
	Bytes    int64 // of their payloads
	Dropped  int64 // messages that made room for others, since the store was opened
}

// AsideNow returns what is set aside now.
func (s *Store) AsideNow() Aside {
	s.asideMu.Lock()
	defer s.asideMu.Unlock()
	return s.aside
}

// Close closes the store when the transaction in hand and what is being read
// are done. It may be called again.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	errs := []error{s.tx.close()}
	if s.marked() == markOpen {
		errs = append(errs, s.mark(markOpening)) // the log goes
	}
	for _, db := range []*sql.DB{s.read, s.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if s.lock != nil {
		if errors.Join(errs...) == nil {
			errs = append(errs, s.closeMark())
		}
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// distrust notes a failure after which the store cannot be trusted.
func (s *Store) distrust(err error) {
	var e *sqlite.Error
	if !errors.As(err, &e) || Temporary(err) {
		return
	}
	code := e.Code() & 0xff
	if damage := isDamage(err); damage || code == sqlite3.SQLITE_IOERR {
		s.fail(err, damage)
	}
}

// fail ends the use of a store that cannot be trusted: its file is damaged, or
// the disk failed.
func (s *Store) fail(err error, damage bool) {
	if !s.broken.CompareAndSwap(nil, &err) {
		return
	}
	if damage && s.opened {
		s.note(markDamaged, err.Error())
	}
	if s.o.Broken != nil {
		s.o.Broken(err)
	}
}

// noteDamage notes what a check found; see Check. Of rows the first will do: each
// note waits for the disk, and keeps the log from being emptied meanwhile.
func (s *Store) noteDamage(d Damage) {
	if d.Row {
		s.note("", d.String())
		return
	}
	s.fail(fmt.Errorf("store %s: it is damaged: %s; %s", s.path, d, toldOfDamage), true)
}

// note has damage noted beside the store; the mark "" is the one that is there.
func (s *Store) note(mark, why string) {
	s.noted.Lock()
	defer s.noted.Unlock()
	if mark == "" {
		if s.told {
			return
		}
		mark = s.now
	}
	s.why = why
	err := s.setMark(mark)
	if err != nil {
		s.o.Log.Error("damage could not be noted beside the store", "error", err)
	}
	s.told = err == nil
}

// explain says of an error of the database what was done, where, and what to do.
func (s *Store) explain(what string, err error) error {
	if err == nil {
		return nil
	}
	hint := ""
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_NOTADB:
			hint = "expected a SQLite database, found another file; name another data folder or bring the file back from a backup: "
		case sqlite3.SQLITE_CORRUPT:
			hint = "the file is damaged; bring it back from a backup (throwline restore): "
		case sqlite3.SQLITE_FULL:
			hint = "the disk is full; make room: "
		case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM:
			hint = "expected a file and folder that can be written: "
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			hint = "another program has the file locked; close it there: "
		case sqlite3.SQLITE_IOERR:
			hint = "the disk failed; look at the machine's own log: "
			if e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
				hint = "the disk is full; make room: "
			}
		}
	}
	err = fmt.Errorf("store %s: %s: %s%w", s.path, what, hint, err)
	s.distrust(err)
	return err
}

// Temporary reports whether what failed may succeed when tried again as it is:
// a busy database, a full disk. Everything else, a failed sync above all, is
// fatal: what was written before it cannot be trusted to be there.
func Temporary(err error) bool {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return true
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_IOERR:
		return e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE // no room for the log's index; nothing was written
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL, sqlite3.SQLITE_FULL, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_INTERRUPT:
		return true
	}
	return false
}

// Refused reports whether an operation of a transaction failed for what it was asked
// to enter, and would for ever: not for the database, nor for the disk. It must be
// undone with its transaction all the same.
func Refused(err error) bool {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return isConstraint(err) || e.Code() == sqlite3.SQLITE_TOOBIG
	}
	var path *fs.PathError
	var no syscall.Errno
	if err == nil || Temporary(err) || errors.As(err, &path) || errors.As(err, &no) {
		return false
	}
	for _, of := range []error{errChanged, fs.ErrClosed, sql.ErrTxDone, sql.ErrConnDone, driver.ErrBadConn} {
		if errors.Is(err, of) {
			return false
		}
	}
	return true
}

// Size returns how many bytes the database and its log take on disk.
func (s *Store) Size() int64 {
	var n int64
	for _, p := range []string{s.path, s.path + "-wal"} {
		if info, err := os.Stat(p); err == nil {
			n += info.Size()
		}
	}
	return n
}

// nanos is t as it stands in a column; times beyond the years 1678 to 2262 are
// the first or the last that can stand there.
func nanos(t time.Time) int64 {
	switch {
	case t.Before(time.Unix(0, math.MinInt64)):
		return math.MinInt64
	case t.After(time.Unix(0, math.MaxInt64)):
		return math.MaxInt64
	}
	return t.UnixNano()
}
