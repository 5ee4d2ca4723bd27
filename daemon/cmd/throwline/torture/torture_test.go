// Package torture breaks the program on purpose: as a process, over a real
// broker, with cabinets that keep a ledger of what was promised.
//
//	CYCLES=500 go test ./daemon/cmd/throwline/torture -run 'TestTorture$' -timeout 3h -v
package torture

import (
	"context"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/lineside"
)

// atLeast is a count by the environment, or what CI does.
func atLeast(name string, short int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return short
}

// load sends throws of one cabinet without a pause worth the name.
type load struct {
	cab   *lineside.Cabinet
	mu    sync.Mutex
	bases []time.Time // of the lots
	sent  atomic.Int64
}

// throw makes throw n anew, as often as it is asked for.
func (l *load) throw(n int) *ingest.Throw {
	l.mu.Lock()
	defer l.mu.Unlock()
	if n/lotSize == len(l.bases) {
		l.bases = append(l.bases, time.Now())
	}
	return throwOf(n, l.bases[n/lotSize])
}

// send sends until more says that it is enough.
func (l *load) send(ctx context.Context, t *testing.T, pause time.Duration, more func(n int) bool) {
	for n := int(l.sent.Load()); more(n) && ctx.Err() == nil; n++ {
		if err := l.cab.Send(ctx, l.throw(n)); err != nil {
			if ctx.Err() == nil {
				t.Error(err)
			}
			return
		}
		l.sent.Add(1)
		time.Sleep(pause)
	}
}

// recording returns the throws in the store's order.
func (l *load) recording(order []filed, cabinet string) (list []ingest.Arrival) {
	for _, f := range order {
		t := l.throw(f.n)
		t.Cabinet = cabinet
		list = append(list, ingest.Arrival{At: f.arrived, Throw: t})
	}
	return list
}

// young reports whether a transition was told as it happened: a lot's month is
// hours old at the least, its last throws are of now.
func (l *load) young(e *alerting.Event) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	lot, err := strconv.Atoi(e.Alert.Turnout[len("TOLB") : len(e.Alert.Turnout)-len("-W0")])
	return err == nil && e.At.After(l.bases[lot].Add(-time.Hour))
}

// throwsPerCycle is the load between two kills; what a kill leaves waits for the next.
const throwsPerCycle = 200

// Under load the program, and now and then the broker, is killed at random
// points: while it files, prunes, takes a new configuration, is backed up. What a
// receipt promised is stored, nothing is stored twice, the file is sound, alerts
// are those of a replay of the same throws, and all that had to be sent has come.
func TestTorture(t *testing.T) {
	t.Parallel()
	b := benchWith(t, "", "")
	b.plain()
	cycles := atLeast("CYCLES", 6)
	if cycles > 20 {
		b.patience = 30 * time.Minute // a long run is one beside other work
	}
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	heard := listen(t, b.broker.URL(), "TOLB-1")
	found := &shelf{b: b, known: map[int]bool{}}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	work, quit := context.WithCancel(t.Context())
	defer quit()
	var enough atomic.Bool
	var budget atomic.Int64 // throws that may be sent by now: a long run is no larger for being slow
	var loading sync.WaitGroup
	// At least one whole lot, and no lot is left half sent: its end is what raises most.
	loading.Go(func() {
		l.send(work, t, time.Millisecond, func(n int) bool {
			for int64(n) >= budget.Load() && !enough.Load() && work.Err() == nil {
				time.Sleep(time.Millisecond)
			}
			return !enough.Load() || n%lotSize != 0 || n == 0
		})
	})
	aside := &meanwhile{b: b, l: l, heard: heard}
	brokers := 0
	for cycle := range cycles {
		budget.Add(throwsPerCycle)
		aside.begin(cycle)
		time.Sleep(time.Duration(rng.IntN(700)) * time.Millisecond)
		b.end(syscall.SIGKILL)
		promised, sent := heard.made(), int(l.sent.Load())
		// Only now and then: a cabinet whose broker always comes and goes waits up to a minute.
		broker := cycle%20 == 2
		if broker {
			brokers++
			b.broker.Kill()
		}
		found.look(promised, sent)
		if cycle%5 == 4 || cycle < 5 {
			b.verify()
		}
		aside.finish()
		if broker {
			b.broker.Begin()
		}
		b.start()
	}
	enough.Store(true)
	loading.Wait()
	b.settle(l.cab)
	b.end(syscall.SIGTERM)
	found.look(func(uint64) bool { return true }, int(l.sent.Load()))
	whole := b.whole(l, found)
	t.Logf("%d cycles, %d of them with throws filed between two kills, %d kills of the broker (%s); %s", cycles, found.busy, brokers, aside, contents(whole))
}

// whole holds everything that one cabinet has sent, and that is settled, against the store.
func (b *bench) whole(l *load, found *shelf) store.Contents {
	b.t.Helper()
	sent := int(l.sent.Load())
	whole := b.verify()
	if whole.Throws != sent || whole.Aside != 0 {
		b.t.Errorf("expected %d throws, each once, and nothing set aside, found %+v", sent, whole)
	}
	if n := b.number(`SELECT count(*) FROM events WHERE NOT EXISTS (SELECT 1 FROM journal WHERE journal.alert = events.alert
			AND json_extract(journal.body, '$.action') = json_extract(events.body, '$.event') AND json_extract(journal.body, '$.at') = json_extract(events.body, '$.at'))`); n != 0 {
		b.t.Errorf("expected a line of the journal for each transition, found %d without", n)
	}
	b.sameAlerts(l.recording(found.order, "TOLB-1"))
	b.sameTraces(max(sent/200, 1), func(r *detect.Record) *ingest.Throw {
		n, _ := strconv.Atoi(r.ThrowID[1:])
		return l.throw(n)
	})
	b.wholeOutbox(l.young)
	return whole
}
