package export_test

import (
	"context"
	"testing"
	"time"

	"throwline/daemon/export"
	"throwline/daemon/export/exporttest"
	"throwline/daemon/store"
)

// BenchmarkExport is one throw from the store to a real VictoriaMetrics on the
// same machine: read, written as a line, compressed, sent, taken, noted.
func BenchmarkExport(b *testing.B) {
	s := exporttest.VictoriaMetrics(b)
	y := newYard(b).atStart()
	y.throws(4000, "ORR-W1", "ORR-W2", "ORR-W3", "ORR-W4", "ORR-W5")
	throws := len(y.filed)
	conf := configOf(s.URL)
	conf.Batch = 5000
	b.ReportAllocs()
	b.ResetTimer()
	n := 0
	for n < b.N {
		y.atStart()
		e, err := export.New(context.Background(), y.s, conf, export.Options{Name: "influx", Enough: store.ErrEnough})
		if err != nil {
			b.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan struct{})
		go func() { e.Run(ctx); close(ended) }()
		for e.State().Throws < int64(throws) {
			time.Sleep(time.Millisecond)
		}
		cancel()
		<-ended
		if st := e.State(); st.Written != int64(lines(y)) || st.Refused != 0 {
			b.Fatalf("expected all of it written, found %+v", st)
		}
		n += throws
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "throws/s")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/throw")
}

// BenchmarkLine is one throw as a line.
func BenchmarkLine(b *testing.B) {
	y := newYard(b)
	y.throws(200, "ORR-W1")
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		r := &y.filed[i%len(y.filed)]
		b.SetBytes(int64(len(export.Line(r, "ORR"))))
		i++
	}
}
