package store

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"errors"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// crashed is a store whose program was killed after some batches: the files in
// the folder that is returned, the last of them in the log alone. merged batches
// are in the database too.
func crashed(t *testing.T, merged, batches int) (dir string) {
	t.Helper()
	s, err := Open(t.Context(), filepath.Join(quickDir(t), theStore), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for n := range batches {
		if err := s.Update(t.Context(), func(tx *Tx) error { return batch(tx, 8*n) }); err != nil {
			t.Fatal(err)
		}
		if n+1 == merged {
			if _, err := s.emptyLog(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	dir = quickDir(t)
	for _, end := range []string{"", "-wal", ".lock"} {
		b, err := os.ReadFile(s.path + end)
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, theStore+end), b)
	}
	return dir
}

// files are all in a folder but what SQLite makes anew.
func files(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if all[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// What lies there is not what was left: it is refused with words about what to
// do, twice, and nothing is changed. What is as it may be is opened.
func TestWhatLiesThere(t *testing.T) {
	left := files(t, crashed(t, 6, 12))
	for _, c := range []struct {
		what string
		do   func(t *testing.T, path string)
		want string // "": it opens, with all there
	}{
		{"a crash", func(*testing.T, string) {}, ""},
		{"no lock file", func(t *testing.T, path string) { remove(t, path+".lock") }, ""},
		{"gone", func(t *testing.T, path string) { remove(t, path) }, "expected the store that was there before"},
		{"gone with its log", func(t *testing.T, path string) { remove(t, path, path+"-wal") }, "throwline restore"},
		{"empty", func(t *testing.T, path string) { write(t, path, nil) }, "found an empty file"},
		{"empty, log and lock file gone", func(t *testing.T, path string) {
			write(t, path, nil)
			write(t, path+".lock", nil)
		}, "expected a store beside its log"},
		{"not a database", func(t *testing.T, path string) { write(t, path, bytes.Repeat([]byte("no database "), 5000)) }, "expected a SQLite database"},
		{"log gone", func(t *testing.T, path string) { remove(t, path+"-wal") }, "is gone; bring the log back"},
		{"log of another, after a good end", func(t *testing.T, path string) {
			log, err := os.ReadFile(path + "-wal")
			if err != nil {
				t.Fatal(err)
			}
			s, err := Open(t.Context(), path, Options{})
			if err == nil {
				err = s.Close()
			}
			if err != nil {
				t.Fatal(err)
			}
			write(t, path+"-wal", log)
		}, "is from elsewhere and would be played into the store"},
		{"journal of another", func(t *testing.T, path string) { write(t, path+"-journal", make([]byte, 5000)) }, "expected no rollback journal"},
		{"head of the log flipped", func(t *testing.T, path string) { flip(t, path+"-wal", 17) }, "the first bytes are no log's"},
		{"page size of the log flipped", func(t *testing.T, path string) { flip(t, path+"-wal", 9) }, "the first bytes are no log's"},
		{"half a database", func(t *testing.T, path string) { cutShort(t, path, 0.5) }, "it is cut short"},
	} {
		t.Run(c.what, func(t *testing.T) {
			dir := quickDir(t)
			for name, b := range left {
				write(t, filepath.Join(dir, name), b)
			}
			path := filepath.Join(dir, theStore)
			c.do(t, path)
			before := files(t, dir)
			for range 2 {
				s, err := Open(t.Context(), path, Options{})
				if c.want == "" {
					if err != nil {
						t.Fatal(err)
					}
					soundBatches(t, s, 8*12, 8*12)
					if err := s.Close(); err != nil {
						t.Fatal(err)
					}
					continue
				}
				if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), path) {
					t.Fatalf("expected %q, found %v", c.want, err)
				}
				if after := files(t, dir); !maps.EqualFunc(after, before, bytes.Equal) {
					t.Error("the files were changed")
				}
			}
		})
	}
}

func remove(t *testing.T, names ...string) {
	t.Helper()
	for _, n := range names {
		if err := os.Remove(n); err != nil {
			t.Fatal(err)
		}
	}
}

func change(t *testing.T, name string, do func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	write(t, name, do(b))
}

func flip(t *testing.T, name string, byteAt int) {
	t.Helper()
	change(t, name, func(b []byte) []byte { b[byteAt] ^= 1 << (byteAt % 8); return b })
}

func cutShort(t *testing.T, name string, part float64) {
	t.Helper()
	change(t, name, func(b []byte) []byte { return b[:int(part*float64(len(b)))] })
}

// A bit flips anywhere in the log. Nothing that was promised goes without a word:
// the start is refused, but where the flip is in the last transaction, which is
// what a power cut leaves too; then that one alone is gone, whole.
//
//	THROWLINE_FLIPS=5000 go test ./daemon/store -run TestFlip -v -timeout 1h
func TestFlipInLog(t *testing.T) {
	flips := longer("THROWLINE_FLIPS", 25)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 9))
	const batches = 12
	from := files(t, crashed(t, 6, batches))
	log := from[theStore+"-wal"]
	page := int(binary.BigEndian.Uint32(log[8:]))
	lastBegins, frames := 0, 0 // bytes
	for at := walHead; at+walFrame+page <= len(log) && bytes.Equal(log[at+8:at+16], log[16:24]); at += walFrame + page {
		frames = at + walFrame + page
		if binary.BigEndian.Uint32(log[at+4:]) != 0 && at+2*(walFrame+page) <= len(log) && bytes.Equal(log[frames+8:frames+16], log[16:24]) {
			lastBegins = frames
		}
	}
	refused, last := 0, 0
	for n := range flips {
		dir := quickDir(t)
		for name, b := range from {
			write(t, filepath.Join(dir, name), b)
		}
		where := rng.IntN(frames)
		change(t, filepath.Join(dir, theStore+"-wal"), func(b []byte) []byte { b[where] ^= 1 << rng.IntN(8); return b })
		s, err := Open(t.Context(), filepath.Join(dir, theStore), Options{})
		switch {
		case err == nil && where >= lastBegins:
			last++
			soundBatches(t, s, 8*(batches-1), 8*batches)
			err = s.Close()
		case err != nil && strings.Contains(err.Error(), "its log is damaged") && strings.Contains(err.Error(), "throwline restore"):
			refused++
			err = nil
		case err == nil:
			t.Errorf("flip %d at byte %d of %d went without a word", n, where, frames)
		}
		if err != nil || t.Failed() {
			t.Fatalf("flip %d at byte %d: %v", n, where, err)
		}
		_ = os.RemoveAll(dir)
	}
	t.Logf("%d flips: %d refused, %d in the last transaction", flips, refused, last)
}

// Bits flip anywhere in the database. The start is refused, or every row of every
// table reads as it did before: the flip is where no row is.
//
//	THROWLINE_FLIPS=5000 go test ./daemon/store -run TestFlip -v -timeout 1h
func TestFlipInDatabase(t *testing.T) {
	flips := longer("THROWLINE_FLIPS", 20)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 11))
	from := full(t)
	before := rowsOf(t, lay(t, from))
	size := len(from[theStore])
	refused, harmless := [2]int{}, [2]int{} // one bit; many
	for n := range flips {
		path, many := lay(t, from), n%2
		var where []int
		change(t, path, func(b []byte) []byte {
			for range 1 + many*rng.IntN(12) {
				where = append(where, rng.IntN(size))
				b[where[len(where)-1]] ^= 1 << rng.IntN(8)
			}
			return b
		})
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			refused[many]++
			if s != nil || Temporary(err) {
				t.Errorf("flip %d at %v: %v, %v", n, where, s, err)
			}
			_ = os.RemoveAll(filepath.Dir(path))
			continue
		}
		harmless[many]++
		// It goes on.
		readAll(t, s)
		if err := s.Update(t.Context(), func(tx *Tx) error { return tx.Audit(dawn, "", "flipped", "") }); err != nil {
			t.Errorf("flip %d at %v: %v", n, where, err)
		}
		if _, err := s.write.Exec("DROP TRIGGER audit_stays; DELETE FROM audit WHERE what = 'flipped'"); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Errorf("flip %d at %v: %v", n, where, err)
		}
		for table, rows := range rowsOf(t, path) {
			if !slices.Equal(rows, before[table]) {
				t.Errorf("flip %d at %v: nothing told, but of %s expected\n%s\nfound\n%s", n, where, table, strings.Join(before[table], "\n"), strings.Join(rows, "\n"))
			}
		}
		if t.Failed() {
			t.FailNow()
		}
		_ = os.RemoveAll(filepath.Dir(path))
	}
	t.Logf("of one bit: %d refused, %d where no row is; of up to 12: %d and %d", refused[0], harmless[0], refused[1], harmless[1])
}

// What is read in slices, beside the program, tells of the same rows as what a
// start reads at once: whatever changes one.
func TestFlipInSlices(t *testing.T) {
	flips := longer("THROWLINE_FLIPS", 20)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 15))
	from := full(t)
	atOnce, inSlices := 0, 0
	for n := range flips {
		path := lay(t, from)
		var where []int
		change(t, path, func(b []byte) []byte {
			for range 1 + n%2*rng.IntN(12) {
				where = append(where, rng.IntN(len(b)))
				b[where[len(where)-1]] ^= 1 << rng.IntN(8)
			}
			return b
		})
		c, err := Check(t.Context(), path, nil)
		if err != nil || c.Sound() { // another make, another version; TestFlipInDatabase
			continue
		}
		atOnce++
		l, err := looker(path)
		if err != nil {
			t.Fatal(err)
		}
		k := &checker{s: l, version: len(scripts()), view: l.slices(1), sliced: true}
		switch err := k.run(t.Context()); {
		case err != nil:
			t.Errorf("flip %d at %v: %v", n, where, err)
		case !k.c.Sound():
			inSlices++
		default:
			t.Errorf("flip %d at %v: found at once, but not in slices: %v", n, where, c.First)
		}
		_ = l.read.Close()
		_ = os.RemoveAll(filepath.Dir(path))
	}
	t.Logf("%d damaged, %d of them found in slices", atOnce, inSlices)
}

// rowsOf reads all rows of all tables without the store.
func rowsOf(t testing.TB, path string) map[string][]string {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, _ := dump(t, db, nil)
	return rows
}

// A database is cut short anywhere: the start is refused.
func TestCutShort(t *testing.T) {
	cuts := longer("THROWLINE_FLIPS", 10)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 12))
	from := full(t)
	for range cuts {
		path, at := lay(t, from), 0
		change(t, path, func(b []byte) []byte { at = rng.IntN(len(b)); return b[:at] })
		if s, err := Open(t.Context(), path, Options{}); err == nil || s != nil || Temporary(err) {
			t.Errorf("cut at %d of %d bytes: %v", at, len(from[theStore]), err)
		}
		_ = os.RemoveAll(filepath.Dir(path))
	}
}

// readAll reads what pages and exporters read.
func readAll(t *testing.T, s *Store) {
	ctx := t.Context()
	for w := range 3 {
		for n := range 96 {
			if n%8%3 != w {
				continue
			}
			th, rec := batchThrow(n/8*8, n%8)
			got, channels, err := s.Throw(ctx, rec.Key)
			if err == nil && (!sameMeasured(&got, rec) || len(channels) > 0 && !reflect.DeepEqual(channels, th.Channels)) {
				t.Errorf("throw %s was read and is another", rec.Key)
			}
		}
		_, _, _ = s.Throws(ctx, "W"+strconv.Itoa(w), time.Time{}, time.Time{}, "", 1000)
	}
	_ = s.States(ctx, func(name, _ string, state []byte) error {
		if want := []byte(strconv.Itoa(96)); state != nil && !bytes.Equal(state, want) && !bytes.Equal(state, []byte(strconv.Itoa(104))) {
			t.Errorf("state %q was read, expected %q", state, want)
		}
		return nil
	})
	_, _ = s.OpenAlerts(ctx)
	_, _ = s.Handlings(ctx)
	_, _ = s.OutboxState(ctx)
	_, _ = s.DueOutgoing(ctx, "mail", dawn.AddDate(1, 0, 0), 100)
	_, _, _ = s.EventsAfter(ctx, 0, 1000)
}

// sameMeasured compares what the checksum covers, not what has a column.
func sameMeasured(a, b *detect.Record) bool {
	return bytes.Equal(appendRecord(nil, a), appendRecord(nil, b))
}

// Damage that was noted by mistake, or mended, stands in nobody's way: the file is
// read from end to end, and opened. A restored store is as one closed well.
func TestDamageMended(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(crashed(t, 6, 12), theStore)
	lock, err := os.OpenFile(path+".lock", os.O_RDWR, 0)
	if err == nil {
		err = errors.Join(setMark(lock, markDamaged, strings.Repeat("é\n", 400)), lock.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	soundBatches(t, s, 96, 96)
	if !s.Unclean() {
		t.Error("expected that the store was not closed")
	}
	backup := filepath.Join(t.TempDir(), "backup.db")
	state := func([]byte) error { return nil }
	_, err1 := Backup(ctx, path, backup, state)
	if err := errors.Join(err1, s.Close()); err != nil {
		t.Fatal(err)
	}
	remove(t, path)
	if _, err := Open(ctx, path, Options{}); err == nil {
		t.Fatal("a store was made anew")
	}
	if _, _, err := Restore(ctx, backup, path, time.Now(), state); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if s, err = Open(ctx, path, Options{}); err != nil {
			t.Fatal(err)
		}
		soundBatches(t, s, 96, 96)
		if s.Unclean() {
			t.Error("expected that the store was closed")
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A store that cannot be opened for another reason is no less clean for it.
func TestUnclean(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "a", "b", theStore)
	for n, c := range []struct {
		do   func()
		want bool
	}{
		{func() {}, false}, // new
		{func() {}, false},
		{func() { // of a later release
			flip := func() { change(t, path, func(b []byte) []byte { b[62] ^= 3; return b }) }
			flip()
			if _, err := Open(ctx, path, Options{}); err == nil {
				t.Error("a store of the future was opened")
			}
			flip()
		}, false},
		{func() { // killed
			change(t, path+".lock", func(b []byte) []byte { copy(b, markOpening); return b })
		}, true},
		{func() {}, false},
	} {
		c.do()
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Unclean() != c.want {
			t.Errorf("%d: expected unclean %v", n, c.want)
		}
		err = s.Update(ctx, func(tx *Tx) error {
			_, err := tx.SetAside(ingest.SetAside{At: dawn, Topic: "t"})
			return err
		})
		if err := errors.Join(err, s.Close()); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path + "-wal"); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%d: a log was left: %v", n, err)
		}
	}
}
