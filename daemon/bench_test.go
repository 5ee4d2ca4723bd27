package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// errFlaky is a failure of the disk that passes.
var errFlaky = errors.New("the disk does not answer")

// flaky is a ledger whose operations fail as told.
type flaky struct {
	ledger
	fail func(op int, name string) error // op counts from 1 over all attempts
	op   atomic.Int64
}

func (f *flaky) temporary(err error) bool { return errors.Is(err, errFlaky) || f.ledger.temporary(err) }

func (f *flaky) step(name string) error {
	op := int(f.op.Add(1))
	if f.fail == nil {
		return nil
	}
	return f.fail(op, name)
}

func (f *flaky) Update(ctx context.Context, do func(entries) error) error {
	return f.ledger.Update(ctx, func(e entries) error {
		if err := do(&flakyEntries{e, f}); err != nil {
			return err
		}
		return f.step("commit")
	})
}

type flakyEntries struct {
	entries
	f *flaky
}

func (e *flakyEntries) AddThrow(r *detect.Record, t *ingest.Throw) (bool, error) {
	if err := e.f.step("throw"); err != nil {
		return false, err
	}
	return e.entries.AddThrow(r, t)
}

func (e *flakyEntries) SaveState(turnout, cabinet string, s *detect.State) error {
	return errors.Join(e.f.step("state"), e.entries.SaveState(turnout, cabinet, s))
}

func (e *flakyEntries) Transition(ev alerting.Event) error {
	return errors.Join(e.f.step("transition"), e.entries.Transition(ev))
}

func (e *flakyEntries) SaveReceipt(cabinet string, r ingest.Receipt) error {
	return errors.Join(e.f.step("receipt"), e.entries.SaveReceipt(cabinet, r))
}

func (e *flakyEntries) SaveCabinet(s ingest.CabinetState) error {
	return errors.Join(e.f.step("cabinet"), e.entries.SaveCabinet(s))
}

func (e *flakyEntries) SaveConditions(c ingest.Conditions) error {
	return errors.Join(e.f.step("conditions"), e.entries.SaveConditions(c))
}

func (e *flakyEntries) SetAside(a ingest.SetAside) (int64, error) {
	if err := e.f.step("aside"); err != nil {
		return 0, err
	}
	return e.entries.SetAside(a)
}

// bench is a pipeline over a store in a temporary folder.
type bench struct {
	*pipeline
	store  *store.Store
	flaky  *flaky
	in     chan *parcel
	cancel context.CancelFunc
	ended  chan struct{}
	result error

	mu    sync.Mutex
	made  []*draft
	acked map[*parcel]int
	sent  int
}

func newBench(t *testing.T, batch int) *bench {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), StoreName), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{store: s, in: make(chan *parcel), ended: make(chan struct{}), acked: map[*parcel]int{}}
	b.flaky = &flaky{ledger: &storeLedger{Store: s}}
	b.pipeline = &pipeline{
		ledger: b.flaky, batch: batch, requests: make(chan *parcel), log: slog.New(slog.DiscardHandler), now: time.Now, metrics: newMetrics(),
		filer: &filer{yard: newYard(), set: detect.DefaultSettings(), most: 100},
		committed: func(d *draft) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.made = append(b.made, d)
		},
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// start runs the pipeline until stop.
func (b *bench) start(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel = cancel
	b.readers = startReaders(ctx, 2, 0, wire.DefaultLimits(), &b.room)
	var g sync.WaitGroup
	g.Go(func() {
		take(ctx, b.pipeline, b.in, func(p *parcel) *parcel { return p })
		b.readers.close()
	})
	g.Go(func() { b.result = b.commit(ctx) })
	go func() { g.Wait(); close(b.ended) }()
	t.Cleanup(b.stop)
}

func (b *bench) stop() {
	b.cancel()
	<-b.ended
}

// send hands parcels in, one after the other.
func (b *bench) send(list ...*parcel) {
	for _, p := range list {
		p.ack = func() {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.acked[p]++
		}
		b.sent++
		b.in <- p
	}
}

// settled waits until all that was sent is acknowledged.
func (b *bench) settled(t *testing.T) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		b.mu.Lock()
		acked := len(b.acked)
		b.mu.Unlock()
		if acked == b.sent {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d of %d parcels are acknowledged after 20 s", acked, b.sent)
		}
		time.Sleep(time.Millisecond)
	}
}

func (b *bench) sum(of func(*draft) int) (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, d := range b.made {
		n += of(d)
	}
	return n
}

// filed is everything that the store holds, in a form that can be compared.
func filed(t *testing.T, s *store.Store) map[string]string {
	t.Helper()
	ctx := t.Context()
	out := map[string]string{}
	err := s.States(ctx, func(turnout, cabinet string, state []byte) error {
		out["state "+turnout] = fmt.Sprintf("%s %x", cabinet, state[min(8, len(state)):]) // without the throw up to which it is whole
		items, _, err := s.Throws(ctx, turnout, time.Time{}, time.Time{}, "", 1000)
		for _, r := range items {
			out["throw "+r.Key] = fmt.Sprint(r.StartedAt, r.ArrivedAt, r.Traces, r.Bands, r.RailTemperature, r.Rain, r.Supply)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	receipts, err := s.Receipts(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for c, r := range receipts {
		out["receipt "+c] = fmt.Sprint(r)
	}
	alerts, _, err := s.Alerts(ctx, alerting.Query{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range alerts {
		out["alert "+a.ID] = fmt.Sprint(a)
	}
	aside, _, err := s.Quarantine(ctx, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range aside {
		out["aside "+string(a.Payload)] = fmt.Sprint(a.Topic, a.Faults)
	}
	return out
}

// story is a bit of everything: two turnouts, conditions, a throw sent twice, a
// refused one, a late one, an incomplete one that raises an alert.
func story() (list []*parcel) {
	for n := range 40 {
		for i, name := range []string{"ORR-W1", "ORR-W2"} {
			list = append(list, messageOf("ORR", numbered(invented(name, n, 0), "b1", uint64(2*n+i+1))))
		}
		if n%10 == 9 {
			at := firstDay.Add(time.Duration(n) * 30 * time.Minute)
			list = append(list, &parcel{
				kind: someConditions, topic: "throwline/v1/ORR/conditions", cabinet: "ORR", arrived: at,
				payload: wire.AppendConditions(nil, &ingest.Conditions{Cabinet: "ORR", At: at, RailTemperature: ingest.Known(float64(n)), Rain: ingest.Known(1)}),
			})
		}
	}
	bare := invented("ORR-W1", 42, 0)
	bare.RailTemperature = ingest.Reading{} // the weather has to fill it
	wrong := messageOf("ORR", numbered(invented("ORR-W2", 43, 0), "b1", 83))
	wrong.payload = []byte(strings.Replace(string(wrong.payload), `"A"`, `"bar"`, 1))
	stuck := numbered(invented("ORR-W2", 44, 0), "b1", 84)
	stuck.Completed, stuck.Detections = false, nil
	return append(list,
		messageOf("ORR", numbered(bare, "b1", 82)),
		messageOf("ORR", numbered(invented("ORR-W1", 5, 0), "b1", 11)), // again
		wrong,
		messageOf("ORR", numbered(stuck, "b1", 84)),
		messageOf("ORR", numbered(invented("ORR-W1", 40, 0), "b1", 81)), // late
		&parcel{
			kind: aState, topic: "throwline/v1/ORR/state", cabinet: "ORR", arrived: firstDay,
			payload: []byte(`{"state":"online","at":"2026-03-01T05:00:00Z"}`),
		},
	)
}
