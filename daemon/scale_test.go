package daemon

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
)

// BenchmarkStart65000 starts a daemon that knows 65,000 turnouts, two
// directions each, and tells how long it took and what they take in memory.
func BenchmarkStart65000(b *testing.B) {
	const turnouts = 65_000
	dir := b.TempDir()
	s, err := store.Open(b.Context(), filepath.Join(dir, StoreName), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	blob := learnedState(b)
	for n := 0; n < turnouts; n += 1000 {
		if err := s.Update(b.Context(), func(tx *store.Tx) error {
			for i := range 1000 {
				if err := tx.SaveState(fmt.Sprintf("W%06d", n+i), "cab-1", blob); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	c := DefaultConfig()
	c.DataDir, c.MQTT.Brokers, c.HTTP.Listen = dir, []string{"tcp://127.0.0.1:1"}, "127.0.0.1:0"
	var before, after runtime.MemStats
	for b.Loop() {
		runtime.GC()
		runtime.ReadMemStats(&before)
		began := time.Now()
		d, err := New(context.Background(), c, Options{})
		if err != nil {
			b.Fatal(err)
		}
		took := time.Since(began)
		runtime.GC()
		runtime.ReadMemStats(&after)
		if n := d.yard.size(); n != turnouts {
			b.Fatalf("expected %d turnouts, found %d", turnouts, n)
		}
		b.ReportMetric(took.Seconds(), "s/start")
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/1e6, "MB-live")
		b.ReportMetric(float64(after.Sys)/1e6, "MB-sys")
		if err := d.Stop(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
}

// learnedState is the state of a turnout that has learned both directions.
func learnedState(tb testing.TB) []byte {
	set := detect.DefaultSettings()
	state := &detect.State{}
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	samples := make([]float64, 350)
	for n := range 200 {
		for i := range samples {
			x := float64(i) / 350
			samples[i] = 0.01
			if x > 0.03 && x < 0.9 {
				samples[i] = 2 + 0.3*math.Sin(7*x) + 8*math.Exp(-(x-0.03)*60) + 0.02*math.Sin(float64(17*i+n))
			}
		}
		t := &ingest.Throw{Turnout: "W1", To: ingest.Ends[n%2], StartedAt: at.Add(time.Duration(n) * time.Hour), Completed: true,
			Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 1, Samples: samples}}}
		state, _ = state.Step(detect.Measure(t), &set)
	}
	blob, err := appendCheckpoint(nil, 0, state)
	if err != nil {
		tb.Fatal(err)
	}
	return blob
}
