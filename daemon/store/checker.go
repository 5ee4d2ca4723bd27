package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

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
	k.c.Version, k.c.Bytes, k.c.Took, k.c.At = k.version, k.s.Size(), time.Since(began), time.Now().UTC()
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

// integrity has SQLite look at the whole file, or at a table with its indexes.
func (k *checker) integrity(ctx context.Context, what string) error {
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
		}, "PRAGMA integrity_check("+what+")")
	})
}

// throwIndexes are those of the throws, each with which of them stand in it, and by what.
var throwIndexes = []struct{ name, which, by string }{
	{"sqlite_autoindex_throws_1", "", "key"}, {"throws_by_turnout", "", "turnout started_at"},
	{"throws_with_traces", "traces IS NOT NULL", "started_at"}, {"throws_without_traces", "traces IS NULL", "started_at"},
}

// indexed looks whether throws stand in their indexes: one that does not might be
// taken twice, or not be listed.
func (k *checker) indexed(ctx context.Context, tx *sql.Tx, after, to int64) error {
	for _, i := range throwIndexes {
		which, same := "", "x.id = throws.id"
		for _, c := range words(i.by) {
			same += fmt.Sprintf(" AND x.%[1]s = throws.%[1]s", c)
		}
		if i.which != "" {
			which, same = " AND throws."+i.which, same+" AND x."+i.which
		}
		if err := each(ctx, tx, func(r row) error {
			var id int64
			if err := r.Scan(&id); err != nil {
				return err
			}
			k.tell(Damage{What: fmt.Sprintf("the file: throw %d is missing from index %s", id, i.name)})
			return nil
		}, fmt.Sprintf("SELECT id FROM throws NOT INDEXED WHERE id > ? AND id <= ?%s AND NOT EXISTS (SELECT 1 FROM throws AS x INDEXED BY %s WHERE %s)", which, i.name, same), after, to); err != nil {
			return err
		}
	}
	return nil
}

// file looks at the pages: all at once as SQLite does, or slice by slice.
func (k *checker) file(ctx context.Context) error {
	if !k.sliced {
		return k.integrity(ctx, "100")
	}
	// The throws are many, and looked up as they are read.
	for _, t := range k.present() {
		if t != throwsTable {
			if err := k.integrity(ctx, t.name); err != nil {
				return err
			}
		}
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
				if b, err := read(n); err != nil {
					return err
				} else if b == nil && n != lockPage(len(head)) {
					k.tell(Damage{What: fmt.Sprintf("the file: it is cut short: expected %d pages, found %d", count, n-1)})
					count = 0
					return nil
				}
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
	if t == asideTable { // a message may be long
		limit = sliceRows / 25
	}
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
		if err := k.view(ctx, func(tx *sql.Tx) error {
			before := last
			if err := each(ctx, tx, one, text, last, limit); err != nil || t != throwsTable || !k.sliced {
				return err
			}
			return k.indexed(ctx, tx, before, last)
		}); err != nil {
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
