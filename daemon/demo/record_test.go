package demo_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"throwline/daemon/demo"
	"throwline/ingest/wire"
)

// TestRecordFile writes a recording and its truth where YARD_RECORD says, for
// work by hand; YARD_SEED, YARD_TURNOUTS and YARD_DAYS choose what.
func TestRecordFile(t *testing.T) {
	name := os.Getenv("YARD_RECORD")
	if name == "" {
		t.Skip("YARD_RECORD names no file")
	}
	number := func(key string, otherwise int) int {
		if n, err := strconv.Atoi(os.Getenv(key)); err == nil {
			return n
		}
		return otherwise
	}
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	w, err := wire.NewRecordingWriter(f, filepath.Base(name))
	if err != nil {
		t.Fatal(err)
	}
	var truth bytes.Buffer
	err = demo.Record(t.Context(), w, &truth, demo.RecordOptions{
		Seed: uint64(number("YARD_SEED", 1)), Turnouts: number("YARD_TURNOUTS", 20), Days: number("YARD_DAYS", 90),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name+".truth", truth.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
