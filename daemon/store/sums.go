package store

import (
	"cmp"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"sync"

	"modernc.org/sqlite"
)

// Every row has a checksum, in its column sum: SQLite does not look at the bits
// of a row. It is over the table's name and all columns, so that a row that
// stands in another's place is found too, and is computed where the row is
// written: statements are made by add, set and read of its table, but for throws
// and states, of which there are many: those are summed in Go. Whatever writes a
// row in another way leaves one that looks damaged. NULL is for rows
// that were written before there were checksums.

// table is one table as sums.go knows it.
type table struct {
	name    string
	columns []string // in the order in which they stand in the row, but for sum, which ends it
	apart   []string // of them, those that the checksum does not cover
	key     []string // by which a row is found
	id      string   // the column that is SQLite's own number of the row; "": none
	show    string   // what names a row to people, where the key does not
	// what a row concerns, as SQL, for who is told that it is damaged
	turnout, at string
}

func words(s string) []string { return strings.Fields(s) }

var (
	turnoutsTable = &table{name: "turnouts", columns: words("id name cabinet state state_sum"), apart: words("state"), key: words("id"), id: "id", turnout: "name"}
	throwsTable   = &table{name: "throws", columns: words("id key turnout to_end started_at arrived_at completed cabinet record traces"), apart: words("traces"), key: words("id"), id: "id",
		turnout: "(SELECT name FROM turnouts WHERE turnouts.id = throws.turnout)", at: "started_at"}
	alertsTable   = &table{name: "alerts", columns: words("id turnout open raised_at body handling calls call acknowledged untold cleared_at"), key: words("id"), turnout: "turnout", at: "raised_at"}
	eventsTable   = &table{name: "events", columns: words("seq at alert body"), key: words("seq"), id: "seq", at: "at"}
	workTable     = &table{name: "work", columns: words("id turnout done_at kind note by arrived_at verdicts"), key: words("id"), id: "id", turnout: "turnout", at: "done_at"}
	receiptsTable = &table{name: "receipts", columns: words("cabinet boot through missing"), key: words("cabinet")}
	cabinetsTable = &table{name: "cabinets", columns: words("name online at agent clock_offset conditions_at rail_temperature air_temperature supply rain"), key: words("name"), at: "at"}
	asideTable    = &table{name: "aside", columns: words("id at topic turnout faults payload retries"), key: words("id"), id: "id", turnout: "turnout", at: "at"}
	coveredTable  = &table{name: "covered", columns: words("one through"), key: words("one"), id: "one"}
	journalTable  = &table{name: "journal", columns: words("id at alert turnout body"), key: words("id"), id: "id", turnout: "turnout", at: "at"}
	outboxTable   = &table{name: "outbox", columns: words("id target key alert turnout reason body since due tries outcome done_at sent"), key: words("id"), id: "id", turnout: "turnout", at: "since"}
	attemptsTable = &table{name: "attempts", columns: words("id outgoing at outcome"), key: words("id"), id: "id", at: "at"}
	targetsTable  = &table{name: "targets", columns: words("name sent given_up sent_at failed_at failure"), key: words("name")}
	placesTable   = &table{name: "places", columns: words("turnout body"), key: words("turnout"), turnout: "turnout"}
	windowsTable  = &table{name: "windows", columns: words("id body"), key: words("id"), id: "id"}
	auditTable    = &table{name: "audit", columns: words("id at by what detail"), key: words("id"), id: "id", at: "at"}
	accountsTable = &table{name: "accounts", columns: words("name display role disabled created_at password subject"), key: words("name")}
	sessionsTable = &table{name: "sessions", columns: words("secret account began seen"), key: words("secret"), show: "account"}
	tokensTable   = &table{name: "tokens", columns: words("id secret account label role made_at expires_at used_at"), key: words("id"), id: "id"}
	linksTable    = &table{name: "links", columns: words("secret account expires_at"), key: words("secret"), show: "account"}
	checksTable   = &table{name: "checks", columns: words("one at bytes rows damaged"), key: words("one"), id: "one"}
	exportsTable  = &table{name: "exports", columns: words("name throws events written refused missed"), key: words("name")}
)

// tables are all that have such a checksum, what others refer to first. The
// table common has one of another kind; see SaveCommon.
var tables = []*table{turnoutsTable, throwsTable, alertsTable, eventsTable, workTable, receiptsTable, cabinetsTable, asideTable, coveredTable, journalTable, outboxTable,
	attemptsTable, targetsTable, placesTable, windowsTable, auditTable, accountsTable, sessionsTable, tokensTable, linksTable, checksTable, exportsTable}

// summer computes the checksum of a row: of its table's name, and of its values.
// The zero summer is ready; it may be used again.
type summer struct {
	w   writer
	crc uint32
}

func (s *summer) begin(table string) {
	s.w.b, s.crc = s.w.b[:0], 0
	s.w.text(table)
}

func (s *summer) null() { s.w.byte(0) }

func (s *summer) int(v int64) {
	s.w.byte(1)
	s.w.b = binary.LittleEndian.AppendUint64(s.w.b, uint64(v))
}

func (s *summer) float(v float64) {
	s.w.byte(2)
	s.w.f64(v + 0) // a zero below zero is kept as one above
}

// text takes what is before a NUL: SQLite's functions are given no more of it.
func (s *summer) text(v string) {
	v, _, _ = strings.Cut(v, "\x00")
	s.w.byte(3)
	s.w.text(v)
}

func (s *summer) blob(v []byte) {
	s.w.byte(4)
	s.w.uvarint(uint64(len(v)))
	s.crc = crc32.Update(crc32.Update(s.crc, castagnoli, s.w.b), castagnoli, v)
	s.w.b = s.w.b[:0]
}

// sum is as it stands in the column: signed, so that it takes four bytes.
func (s *summer) sum() int64 { return int64(int32(crc32.Update(s.crc, castagnoli, s.w.b))) }

// rowSum is the checksum of values as the driver gives them: nil, int64, float64,
// string or []byte.
func rowSum[T any](table string, values []T) int64 {
	var s summer
	s.begin(table)
	for _, v := range values {
		switch v := any(v).(type) {
		case nil:
			s.null()
		case int64:
			s.int(v)
		case float64:
			s.float(v)
		case string:
			s.text(v)
		case []byte:
			s.blob(v)
		default:
			panic(fmt.Sprintf("a row's checksum: expected a value of SQLite, found %T", v))
		}
	}
	return s.sum()
}

// functions gives SQLite the two functions that statements with checksums use.
// They are known to every connection that is opened after.
var functions = sync.OnceValue(func() error {
	return sqlite.RegisterDeterministicScalarFunction("row_sum", -1, func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
		name, ok := args[0].(string)
		if !ok {
			return nil, fmt.Errorf("row_sum: expected the name of a table, found %T", args[0])
		}
		return rowSum(name, args[1:]), nil
	})
})

// ofSum are the columns that the checksum covers.
func (t *table) ofSum() (list []string) {
	for _, c := range t.columns {
		if !slices.Contains(t.apart, c) {
			list = append(list, c)
		}
	}
	return list
}

// sum is the checksum as SQL, with an expression for every column: what is given,
// else the column as it is.
func (t *table) sum(given map[string]string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "row_sum('%s'", t.name)
	for _, c := range t.ofSum() {
		if x, ok := given[c]; ok {
			b.WriteString(", " + x)
		} else {
			b.WriteString(", " + t.name + "." + c)
		}
	}
	return b.String() + ")"
}

func pairs(list []string) map[string]string {
	m := map[string]string{}
	for i := 0; i < len(list); i += 2 {
		m[list[i]] = list[i+1]
	}
	return m
}

// add is a statement that inserts a row, made of columns and their values as
// SQL; the arguments are numbered, as they are needed twice. What is not named is
// NULL. The number of a row that names none is the next, as SQLite would give it.
// A clause on conflicts may follow it.
func (t *table) add(columnsAndValues ...string) string {
	given := pairs(columnsAndValues)
	from := ""
	if t.id != "" && given[t.id] == "" {
		given[t.id] = "n"
		from = fmt.Sprintf(" FROM (SELECT max(coalesce((SELECT max(%s) FROM %s), 0), coalesce((SELECT seq FROM sqlite_sequence WHERE name = '%s'), 0)) + 1 AS n)", t.id, t.name, t.name)
	}
	var names, values []string
	for _, c := range t.columns {
		if given[c] == "" {
			given[c] = "NULL"
		}
		names, values = append(names, c), append(values, given[c])
	}
	return fmt.Sprintf("INSERT INTO %s (%s, sum) SELECT %s, %s%s WHERE true", t.name, strings.Join(names, ", "), strings.Join(values, ", "), t.sum(given), from)
}

// set is what follows SET in a statement that changes a row. A key that is named
// is not set; it says what the row's key must be. Where a part of the row stays,
// what was wrong with it before stays wrong: the checksum is as far off as it was.
func (t *table) set(columnsAndValues ...string) string {
	given := pairs(columnsAndValues)
	var parts []string
	whole := true
	for _, c := range t.columns {
		x, ok := given[c]
		switch {
		case ok && !slices.Contains(t.key, c):
			parts = append(parts, c+" = "+x)
		case !ok && !slices.Contains(t.apart, c):
			whole = false
		}
	}
	sum := t.sum(given)
	if !whole {
		// There is no exclusive or.
		off := fmt.Sprintf("((%[1]s.sum | %[2]s) - (%[1]s.sum & %[2]s))", t.name, t.sum(nil))
		sum = fmt.Sprintf("CASE WHEN %[1]s.sum IS NULL OR %[1]s.sum = %[2]s THEN %[3]s ELSE (%[3]s | %[4]s) - (%[3]s & %[4]s) END", t.name, t.sum(nil), sum, off)
	}
	return strings.Join(append(parts, "sum = "+sum), ", ")
}

// update is a statement that changes the row of a key, which is the argument of
// that number.
func (t *table) update(key int, columnsAndValues ...string) string {
	return fmt.Sprintf("UPDATE %s SET %s WHERE %s = ?%d", t.name, t.set(columnsAndValues...), t.key[0], key)
}

// put is add, or, where the key is there, a change of the columns that are
// named in change, "" for all.
func (t *table) put(change string, columnsAndValues ...string) string {
	names := words(change)
	var to []string
	for _, c := range t.columns {
		if change == "" || slices.Contains(t.key, c) || slices.Contains(names, c) {
			to = append(to, c, "excluded."+c)
		}
	}
	return fmt.Sprintf("%s ON CONFLICT (%s) DO UPDATE SET %s", t.add(columnsAndValues...), strings.Join(t.key, ", "), t.set(to...))
}

// damaged is, as SQL, NULL for a row that is as it was written, else which it is.
func (t *table) damaged() string {
	return fmt.Sprintf("CASE WHEN %[1]s.sum IS NULL OR %[1]s.sum = %[2]s THEN NULL ELSE '%[1]s ' || quote(%[1]s.%[3]s) END", t.name, t.sum(nil), cmp.Or(t.show, t.key[0]))
}

// read is the beginning of a query whose rows are read through checked.
func (t *table) read(columns string) string {
	return "SELECT " + columns + ", " + t.damaged() + " FROM " + t.name
}

// checked is a row of a query that read made: what is damaged gives an error.
type checked struct{ row }

func (c checked) Scan(into ...any) error {
	var damaged sql.NullString
	if err := c.row.Scan(append(into, &damaged)...); err != nil {
		return err
	}
	if damaged.Valid {
		return fmt.Errorf("row of %s: %w", damaged.String, errChanged)
	}
	return nil
}
