package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// checkAtOnce is up to which size a store is read from end to end before it is
// used: 0.3 GB take about two seconds on a machine of two cores that has them in
// memory, and what the disk takes to give them. A larger one is read meanwhile;
// see Store.Check.
const checkAtOnce = 256 << 20

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
	First    []Damage // the first of both, at most mostFirst
}

const mostFirst = 20

// Sound reports whether nothing was found.
func (c *Checked) Sound() bool { return c.Damaged == 0 && c.Broken == 0 }

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
		list = append(list, fmt.Sprintf("and %d more (throwline check lists them)", more))
	}
	return fmt.Errorf("store %s: it is damaged: %s; %s", path, strings.Join(list, "; "), toldOfDamage)
}

// checker reads a store from end to end.
type checker struct {
	s       *Store
	version int
	// view gives a moment of the store to f. Sliced, it is another each time, so
	// that the log can be emptied in between; else always the same.
	view   func(ctx context.Context, f func(*sql.Tx) error) error
	sliced bool
	told   func(Damage)
	but    []*table // whose rows someone else reads
	c      Checked
}

// Of one moment, when it is read in slices.
const (
	slicePages = 64  // 1 MiB
	sliceRows  = 500 // of throws, likewise
)

func (k *checker) tell(d Damage) {
	if d.Row {
		k.c.Damaged++
	} else {
		k.c.Broken++
	}
	if len(k.c.First) < mostFirst {
		k.c.First = append(k.c.First, d)
	}
	if k.told != nil {
		k.told(d)
	}
}

// isDamage reports whether SQLite met something that it never wrote so.
func isDamage(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	code := e.Code() & 0xff
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// run does the whole check. Only what keeps it from being done is an error.
func (k *checker) run(ctx context.Context) error {
	began := time.Now()
	type step struct {
		what string
		do   func(context.Context) error
	}
	steps := []step{{"its tables", k.schema}, {"its pages", k.file}, {"references", k.references}, {"numbers", k.numbers}}
	for _, t := range k.present() {
		if !slices.Contains(k.but, t) {
			steps = append(steps, step{"rows of " + t.name, func(ctx context.Context) error { return k.rows(ctx, t) }})
		}
	}
	for _, step := range append(steps, step{"rows of common", k.common}) {
		err := step.do(ctx)
		var e *sqlite.Error
		if err != nil && errors.As(err, &e) && (isDamage(err) || e.Code()&0xff == sqlite3.SQLITE_ERROR) { // a table that is not there, say
			k.tell(Damage{What: fmt.Sprintf("the file: %s: %v", step.what, err)})
			err = nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", step.what, err)
		}
	}
	k.c.Version, k.c.Bytes, k.c.Took = k.version, k.s.Size(), time.Since(began)
	return nil
}

// each gives the rows of a query to f.
func each(ctx context.Context, tx *sql.Tx, f func(row) error, text string, args ...any) error {
	rows, err := tx.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

const schemaText = "SELECT type || ' ' || name || ' on ' || tbl_name, coalesce(sql, '') FROM sqlite_schema"

// schemaOf is what the tables and indexes of a version are made with.
func schemaOf(ctx context.Context, version int) (made map[string]string, err error) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	for _, name := range scripts()[:version] {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return nil, err
		}
		if _, err := db.ExecContext(ctx, string(text)); err != nil {
			return nil, err
		}
	}
	made = map[string]string{}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }()
	err = each(ctx, tx, func(r row) error {
		var name, text string
		err := r.Scan(&name, &text)
		made[name] = text
		return err
	}, schemaText)
	return made, err
}

// schema holds the tables against those that the migrations make. What someone
// has added of his own, such as SQLite's statistics, is no damage.
func (k *checker) schema(ctx context.Context) error {
	want, err := schemaOf(ctx, k.version)
	if err != nil {
		return fmt.Errorf("make the tables of version %d to compare: %w", k.version, err)
	}
	return k.view(ctx, func(tx *sql.Tx) error {
		if err := each(ctx, tx, func(r row) error {
			var name, text string
			if err := r.Scan(&name, &text); err != nil {
				return err
			}
			if want[name] == text {
				delete(want, name)
			}
			return nil
		}, schemaText); err != nil {
			return err
		}
		for name := range want {
			k.tell(Damage{What: fmt.Sprintf("the file: %s is not as version %d makes it", name, k.version)})
		}
		return nil
	})
}

// file looks at the pages: all at once as SQLite does, or slice by slice.
func (k *checker) file(ctx context.Context) error {
	if !k.sliced {
		return k.view(ctx, func(tx *sql.Tx) error {
			return each(ctx, tx, func(r row) error {
				var word string
				if err := r.Scan(&word); err != nil || word == "ok" {
					return err
				}
				for line := range strings.Lines(word) {
					if line = strings.TrimSpace(line); !strings.HasPrefix(line, "***") {
						k.tell(Damage{What: "the file: " + line})
					}
				}
				return nil
			}, "PRAGMA integrity_check(100)")
		})
	}
	for next, count := uint32(1), uint32(1); next <= count; next += slicePages {
		if err := k.view(ctx, func(tx *sql.Tx) error {
			st, err := tx.PrepareContext(ctx, "SELECT data FROM sqlite_dbpage WHERE pgno = ?")
			if err != nil {
				return err
			}
			defer st.Close()
			got := map[uint32][]byte{}
			read := func(number uint32) (b []byte, err error) {
				b, ok := got[number]
				if ok {
					return b, nil
				}
				if err = st.QueryRowContext(ctx, number).Scan(&b); errors.Is(err, sql.ErrNoRows) {
					err = nil
				}
				got[number] = b
				return b, err
			}
			head, err := read(1)
			if err != nil {
				return err
			}
			count = binary.BigEndian.Uint32(head[28:])
			if binary.BigEndian.Uint32(head[52:]) == 0 {
				count = 0 // it has no map of its pages: someone has made it anew, and only SQLite can look at it
				return nil
			}
			for n := next; n < next+slicePages && n <= count; n++ {
				flaw, err := checkPage(n, read)
				if err != nil {
					return err
				}
				if flaw != "" {
					k.tell(Damage{What: "the file: " + flaw})
				}
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}

// present are the tables that a store of this version has.
func (k *checker) present() []*table {
	if k.version >= sumsSince {
		return tables
	}
	return []*table{turnoutsTable, throwsTable}
}

// references looks for rows that refer to one that is not there; throws are
// looked at as they are read.
func (k *checker) references(ctx context.Context) error {
	for _, t := range k.present() {
		if t == throwsTable {
			continue
		}
		if err := k.view(ctx, func(tx *sql.Tx) error {
			return each(ctx, tx, func(r row) error {
				var id sql.NullInt64
				var in, to string
				var n int
				if err := r.Scan(&in, &id, &to, &n); err != nil {
					return err
				}
				k.tell(Damage{What: fmt.Sprintf("row %d of %s refers to one of %s that is not there", id.Int64, in, to), Row: true})
				return nil
			}, "PRAGMA foreign_key_check("+t.name+")")
		}); err != nil {
			return err
		}
	}
	return nil
}

// numbers looks at SQLite's own table of the highest numbers that it gave. One
// that is too low would have it give a number twice.
func (k *checker) numbers(ctx context.Context) error {
	return k.view(ctx, func(tx *sql.Tx) error {
		for _, t := range []*table{eventsTable, asideTable, journalTable, outboxTable, windowsTable, auditTable} {
			if !slices.Contains(k.present(), t) {
				continue
			}
			var given, top int64
			if err := tx.QueryRowContext(ctx, fmt.Sprintf("SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = '%s'), 0), coalesce((SELECT max(%s) FROM %s), 0)", t.name, t.id, t.name)).Scan(&given, &top); err != nil {
				return err
			}
			if given < top {
				k.tell(Damage{What: fmt.Sprintf("the highest number of %s: expected %d or more, found %d", t.name, top, given), Row: true})
			}
		}
		return nil
	})
}

// rows reads all rows of a table.
func (k *checker) rows(ctx context.Context, t *table) error {
	number, limit := "rowid", sliceRows
	where := "WHERE " + t.name + ".rowid > ?1 ORDER BY " + t.name + ".rowid LIMIT ?2"
	if t == sessionsTable || t == linksTable { // they have no number, and are few
		number, limit, where = "0", -1, "WHERE ?1 < 0 LIMIT ?2"
	}
	damaged := "NULL"
	unsummed := "1"
	if k.version >= sumsSince {
		damaged, unsummed = t.damaged(), t.name+".sum IS NULL"
	}
	turnout, at := orNone(t.turnout), orNone(t.at)
	text := fmt.Sprintf("SELECT %s.%s, CAST(%s AS TEXT), CAST(%s AS INTEGER), %s, %s", t.name, number, turnout, at, unsummed, damaged)
	if number == "0" {
		text = fmt.Sprintf("SELECT 0, NULL, NULL, %s, %s", unsummed, damaged)
	}
	switch {
	case t == throwsTable: // what it is about is read with it
		columns := throwColumns
		if k.version < sumsSince {
			columns = oldThrowColumns
		}
		text = "SELECT " + strings.Replace(columns, "turnouts.name", "coalesce(turnouts.name, '')", 1) + ", traces FROM throws LEFT JOIN turnouts ON turnouts.id = throws.turnout " + where
	case t == turnoutsTable && k.version >= stateSumsSince:
		text += ", state, CAST(state_sum AS INTEGER) FROM turnouts " + where
	case t == turnoutsTable:
		text += ", NULL, NULL FROM turnouts " + where
	default:
		text += " FROM " + t.name + " " + where
	}
	last, seen := int64(-1<<63), 0
	if number == "0" {
		last = -1
	}
	one := func(r row) error {
		seen++
		k.c.Rows++
		if t == throwsTable {
			return k.throw(r, &last)
		}
		var turnout, damaged sql.NullString
		var at, sumOfState sql.NullInt64
		var unsummed bool
		var state sql.RawBytes
		before := last
		into := []any{&last, &turnout, &at, &unsummed, &damaged}
		if t == turnoutsTable {
			into = append(into, &state, &sumOfState)
		}
		if err := r.Scan(into...); err != nil {
			return err
		}
		if unsummed {
			k.c.Unsummed++
		}
		d := Damage{Turnout: turnout.String, At: when(at), Row: true}
		switch {
		case damaged.Valid:
			d.What = "row of " + damaged.String
		case sumOfState.Valid && uint32(sumOfState.Int64) != sum(state):
			d.What = "what was learned of the turnout"
		case number != "0" && last <= before:
			d.What = fmt.Sprintf("row %d of %s after row %d", last, t.name, before)
		default:
			return nil
		}
		k.tell(d)
		return nil
	}
	for {
		seen = 0
		if err := k.view(ctx, func(tx *sql.Tx) error { return each(ctx, tx, one, text, last, limit) }); err != nil {
			return err
		}
		if seen < limit || limit < 0 {
			return nil
		}
	}
}

func orNone(expression string) string {
	if expression == "" {
		return "NULL"
	}
	return expression
}

// throw looks at one throw and its traces.
func (k *checker) throw(r row, last *int64) error {
	var traces []byte
	before := *last
	id, rec, err := scanThrow(r, &traces)
	*last = id
	d := Damage{Turnout: rec.Turnout, At: rec.StartedAt, Row: true}
	switch {
	case err != nil:
		d.What = fmt.Sprintf("row of throws %d (%s)", id, rec.Key)
	case rec.Turnout == "":
		d.What = fmt.Sprintf("row of throws %d (%s): its turnout is not there", id, rec.Key)
	case id <= before:
		d.What = fmt.Sprintf("row %d of throws after row %d", id, before)
	case len(traces) > 0 && traces[0] == traceVersion && (&reader{b: traces}).unseal(nil) == nil:
		return nil
	case traces != nil:
		if _, err := consumeTraces(traces); err == nil { // of before they had a checksum
			return nil
		}
		d.What = fmt.Sprintf("traces of throw %d (%s)", id, rec.Key)
	default:
		return nil
	}
	k.tell(d)
	return nil
}

// commonSince is the version that has the table common, stateSumsSince that of the states' checksums.
const (
	stateSumsSince = 9
	commonSince    = 10
	sumsSince      = 11
)

// common has a checksum of another kind.
func (k *checker) common(ctx context.Context) error {
	if k.version < commonSince {
		return nil
	}
	return k.view(ctx, func(tx *sql.Tx) error {
		return each(ctx, tx, func(r row) error {
			var one, said int64
			var b []byte
			if err := r.Scan(&one, &b, &said); err != nil {
				return err
			}
			if k.c.Rows++; one != 1 || said != int64(sum(b)) {
				k.tell(Damage{What: "what neighbours have in common", Row: true})
			}
			return nil
		}, "SELECT one, body, sum FROM common")
	})
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
const CheckShare = 0.1

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
	err := k.run(ctx)
	return k.c, s.explain("check", err)
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
	version, err := s.versionOf(ctx)
	if isDamage(err) {
		k := &checker{s: s, told: told}
		k.tell(Damage{What: "the file: " + err.Error()})
		k.c.Bytes = s.Size()
		return k.c, nil
	}
	if err != nil {
		return c, err
	}
	k := &checker{s: s, version: version, told: told}
	if k.sliced = held(path); k.sliced {
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

// CheckedFirst is what the check before the start found, if there was one: it is
// the zero Checked where the store was too large for that.
func (s *Store) CheckedFirst() Checked { return s.checked }
