package torture

import (
	"context"
	"io"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// Told to stop under load, the program ends well within its own limit (with
// exit 0; past the limit it is another), keeps what it promised, and knows at
// the next start that nothing was cut off.
func TestPoliteStop(t *testing.T) {
	t.Parallel()
	b := benchWith(t, "", "")
	b.plain()
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	heard := listen(t, b.broker.URL(), "TOLB-1")
	found := &shelf{b: b, known: map[int]bool{}}
	work, quit := context.WithCancel(t.Context())
	defer quit()
	var enough atomic.Bool
	var budget atomic.Int64
	var loading sync.WaitGroup
	loading.Go(func() {
		l.send(work, t, time.Millisecond, func(n int) bool {
			for int64(n) >= budget.Load() && !enough.Load() && work.Err() == nil {
				time.Sleep(time.Millisecond)
			}
			return !enough.Load() || n%lotSize != 0
		})
	})
	for range atLeast("CYCLES", 4) {
		from := l.sent.Load()
		budget.Add(2 * throwsPerCycle)
		b.await("throws that are sent", func() bool { return l.sent.Load() > from })
		time.Sleep(time.Duration(rand.IntN(200)) * time.Millisecond)
		b.end(syscall.SIGTERM)
		found.look(heard.made(), int(l.sent.Load()))
		b.start()
		b.awaitReady()
		if clean := "throwline_unclean_start 0\n"; !strings.Contains(b.metrics(), clean) {
			t.Errorf("expected %s after a polite stop", strings.TrimSpace(clean))
		}
	}
	enough.Store(true)
	loading.Wait()
	b.settle(l.cab)
	b.end(syscall.SIGTERM)
	found.look(func(uint64) bool { return true }, int(l.sent.Load()))
	b.whole(l, found)
	if found.busy < 2 {
		t.Errorf("expected throws filed before the stops, found them at %d looks", found.busy)
	}
}

func (b *bench) metrics() string {
	b.t.Helper()
	res, err := http.Get("http://" + b.page + "/metrics")
	if err != nil {
		b.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(text)
}
