package demo_test

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/daemon/demo"
	"throwline/ingest"
	"throwline/ingest/broker"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// receiver stands where the daemon does: it takes messages, looks at them,
// and gives receipts.
type receiver struct {
	t    *testing.T
	yard *demo.Yard

	mu       sync.Mutex
	throws   map[string]*ingest.Throw // by key
	count    map[string]int           // by turnout
	receipts map[string]ingest.Receipt
	due      map[string]ingest.Receipt // to be published; of run alone
	states   []ingest.CabinetState
	reports  int
	work     []ingest.Work
	newest   time.Time // start of the newest throw
}

func (r *receiver) run(ctx context.Context, s *mqtt.Session) {
	d := wire.NewDecoder(wire.DefaultLimits())
	due := time.NewTicker(100 * time.Millisecond)
	defer due.Stop()
	for {
		select {
		case m, open := <-s.Messages():
			if !open {
				return
			}
			r.take(d, m)
			m.Ack()
		case <-due.C:
			r.answer(ctx, s)
		}
	}
}

// answer publishes the receipts that have changed.
func (r *receiver) answer(ctx context.Context, s *mqtt.Session) {
	for cabinet, rec := range r.due {
		err := s.Publish(ctx, mqtt.ReceiptTopic(mqtt.DefaultPrefix, cabinet), true, wire.AppendReceipt(nil, rec, r.yard.Now()))
		if err != nil {
			if ctx.Err() == nil {
				r.t.Logf("receipt: %v (%+v)", err, s.Status())
			}
			return
		}
		delete(r.due, cabinet)
	}
}

// last returns the start of the newest throw.
func (r *receiver) last() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.newest
}

func (r *receiver) take(d *wire.Decoder, m *mqtt.Message) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.yard.Now()
	switch m.Kind {
	case mqtt.Throw:
		t, err := d.Throw(m.Payload)
		if err == nil {
			err = t.Validate(now)
		}
		if err != nil {
			r.t.Errorf("throw on %s: %v", m.Topic, err)
			return
		}
		if t.StartedAt.After(now) {
			r.t.Errorf("throw of %s began at %s, the yard's time is %s", t.Turnout, t.StartedAt, now)
		}
		if r.throws[t.Key()] == nil {
			r.throws[t.Key()] = t
			r.count[t.Turnout]++
			if t.StartedAt.After(r.newest) {
				r.newest = t.StartedAt
			}
		}
		rec := r.receipts[m.Cabinet].With(t.Boot, t.Sequence)
		r.receipts[m.Cabinet], r.due[m.Cabinet] = rec, rec
	case mqtt.State:
		st, err := d.State(m.Cabinet, m.Payload)
		if err != nil {
			r.t.Errorf("state: %v", err)
			return
		}
		r.states = append(r.states, *st)
	case mqtt.Conditions:
		if _, err := d.Conditions(m.Cabinet, m.Payload); err != nil {
			r.t.Errorf("conditions: %v", err)
		}
		r.reports++
	}
}

// TestYardRuns runs a yard over a real broker: history first, then its own
// time, with throws of all turnouts, visits, reports and cabinets.
// memoryDir is a folder in memory where there is one: the yard is tried here, and
// others' syncs hold up each of the broker's and the cabinets' on a busy disk.
func memoryDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "yard")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func TestYardRuns(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	b, err := broker.Start(t.Context(), broker.Options{Dir: memoryDir(t), Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	y := demo.NewYard(demo.Options{Seed: 2, Turnouts: 9, Start: time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)})
	r := &receiver{t: t, yard: y, throws: map[string]*ingest.Throw{}, count: map[string]int{}, receipts: map[string]ingest.Receipt{}, due: map[string]ingest.Receipt{}}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	s, err := mqtt.Open(ctx, mqtt.Options{Brokers: []string{b.Addr()}, ClientID: "receiver", InFlight: 256})
	if err != nil {
		t.Fatal(err)
	}
	received := make(chan struct{})
	go func() {
		defer close(received)
		r.run(ctx, s)
	}()
	for wait := time.Now().Add(20 * time.Second); !s.Status().Subscribed; {
		if time.Now().After(wait) {
			t.Fatal("not subscribed within 20 s")
		}
		time.Sleep(10 * time.Millisecond)
	}
	const warm = 6 // days
	ended := make(chan error, 1)
	go func() {
		ended <- y.Run(ctx, demo.RunOptions{
			Broker: b.Addr(), Prefix: mqtt.DefaultPrefix, SpoolDir: memoryDir(t), WarmUpDays: warm, DaysPerSecond: 1, Outages: 3 * time.Second,
			RecordWork: func(_ context.Context, w ingest.Work) error {
				r.mu.Lock()
				defer r.mu.Unlock()
				if err := w.Validate(y.Now()); err != nil {
					t.Errorf("work: %v", err)
				}
				if w.DoneAt.After(y.Now()) {
					t.Errorf("work done at %s, the yard's time is %s", w.DoneAt, y.Now())
				}
				r.work = append(r.work, w)
				return nil
			},
		})
	}()
	// 24 days of its own after the history: the first fault grows, fails and is mended.
	goal := time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, warm+24)
	for wait := time.Now().Add(12 * time.Minute); y.Now().Before(goal); {
		select {
		case err := <-ended:
			t.Fatalf("the yard ended: %v", err)
		case <-time.After(20 * time.Millisecond):
		}
		if time.Now().After(wait) {
			t.Fatalf("after twelve minutes the yard's time is %s", y.Now())
		}
	}
	// On a busy machine what was sent takes its time.
	for wait := time.Now().Add(5 * time.Minute); r.last().Before(goal.AddDate(0, 0, -2)); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(wait) {
			t.Fatalf("at %s in the yard's time, five minutes after %s was reached, the newest throw is of %s", y.Now(), goal, r.last())
		}
	}
	cancelled := time.Now()
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("want context.Canceled, got %v", err)
	}
	if d := time.Since(cancelled); d > 20*time.Second {
		t.Errorf("it took %s to end", d)
	}
	stop, done := context.WithTimeout(context.Background(), 30*time.Second)
	defer done()
	if err := s.Close(stop); err != nil {
		t.Error(err)
	}
	<-received

	r.mu.Lock()
	defer r.mu.Unlock()
	hydraulic := 0
	failed := 0
	for _, th := range r.throws {
		if th.Channels[0].Quantity == ingest.HydraulicPressure {
			hydraulic++
		}
		if th.Turnout == "ORR-W01" && !th.Completed {
			failed++
		}
	}
	if len(r.count) != 9 || hydraulic == 0 || hydraulic == len(r.throws) {
		t.Errorf("throws of %d turnouts, %d of %d hydraulic", len(r.count), hydraulic, len(r.throws))
	}
	for name, n := range r.count {
		if n < warm*2+24*7 {
			t.Errorf("%s: %d throws in 30 days", name, n)
		}
	}
	if failed == 0 {
		t.Error("the first fault did not make its turnout fail")
	}
	mended := false
	for _, w := range r.work {
		mended = mended || w.Turnout == "ORR-W01"
	}
	online, offline := map[string]bool{}, 0
	for _, st := range r.states {
		if st.Online {
			online[st.Cabinet] = true
		} else {
			offline++
		}
	}
	// One loses its connection, and all three say goodbye.
	if offline < 4 {
		t.Errorf("cabinets went offline %d times", offline)
	}
	for cabinet, rec := range r.receipts {
		if len(rec.Missing) > 0 {
			t.Errorf("throws of %s are missing: %v of %d", cabinet, rec.Missing, rec.Through)
		}
	}
	if len(online) != 3 || r.reports < 50 || len(r.work) == 0 {
		t.Errorf("%d cabinets, %d reports, %d visits (one to the first turnout: %v)", len(online), r.reports, len(r.work), mended)
	}
}

// TestYardNow: the clock stands at the start before Run, and that is 60 days back unless chosen.
func TestYardNow(t *testing.T) {
	start := time.Date(2026, 2, 1, 7, 30, 0, 0, time.UTC)
	y := demo.NewYard(demo.Options{Seed: 1, Turnouts: 1, Start: start})
	if now := y.Now(); !now.Equal(start.Truncate(time.Hour)) {
		t.Errorf("before it runs its time is %s, want its start", now)
	}
	y = demo.NewYard(demo.Options{Turnouts: 1})
	if ago := time.Since(y.Now()); ago < 59*24*time.Hour || ago > 61*24*time.Hour {
		t.Errorf("a yard begins 60 days ago, found %s", ago)
	}
}
