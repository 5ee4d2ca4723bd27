package mqtt

import (
	"context"
	"sync"
	"testing"
	"time"

	"throwline/ingest/broker"
	"throwline/ingest/mqtt/mosquittotest"
)

// From a cabinet's publish to its acknowledgement by the session's receiver,
// with 4 KB payloads and 100 on their way, over Mosquitto and over the broker
// inside, which syncs each message.
func BenchmarkThrough(b *testing.B) {
	for _, inside := range []bool{false, true} {
		name := "mosquitto"
		if inside {
			name = "inside"
		}
		b.Run(name, func(b *testing.B) {
			address := ""
			if inside {
				in, err := broker.Start(b.Context(), broker.Options{Dir: b.TempDir(), Listen: "127.0.0.1:0"})
				if err != nil {
					b.Fatal(err)
				}
				defer in.Close()
				address = in.Addr()
			} else {
				address = mosquittotest.Start(b, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000\nset_tcp_nodelay true").URL()
			}
			s, err := Open(b.Context(), Options{Brokers: []string{address}, ClientID: "throwline"})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close(context.Background())
			for !s.Status().Subscribed {
				time.Sleep(time.Millisecond)
			}
			l, err := Connect(b.Context(), LinkOptions{Broker: address, ClientID: "cab", Forget: true})
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close()
			payload := make([]byte, 4096)
			b.SetBytes(int64(len(payload)))
			b.ReportAllocs()
			window := make(chan struct{}, 100)
			var came sync.WaitGroup
			came.Add(1)
			b.ResetTimer()
			go func() {
				defer came.Done()
				for range b.N {
					(<-s.Messages()).Ack()
				}
			}()
			for range b.N {
				window <- struct{}{}
				l.Begin("throwline/v1/cab/throw/W1", false, payload, func(err error) {
					if err != nil {
						b.Error(err)
					}
					<-window
				})
			}
			came.Wait()
			for range cap(window) {
				window <- struct{}{}
			}
		})
	}
}
