package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// pagesOfRows says of each row of a sound file, as dump prints it, in which pages
// it stands, by table; and how many pages there are.
func pagesOfRows(t *testing.T, file []byte, path string) map[string]map[string][]uint32 {
	t.Helper()
	read := func(n uint32) ([]byte, error) {
		if n == 0 || int(n)*pageSize > len(file) {
			return nil, nil
		}
		return file[int(n-1)*pageSize : int(n)*pageSize], nil
	}
	s, err := looker(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.read.Close()
	out := map[string]map[string][]uint32{}
	rows, columns := dump(t, s.read, nil)
	for table, cs := range columns {
		out[table] = map[string][]uint32{}
		var root uint32
		if err := s.read.QueryRow("SELECT rootpage FROM sqlite_schema WHERE type = 'table' AND name = ?", table).Scan(&root); err != nil {
			t.Fatal(err)
		}
		if table == "sessions" || table == "links" { // all in one page here
			for _, row := range rows[table] {
				out[table][row] = []uint32{root}
			}
			continue
		}
		byNumber := map[int64][]uint32{}
		for todo := []uint32{root}; len(todo) > 0; todo = todo[1:] {
			b, _ := read(todo[0])
			p := readBtree(todo[0], b)
			if p.flaw != "" {
				t.Fatal(p.flaw)
			}
			for _, c := range p.cells {
				if c.child != 0 {
					todo = append(todo, c.child)
					continue
				}
				in := []uint32{todo[0]}
				for n := c.spill; n != 0; {
					in = append(in, n)
					b, _ := read(n)
					n = binary.BigEndian.Uint32(b)
				}
				byNumber[c.row] = in
			}
			if p.right != 0 {
				todo = append(todo, p.right)
			}
		}
		var quoted []string
		for _, c := range cs {
			quoted = append(quoted, "quote("+c+")")
		}
		r, err := s.read.Query(fmt.Sprintf("SELECT rowid, %s FROM %s", strings.Join(quoted, " || ' ' || "), table))
		if err != nil {
			t.Fatal(err)
		}
		for r.Next() {
			var id int64
			var row string
			if err := r.Scan(&id, &row); err != nil {
				t.Fatal(err)
			}
			if out[table][row] = byNumber[id]; byNumber[id] == nil {
				t.Fatalf("%s: row %d is in no page", table, id)
			}
		}
		if err := errors.Join(r.Err(), r.Close()); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// What other rows a table's refer to: without them some cannot be kept as they were.
var refers = map[string][]string{"journal": {"alerts"}, "outbox": {"alerts"}, "attempts": {"outbox", "alerts"}, "sessions": {"accounts"}, "tokens": {"accounts"}, "links": {"accounts"}}

// Many bits flip. What is salvaged is a sound store that opens and goes on; every
// row of a page that has not changed is in it, and no row that never was; and the
// source is as it was.
//
//	THROWLINE_SALVAGES=500 go test ./daemon/store -run TestSalvage -v -timeout 1h
func TestSalvage(t *testing.T) {
	times := longer("THROWLINE_SALVAGES", 8)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 17))
	from := full(t)
	sound := lay(t, from)
	where := pagesOfRows(t, from[theStore], sound)
	kept, left, refused := int64(0), int64(0), 0
	for n := range times {
		path := lay(t, from)
		hit := map[uint32]bool{}
		flips := []int{0, 1, 5, 40, 200}[n%5]
		change(t, path, func(b []byte) []byte {
			for range flips {
				at := rng.IntN(len(b))
				b[at] ^= 1 << rng.IntN(8)
				hit[uint32(at/pageSize)+1] = true
			}
			return b
		})
		if n%10 == 7 { // the first page, with all that says where the tables are
			hit[1] = true
			change(t, path, func(b []byte) []byte { clear(b[:pageSize]); return b })
		}
		before := files(t, filepath.Dir(path))
		to := filepath.Join(quickDir(t), "saved.db")
		list, err := Salvage(t.Context(), path, to)
		if err != nil {
			t.Fatalf("%d, pages %v: %v", n, slices.Sorted(maps.Keys(hit)), err)
		}
		if !maps.EqualFunc(before, files(t, filepath.Dir(path)), bytes.Equal) {
			t.Fatal("the source was changed")
		}
		lost := map[string]int64{}
		for _, s := range list {
			kept, left = kept+s.Kept, left+s.Left
			lost[s.Table] = s.Left + s.Part + s.Made
			if flips == 0 && lost[s.Table] != 0 {
				t.Errorf("nothing was damaged, found %+v", s)
			}
		}
		after := rowsOf(t, to)
		for table, rows := range where {
			there, strange := map[string]bool{}, int64(0)
			for _, row := range after[table] {
				there[row] = true
				if _, ok := rows[row]; !ok {
					strange++
				}
			}
			if strange > lost[table] {
				t.Errorf("%d: %s has %d rows that it never had, %d told", n, table, strange, lost[table])
			}
			if slices.ContainsFunc(refers[table], func(other string) bool { return lost[other] > 0 }) {
				continue
			}
			for row, in := range rows {
				if !there[row] && !slices.ContainsFunc(in, func(p uint32) bool { return hit[p] }) {
					t.Errorf("%d, pages %v: of %s, in pages %v, this was lost: %.200s", n, slices.Sorted(maps.Keys(hit)), table, in, row)
				}
			}
		}
		s, err := Open(t.Context(), to, Options{})
		if err != nil {
			t.Fatal(err)
		}
		readAll(t, s)
		update(t, s, func(tx *Tx) error { return tx.Audit(dawn, "", "saved", "") })
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if s, err := Open(t.Context(), path, Options{}); err != nil {
			refused++
		} else if err := s.Close(); err != nil {
			t.Error(err)
		}
		if t.Failed() {
			t.FailNow()
		}
		_ = os.RemoveAll(filepath.Dir(path))
		_ = os.RemoveAll(filepath.Dir(to))
	}
	t.Logf("%d stores, %d of them refused: %d rows kept, %d left out", times, refused, kept, left)
}

// What stands in the log alone is taken too, and a store of before there were
// checksums; what is held, or there already, is refused.
func TestSalvageWhat(t *testing.T) {
	path := filepath.Join(crashed(t, 6, 12), theStore)
	to := filepath.Join(t.TempDir(), "a", "saved.db")
	list, err := Salvage(t.Context(), path, to)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range list {
		if s.Left+s.Part+s.Made > 0 || s.Table == "throws" && s.Kept != 96 {
			t.Errorf("found %+v", s)
		}
	}
	s, err := Open(t.Context(), to, Options{})
	if err != nil {
		t.Fatal(err)
	}
	soundBatches(t, s, 96, 96)
	_, err1 := Salvage(t.Context(), to, filepath.Join(t.TempDir(), "x.db"))
	_, err2 := Salvage(t.Context(), path, to)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err3 := Salvage(t.Context(), filepath.Join(t.TempDir(), "none.db"), filepath.Join(t.TempDir(), "x.db"))
	text := filepath.Join(t.TempDir(), "text.db")
	write(t, text, []byte(strings.Repeat("no database ", 5000)))
	_, err4 := Salvage(t.Context(), text, filepath.Join(t.TempDir(), "x.db"))
	for want, err := range map[string]error{"a process holds it": err1, "expected no file there": err2, "no such file": err3, "nothing was found": err4} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("expected %q, found %v", want, err)
		}
	}
	old := filepath.Join(quickDir(t), theStore)
	oldStore(t, old, 10)
	before := rowsOf(t, old)
	to = filepath.Join(quickDir(t), "saved.db")
	if _, err := Salvage(t.Context(), old, to); err != nil {
		t.Fatal(err)
	}
	for table, rows := range rowsOf(t, to) {
		if table != "checks" && len(rows) != len(before[table]) {
			t.Errorf("%s: expected %d rows, found %d", table, len(before[table]), len(rows))
		}
	}
}

// A number that was given is not given again though its row is gone, not even
// where nothing but an exporter's place tells that it was.
func TestSalvageNumbers(t *testing.T) {
	numbers := func(s *Store) map[string]int64 {
		out := map[string]int64{}
		if err := s.each(t.Context(), func(r row) error {
			var name string
			var n int64
			err := r.Scan(&name, &n)
			out[name] = n
			return err
		}, "SELECT name, seq FROM sqlite_sequence"); err != nil {
			t.Fatal(err)
		}
		return out
	}
	for _, gone := range []string{"", "DELETE FROM sqlite_sequence"} {
		s := opened(t)
		everything(t, s)
		want := numbers(s)
		if err := s.SaveExportCursor(t.Context(), "x", 1, want["events"], [3]int64{}); err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{"DELETE FROM attempts", "DELETE FROM outbox", "DELETE FROM events WHERE seq > 1", "DELETE FROM aside", gone} {
			if _, err := s.write.Exec(text); err != nil {
				t.Fatal(err)
			}
		}
		if gone != "" {
			want = map[string]int64{"events": want["events"]}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(t.TempDir(), "saved.db")
		if _, err := Salvage(t.Context(), s.path, to); err != nil {
			t.Fatal(err)
		}
		saved, err := Open(t.Context(), to, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for name, n := range want {
			if got := numbers(saved)[name]; n == 0 || got != n {
				t.Errorf("%q: %s: expected the highest number to be %d, found %d", gone, name, n, got)
			}
		}
		if err := saved.Close(); err != nil {
			t.Error(err)
		}
	}
}
