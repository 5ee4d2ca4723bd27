package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// BenchmarkIntake drains what waits at a real broker: once with a receiver that
// does nothing but acknowledge, once with the daemon, durable and synced. The
// share of the second in the first is what the program itself costs.
func BenchmarkIntake(b *testing.B) {
	const messages, turnouts = 20_000, 500
	payloads := make([][]byte, messages)
	topics := make([]string, messages)
	for i := range messages {
		t := invented(fmt.Sprintf("ORR-W%03d", i%turnouts), i/turnouts, 0)
		// Samples of a fine sensor: about 4 KB a message.
		t.Channels[0].Scale = 0.000001
		for j, s := range t.Channels[0].Samples {
			t.Channels[0].Samples[j] = s*10000 + float64(j%7919)
		}
		cabinet := fmt.Sprintf("ORR-%d", i%10)
		numbered(t, "b1", uint64(i/10+1))
		payloads[i], topics[i] = wire.AppendThrow(nil, t), "throwline/v1/"+cabinet+"/throw/"+t.Turnout
	}
	// fill has the broker hold all messages for a session that is away.
	fill := func(b *testing.B, m *mosquitto, clientID string) {
		o := mqtt.Options{Brokers: []string{m.URL()}, ClientID: clientID, Prefix: "throwline/v1"}
		s, err := mqtt.Open(b.Context(), o)
		if err != nil {
			b.Fatal(err)
		}
		eventually(b, "a session", func() bool { return s.Status().Subscribed })
		if err := s.Close(context.Background()); err != nil {
			b.Fatal(err)
		}
		c := newCabinet(b, m.URL())
		slots := make(chan struct{}, 64)
		for i := range messages {
			slots <- struct{}{}
			go func() {
				defer func() { <-slots }()
				if err := c.s.Publish(context.Background(), topics[i], false, payloads[i]); err != nil {
					b.Error(err)
				}
			}()
		}
		for range cap(slots) {
			slots <- struct{}{}
		}
	}
	b.Run("acknowledge", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			m := startMosquitto(b)
			fill(b, m, "throwline")
			b.StartTimer()
			s, err := mqtt.Open(b.Context(), mqtt.Options{Brokers: []string{m.URL()}, ClientID: "throwline", Prefix: "throwline/v1", InFlight: 1000})
			if err != nil {
				b.Fatal(err)
			}
			for range messages {
				(<-s.Messages()).Ack()
			}
			b.StopTimer()
			if err := s.Close(context.Background()); err != nil {
				b.Fatal(err)
			}
			m.Kill()
			b.StartTimer()
		}
		b.ReportMetric(float64(messages*b.N)/b.Elapsed().Seconds(), "throws/s")
	})
	b.Run("daemon", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			m := startMosquitto(b)
			fill(b, m, "throwline")
			conf := configOf(m, b.TempDir())
			b.StartTimer()
			d, err := New(b.Context(), conf, Options{Log: slog.New(slog.DiscardHandler), Now: yardTime})
			if err != nil {
				b.Fatal(err)
			}
			if err := d.Start(b.Context()); err != nil {
				b.Fatal(err)
			}
			for d.total() < messages {
				time.Sleep(time.Millisecond)
			}
			b.StopTimer()
			b.ReportMetric(mean(d.metrics.batches), "messages/commit")
			if err := d.Stop(context.Background()); err != nil {
				b.Fatal(err)
			}
			m.Kill()
			b.StartTimer()
		}
		b.ReportMetric(float64(messages*b.N)/b.Elapsed().Seconds(), "throws/s")
	})
}

// total is how many throws were taken.
func (d *Daemon) total() (n int) {
	for _, c := range d.numbering() {
		r, _ := d.receipt(c)
		n += int(r.Through)
	}
	return n
}

// mean is the mean of what a histogram observed.
func mean(h prometheus.Histogram) float64 {
	var m dto.Metric
	if err := h.Write(&m); err != nil || m.Histogram.GetSampleCount() == 0 {
		return 0
	}
	return m.Histogram.GetSampleSum() / float64(m.Histogram.GetSampleCount())
}
