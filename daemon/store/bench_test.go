package store

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"throwline/detect"
	"throwline/ingest"
)

// BenchmarkUpdate files batches of 256 throws (350 samples, one trace) of about
// 128 turnouts with their states. "one yard" has just these turnouts; "network"
// takes them anywhere out of 65,000, which is what the disk likes least.
func BenchmarkUpdate(b *testing.B) {
	for _, c := range []struct {
		name     string
		turnouts int
		state    int
	}{{"one yard", 128, 2048}, {"network", 65_000, 2048}, {"network, states of 4 KB", 65_000, 4096}} {
		b.Run(c.name, func(b *testing.B) {
			s := opened(b)
			state := make([]byte, c.state)
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
			const batch = 256
			throws := make([]*ingest.Throw, batch)
			records := make([]*detect.Record, batch)
			for i := range batch {
				throws[i], records[i] = throw("W1", i)
			}
			rng := rand.New(rand.NewPCG(1, 1))
			n := 0
			b.ReportAllocs()
			for b.Loop() {
				update(b, s, func(tx *Tx) error {
					for i := range batch / 2 {
						name := names[i]
						if c.turnouts > batch {
							name = names[rng.IntN(len(names))]
						}
						for j := 2 * i; j < 2*i+2; j++ {
							n++
							records[j].Turnout, records[j].Key = name, fmt.Sprintf("%s~%08x", name, n)
							if added, err := tx.AddThrow(records[j], throws[j]); err != nil || !added {
								return fmt.Errorf("added %v: %w", added, err)
							}
						}
						if err := tx.SaveState(name, "c", state); err != nil {
							return err
						}
					}
					return nil
				})
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "throws/s")
		})
	}
}

// BenchmarkOpen65000 opens a store and reads the states of 65,000 turnouts, 4 KB each.
func BenchmarkOpen65000(b *testing.B) {
	path := filepath.Join(b.TempDir(), "throwline.db")
	s, err := Open(b.Context(), path, Options{})
	if err != nil {
		b.Fatal(err)
	}
	const turnouts = 65_000
	state := make([]byte, 4096)
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
