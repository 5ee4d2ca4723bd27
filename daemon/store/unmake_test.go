package store

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// whatIsIn lists all that lies under a folder.
func whatIsIn(t *testing.T, folder string) (list []string) {
	t.Helper()
	if err := filepath.WalkDir(folder, func(path string, _ fs.DirEntry, err error) error {
		list = append(list, path)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return list
}

// Wherever the disk of the new store fails, or the one who asked for it ends it,
// nothing of it is left, and all that was there before is.
func TestSalvageFails(t *testing.T) {
	from := lay(t, full(t))
	nothing := filepath.Join(t.TempDir(), "text.db")
	write(t, nothing, []byte(strings.Repeat("no database ", 5000)))
	salvage := func(what, from string, fail func(n int, cancel func()) bool) (ops int, err error) {
		t.Helper()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		base := quickDir(t)
		write(t, filepath.Join(base, "other.txt"), []byte("of someone else"))
		before := whatIsIn(t, base)
		d := newDisk(t, filepath.Join(base, "a", "b"))
		d.fail = func(op diskOp) int32 {
			if ops++; fail(ops, cancel) {
				return codes[op.kind]
			}
			return 0
		}
		to := filepath.Join(d.dir, theStore)
		_, err = Salvage(ctx, from, to)
		d.fail = nil
		if err == nil {
			if c, err := Check(t.Context(), to, nil); err != nil || !c.Sound() {
				t.Errorf("%s: found %+v, %v", what, c, err)
			}
		} else if after := whatIsIn(t, base); !slices.Equal(before, after) {
			t.Errorf("%s: %v: expected %q, found %q", what, err, before, after)
		}
		return ops, err
	}
	all, err := salvage("no fault", from, func(int, func()) bool { return false })
	if err != nil {
		t.Fatal(err)
	}
	if _, err := salvage("no store", nothing, func(int, func()) bool { return false }); err == nil || !strings.Contains(err.Error(), "nothing was found") {
		t.Errorf("expected a refusal, found %v", err)
	}
	failed := 0
	for _, at := range []int{1, 2, all / 8, all / 4, all / 2, all * 3 / 4, all * 7 / 8} {
		for what, fail := range map[string]func(n int, cancel func()) bool{
			"the disk": func(n int, _ func()) bool { return n >= at },
			"he who asked": func(n int, cancel func()) bool {
				if n == at {
					cancel()
				}
				return false
			},
		} {
			if _, err := salvage(what, from, fail); err != nil {
				failed++
			}
		}
	}
	if failed < 7 {
		t.Errorf("expected most to fail, found %d", failed)
	}
}

// What is there of another store, though it be a part, is not touched.
func TestSalvageBeside(t *testing.T) {
	from := lay(t, full(t))
	for _, end := range storeEnds {
		to := filepath.Join(t.TempDir(), "saved.db")
		write(t, to+end, []byte("of someone else"))
		_, err := Salvage(t.Context(), from, to)
		b, err1 := os.ReadFile(to + end)
		if err == nil || !strings.Contains(err.Error(), "expected no file there, found "+to+end) || err1 != nil || string(b) != "of someone else" {
			t.Errorf("%q: found %v, %v, %q", end, err, err1, b)
		}
	}
	// Another process makes one there: it stays.
	s := opened(t)
	if err := errors.Join(unmake(s.path, nil), fill(s, 0, 3)); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(s.path); err != nil {
		t.Error(err)
	}
}
