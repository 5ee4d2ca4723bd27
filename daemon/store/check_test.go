package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// everything writes rows of all tables, and changes each in every way in which
// one is changed.
func everything(t testing.TB, s *Store) {
	t.Helper()
	ctx := t.Context()
	secret := func(s string) alerting.Secret { return sha256.Sum256([]byte(s)) }
	account := func(name string) alerting.AccountsChange {
		var c alerting.AccountsChange
		c.Save.Accounts = []alerting.Account{{Name: name, Display: "D", Role: "viewer", CreatedAt: dawn, Subject: "s-" + name}}
		c.Save.Sessions = []alerting.Session{{Secret: secret("s" + name), Account: name, Began: dawn, Seen: dawn}}
		c.Save.Tokens = []alerting.Token{{ID: int64(len(name)), Secret: secret("t" + name), Account: name, Label: "l", Role: "viewer", MadeAt: dawn, Expires: dawn.AddDate(1, 0, 0)}}
		c.Save.Links = []alerting.Link{{Secret: secret("l" + name), Account: name, Expires: dawn.AddDate(0, 0, 1)}}
		c.Audit = []alerting.Audited{{At: dawn, By: name, What: "w", Detail: "d"}}
		return c
	}
	for range 2 {
		again := account("ada")
		again.Save.Links = nil
		for _, c := range []alerting.AccountsChange{account("ada"), again} {
			if err := s.ChangeAccounts(ctx, c); err != nil {
				t.Fatal(err)
			}
			c.Save.Accounts[0].Role, c.Save.Sessions[0].Seen, c.Save.Tokens[0].Used = "admin", dawn.Add(time.Hour), dawn
		}
		gone := alerting.AccountsChange{}
		gone.Ended.Links = []alerting.Secret{secret("lada")}
		if err := s.ChangeAccounts(ctx, gone); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.ChangeAccounts(ctx, account("bo")); err != nil {
		t.Fatal(err)
	}
	for n := range int64(3) {
		if err := s.SaveExportCursor(ctx, "influx", n, n, [3]int64{n, 0, 1}); err != nil {
			t.Fatal(err)
		}
	}
	update(t, s, func(tx *Tx) error {
		var errs []error
		no := func(err error) { errs = append(errs, err) }
		work := ingest.Work{Turnout: "W1", DoneAt: dawn, Kind: ingest.Lubricated, Note: "n", By: "b"}
		for n := range 2 {
			_, err := tx.AddWork(work, dawn)
			no(err)
			no(tx.Judge("W1", detect.Verdict{To: ingest.Normal, Drive: "main", Work: ingest.Lubricated, DoneAt: dawn, Outcome: detect.Helped, Throws: 8, Said: "s"}))
			no(tx.SaveCabinet(ingest.CabinetState{Cabinet: "cab-1", Online: true, At: dawn, Agent: "x", ClockOffset: ingest.Known(0)}))
			no(tx.SaveConditions(ingest.Conditions{Cabinet: "cab-1", At: dawn, RailTemperature: ingest.Known(float64(-n)), Supply: ingest.Known(math.Copysign(0, -1)), Rain: ingest.Known(0.1)}))
			no(tx.SaveConditions(ingest.Conditions{Cabinet: "cab-2", At: dawn}))
			no(tx.SavePlace(alerting.Place{Turnout: "W1", Criticality: n}))
			no(tx.Covered(int64(n)))
			no(tx.SaveCommon([]byte{byte(n)}))
			id, err := tx.SetAside(ingest.SetAside{At: dawn, Topic: "t/☃", Turnout: "W9", Payload: bytes.Repeat([]byte{7}, 40_000*n)})
			no(err)
			no(tx.RefuseAgain(id, []ingest.Fault{{Path: "to", Expected: "x", Found: "y"}}))
			number, err := tx.SaveWindow(alerting.Window{Name: "night", Zone: "Etc/UTC"})
			no(err)
			_, err = tx.SaveWindow(alerting.Window{ID: number, Name: "day", Zone: "Etc/UTC"})
			no(err)
			no(tx.Audit(dawn, "", "started", ""))
		}
		return errors.Join(errs...)
	})
	for n := 0; n < 12*8; n += 8 {
		update(t, s, func(tx *Tx) error { return batch(tx, n) })
	}
	update(t, s, func(tx *Tx) error {
		_, err1 := tx.Enqueue(outgoing("mail", "trial", "", 0))
		_, err2 := tx.AddEntry(alerting.Entry{Turnout: "W1", At: dawn, Action: "trial"})
		a := cleared(alert("a3", "W1", 24), 300)
		return errors.Join(err1, err2, tx.SaveAlert(&a), tx.SaveCalls("a3", []byte(`{"x":1}`), true), tx.PutOff(12, dawn, dawn.Add(time.Hour), "no answer", 1), tx.GiveUp(12, dawn, "enough"))
	})
	if _, err := s.Prune(ctx, dawn.Add(10*time.Minute), dawn.Add(3*time.Minute), 100); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := s.Check(ctx, 1, nil); err != nil {
			t.Fatal(err)
		}
	}
}

// full is a store with rows of all tables that was closed, as its files.
func full(t testing.TB) map[string][]byte {
	t.Helper()
	dir := quickDir(t)
	s, err := Open(t.Context(), filepath.Join(dir, theStore), Options{})
	if err != nil {
		t.Fatal(err)
	}
	everything(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if out[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// lay puts files into a folder of their own and returns the store's path.
func lay(t testing.TB, from map[string][]byte) (path string) {
	t.Helper()
	dir := quickDir(t)
	for name, b := range from {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, theStore)
}

// What sums.go says of the tables is how they are, and every row that the store
// writes or changes has its checksum.
func TestSums(t *testing.T) {
	s := opened(t)
	everything(t, s)
	_, columns := dump(t, s.read, nil)
	for _, x := range tables {
		if want := append(slices.Clone(x.columns), "sum"); !slices.Equal(columns[x.name], want) {
			t.Errorf("%s: expected %v, found %v", x.name, want, columns[x.name])
		}
		delete(columns, x.name)
		var rows, summed int
		if err := s.read.QueryRow("SELECT count(*), count(sum) FROM "+x.name).Scan(&rows, &summed); err != nil || rows == 0 || rows != summed {
			t.Errorf("%s: found %d rows, %d with a checksum, %v", x.name, rows, summed, err)
		}
	}
	delete(columns, "common")
	if len(columns) > 0 {
		t.Errorf("tables without checksums: %v", columns)
	}
	for _, share := range []float64{1, 0.5} {
		c, err := s.Check(t.Context(), share, func(d Damage) { t.Errorf("found %v", d) })
		if err != nil || c.Rows < 150 || c.Unsummed != 0 || !c.Sound() {
			t.Errorf("found %+v, %v", c, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.Check(ctx, 1, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("found %v", err)
	}
	// By hand: beside the program, and when it has ended.
	for range 2 {
		c, err := Check(t.Context(), s.path, func(d Damage) { t.Errorf("found %v", d) })
		if err != nil || c.Rows < 150 || !c.Sound() {
			t.Errorf("found %+v, %v", c, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A row of any table that is changed in any column does not hold against its
// checksum; a check tells it, and the next start is refused.
func TestRowChanged(t *testing.T) {
	from := full(t)
	path := lay(t, from)
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"DROP TRIGGER audit_stands", "DROP TRIGGER journal_stands", "PRAGMA foreign_keys = 0", "PRAGMA ignore_check_constraints = 1"} {
		if _, err := s.write.Exec(text); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
	}
	var last []string // one row of each table, changed by itself
	for _, x := range tables {
		change := func(column string) string {
			var kind string
			if err := s.read.QueryRow(fmt.Sprintf("SELECT type FROM pragma_table_info('%s') WHERE name = '%s'", x.name, column)).Scan(&kind); err != nil {
				t.Fatal(err)
			}
			changed := map[string]string{"TEXT": "coalesce(" + column + ", '') || ' '", "INTEGER": "coalesce(" + column + ", 0) + 1", "REAL": "coalesce(" + column + ", 0) + 1",
				"BLOB": "CAST(" + column + " || 'x' AS BLOB)"}[kind]
			return fmt.Sprintf("UPDATE %[1]s SET %[2]s = %[3]s WHERE %[4]s = (SELECT max(%[4]s) FROM %[1]s)", x.name, column, changed, x.key[0])
		}
		for _, column := range x.ofSum() {
			tx, err := s.write.Begin()
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			_, err1 := tx.Exec(change(column))
			err2 := tx.QueryRow("SELECT count(*) FROM " + x.name + " WHERE " + x.damaged() + " IS NOT NULL").Scan(&n)
			if err := errors.Join(err1, err2, tx.Rollback()); err != nil || n != 1 {
				t.Errorf("%s.%s: found %d, %v", x.name, column, n, err)
			}
		}
		last = append(last, change(x.ofSum()[len(x.ofSum())-1]))
	}
	for _, text := range last {
		if _, err := s.write.Exec(text); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
	}
	rows := map[string]int{}
	c, err := s.Check(t.Context(), 1, func(d Damage) {
		for _, x := range tables {
			if strings.Contains(d.What, "row of "+x.name+" ") {
				rows[x.name]++
			}
		}
	})
	for _, x := range tables {
		if rows[x.name] != 1 {
			t.Errorf("%s: expected one damaged row, found %d", x.name, rows[x.name])
		}
	}
	if err != nil || int(c.Damaged) != len(tables) || c.Broken < 2 { // the triggers too
		t.Errorf("found %+v, %v", c, err)
	}
	_ = s.Close()
	if _, err := Open(t.Context(), path, Options{}); err == nil || !strings.Contains(err.Error(), "throwline salvage") {
		t.Errorf("found %v", err)
	}
}

// What was wrong with a row stays wrong when another part of it is written.
func TestChangedStaysTold(t *testing.T) {
	s := opened(t)
	everything(t, s)
	if _, err := s.write.Exec("UPDATE alerts SET body = body || ' ' WHERE id = 'a3'"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := s.AlertOf(t.Context(), "a3"); !errors.Is(err, errChanged) {
			t.Errorf("found %v", err)
		}
		update(t, s, func(tx *Tx) error { return tx.SaveHandling("a3", alerting.Handling{AcknowledgedAt: dawn}) })
	}
	// All of it is written anew: it is whole.
	if _, err := s.write.Exec("UPDATE receipts SET through = through + 1"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Receipts(t.Context()); !errors.Is(err, errChanged) {
		t.Errorf("found %v", err)
	}
	update(t, s, func(tx *Tx) error { return tx.SaveReceipt("cab-1", ingest.Receipt{Boot: "c", Through: 1}) })
	if _, err := s.Receipts(t.Context()); err != nil {
		t.Error(err)
	}
}

// A row that is damaged is noted beside the store, and the program goes on; the
// next start is refused, until the row is as it was. A damaged file ends it.
func TestCheckNotes(t *testing.T) {
	path := lay(t, full(t))
	var broken error
	s, err := Open(t.Context(), path, Options{Broken: func(err error) { broken = err }})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec("UPDATE work SET note = 'N'"); err != nil {
		t.Fatal(err)
	}
	c, err := s.Check(t.Context(), 1, nil)
	if err != nil || c.Damaged != 1 || c.Broken != 0 || len(c.First) != 1 || c.First[0].Turnout != "W1" || !c.First[0].At.Equal(dawn) || broken != nil {
		t.Errorf("found %+v, %v, %v", c, err, broken)
	}
	update(t, s, func(tx *Tx) error { return tx.Covered(9) })
	if l, err := Look(t.Context(), path, dawn, 1); err != nil || !strings.Contains(l.Damage, "row of work 1") || !l.Held {
		t.Errorf("found %+v, %v", l, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := Open(t.Context(), path, Options{}); err == nil || !strings.Contains(err.Error(), "row of work 1, turnout W1, of 2026-03-01T06:00:00Z") {
			t.Errorf("found %v", err)
		}
	}
	if c, err := Check(t.Context(), path, nil); err != nil || c.Damaged != 1 {
		t.Errorf("found %+v, %v", c, err)
	}
	if _, err := Verify(t.Context(), path, func([]byte) error { return nil }); err == nil || !strings.Contains(err.Error(), "row of work 1") {
		t.Errorf("found %v", err)
	}
	l, err := looker(path)
	if err == nil {
		if l.write, err = l.pool("rw", ""); err == nil {
			_, err = l.write.Exec("UPDATE work SET note = 'n'")
			err = errors.Join(err, l.write.Close(), l.read.Close())
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path + "-wal"); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("a log was left: %v", err)
	}
	if s, err = Open(t.Context(), path, Options{Broken: func(err error) { broken = err }}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if l, err := Look(t.Context(), path, dawn, 1); err != nil || l.Damage != "" {
		t.Errorf("found %+v, %v", l, err)
	}
	// A page that no start reads, and the index of which nothing here has been read.
	var page int
	if err := s.read.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'work_by_time'").Scan(&page); err != nil {
		t.Fatal(err)
	}
	flip(t, path, (page-1)*pageSize+4)
	if c, err = s.Check(t.Context(), 1, nil); c.Broken == 0 || broken == nil || s.broken.Load() == nil {
		t.Errorf("found %+v, %v, %v", c, err, broken)
	}
	if err := s.Update(t.Context(), func(*Tx) error { return nil }); err == nil {
		t.Error("written to after that")
	}
	_ = s.Close()
	if _, err := Open(t.Context(), path, Options{}); err == nil || !strings.Contains(err.Error(), "it is damaged: ") {
		t.Errorf("found %v", err)
	}
}

// However many rows are damaged, one word of it is written beside the store: the
// lock file is not touched again.
func TestCheckNotesOnce(t *testing.T) {
	path := lay(t, full(t))
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.write.Exec("UPDATE events SET sum = 1 - sum; UPDATE work SET note = 'N'"); err != nil {
		t.Fatal(err)
	}
	const untouched = "untouched" // by the store, which would write over all of it
	var first string
	c, err := s.Check(t.Context(), 1, func(d Damage) {
		if first == "" {
			first = d.String()
			if l, err := Look(t.Context(), path, dawn, 1); err != nil || l.Damage != first {
				t.Errorf("expected the note %q, found %q, %v", first, l.Damage, err)
			}
			write(t, path+".lock", []byte(untouched))
		}
	})
	if err != nil || c.Damaged < 3 {
		t.Errorf("expected several damaged rows, found %+v, %v", c, err)
	}
	if b, err := os.ReadFile(path + ".lock"); err != nil || string(b) != untouched {
		t.Errorf("the note was written again: %q, %v", b, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), path, Options{}); err == nil || !strings.Contains(err.Error(), first) {
		t.Errorf("expected a refusal for %q, found %v", first, err)
	}
}

// A text with a NUL in it is summed in Go as in a statement.
func TestSumOfNul(t *testing.T) {
	s := opened(t)
	update(t, s, func(tx *Tx) error { return tx.Audit(dawn, "a\x00b", "w", "c\x00d") })
	if c, err := s.Check(t.Context(), 1, func(d Damage) { t.Errorf("found %v", d) }); err != nil || c.Rows != 1 {
		t.Errorf("found %+v, %v", c, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	list, err := Salvage(t.Context(), s.path, filepath.Join(t.TempDir(), "saved.db"))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range list {
		if l.Left != 0 || l.Table == "audit" && l.Kept != 1 {
			t.Errorf("found %+v", l)
		}
	}
}
