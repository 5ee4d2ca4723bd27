package lineside

import (
	"context"
	"testing"
)

// Numbering, encoding and spooling a throw of 350 samples, without a broker;
// in the first case each is on disk when Send returns.
func BenchmarkSend(b *testing.B) {
	for _, bb := range []struct {
		name   string
		spool  bool
		noSync bool
	}{{"synced", true, false}, {"unsynced", true, true}, {"memory", false, false}} {
		b.Run(bb.name, func(b *testing.B) {
			o := Options{Broker: "tcp://127.0.0.1:1", Cabinet: "CAB-1", NoSync: bb.noSync, Encoding: CBOR}
			if bb.spool {
				o.SpoolDir = b.TempDir()
			}
			c, err := Open(b.Context(), o)
			if err != nil {
				b.Fatal(err)
			}
			defer c.Close(context.Background())
			t := aThrow(1)
			t.Channels[0].Samples = make([]float64, 350)
			for i := range t.Channels[0].Samples {
				t.Channels[0].Samples[i] = float64(i % 200)
			}
			b.ReportAllocs()
			for b.Loop() {
				if err := c.Send(b.Context(), t); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
