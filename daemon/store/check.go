package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// checkAtOnce is up to which size a store is read from end to end before it is
// used: about a second of one processor for so much (BenchmarkCheck: 120 MB in a
// second of it), and what the disk takes to give it. A larger one is read
// meanwhile; see Store.Check.
const checkAtOnce = 128 << 20

// toldOfDamage is what to do, in the words of every refusal.
const toldOfDamage = "bring it back from a backup (throwline restore), or take what is sound into a new one (throwline salvage)"

// Damage is one thing that is not as it was written.
type Damage struct {
	What    string    // which row, or what of the file
	Turnout string    // that it concerns; "": none, or not known
	At      time.Time // likewise; zero: none, or not known
	Row     bool      // a row; else the file itself
}

func (d Damage) String() string {
	s := d.What
	if d.Turnout != "" {
		s += ", turnout " + d.Turnout
	}
	if !d.At.IsZero() {
		s += ", of " + d.At.Format(time.RFC3339)
	}
	return s
}

// Checked is what a check of a whole store found.
type Checked struct {
	Version  int
	Bytes    int64
	Rows     int64
	Unsummed int64 // of them, written before rows had checksums
	Damaged  int64 // rows that are not as they were written
	Broken   int64 // what is wrong with the file itself
	Took     time.Duration
	At       time.Time // when it had come to its end
	First    []Damage  // the first of both, at most mostFirst
}

const mostFirst = 20

// Sound reports whether nothing was found.
func (c *Checked) Sound() bool { return c.Damaged == 0 && c.Broken == 0 }

// ErrDamaged is what a check says that found damage: it will find it again.
var ErrDamaged = errors.New("it is damaged")

// Error says what was found, nil for nothing.
func (c *Checked) Error(path string) error {
	if c.Sound() {
		return nil
	}
	var list []string
	for _, d := range c.First[:min(3, len(c.First))] {
		list = append(list, d.String())
	}
	if more := c.Damaged + c.Broken - int64(len(list)); more > 0 {
		list = append(list, fmt.Sprintf("and %d more (throwline verify lists them)", more))
	}
	return fmt.Errorf("store %s: %w: %s; %s", path, ErrDamaged, strings.Join(list, "; "), toldOfDamage)
}

// atOnce gives a check one moment of a store that s reads.
func (s *Store) atOnce(ctx context.Context, f func(view func(context.Context, func(*sql.Tx) error) error) error) error {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	return f(func(ctx context.Context, g func(*sql.Tx) error) error { return g(tx) })
}

// slices gives a check another moment each time, through the gate, and between
// them leaves the disk and the processor to others: share is what it takes itself.
func (s *Store) slices(share float64) func(context.Context, func(*sql.Tx) error) error {
	return func(ctx context.Context, f func(*sql.Tx) error) error {
		began := time.Now()
		err := func() error {
			if err := s.gate.enter(ctx); err != nil {
				return err
			}
			defer s.gate.leave()
			tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
			if err != nil {
				return err
			}
			defer func() { _ = tx.Rollback() }() // nothing was written
			return f(tx)
		}()
		if err != nil || share >= 1 {
			return err
		}
		rest := time.NewTimer(time.Duration(float64(time.Since(began)) * (1/share - 1)))
		defer rest.Stop()
		select {
		case <-rest.C:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// CheckShare is the share of one processor that a check takes beside the
// program: it works so much of the time, and rests for the remainder.
const CheckShare = 0.05

// Check reads the open store from end to end, beside all else that is done with
// it, and takes a share of one processor, at most 1. told is called for each
// thing found. It does as the rest of the store does where damage is met: what is
// wrong in a row is refused where the row is read, and everything else goes on;
// after what is wrong with the file itself nothing is written, as nobody knows
// what would be written over, and Broken is told. Both are noted beside the
// store: the next start reads all of it before it uses any, whatever its size.
func (s *Store) Check(ctx context.Context, share float64, told func(Damage)) (Checked, error) {
	k := &checker{s: s, version: len(scripts()), view: s.slices(share), sliced: true, told: func(d Damage) {
		s.noteDamage(d)
		if told != nil {
			told(d)
		}
	}}
	if err := k.run(ctx); err != nil {
		return k.c, s.explain("check", err)
	}
	if s.broken.Load() != nil {
		return k.c, nil // nothing is written to it
	}
	return k.c, s.Update(ctx, func(tx *Tx) error {
		_, err := tx.tx.ExecContext(tx.ctx, checkedText, nanos(k.c.At), k.c.Bytes, k.c.Rows, k.c.Damaged)
		return err
	})
}

var checkedText = checksTable.put("", "one", "1", "at", "?1", "bytes", "?2", "rows", "?3", "damaged", "?4")

// LastCheck returns what the last Check that came to its end found, as far as it
// is kept: when, how many bytes, rows and damaged rows; the zero Checked for none.
func (s *Store) LastCheck(ctx context.Context) (c Checked, err error) {
	err = s.each(ctx, func(r row) error {
		var at int64
		err := checked{r}.Scan(&at, &c.Bytes, &c.Rows, &c.Damaged)
		c.At = time.Unix(0, at).UTC()
		return err
	}, checksTable.read("at, bytes, rows, damaged"))
	return c, err
}

// Check reads a store from end to end, a live one or a backup, and says what it
// found; told is called for each thing that is damaged. It changes nothing. Only
// what keeps it from reading is an error.
func Check(ctx context.Context, path string, told func(Damage)) (c Checked, err error) {
	s, err := looker(path)
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, s.read.Close()) }()
	k := &checker{s: s, told: told, sliced: held(path)}
	// Who holds the log writes to it; at a start it is read in this way.
	if log, _ := sizeOf(path + "-wal"); log > 0 && !k.sliced {
		if err := checkLog(path); err != nil {
			k.tell(Damage{What: err.Error()})
		}
	}
	if k.version, err = s.versionOf(ctx); isDamage(err) {
		k.tell(Damage{What: "the file: " + err.Error()})
		k.c.Bytes = s.Size()
		return k.c, nil
	}
	if err != nil {
		return k.c, err
	}
	if k.sliced {
		k.view = s.slices(1)
		err = k.run(ctx)
	} else {
		err = s.atOnce(ctx, func(view func(context.Context, func(*sql.Tx) error) error) error {
			k.view = view
			return k.run(ctx)
		})
	}
	return k.c, s.explain("check", err)
}

// versionOf reads the version of a store, and refuses what is none of ours.
func (s *Store) versionOf(ctx context.Context) (version int, err error) {
	var application int
	for _, q := range []struct {
		text string
		into *int
	}{{"PRAGMA user_version", &version}, {"PRAGMA application_id", &application}, {"SELECT count(*) FROM sqlite_schema", new(int)}} {
		if err := s.read.QueryRowContext(ctx, q.text).Scan(q.into); err != nil {
			return 0, s.explain("open for reading", err)
		}
	}
	if application != applicationID {
		return 0, fmt.Errorf("store %s: expected a store of this program, found another database", s.path)
	}
	if known := len(scripts()); version < 1 || version > known {
		return 0, fmt.Errorf("store %s: it is of version %d, this release knows 1 to %d; use a newer release", s.path, version, known)
	}
	return version, nil
}

// held reports whether a process has the store open.
func held(path string) bool {
	f, err := os.Open(path + ".lock")
	if err != nil {
		return false
	}
	defer f.Close() // and with it the lock, where we got it
	return errors.Is(unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB), unix.EWOULDBLOCK)
}

// checkFirst reads a store from end to end before it is used, where it is small
// or damage was noted, and refuses it if it is damaged.
func (s *Store) checkFirst(ctx context.Context, version int) error {
	noted := s.was == markDamaged || s.why != ""
	if !noted && s.Size() > checkAtOnce {
		return nil
	}
	if noted {
		s.o.Log.Warn("damage was met when the store was open last; it is read from end to end before it is used", "path", s.path, "damage", s.why)
	}
	l, err := looker(s.path)
	if err != nil {
		return err
	}
	k := &checker{s: l, version: version}
	err = l.atOnce(ctx, func(view func(context.Context, func(*sql.Tx) error) error) error {
		k.view = view
		return k.run(ctx)
	})
	err = errors.Join(err, l.read.Close())
	if err != nil {
		return s.explain("look for damage", err)
	}
	s.o.Log.Debug("the store was read from end to end", "path", s.path, "rows", k.c.Rows, "took", k.c.Took)
	s.checked = k.c
	return k.c.Error(s.path)
}

// AtOnce reports whether a store of this size is read from end to end before it
// is used.
func AtOnce(bytes int64) bool { return bytes <= checkAtOnce }

// CheckedFirst is what the check before the start found, if there was one: it is
// the zero Checked where the store was too large for that.
func (s *Store) CheckedFirst() Checked { return s.checked }
