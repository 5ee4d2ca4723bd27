package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A backup of a store into which throws come is whole, and a restore is proven
// by reading it and by a program that runs on it.
func TestBackupAndRestore(t *testing.T) {
	m := startMosquitto(t)
	dir := t.TempDir()
	c := configOf(m, filepath.Join(dir, "live"))
	r := serving(t, c)
	cab := newCabinet(t, m.URL())
	cab.await()
	n := 0
	throws := func(k int) {
		for range k {
			x := invented("TOLB-W01", n, 0)
			x.Completed = n != 3
			cab.throw("TOLB-1", x)
			n++
		}
	}
	throws(40)
	eventually(t, "the throws", func() bool { return r.count(stored) == 40 })
	ended := make(chan struct{})
	go func() { defer close(ended); throws(200) }()
	to := filepath.Join(dir, "copy.db")
	found, err := Backup(t.Context(), &c, to)
	<-ended
	if err != nil || found.Throws < 40 || found.Throws > 240 || found.Traces != found.Throws || found.Turnouts != 1 || found.Alerts < 1 {
		t.Fatalf("found %+v, %v", found, err)
	}
	again, err := Verify(t.Context(), &c, to)
	if err != nil || again != found {
		t.Errorf("expected %+v, found %+v, %v", found, again, err)
	}
	if _, err := Backup(t.Context(), &c, to); err == nil || !strings.Contains(err.Error(), "expected no file there") {
		t.Errorf("found %v", err)
	}
	if _, _, err := Restore(t.Context(), &c, to, time.Now()); err == nil || !strings.Contains(err.Error(), "another process holds it") {
		t.Errorf("restored under a running program: %v", err)
	}
	eventually(t, "all throws", func() bool { return r.count(stored) == 240 })
	r.halt()
	if live, err := Verify(t.Context(), &c, ""); err != nil || live.Throws != 240 {
		t.Errorf("found %+v, %v", live, err)
	}

	kept, restored, err := Restore(t.Context(), &c, to, time.Now())
	if err != nil || restored.Throws != found.Throws || kept == "" {
		t.Fatalf("found %q, %+v, %v", kept, restored, err)
	}
	if old, err := Verify(t.Context(), &c, kept); err != nil || old.Throws != 240 {
		t.Errorf("what was there: found %+v, %v", old, err)
	}
	r = serving(t, c)
	if s, err := r.Turnout("TOLB-W01"); err != nil || s.Last.IsZero() {
		t.Errorf("found %+v, %v", s, err)
	}
	r.halt()

	// A damaged backup is not put anywhere.
	b, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	for at := len(b) / 3; at < len(b)/3+20000; at++ {
		b[at] ^= 0x5a
	}
	if err := os.WriteFile(to, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Restore(t.Context(), &c, to, time.Now()); err == nil || !strings.Contains(err.Error(), "backup") {
		t.Errorf("found %v", err)
	}
	if live, err := Verify(t.Context(), &c, ""); err != nil || live.Throws != found.Throws {
		t.Errorf("the store was touched: found %+v, %v", live, err)
	}
	if _, err := Verify(t.Context(), &c, filepath.Join(dir, "nothing.db")); err == nil {
		t.Error("verified what is not there")
	}
}

// A store that was copied as files, with its log, is restored with what stands
// in the log; and a log that lies alone where it goes is not played into it.
func TestRestoreTakesTheLog(t *testing.T) {
	m := startMosquitto(t)
	dir := t.TempDir()
	c := configOf(m, filepath.Join(dir, "live"))
	r := serving(t, c)
	cab := newCabinet(t, m.URL())
	cab.await()
	for n := range 40 {
		cab.throw("TOLB-1", invented("TOLB-W01", n, 0))
	}
	eventually(t, "the throws", func() bool { return r.count(stored) == 40 })
	copied := filepath.Join(dir, "copied.db")
	log := 0
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(c.storePath() + end)
		if err != nil {
			t.Fatal(err)
		}
		log = len(b)
		if err := os.WriteFile(copied+end, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if log == 0 {
		t.Fatal("expected a log beside the store")
	}
	to := configOf(m, filepath.Join(dir, "other"))
	if err := os.MkdirAll(to.DataDir, 0o750); err != nil {
		t.Fatal(err)
	}
	stale := []byte("a log of another store")
	if err := os.WriteFile(to.storePath()+"-wal", stale, 0o600); err != nil {
		t.Fatal(err)
	}
	kept, found, err := Restore(t.Context(), &to, copied, time.Now())
	if err != nil || found.Throws != 40 {
		t.Fatalf("found %+v, %v", found, err)
	}
	if b, err := os.ReadFile(kept + "-wal"); err != nil || string(b) != string(stale) {
		t.Errorf("expected the old log to be kept beside, found %q, %v", b, err)
	}
}
