package store

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/detect"
)

// A number that an exporter is past is not given again, whatever is pruned.
func TestNumbersOnlyRise(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := fill(s, 0, 20); err != nil {
		t.Fatal(err)
	}
	if err := s.SaveExportCursor(t.Context(), "x", 20, 0, [3]int64{1, 2, 3}); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Prune(t.Context(), time.Time{}, dawn.AddDate(1, 0, 0), 100); err != nil || n != 20 {
		t.Fatal(n, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(t.Context(), path, Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := fill(s, 20, 1); err != nil {
		t.Fatal(err)
	}
	var got []int64
	if err := s.ThrowsAfter(t.Context(), 20, 10, func(n int64, _ *detect.Record) error { got = append(got, n); return nil }); err != nil || len(got) != 1 || got[0] != 21 {
		t.Errorf("expected throw 21, found %v, %v", got, err)
	}
	if at, err := s.OldestAfter(t.Context(), 20); err != nil || !at.Equal(dawn.Add(20*time.Minute+3*time.Second)) {
		t.Errorf("found %v, %v", at, err)
	}
	throw, event, counts, found, err := s.ExportCursor(t.Context(), "x")
	if err != nil || !found || throw != 20 || event != 0 || counts != [3]int64{1, 2, 3} {
		t.Errorf("found %d, %d, %v, %v, %v", throw, event, counts, found, err)
	}
}

// Throws of a time come once each, in pages, with and without their traces.
func TestThrowsBetween(t *testing.T) {
	s := opened(t)
	if err := fill(s, 0, 100); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Prune(t.Context(), dawn.Add(40*time.Minute), time.Time{}, 1000); err != nil {
		t.Fatal(err)
	}
	for limit := 1; limit < 80; limit += 13 {
		seen := map[string]int{}
		var p Place
		for done, pages := false, 0; !done; pages++ {
			var err error
			n := 0
			if p, done, err = s.ThrowsBetween(t.Context(), dawn.Add(10*time.Minute), dawn.Add(90*time.Minute), p, limit, func(r *detect.Record) error {
				seen[r.Key]++
				if n++; n == 9 {
					return ErrEnough
				}
				return nil
			}); err != nil || pages > 200 {
				t.Fatal(pages, err)
			}
		}
		if len(seen) != 80 {
			t.Errorf("limit %d: expected 80 throws, found %d", limit, len(seen))
		}
		for k, n := range seen {
			if n != 1 {
				t.Errorf("limit %d: %s came %d times", limit, k, n)
			}
		}
	}
}

func TestReader(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	if _, err := OpenReader(t.Context(), path); err == nil || !strings.Contains(err.Error(), "expected a file that can be read") {
		t.Errorf("expected no store, found %v", err)
	}
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	r, err := OpenReader(t.Context(), path) // beside it
	if err != nil {
		t.Fatal(err)
	}
	if err := fill(s, 0, 3); err != nil {
		t.Fatal(err)
	}
	if throw, _, err := r.ExportEnds(t.Context()); err != nil || throw != 3 {
		t.Errorf("expected throw 3, found %d, %v", throw, err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec("PRAGMA user_version = 3"); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenReader(t.Context(), path); err == nil || !strings.Contains(err.Error(), "found 3") {
		t.Errorf("expected another version, found %v", err)
	}
}
