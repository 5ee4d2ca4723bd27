package torture

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The broker is killed again and again while throws come, and every second time
// all that it knew is gone: sessions, what waits in them, retained receipts. The
// program subscribes anew and publishes the receipts anew, and cabinets send
// again what no receipt covers.
//
//	BROKERS=100 go test ./daemon/cmd/throwline/torture -run BrokerKilled -timeout 1h -v
func TestBrokerKilled(t *testing.T) {
	t.Parallel()
	b := benchWith(t, "", "")
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	heard := listen(t, b.broker.URL(), "TOLB-1")
	found := &shelf{b: b, known: map[int]bool{}}
	kills := atLeast("BROKERS", 2)
	pause := 2 * time.Millisecond
	if kills > 10 {
		b.patience, pause = 30*time.Minute, 20*time.Millisecond
	}
	stopped := make(chan struct{})
	var loading sync.WaitGroup
	loading.Go(func() {
		l.send(t.Context(), t, pause, func(n int) bool {
			select {
			case <-stopped:
				return n%lotSize != 0 || n == 0
			default:
				return true
			}
		})
	})
	for kill := range kills {
		if kills > 10 { // until a connection counts as good, or the pauses get as long as they can
			time.Sleep(11 * time.Second)
		}
		n := len(found.order)
		b.await("throws that are filed", func() bool { return b.number("SELECT count(*) FROM throws") > n })
		b.broker.Kill()
		if kill%2 == 1 {
			if err := os.Remove(filepath.Join(b.broker.Dir, "mosquitto.db")); err != nil && !errors.Is(err, fs.ErrNotExist) {
				t.Fatal(err)
			}
		}
		b.await("a program that is not ready without a broker", func() bool { return !b.ready() })
		found.look(heard.made(), int(l.sent.Load()))
		b.broker.Begin()
		b.awaitReady()
	}
	close(stopped)
	loading.Wait()
	b.settle(l.cab)
	b.end(syscall.SIGTERM)
	found.look(func(uint64) bool { return true }, int(l.sent.Load()))
	t.Logf("%d kills of the broker, every second with its memory; %s", kills, contents(b.whole(l, found)))
}

// A broker that stands still is silent, but not gone: its connections stand. The
// program notices by its own pings, says that it is not ready, and connects again.
//
//	STILL=long go test ./daemon/cmd/throwline/torture -run BrokerStandsStill -v
func TestBrokerStandsStill(t *testing.T) {
	t.Parallel()
	if os.Getenv("STILL") == "" {
		t.Skip("waits for the pings, which takes minutes")
	}
	b := benchWith(t, "", "")
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	heard := listen(t, b.broker.URL(), "TOLB-1")
	found := &shelf{b: b, known: map[int]bool{}}
	var loading sync.WaitGroup
	loading.Go(func() { l.send(t.Context(), t, 3*time.Millisecond, func(n int) bool { return n < lotSize }) })
	for range 2 {
		b.await("throws that are filed", func() bool { return b.number("SELECT count(*) FROM throws") > len(found.order) })
		b.broker.Suspend()
		b.await("a program that notices", func() bool { return !b.ready() })
		b.await("a cabinet that notices", func() bool { return !l.cab.Connected() })
		found.look(heard.made(), int(l.sent.Load()))
		b.broker.Resume()
		b.awaitReady()
	}
	loading.Wait()
	b.settle(l.cab)
	b.end(syscall.SIGTERM)
	found.look(func(uint64) bool { return true }, int(l.sent.Load()))
	t.Log(contents(b.whole(l, found)))
}
