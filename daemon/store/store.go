// Package store keeps what lasts: throws with their traces, the turnouts'
// states, alerts and their events, work, receipts, and what was set aside.
//
// It is one SQLite file with a write-ahead log. One connection writes, others
// read. [Store.Update] is one transaction, synced to disk before it returns.
package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Limits of what is kept of refused messages; the oldest go first.
const (
	mostAside      = 100_000
	mostAsideBytes = 1 << 30
)

// Options of a store.
type Options struct {
	Log *slog.Logger
}

// Store is one open store. Its methods may be called at once.
type Store struct {
	path   string
	log    *slog.Logger
	lock   *os.File
	write  *sql.DB // one connection
	read   *sql.DB
	mu     sync.Mutex       // one transaction at a time
	ids    map[string]int64 // turnouts by name
	tx     statements
	whole  []int64 // scratch of the trace codec
	closed bool
}

// Open opens the store at path and makes it if it is not there, but not its
// folder's parents. A file of another make, of a later release, or held by
// another process is an error that says what to do; nothing is ever made anew
// in its place.
func Open(ctx context.Context, path string, o Options) (s *Store, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s = &Store{path: path, log: o.Log, ids: map[string]int64{}}
	defer func() {
		if err != nil {
			s.Close()
			s = nil
		}
	}()
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return s, fmt.Errorf("store %s: make its folder: %w", path, err)
	}
	// The lock is held on a file of its own: SQLite locks and unlocks the database itself.
	if s.lock, err = os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o640); err != nil {
		return s, fmt.Errorf("store %s: expected a folder that can be written: %w", path, err)
	}
	if err := unix.Flock(int(s.lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return s, fmt.Errorf("store %s: another process holds it (lock file %s); stop that one first", path, s.lock.Name())
	}
	fresh := false
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		fresh = true
	} else if err != nil {
		return s, fmt.Errorf("store %s: %w", path, err)
	}
	if s.write, err = open(path, "rwc", "IMMEDIATE"); err != nil {
		return s, err
	}
	s.write.SetMaxOpenConns(1)
	s.write.SetMaxIdleConns(1)
	if err := s.migrate(ctx, fresh); err != nil {
		return s, err
	}
	if s.read, err = open(path, "ro", "DEFERRED"); err != nil {
		return s, err
	}
	s.read.SetMaxOpenConns(4)
	s.read.SetMaxIdleConns(4)
	if err := s.read.PingContext(ctx); err != nil {
		return s, s.explain("open for reading", err)
	}
	if err := s.tx.prepare(ctx, s.write); err != nil {
		return s, s.explain("prepare", err)
	}
	return s, s.loadIDs(ctx)
}

// open gives a pool whose every connection has the pragmas.
func open(path, mode, lock string) (*sql.DB, error) {
	q := url.Values{}
	q.Set("mode", mode)
	q.Set("_txlock", strings.ToLower(lock))
	for _, p := range []string{
		"page_size(16384)", "auto_vacuum(2)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)",
		"busy_timeout(5000)", "wal_autocheckpoint(2000)", "journal_size_limit(67108864)", "cache_size(-16384)", "temp_store(MEMORY)",
	} {
		if mode == "ro" && (strings.HasPrefix(p, "page_size") || strings.HasPrefix(p, "auto_vacuum") || strings.HasPrefix(p, "journal_")) {
			continue
		}
		q.Add("_pragma", p)
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+q.Encode())
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	return db, nil
}

// migrate brings the file to this release.
func (s *Store) migrate(ctx context.Context, fresh bool) error {
	var version int
	if err := s.write.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return s.explain("read its version", err)
	}
	var tables int
	if err := s.write.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return s.explain("read its tables", err)
	}
	if version == 0 && tables > 0 && !fresh {
		return fmt.Errorf("store %s: expected a store of this program, found a database with other tables; name another data folder", s.path)
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return err
	}
	slices.Sort(names)
	if version > len(names) {
		return fmt.Errorf("store %s: it is of version %d, this release knows up to %d; start a newer release", s.path, version, len(names))
	}
	for i, name := range names[version:] {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return err
		}
		tx, err := s.write.BeginTx(ctx, nil)
		if err != nil {
			return s.explain("migrate", err)
		}
		_, err = tx.ExecContext(ctx, string(text)+fmt.Sprintf("\nPRAGMA user_version = %d;", version+i+1))
		if err == nil {
			err = tx.Commit()
		} else {
			err = errors.Join(err, tx.Rollback())
		}
		if err != nil {
			return s.explain("migrate with "+filepath.Base(name), err)
		}
		s.log.Info("store migrated", "path", s.path, "version", version+i+1)
	}
	return nil
}

// Close closes the store. It may be called again.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var errs []error
	errs = append(errs, s.tx.close())
	for _, db := range []*sql.DB{s.read, s.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// explain says of an error of the database what was done, where, and what to do.
func (s *Store) explain(what string, err error) error {
	if err == nil {
		return nil
	}
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_NOTADB:
			return fmt.Errorf("store %s: %s: expected a SQLite database, found another file; name another data folder or bring the file back from a backup: %w", s.path, what, err)
		case sqlite3.SQLITE_CORRUPT:
			return fmt.Errorf("store %s: %s: the file is damaged; bring it back from a backup: %w", s.path, what, err)
		case sqlite3.SQLITE_FULL:
			return fmt.Errorf("store %s: %s: the disk is full; make room: %w", s.path, what, err)
		case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM:
			return fmt.Errorf("store %s: %s: expected a file and folder that can be written: %w", s.path, what, err)
		}
	}
	return fmt.Errorf("store %s: %s: %w", s.path, what, err)
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
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_INTERRUPT:
		return true
	}
	return false
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
