package lineside

import (
	"os"
	"strings"
	"testing"
)

// A segment that the disk does not give keeps no cabinet from its start: the others
// are read, it is told and left alone, and is read again when the disk gives it.
func TestSpoolSegmentUnreadable(t *testing.T) {
	dir := t.TempDir()
	s, _, _ := open(t, dir, 1<<30)
	appendAll(t, s, 1, 101)
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
	files := spoolFiles(t, dir)
	if len(files) < 3 {
		t.Fatalf("expected several segments, found %v", files)
	}
	for _, bad := range []string{files[0], files[1], files[len(files)-1]} {
		if err := os.Rename(bad, bad+".away"); err != nil {
			t.Fatal(err)
		}
		if err := os.Mkdir(bad, 0o700); err != nil { // which can be opened, and not read
			t.Fatal(err)
		}
		s, found, damage := open(t, dir, 1<<30)
		if len(damage) != 1 || !strings.Contains(damage[0], bad) || len(found) == 0 || len(found) >= 100 {
			t.Fatalf("expected one segment told and the others read, found %v and %d records", damage, len(found))
		}
		number, where, err := s.append("T9", []byte("new"))
		if err != nil || number <= 100 {
			t.Fatalf("expected a new record of a number of its own, found %d, %v", number, err)
		}
		if got, err := s.payload(where); err != nil || string(got) != "new" {
			t.Fatalf("found %q, %v", got, err)
		}
		for _, k := range found {
			if _, err := s.payload(k.place); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.close(1); err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(bad); err != nil || !info.IsDir() {
			t.Fatalf("expected what cannot be read to be left alone: %v", err)
		}
		if err := os.Remove(bad); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(bad+".away", bad); err != nil {
			t.Fatal(err)
		}
	}
	s, found, damage := open(t, dir, 1<<30)
	if len(damage) != 0 || len(found) != 103 {
		t.Fatalf("expected all 103 records, found %d, %v", len(found), damage)
	}
	checkFound(t, s, found[:100], 1, 101)
	// What was covered releases nothing that comes after it.
	if err := s.release(found[99].number); err != nil {
		t.Fatal(err)
	}
	for _, k := range found[99:] {
		if _, err := s.payload(k.place); err != nil {
			t.Error(err)
		}
	}
	if err := s.close(found[102].number + 1); err != nil {
		t.Fatal(err)
	}
	if left := spoolFiles(t, dir); len(left) != 0 {
		t.Errorf("expected an empty spool, found %v", left)
	}
}
