package lineside

import (
	"os"
	"testing"
)

// After a sync that failed, none is believed: the system tells it once, and takes
// for written what was not. What is there can be read, and the next start reads it.
func TestFailedSyncIsFinal(t *testing.T) {
	dir := t.TempDir()
	s, _, _ := open(t, dir, 1<<30)
	places := appendAll(t, s, 1, 3)
	out, in, err := os.Pipe() // cannot be synced
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	file := s.file
	s.file = in
	if err := s.sync(1); err == nil {
		t.Fatal("expected the sync to fail")
	}
	s.file = file
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.sync(2); err == nil {
		t.Error("expected no record to be called synced that a failed sync was to write")
	}
	if _, _, err := s.append("T", []byte("x")); err == nil {
		t.Error("expected nothing more to be taken")
	}
	if _, err := s.payload(places[1]); err != nil {
		t.Error(err)
	}
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
	s, found, _ := open(t, dir, 1<<30)
	checkFound(t, s, found, 1, 3)
	appendAll(t, s, 3, 4)
	if err := s.sync(3); err != nil {
		t.Error(err)
	}
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
}
