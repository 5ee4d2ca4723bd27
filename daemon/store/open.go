package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID stands in the header of the file from the second migration on: "TLNN".
const applicationID = 0x544c4e4e

// pageSize of a new file, in bytes. A throw takes about 1 KB, a state 2 to 4 KB:
// with SQLite's 4 KB every state would spill over into pages of its own.
const pageSize = 16384

// busyWait is how long another program that holds the file is waited for.
const busyWait = 5 * time.Second

// Open opens the store at path and makes it, and its folder, if it is not
// there. A file of another make, of a later release, or held by another process
// is an error that says what to do; nothing is ever made anew in its place.
func Open(ctx context.Context, path string, o Options) (s *Store, err error) {
	if err := functions(); err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.MostAside <= 0 {
		o.MostAside = 100_000
	}
	if o.MostAsideBytes <= 0 {
		o.MostAsideBytes = 1 << 30
	}
	s = &Store{path: path, o: o, ids: map[string]int64{}}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
			s = nil
		}
	}()
	if err := makeFolder(filepath.Dir(path)); err != nil {
		return s, fmt.Errorf("store %s: make its folder: %w", path, err)
	}
	// The lock is held on a file of its own: SQLite locks and unlocks the database itself.
	if s.lock, err = os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o640); err != nil {
		return s, fmt.Errorf("store %s: expected a folder that can be written: %w", path, err)
	}
	switch err := unix.Flock(int(s.lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); {
	case errors.Is(err, unix.EWOULDBLOCK):
		return s, fmt.Errorf("store %s: another process holds it (lock file %s); stop that one first", path, s.lock.Name())
	case err != nil:
		return s, fmt.Errorf("store %s: lock %s: %w", path, s.lock.Name(), err)
	}
	if s.was, s.why, err = readMark(s.lock); err != nil {
		return s, fmt.Errorf("store %s: read how it was left: %w", path, err)
	}
	fresh, err := s.left()
	if err != nil {
		return s, err
	}
	if s.unclean = s.was != "" && s.was != markClosed && s.was != markLeft; s.unclean {
		log, _ := sizeOf(path + "-wal")
		o.Log.Warn("the store was not closed when it was used last; what was committed is read from its log", "path", path, "left", s.was, "log_bytes", max(0, log))
	}
	version, err := s.examine(ctx, fresh)
	if err != nil {
		return s, err
	}
	if !fresh && version > 0 {
		if err := s.checkFirst(ctx, version); err != nil {
			return s, err
		}
		if s.why = ""; s.now == "" { // damage was noted, and it is none, or gone
			if err := s.mark(markOpening); err != nil {
				return s, fmt.Errorf("store %s: %w", path, err)
			}
		}
	}
	// A transaction that writes takes the lock at once: taken later, it could not be waited for.
	if s.write, err = s.pool("rwc", "_txlock=immediate", "journal_size_limit(67108864)"); err != nil {
		return s, err
	}
	s.write.SetMaxOpenConns(1)
	s.write.SetMaxIdleConns(1)
	if err := s.migrate(ctx, version); err != nil {
		return s, err
	}
	if s.read, err = s.pool("ro", ""); err != nil {
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
	if err := s.load(ctx); err != nil {
		return s, err
	}
	// From here on the log must be there: its name is on disk before the word of it.
	if err := errors.Join(toDisk(filepath.Dir(path)), s.mark(markOpen)); err != nil {
		return s, fmt.Errorf("store %s: %w", path, err)
	}
	s.opened = true
	return s, nil
}

// makeFolder makes a folder, and has the names that lead to it on disk.
func makeFolder(name string) error {
	if info, err := os.Stat(name); err == nil && info.IsDir() {
		return nil
	}
	above := filepath.Dir(name)
	if above != name {
		if err := makeFolder(above); err != nil {
			return err
		}
	}
	if err := os.Mkdir(name, 0o750); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if info, err := os.Stat(name); err != nil || !info.IsDir() {
		return &fs.PathError{Op: "mkdir", Path: name, Err: unix.ENOTDIR}
	}
	return toDisk(above)
}

// pool gives connections each of which has the pragmas: set on one connection
// they would hold for that one only. The driver sorts them, so none may depend
// on another; what does is left to examine.
func (s *Store) pool(mode, more string, pragmas ...string) (*sql.DB, error) {
	q := url.Values{"mode": {mode}, "_pragma": append(pragmas,
		"synchronous(FULL)", "foreign_keys(1)", fmt.Sprintf("busy_timeout(%d)", busyWait.Milliseconds()), "wal_autocheckpoint(2000)", "cache_size(-16384)", "temp_store(MEMORY)")}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: s.path}).EscapedPath()+"?"+q.Encode()+"&"+more)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", s.path, err)
	}
	return db, nil
}

// examine tells the version of the file, 0 for a new one, and refuses one that
// is not ours before anything in it is changed. A new file gets its page size
// and its log here, in the one order that works. A log that was left is in the
// file, and the file synced, when it returns: what is read of the store from then
// on may be promised, although who wrote it may have ended before he synced it.
func (s *Store) examine(ctx context.Context, fresh bool) (version int, err error) {
	begun := markOpening
	if fresh || s.was == markMaking { // until it is made
		begun = markMaking
	}
	if s.was != markDamaged && s.why == "" {
		if err := s.mark(begun); err != nil {
			return 0, fmt.Errorf("store %s: %w", s.path, err)
		}
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: s.path}).EscapedPath()+fmt.Sprintf("?mode=rwc&_pragma=busy_timeout(%d)", busyWait.Milliseconds()))
	if err != nil {
		return 0, fmt.Errorf("store %s: %w", s.path, err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	c, err := db.Conn(ctx)
	if err != nil {
		return 0, s.explain("open", err)
	}
	defer c.Close()
	var application, tables, ours int
	for _, q := range []struct {
		what, text string
		into       *int
	}{
		{"read its version", "PRAGMA user_version", &version},
		{"read whose it is", "PRAGMA application_id", &application},
		{"read its tables", "SELECT count(*) FROM sqlite_schema", &tables},
		{"read its tables", "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name IN ('turnouts', 'throws', 'events', 'aside')", &ours},
	} {
		if err := c.QueryRowContext(ctx, q.text).Scan(q.into); err != nil {
			return 0, s.explain(q.what, err)
		}
	}
	// The first version had no name of its own yet.
	if tables > 0 && application != applicationID && (version != 1 || application != 0 || ours != 4) {
		return 0, fmt.Errorf("store %s: expected a store of this program, found a database with other tables; name another data folder", s.path)
	}
	if known := len(scripts()); version > known {
		return 0, fmt.Errorf("store %s: it is of version %d, this release knows up to %d; start a newer release", s.path, version, known)
	}
	if fresh {
		for _, p := range []string{fmt.Sprintf("PRAGMA page_size = %d", pageSize), "PRAGMA auto_vacuum = INCREMENTAL"} {
			if _, err := c.ExecContext(ctx, p); err != nil {
				return 0, s.explain("make it", err)
			}
		}
	}
	var mode string
	if err := c.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return 0, s.explain("give it a write-ahead log", err)
	}
	if mode != "wal" {
		return 0, fmt.Errorf("store %s: expected a disk on which SQLite can keep a write-ahead log, found its journal to be %q; name a data folder on a local disk", s.path, mode)
	}
	// Closing does this too, but not while another program reads.
	var busy, log, done int
	if err := c.QueryRowContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &log, &done); err != nil {
		return 0, s.explain("bring its log into it", err)
	}
	return version, nil
}

// header looks at the file's first bytes: SQLite takes a file that is too short
// to be a database for an empty one, and would write over it.
func (s *Store) header() error {
	f, err := os.Open(s.path)
	if err != nil {
		return fmt.Errorf("store %s: expected a file that can be read: %w", s.path, err)
	}
	defer f.Close()
	const magic = "SQLite format 3\x00"
	found := make([]byte, 100)
	n, err := io.ReadFull(f, found)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("store %s: expected a file that can be read: %w", s.path, err)
	}
	if n < len(found) || string(found[:len(magic)]) != magic {
		return fmt.Errorf("store %s: expected a SQLite database, found another file that begins with %q; name another data folder or bring the file back from a backup", s.path, found[:min(n, len(magic))])
	}
	return nil
}

// scripts names the migrations in their order.
func scripts() []string {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	slices.Sort(names)
	return names
}

// migrate brings the file to this release, each step in a transaction of its own.
func (s *Store) migrate(ctx context.Context, version int) error {
	for i, name := range scripts() {
		if i < version {
			continue
		}
		text, err := migrations.ReadFile(name)
		if err != nil {
			return fmt.Errorf("store %s: migrate: %w", s.path, err)
		}
		tx, err := s.write.BeginTx(ctx, nil)
		if err != nil {
			return s.explain("migrate", err)
		}
		_, err = tx.ExecContext(ctx, string(text)+fmt.Sprintf("\nPRAGMA user_version = %d;", i+1))
		if err == nil {
			err = tx.Commit()
		} else {
			err = errors.Join(err, tx.Rollback())
		}
		if err != nil {
			return s.explain("migrate with "+filepath.Base(name), err)
		}
		s.o.Log.Info("store migrated", "path", s.path, "version", i+1)
	}
	return nil
}

// load reads what is kept in memory beside the file.
func (s *Store) load(ctx context.Context) error {
	if err := s.read.QueryRowContext(ctx, "SELECT count(*), coalesce(sum(length(payload)), 0) FROM aside").Scan(&s.aside.Messages, &s.aside.Bytes); err != nil {
		return s.explain("count what was set aside", err)
	}
	if err := s.loadLast(ctx); err != nil {
		return err
	}
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
