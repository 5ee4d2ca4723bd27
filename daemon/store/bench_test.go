package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"throwline/detect"
	"throwline/ingest"
)

// stateSize is what the state of a turnout takes, in bytes, that has learned
// both directions of one drive.
const stateSize = 6156

// BenchmarkUpdate files batches of throws (350 samples, one trace), two of a
// turnout, with the turnouts' states. "one yard" has just these turnouts; "network"
// takes them anywhere out of 65,000, which is what the disk likes least.
func BenchmarkUpdate(b *testing.B) {
	for _, c := range []struct {
		name     string
		turnouts int
		batch    int
	}{{"one yard", 128, 256}, {"network", 65_000, 256}, {"network, batches of 8", 65_000, 8}} {
		b.Run(c.name, func(b *testing.B) {
			s := opened(b)
			state := make([]byte, stateSize)
			for i := range state {
				state[i] = byte(rand.Uint32())
			}
			names := make([]string, c.turnouts)
			for i := range names {
				names[i] = fmt.Sprintf("W%05d", i)
			}
			for i := 0; i < len(names); i += 1000 {
				update(b, s, func(tx *Tx) error {
					for _, name := range names[i:min(i+1000, len(names))] {
						if err := tx.SaveState(name, "c", state); err != nil {
							return err
						}
					}
					return nil
				})
			}
			batch := c.batch
			throws := make([]*ingest.Throw, batch)
			records := make([]*detect.Record, batch)
			for i := range batch {
				throws[i], records[i] = throw("W1", i)
			}
			rng := rand.New(rand.NewPCG(1, 1))
			n := 0
			b.ReportAllocs()
			before := written(b)
			for b.Loop() {
				update(b, s, func(tx *Tx) error {
					for i := range batch / 2 {
						name := names[i]
						if c.turnouts > 128 {
							name = names[rng.IntN(len(names))]
						}
						for j := 2 * i; j < 2*i+2; j++ {
							n++
							records[j].Turnout, records[j].Key = name, fmt.Sprintf("%s~%08x", name, n)
							if added, err := tx.AddThrow(records[j], throws[j]); err != nil || !added {
								return fmt.Errorf("added %v: %w", added, err)
							}
						}
						// SQLite writes no page whose bytes stay as they are; a state never does.
						for j := 0; j < len(state); j += 128 {
							binary.LittleEndian.PutUint32(state[j:], uint32(n))
						}
						if err := tx.SaveState(name, "c", state); err != nil {
							return err
						}
					}
					return nil
				})
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "throws/s")
			b.ReportMetric(float64(written(b)-before)/1e3/float64(n), "KB-written/throw")
		})
	}
}

// written is how many bytes this process has handed to the system to write.
func written(b *testing.B) (n int64) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Skip(err)
	}
	if _, after, ok := strings.Cut(string(text), "wchar: "); ok {
		_, err = fmt.Sscan(after, &n)
	}
	if err != nil || n == 0 {
		b.Skipf("expected wchar in %q: %v", text, err)
	}
	return n
}

// BenchmarkOpen65000 opens a store and reads the states of 65,000 turnouts.
func BenchmarkOpen65000(b *testing.B) {
	path := filepath.Join(b.TempDir(), "throwline.db")
	s, err := Open(b.Context(), path, Options{})
	if err != nil {
		b.Fatal(err)
	}
	const turnouts = 65_000
	state := make([]byte, stateSize)
	for i := 0; i < turnouts; i += 1000 {
		update(b, s, func(tx *Tx) error {
			for j := range 1000 {
				if err := tx.SaveState(fmt.Sprintf("W%05d", (i+j)*37%turnouts), "c", state); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, err := Open(b.Context(), path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		if err := s.States(b.Context(), func(string, string, []byte) error { n++; return nil }); err != nil || n != turnouts {
			b.Fatalf("found %d states, %v", n, err)
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/open")
}

// BenchmarkCheck reads a store of throws with their traces from end to end, as a
// start does and as it is done beside the program, but without the rests.
func BenchmarkCheck(b *testing.B) {
	s := opened(b)
	if err := fill(s, 0, 30_000); err != nil {
		b.Fatal(err)
	}
	if _, err := s.emptyLog(b.Context()); err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name string
		run  func() (Checked, error)
	}{
		{"at a start", func() (c Checked, err error) {
			l, err := looker(s.path)
			if err != nil {
				return c, err
			}
			defer l.read.Close()
			k := &checker{s: l, version: len(scripts())}
			err = l.atOnce(b.Context(), func(view func(context.Context, func(*sql.Tx) error) error) error {
				k.view = view
				return k.run(b.Context())
			})
			return k.c, err
		}},
		{"in slices", func() (Checked, error) { return s.Check(b.Context(), 1, nil) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(s.Size())
			for b.Loop() {
				if found, err := c.run(); err != nil || !found.Sound() || found.Rows < 30_000 {
					b.Fatalf("found %+v, %v", found, err)
				}
			}
		})
	}
}

// BenchmarkBeside files batches of 64 throws into a store that holds some, alone and while
// it is checked over and over with the share of a processor that the program gives to that.
func BenchmarkBeside(b *testing.B) {
	for _, name := range []string{"alone", "checked"} {
		b.Run(name, func(b *testing.B) {
			s := opened(b)
			if err := fill(s, 0, 30_000); err != nil {
				b.Fatal(err)
			}
			throws, records := make([]*ingest.Throw, 64), make([]*detect.Record, 64)
			for i := range throws {
				throws[i], records[i] = throw("W1", i)
			}
			ctx, cancel := context.WithCancel(b.Context())
			var checking sync.WaitGroup
			if name == "checked" {
				checking.Go(func() {
					for ctx.Err() == nil {
						if _, err := s.Check(ctx, CheckShare, nil); err != nil && ctx.Err() == nil {
							b.Error(err)
						}
					}
				})
			}
			n := 30_000
			for b.Loop() {
				update(b, s, func(tx *Tx) error {
					for i := range throws {
						n++
						records[i].Key = fmt.Sprintf("W1~%08x", n)
						if _, err := tx.AddThrow(records[i], throws[i]); err != nil {
							return err
						}
					}
					return nil
				})
			}
			b.ReportMetric(float64(n-30_000)/b.Elapsed().Seconds(), "throws/s")
			cancel()
			checking.Wait()
		})
	}
}
