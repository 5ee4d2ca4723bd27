package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Salvaging takes what is sound of a damaged store into a new one. It goes by
// the pages of the file, not by SQLite: a page that holds rows is read though the
// pages that lead to it are gone, and each row says by its checksum whose it is and
// that it is whole.

// Saved is what became of a table.
type Saved struct {
	Table string
	Kept  int64
	Left  int64 // rows that were found damaged, or that an index knows and nobody else
	Part  int64 // of those kept, rows that lost something: traces, what was learned, whose alert it was
	Made  int64 // of those kept, rows that were made again of what others say
	// Of what was left or lost something: the turnouts, as far as they are known,
	// and between which times; zero times where none is known.
	Turnouts []string
	From, To time.Time
}

// salvage is one store that is being saved.
type salvage struct {
	s       *Store // the new one
	foreign bool   // it is another's
	file    *os.File
	log     *os.File // nil: none that counts
	logged  map[uint32]int64
	size    int
	count   uint32
	owner   []uint8 // of each page: 1 + place in tables; 0: not known
	live    []bool  // it is of some table or index
	reals   map[string][]bool
	least   map[string][]any // what a column that a row is too old to have has
	saved   map[string]*Saved
	orders  map[*table]string
	throws  map[int64]struct{}
	places  map[int64]string // turnouts by number
	missing map[int64][2]int64
	given   map[string]int64 // by table, the highest number that was given
}

const ownerSchema = 255 // of what is no table of ours

// Salvage makes a new store at to of what is sound in the one at from, with the
// log beside it, and says of each table what became of it. The source is only
// read; no process may hold it. What is made is checked before it returns; where
// anything fails, nothing of it is left.
func Salvage(ctx context.Context, from, to string) (list []Saved, err error) {
	if held(from) {
		return nil, fmt.Errorf("store %s: a process holds it; stop that one first", from)
	}
	for _, end := range storeEnds { // so that all that is there in the end was made here
		if _, err := os.Lstat(to + end); !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("salvage to %s: expected no file there, found %s, or a folder that cannot be read; name another", to, to+end)
		}
	}
	v := &salvage{saved: map[string]*Saved{}, orders: map[*table]string{}, reals: map[string][]bool{}, least: map[string][]any{},
		throws: map[int64]struct{}{}, places: map[int64]string{}, missing: map[int64][2]int64{}, given: map[string]int64{}}
	if err := v.open(from); err != nil {
		return nil, fmt.Errorf("store %s: %w", from, err)
	}
	defer func() { _ = v.file.Close() }() // it was only read
	if v.log != nil {
		defer func() { _ = v.log.Close() }()
	}
	folders := toMake(filepath.Dir(to))
	if err := v.save(ctx, to); err != nil {
		if !v.foreign {
			err = errors.Join(err, unmake(to, folders))
		}
		return nil, err
	}
	for _, t := range tables {
		list = append(list, *v.of(t.name))
	}
	return list, nil
}

// save makes the new store, and checks it.
func (v *salvage) save(ctx context.Context, to string) (err error) {
	if v.s, err = Open(ctx, to, Options{}); err != nil {
		return err
	}
	if v.foreign = v.s.was != ""; v.foreign {
		return errors.Join(fmt.Errorf("salvage to %s: expected no store there, found one that was made meanwhile; name another", to), v.s.Close())
	}
	err = v.copy(ctx)
	if err = errors.Join(err, v.s.Close()); err != nil {
		return err
	}
	found, err := Check(ctx, to, nil)
	if err != nil {
		return err
	}
	return found.Error(to)
}

func (v *salvage) of(name string) *Saved {
	if v.saved[name] == nil {
		v.saved[name] = &Saved{Table: name}
	}
	return v.saved[name]
}

// lost notes what a row concerned that is not kept, or not whole.
func (s *Saved) lost(turnout string, at int64) {
	if turnout != "" && !slices.Contains(s.Turnouts, turnout) {
		s.Turnouts = append(s.Turnouts, turnout)
	}
	if at != 0 {
		t := time.Unix(0, at).UTC()
		if s.From.IsZero() || t.Before(s.From) {
			s.From = t
		}
		if t.After(s.To) {
			s.To = t
		}
	}
}

// The rows that others refer to go first.
func order(t *table) int {
	switch t {
	case throwsTable, journalTable, outboxTable, sessionsTable, tokensTable, linksTable:
		return 1
	case attemptsTable:
		return 2
	}
	return 0
}

// copy takes all that is sound.
func (v *salvage) copy(ctx context.Context) error {
	if err := v.shapes(ctx); err != nil {
		return err
	}
	v.survey()
	for turn := range 3 {
		// Pages that a table leads to come before those that nobody does.
		for _, owned := range []bool{true, false} {
			for n := uint32(1); n <= v.count; {
				if err := v.s.Update(ctx, func(tx *Tx) error {
					for end := n + 256; n < end && n <= v.count; n++ {
						if v.live[n] && v.owner[n] != ownerSchema && (v.owner[n] != 0) == owned {
							if err := v.rowsOf(tx, n, turn); err != nil {
								return err
							}
						}
					}
					return nil
				}); err != nil {
					return err
				}
			}
		}
		if turn == 0 {
			if err := v.alerts(ctx); err != nil {
				return err
			}
		}
	}
	if err := v.numbers(ctx); err != nil {
		return err
	}
	for id, at := range v.missing {
		if _, ok := v.throws[id]; !ok {
			s := v.of(throwsTable.name)
			s.Left++
			s.lost(v.places[at[0]], at[1])
		}
	}
	for _, s := range v.saved {
		slices.Sort(s.Turnouts)
	}
	if v.of(turnoutsTable.name).Kept+v.of(accountsTable.name).Kept+v.of(auditTable.name).Kept == 0 {
		return errors.New("salvage: nothing was found that a store of this program holds")
	}
	return nil
}

// shapes reads how the tables of the new store are.
func (v *salvage) shapes(ctx context.Context) error {
	for _, t := range tables {
		if err := v.s.each(ctx, func(r row) error {
			var kind string
			var none sql.NullString
			if err := r.Scan(&kind, &none); err != nil {
				return err
			}
			v.reals[t.name] = append(v.reals[t.name], kind == "REAL")
			var value any
			switch text := none.String; {
			case kind == "INTEGER" && none.Valid:
				var n int64
				if _, err := fmt.Sscan(text, &n); err != nil {
					return fmt.Errorf("default %s of %s: %w", text, t.name, err)
				}
				value = n
			case none.Valid:
				value = strings.Trim(text, "'")
			}
			v.least[t.name] = append(v.least[t.name], value)
			return nil
		}, fmt.Sprintf("SELECT type, dflt_value FROM pragma_table_info('%s') ORDER BY cid", t.name)); err != nil {
			return err
		}
		marks := strings.TrimSuffix(strings.Repeat("?, ", len(t.columns)+1), ", ")
		v.orders[t] = fmt.Sprintf("INSERT INTO %s VALUES (%s) ON CONFLICT DO NOTHING", t.name, marks)
	}
	return nil
}

// rowsOf takes the rows of a page whose turn it is.
func (v *salvage) rowsOf(tx *Tx, number uint32, turn int) error {
	b, err := v.page(number)
	if err != nil || b == nil {
		return err
	}
	p := readBtree(number, b)
	leaf := p.kind == tableLeaf
	if !leaf && p.kind != indexLeaf && p.kind != indexInner {
		return nil
	}
	for i := range p.cells {
		whole, err := p.cells[i].whole(v.page)
		if err != nil {
			return err
		}
		values, ok := readRecord(whole)
		if leaf && turn == 0 && len(values) == 2 { // of SQLite's own table of numbers
			v.give(values[0], values[1])
		}
		if !leaf && turn == 0 && len(values) == 4 {
			v.indexed(values)
		}
		if leaf && turn == 0 && len(values) == 3 {
			if body, ok := values[1].([]byte); ok && values[2] == int64(sum(body)) {
				if err := tx.SaveCommon(body); err != nil {
					return err
				}
				continue
			}
		}
		t, row := v.tell(number, leaf, p.cells[i].row, values, ok)
		switch {
		case t == nil || order(t) != turn:
		case row != nil:
			if err := v.keep(tx, t, row); err != nil {
				return err
			}
		case t == throwsTable: // counted at the end, as the index may know it too
			if _, ok := v.missing[p.cells[i].row]; !ok {
				v.missing[p.cells[i].row] = [2]int64{}
			}
		default:
			s := v.of(t.name)
			s.Left++
			s.lost(v.concerns(t, values))
		}
	}
	// Entries that cannot even be found are rows too.
	if o := v.owner[number]; leaf && o != 0 && tables[o-1] != throwsTable && order(tables[o-1]) == turn {
		if n := int(binary.BigEndian.Uint16(b[3:])); n > len(p.cells) && n < v.size/4 {
			v.of(tables[o-1].name).Left += int64(n - len(p.cells))
		}
	}
	return nil
}

// indexed notes a throw that an index knows: it alone has four numbers, turnout,
// start and twice the throw's own.
func (v *salvage) indexed(values []any) {
	turnout, ok1 := values[0].(int64)
	started, ok2 := values[1].(int64)
	id, ok3 := values[2].(int64)
	if ok1 && ok2 && ok3 && values[3] == values[2] {
		v.missing[id] = [2]int64{turnout, started}
	}
}

// tell says whose row it is, nil where that is not known or it is none, and gives
// the row as SQLite would, nil where it is damaged.
func (v *salvage) tell(number uint32, leaf bool, id int64, values []any, read bool) (*table, []any) {
	var owner *table
	if o := v.owner[number]; o != 0 {
		owner = tables[o-1]
	}
	bare := func(t *table) bool { return t == sessionsTable || t == linksTable }
	if read {
		try := tables
		if owner != nil {
			try = append([]*table{owner}, tables...)
		}
		for _, t := range try {
			n := len(t.columns)
			if len(values) != n+1 || bare(t) == leaf {
				continue
			}
			said, ok := values[n].(int64)
			if row := v.row(t, id, values); ok && sumOf(t, row) == said {
				return t, row
			}
		}
	}
	if owner == nil || bare(owner) == leaf {
		return nil, nil
	}
	// Has it none? It was written before there were checksums. The table refuses
	// what is of another kind, and a throw has a checksum of its own.
	n := len(owner.columns)
	if !read || len(values) < 2 || len(values) > n+1 || len(values) == n+1 && values[n] != nil {
		return owner, nil
	}
	row := v.row(owner, id, values)
	if owner == throwsTable && !oldThrow(row) {
		return owner, nil
	}
	return owner, row
}

// row gives all values of a row as SQLite would.
func (v *salvage) row(t *table, id int64, values []any) []any {
	row := slices.Clone(values)
	for i := len(row); i <= len(t.columns); i++ {
		row = append(row, v.least[t.name][i])
	}
	for i, c := range t.columns {
		if c == t.id && row[i] == nil {
			row[i] = id
		}
		if n, ok := row[i].(int64); ok && v.reals[t.name][i] {
			row[i] = float64(n)
		}
	}
	return row
}

// sumOf is the checksum of a row.
func sumOf(t *table, row []any) int64 {
	var covered []any
	for i, c := range t.columns {
		if !slices.Contains(t.apart, c) {
			covered = append(covered, row[i])
		}
	}
	return rowSum(t.name, covered)
}

// oldThrow reports whether the record of a throw says that it is whole.
func oldThrow(row []any) bool {
	var r detect.Record
	var to, started, arrived, completed int64
	var record []byte
	for i, into := range map[int]any{1: &r.Key, 3: &to, 4: &started, 5: &arrived, 6: &completed, 7: &r.Cabinet, 8: &record} {
		ok := false
		switch into := into.(type) {
		case *string:
			*into, ok = row[i].(string)
		case *int64:
			*into, ok = row[i].(int64)
		case *[]byte:
			*into, ok = row[i].([]byte)
		}
		if !ok {
			return false
		}
	}
	r.To, r.Completed = ingest.End(to), completed == 1
	r.StartedAt, r.ArrivedAt = time.Unix(0, started).UTC(), time.Unix(0, arrived).UTC()
	return consumeRecord(record, &r) == nil
}

// concerns is which turnout a damaged row concerns and when, as far as it can be read.
func (v *salvage) concerns(t *table, values []any) (turnout string, at int64) {
	for i, c := range t.columns {
		if i >= len(values) {
			break
		}
		if c == t.turnout {
			turnout, _ = values[i].(string)
		}
		if c == t.at {
			at, _ = values[i].(int64)
		}
	}
	return turnout, at
}

// keep enters a row.
func (v *salvage) keep(tx *Tx, t *table, values []any) error {
	s := v.of(t.name)
	part := false
	switch t {
	case turnoutsTable:
		state, _ := values[3].([]byte)
		if said, ok := values[4].(int64); ok && uint32(said) != sum(state) {
			values[3], values[4], part = nil, nil, true
			values[5] = sumOf(t, values)
		}
	case throwsTable:
		if traces, ok := values[9].([]byte); ok {
			if _, err := consumeTraces(traces); err != nil {
				values[9], part = nil, true
			}
		}
	}
	added, err := v.enter(tx, t, values)
	if err != nil && isForeign(err) {
		switch t {
		case throwsTable:
			if err = v.turnout(tx, values); err == nil {
				added, err = v.enter(tx, t, values)
			}
		case journalTable:
			values[2], part = nil, true
			values[len(values)-1] = sumOf(t, values)
			added, err = v.enter(tx, t, values)
		}
	}
	turnout, at := v.concerns(t, values)
	if t == throwsTable {
		id, _ := values[2].(int64)
		turnout = v.places[id]
	}
	switch {
	case err != nil && (isForeign(err) || isConstraint(err)):
		s.Left++
		s.lost(turnout, at)
		return nil
	case err != nil || !added: // it was found before
		return err
	}
	s.Kept++
	if part {
		s.Part++
		s.lost(turnout, at)
	}
	switch t {
	case turnoutsTable:
		v.places[values[0].(int64)], _ = values[1].(string)
	case throwsTable:
		v.throws[values[0].(int64)] = struct{}{}
	case exportsTable:
		v.give(eventsTable.name, values[2])
	}
	return nil
}

// mostNumber is beyond what any store gives: what is higher was damaged.
const mostNumber = 1 << 53

// give notes that a table has given numbers up to number, if that is what these are.
func (v *salvage) give(of, number any) {
	name, _ := of.(string)
	n, _ := number.(int64)
	if n < mostNumber && slices.ContainsFunc(tables, func(t *table) bool { return t.name == name }) {
		v.given[name] = max(v.given[name], n)
	}
}

// numbers keeps numbers from being given twice whose rows are gone: an exporter
// would take what is new for what it has, and a page that is open for what it shows.
func (v *salvage) numbers(ctx context.Context) error {
	return v.s.Update(ctx, func(tx *Tx) error {
		for name, n := range v.given {
			for _, text := range []string{
				"UPDATE sqlite_sequence SET seq = max(seq, ?2) WHERE name = ?1",
				"INSERT INTO sqlite_sequence (name, seq) SELECT ?1, ?2 WHERE NOT EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = ?1)",
			} {
				if _, err := tx.tx.ExecContext(tx.ctx, text, name, n); err != nil {
					return fmt.Errorf("the highest number of %s: %w", name, err)
				}
			}
		}
		return nil
	})
}

func (v *salvage) enter(tx *Tx, t *table, values []any) (added bool, err error) {
	res, err := tx.tx.ExecContext(tx.ctx, v.orders[t], values...)
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n == 1, err
}

// turnout makes the turnout of a throw again: its name stands in the throw's key.
// What was learned of it is lost; it learns anew from its throws at the next start.
func (v *salvage) turnout(tx *Tx, throw []any) error {
	key, _ := throw[1].(string)
	end := strings.IndexAny(key, "~@")
	id, _ := throw[2].(int64)
	if end < 1 || id == 0 {
		return nil
	}
	values := []any{id, key[:end], throw[7], nil, nil, nil}
	values[5] = sumOf(turnoutsTable, values)
	added, err := v.enter(tx, turnoutsTable, values)
	if added {
		s := v.of(turnoutsTable.name)
		s.Kept++
		s.Made++
		s.lost(key[:end], 0)
		v.places[id] = key[:end]
	}
	return err
}

// alerts makes those again that are gone, as their last event has them. What was
// done about them stays in the journal; they are to be acknowledged again.
func (v *salvage) alerts(ctx context.Context) error {
	var gone []alerting.Alert
	if err := v.s.each(ctx, func(r row) error {
		var body []byte
		if err := r.Scan(&body); err != nil {
			return err
		}
		var e alerting.Event
		if err := json.Unmarshal(body, &e); err != nil {
			return err
		}
		gone = append(gone, e.Alert)
		return nil
	}, "SELECT body FROM events WHERE seq IN (SELECT max(seq) FROM events WHERE alert NOT IN (SELECT id FROM alerts) GROUP BY alert)"); err != nil {
		return err
	}
	return v.s.Update(ctx, func(tx *Tx) error {
		for i := range gone {
			if err := tx.SaveAlert(&gone[i]); err != nil {
				return err
			}
			s := v.of(alertsTable.name)
			s.Kept++
			s.Made++
			s.lost(gone[i].Turnout, nanos(gone[i].RaisedAt))
		}
		return nil
	})
}

// Lost sorts what became of tables: those that lost most first.
func Lost(list []Saved) []Saved {
	return slices.SortedStableFunc(slices.Values(list), func(a, b Saved) int { return cmp.Compare(b.Left+b.Part+b.Made, a.Left+a.Part+a.Made) })
}
