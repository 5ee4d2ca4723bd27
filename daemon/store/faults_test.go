package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"throwline/ingest"
)

// codes are what SQLite's layer below says of a failure.
var codes = map[string]int32{
	"open": sqlite3.SQLITE_CANTOPEN, "read": sqlite3.SQLITE_IOERR_READ, "write": sqlite3.SQLITE_IOERR_WRITE, "truncate": sqlite3.SQLITE_IOERR_TRUNCATE,
	"sync": sqlite3.SQLITE_IOERR_FSYNC, "size": sqlite3.SQLITE_IOERR_FSTAT, "delete": sqlite3.SQLITE_IOERR_DELETE, "access": sqlite3.SQLITE_IOERR_ACCESS,
	"lock": sqlite3.SQLITE_IOERR_LOCK, "shm": sqlite3.SQLITE_IOERR_SHMMAP,
}

// shift is one run of a small store under faults, as the program would run it:
// what fails for good ends it, and it is started again.
type shift struct {
	d        *disk
	s        *Store
	path     string
	promised int // throws
	tried    int
	starts   int
	forced   int          // starts after something failed that was not opening or closing
	broken   atomic.Int32 // stores that said that they failed
}

const (
	shiftBatches = 9
	shiftStarts  = 60 // at most
)

// run files all batches, and between them does what else the program does with a
// store. With restart it starts again after what cannot be tried again, once or
// twice; else it ends there. It returns what it ended with.
func (h *shift) run(t *testing.T, restart bool) error {
	ctx := t.Context()
	again := 0
	var err error
	for h.promised < 8*shiftBatches {
		if h.s == nil {
			h.starts++
			if h.s, err = Open(ctx, h.path, Options{Broken: func(error) { h.broken.Add(1) }}); err != nil {
				h.s = nil
				if !restart || h.starts > shiftStarts {
					return err
				}
				continue
			}
			// What was not promised may be there, whole.
			if err := h.s.read.QueryRow("SELECT count(*) FROM throws").Scan(&h.tried); err == nil {
				if h.tried < h.promised {
					return fmt.Errorf("lost: promised %d, found %d", h.promised, h.tried)
				}
				h.promised = h.tried
			}
		}
		err = h.step(ctx)
		switch {
		case err == nil:
			again = 0
			continue
		case Temporary(err) && again < 40:
			again++
			continue
		}
		if h.s == nil { // closing failed
			continue
		}
		if !Temporary(err) && h.s.broken.Load() != nil {
			was := h.promised
			if err := h.s.Update(ctx, func(tx *Tx) error { return batch(tx, was) }); err == nil || Temporary(err) {
				t.Errorf("a store that failed takes more: %v", err)
			}
		}
		if !restart || h.starts > shiftStarts {
			return err
		}
		h.forced++
		_ = h.s.Close() // it may fail too
		h.s = nil
	}
	return nil
}

// step does one batch and what comes after it.
func (h *shift) step(ctx context.Context) error {
	s, n := h.s, h.promised
	h.tried = max(h.tried, n+8)
	if err := s.Update(ctx, func(tx *Tx) error { return batch(tx, n) }); err != nil {
		return err
	}
	h.promised = n + 8
	switch n / 8 {
	case 2:
		_, err := s.emptyLog(ctx)
		return s.explain("empty the log", err)
	case 4:
		_, err := s.Prune(ctx, dawn.Add(20*time.Minute), time.Time{}, 100)
		return err
	case 5:
		if _, _, err := s.Throws(ctx, "W1", time.Time{}, time.Time{}, "", 10); err != nil {
			return err
		}
		_, err := s.emptyLog(ctx)
		return s.explain("empty the log", err)
	case 6:
		h.s = nil
		return s.Close()
	case 7:
		return s.Update(ctx, func(tx *Tx) error {
			id, err := tx.SetAside(ingest.SetAside{At: dawn, Topic: "t", Payload: make([]byte, 60_000)})
			return errors.Join(err, tx.DropAside(id))
		})
	}
	return nil
}

// Everything that is asked of the disk fails once, by turns: the first, the
// second, and so on until a run asks no more. Likewise everything from the first
// on, from the second on; and the disk is full for a while from the first write
// on, the second. What was said to be kept is there after the next start, what was
// not is there whole or not at all; nothing is taken after a failure; a full disk
// is got over without a start.
//
//	THROWLINE_EVERY=1 go test ./daemon/store -run TestEveryFault -v -timeout 2h
func TestEveryFault(t *testing.T) {
	every := longer("THROWLINE_EVERY", 0)
	var ways, runs, failed, refused int
	for _, how := range []string{"once", "for ever", "full for a while"} {
		total := 0
		at := func(d *disk, n int, hit *int) {
			count := 0
			d.fail = func(op diskOp) int32 {
				if how == "full for a while" {
					if op.kind != "write" {
						return 0
					}
					if count++; count >= n && count < n+25 {
						*hit++
						return sqlite3.SQLITE_FULL
					}
					return 0
				}
				if count++; count == n || count > n && how == "for ever" {
					*hit++
					return codes[op.kind]
				}
				return 0
			}
		}
		step := every
		first := 1
		for n := first; ; n += step {
			h := &shift{d: newDisk(t, quickDir(t))}
			h.path = filepath.Join(h.d.dir, theStore)
			hit := 0
			at(h.d, n, &hit)
			if total == 0 { // how many there are
				at(h.d, 1<<30, &hit)
				counted := h.d.fail
				h.d.fail = func(op diskOp) int32 {
					if how != "full for a while" || op.kind == "write" {
						total++
					}
					return counted(op)
				}
				if err := h.run(t, false); err != nil {
					t.Fatal(err)
				}
				if err := h.s.Close(); err != nil {
					t.Fatal(err)
				}
				if every == 0 {
					step = max(1, total/5)
					n = rand.IntN(step) + 1 - step
				} else {
					n = 1 - step
				}
				ways += total
				continue
			}
			ended := make(chan error, 1)
			go func() { ended <- h.run(t, how != "for ever") }()
			var err error
			select {
			case err = <-ended:
			case <-time.After(2 * time.Minute):
				t.Fatalf("%s, operation %d: hangs", how, n)
			}
			if err != nil && how != "for ever" {
				t.Fatalf("%s, operation %d: %v", how, n, err)
			}
			if how == "full for a while" && h.forced > 0 {
				t.Errorf("%s, operation %d: expected the store to go on, found %d starts", how, n, h.forced)
			}
			runs++
			if err != nil {
				failed++
			}
			refused += int(h.broken.Load())
			if h.s != nil {
				_ = h.s.Close()
			}
			h.d.fail = nil // the disk is mended
			s, err := Open(t.Context(), h.path, Options{})
			if err != nil {
				t.Fatalf("%s, operation %d, opened again: %v", how, n, err)
			}
			soundBatches(t, s, h.promised, h.tried)
			if err := s.Close(); err != nil {
				t.Errorf("%s, operation %d, closed: %v", how, n, err)
			}
			if t.Failed() {
				t.Fatalf("%s, operation %d", how, n)
			}
			if hit == 0 {
				break // it ran through before it came to this one
			}
		}
	}
	t.Logf("%d runs at %d operations, %d ended by the fault, %d stores refused more; 0 promised throws lost", runs, ways, failed, refused)
	if refused == 0 || failed == 0 {
		t.Error("no fault was met")
	}
}
