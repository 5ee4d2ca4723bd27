package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// longer is how often a test is done by hand: the environment's count, else few.
func longer(name string, few int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return few
}

// promise is what was said to be kept once so many operations were done.
type promise struct{ after, throws int }

// run files batches from the number on, with all that else happens to a store
// between them: the log brought into the file, retention, what is set aside,
// closing and opening. It notes what is promised, and keeps what was asked of
// the disk.
func (d *disk) run(t *testing.T, rng *rand.Rand, from, batches int) (promises []promise) {
	path := filepath.Join(d.dir, theStore)
	d.record = true
	open := func() *Store {
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.write.Exec("PRAGMA wal_autocheckpoint = 40"); err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	for n := from; n < from+8*batches; n += 8 {
		if err := s.Update(t.Context(), func(tx *Tx) error { return batch(tx, n) }); err != nil {
			t.Fatal(err)
		}
		promises = append(promises, promise{len(d.taken()), n + 8})
		var err error
		switch rng.IntN(8) {
		case 0:
			_, err = s.emptyLog(t.Context())
		case 1:
			_, err = s.Prune(t.Context(), dawn.Add(time.Duration(n/2)*time.Minute), time.Time{}, 5)
		case 2:
			if err = s.Close(); err == nil {
				s = open()
			}
		case 3: // rolled back
			_ = s.Update(t.Context(), func(tx *Tx) error {
				if err := batch(tx, n+8); err != nil {
					t.Error(err)
				}
				return os.ErrInvalid
			})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return promises
}

func promisedAt(promises []promise, ops int) (throws int) {
	for _, p := range promises {
		if p.after <= ops {
			throws = p.throws
		}
	}
	return throws
}

// The power fails at a random point of a run, and again after the start that
// follows. What was on its way to the disk has arrived in part, or not, or torn.
// All that was promised is there, nothing twice, nothing half; and what a start
// after a mere kill finds, and so promises, outlives a power cut that follows.
//
//	THROWLINE_IMAGES=5000 go test ./daemon/store -run TestPowerCut -v -timeout 2h
func TestPowerCut(t *testing.T) {
	images := longer("THROWLINE_IMAGES", 20)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 7))
	ctx := t.Context()
	found, lost, open := 0, 0, 0
	for done := 0; done < images; {
		d := newDisk(t, quickDir(t))
		promises := d.run(t, rng, 0, 30)
		ops := d.taken()
		for range min(40, images-done) {
			done++
			upTo := rng.IntN(len(ops) + 1)
			p := newPlatter()
			for i := range ops[:upTo] {
				p.do(&ops[i])
			}
			promised := promisedAt(promises, upTo)
			how := fmt.Sprintf("image %d, after operation %d of %d (%v)", done, upTo, len(ops), ops[max(0, upTo-1)])
			dir := quickDir(t)
			kill := done%3 == 0
			next := newDisk(t, dir)
			if kill { // only the process ends; the disk is as wet as it was
				p = p.killed(t, dir)
				next.record = true
			} else {
				p.cut(t, dir, rng)
			}
			s, err := Open(ctx, filepath.Join(dir, theStore), Options{})
			if err != nil {
				t.Fatalf("%s: %v", how, err)
			}
			count := soundBatches(t, s, promised, 8*30)
			if t.Failed() {
				t.Fatal(how)
			}
			found += count
			lost += count - promised
			if s.Unclean() {
				open++
			}
			if kill {
				// What can be read now is promised to cabinets: cut the power.
				after := next.taken()
				for i := range after {
					p.do(&after[i])
				}
				dry := quickDir(t)
				p.cut(t, dry, rng)
				again, err := Open(ctx, filepath.Join(dry, theStore), Options{})
				if err != nil {
					t.Fatalf("%s, killed, started, and cut: %v", how, err)
				}
				soundBatches(t, again, count, count)
				if t.Failed() {
					t.Fatal(how + ", killed, started, and cut")
				}
				if err := again.Close(); err != nil {
					t.Fatal(err)
				}
			}
			// It goes on.
			if err := s.Update(ctx, func(tx *Tx) error { return batch(tx, count) }); err != nil {
				t.Fatalf("%s: %v", how, err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			_ = os.RemoveAll(dir)
		}
	}
	t.Logf("%d images, %d throws found in them, %d more than promised, 0 lost; %d starts after an unclean stop", images, found, lost, open)
	if open == 0 || found == 0 {
		t.Error("no image was of any use")
	}
}
