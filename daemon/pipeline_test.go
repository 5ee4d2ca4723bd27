package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

func TestPipelineFilesAndThenAcknowledges(t *testing.T) {
	b := newBench(t, 256)
	b.start(t)
	list := story()
	b.send(list...)
	b.settled(t)
	for i, p := range list {
		if b.acked[p] != 1 {
			t.Errorf("parcel %d on %s: expected one acknowledgement, found %d", i, p.topic, b.acked[p])
		}
	}
	for o, want := range map[outcome]int{stored: 82, late: 1, duplicate: 1, refused: 1} {
		if got := b.sum(func(d *draft) int { return d.throws[o] }); got != want {
			t.Errorf("%s: expected %d throws, found %d", o, want, got)
		}
	}
	in := filed(t, b.store)
	if got, want := in["receipt ORR"], "{b1 84 []}"; got != want {
		t.Errorf("expected the receipt %s, found %s", want, got)
	}
	open := b.filer.yard.OpenAlerts("ORR-W2")
	if len(open) != 1 || open[0].Condition != detect.IncompleteThrow || in["alert "+open[0].ID] == "" {
		t.Errorf("expected an open alert of an incomplete throw, in the store too, found %+v", open)
	}
	aside, _, err := b.store.Quarantine(t.Context(), "", 10)
	if err != nil || len(aside) != 1 || aside[0].Turnout != "ORR-W2" || aside[0].Faults[0].Path != "channels[0].unit" {
		t.Errorf("expected one message set aside for its unit, found %+v, %v", aside, err)
	}
	r, channels, err := b.store.Throw(t.Context(), "ORR-W1~ORR-W1-42")
	if err != nil || len(channels) != 1 || len(channels[0].Samples) != 350 || !r.RailTemperature.Known || r.Rain != ingest.Known(1) {
		t.Errorf("expected 350 samples, and temperature and rain of the cabinet, found %v, %v, %v", r.RailTemperature, r.Rain, err)
	}
	if c := b.filer.yard.Cabinets(); len(c) != 1 || !c[0].Online {
		t.Errorf("expected one cabinet online, found %+v", c)
	}
}

// However the messages fall into batches, the same is filed.
func TestBatchesDoNotMatter(t *testing.T) {
	var want map[string]string
	for _, size := range []int{1, 3, 17, 256} {
		b := newBench(t, size)
		list := story()
		r := newReader(wire.DefaultLimits())
		for _, p := range list {
			r.read(p)
		}
		for batch := range slices.Chunk(list, size) {
			if err := b.settle(t.Context(), batch); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.filer.flush(t.Context(), b.ledger); err != nil {
			t.Fatal(err)
		}
		got := filed(t, b.store)
		if want == nil {
			want = got
		}
		compare(t, fmt.Sprintf("batches of %d", size), want, got)
	}
}

func compare(t *testing.T, what string, want, got map[string]string) {
	t.Helper()
	for k, v := range want {
		if got[k] != v {
			t.Errorf("%s: %s: expected\n%.300s\nfound\n%.300s", what, k, v, got[k])
		}
	}
	for k := range got {
		if want[k] == "" {
			t.Errorf("%s: expected no %s, found it", what, k)
		}
	}
}

// Whichever operation fails, the batch is tried again and nothing is filed
// twice or lost.
func TestEveryOperationMayFail(t *testing.T) {
	list := story()[60:] // enough to have one of everything
	run := func(t *testing.T, failAt int) (in map[string]string, ops int, acks int) {
		b := newBench(t, 256)
		b.flaky.fail = func(op int, _ string) error {
			if op == failAt {
				return errFlaky
			}
			return nil
		}
		r := newReader(wire.DefaultLimits())
		var batch []*parcel
		for _, p := range list {
			q := *p
			q.ack = func() { acks++ }
			r.read(&q)
			batch = append(batch, &q)
		}
		if err := b.settle(t.Context(), batch); err != nil {
			t.Fatal(err)
		}
		if b.trouble.Load() != nil {
			t.Error("expected no trouble after a commit that succeeded")
		}
		return filed(t, b.store), int(b.flaky.op.Load()), acks
	}
	want, ops, _ := run(t, 0)
	if ops < len(list) {
		t.Fatalf("expected at least an operation a parcel, found %d", ops)
	}
	for i := 1; i <= ops; i++ {
		if testing.Short() && i%7 != 1 && i != ops {
			continue
		}
		got, _, acks := run(t, i)
		if acks != len(list) {
			t.Errorf("operation %d fails: expected %d acknowledgements, found %d", i, len(list), acks)
		}
		compare(t, fmt.Sprintf("operation %d fails", i), want, got)
	}
}

// While the disk does not answer nothing is acknowledged, the log says so
// once, and everything goes on by itself.
func TestStoreAwayAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said strings.Builder
		p := &pipeline{
			batch: 16, log: slog.New(slog.NewTextHandler(&said, nil)), metrics: newMetrics(), committed: func(*draft) {},
			filer: &filer{yard: newYard(), set: detect.DefaultSettings(), most: 10},
		}
		var away atomic.Bool
		away.Store(true)
		f := &flaky{ledger: newMemory(), fail: func(int, string) error {
			if away.Load() {
				return errFlaky
			}
			return nil
		}}
		p.ledger = f
		acks := 0
		m := messageOf("ORR", invented("ORR-W1", 1, 0))
		m.ack = func() { acks++ }
		newReader(wire.DefaultLimits()).read(m)
		done := make(chan error)
		go func() { done <- p.settle(t.Context(), []*parcel{m}) }()
		time.Sleep(time.Minute)
		synctest.Wait()
		if acks != 0 || p.trouble.Load() == nil {
			t.Errorf("expected trouble and no acknowledgement, found %v and %d", p.trouble.Load(), acks)
		}
		if n := f.op.Load(); n < 12 || n > 30 {
			t.Errorf("expected an attempt every few seconds, found %d in a minute", n)
		}
		away.Store(false)
		if err := <-done; err != nil || acks != 1 || p.trouble.Load() != nil {
			t.Errorf("expected one acknowledgement and no trouble, found %d, %v, %v", acks, p.trouble.Load(), err)
		}
		if n := strings.Count(said.String(), "nothing can be committed"); n != 1 {
			t.Errorf("expected the trouble logged once, found %d times", n)
		}
		if !strings.Contains(said.String(), "commits succeed again") {
			t.Errorf("expected the end of the trouble logged, found %s", said.String())
		}
	})
}

func TestFatalFailureStopsWithoutAcknowledging(t *testing.T) {
	b := newBench(t, 256)
	broken := errors.New("the database is torn")
	b.flaky.fail = func(int, string) error { return broken }
	b.start(t)
	b.send(messageOf("ORR", invented("ORR-W1", 1, 0)))
	deadline := time.After(60 * time.Second)
	for b.trouble.Load() == nil {
		select {
		case <-deadline:
			t.Fatal("expected trouble")
		case <-time.After(time.Millisecond):
		}
	}
	b.stop()
	if !errors.Is(b.result, broken) || len(b.acked) != 0 {
		t.Errorf("expected the failure and no acknowledgement, found %v and %d", b.result, len(b.acked))
	}
}

func TestRefused(t *testing.T) {
	good := invented("ORR-W1", 1, 0)
	for name, c := range map[string]struct {
		change func(p *parcel)
		path   string
		count  bool // in the receipt
	}{
		"another turnout than the topic": {func(p *parcel) { p.turnout = "ORR-W9" }, "turnout", true},
		"not JSON":                       {func(p *parcel) { p.payload = []byte("hello") }, "", false},
		"nothing":                        {func(p *parcel) { p.payload = nil }, "", false},
		"a time of 1970":                 {func(p *parcel) { p.replace(good.StartedAt.Format(time.RFC3339), "1970-01-01T00:00:00Z") }, "started_at", true},
		"a time of 2100":                 {func(p *parcel) { p.replace(good.StartedAt.Format(time.RFC3339), "2100-01-01T00:00:00Z") }, "started_at", true},
		"a topic that names nobody": {func(p *parcel) {
			p.kind, p.cabinet, p.turnout, p.topic = aStrayTopic, "", "", "throwline/v1//throw/x y"
		}, "topic", false},
		"a wrong unit": {func(p *parcel) { p.replace(`"A"`, `"mm"`) }, "channels[0].unit", true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 256)
			p := messageOf("ORR", numbered(good, "b1", 1))
			c.change(p)
			payload := string(p.payload)
			acks := 0
			p.ack = func() { acks++ }
			newReader(wire.DefaultLimits()).read(p)
			if err := b.settle(t.Context(), []*parcel{p}); err != nil {
				t.Fatal(err)
			}
			aside, _, err := b.store.Quarantine(t.Context(), "", 10)
			if err != nil || len(aside) != 1 {
				t.Fatalf("expected one message set aside, found %d, %v", len(aside), err)
			}
			if a := aside[0]; a.Faults[0].Path != c.path || string(a.Payload) != payload || a.Topic != p.topic || acks != 1 {
				t.Errorf("expected the fault at %q, the payload whole and one acknowledgement, found %+v, %d", c.path, a.Faults, acks)
			}
			r, ok := b.filer.yard.receipt("ORR")
			if ok != c.count || ok && r.Through != 1 {
				t.Errorf("expected the receipt to count it: %v, found %+v", c.count, r)
			}
		})
	}
}

func (p *parcel) replace(old, with string) {
	p.payload = []byte(strings.Replace(string(p.payload), old, with, 1))
}

func TestTurnoutsBeyondTheLimitAreSetAside(t *testing.T) {
	b := newBench(t, 256)
	b.filer.most = 2
	var batch []*parcel
	for i, name := range []string{"W1", "W2", "W3", "W1", "W4"} {
		batch = append(batch, messageOf("ORR", numbered(invented(name, i, 0), "b", uint64(i+1))))
	}
	r := newReader(wire.DefaultLimits())
	for _, p := range batch {
		r.read(p)
	}
	if err := b.settle(t.Context(), batch); err != nil {
		t.Fatal(err)
	}
	aside, _, err := b.store.Quarantine(t.Context(), "", 10)
	if err != nil || len(aside) != 2 || !strings.Contains(aside[0].Faults[0].String(), "limits.turnouts") {
		t.Errorf("expected two messages set aside for the limit, found %+v, %v", aside, err)
	}
	if got, _ := b.filer.yard.receipt("ORR"); b.filer.yard.size() != 2 || got.Through != 5 || len(got.Missing) != 0 {
		t.Errorf("expected 2 turnouts and all 5 counted, found %d, %+v", b.filer.yard.size(), got)
	}
}

// What trips a fault of ours is set aside like what is wrong by itself.
func TestFaultOfOurs(t *testing.T) {
	b := newBench(t, 256)
	var said strings.Builder
	b.log = slog.New(slog.NewTextHandler(&said, nil))
	p := messageOf("ORR", numbered(invented("ORR-W1", 1, 0), "b", 1))
	newReader(wire.DefaultLimits()).read(p)
	p.observed.To = 0 // no end: stepping it panics
	if err := b.settle(t.Context(), []*parcel{p}); err != nil {
		t.Fatal(err)
	}
	aside, _, err := b.store.Quarantine(t.Context(), "", 10)
	if err != nil || len(aside) != 1 || !strings.Contains(said.String(), "fault of the program") {
		t.Errorf("expected it set aside and logged, found %+v, %v, %s", aside, err, said.String())
	}
	if r, _ := b.filer.yard.receipt("ORR"); r.Through != 1 {
		t.Errorf("expected it counted, found %+v", r)
	}
}

func TestAsk(t *testing.T) {
	b := newBench(t, 256)
	b.start(t)
	never := make(chan struct{})
	b.send(messageOf("ORR", invented("ORR-W1", 1, 0)))
	b.settled(t)
	w := ingest.Work{Turnout: "ORR-W1", DoneAt: firstDay.Add(time.Hour), Kind: ingest.Lubricated}
	for range 2 { // the same visit recorded twice is one
		if err := b.ask(t.Context(), never, &parcel{kind: someWork, work: &w, arrived: firstDay.Add(2 * time.Hour)}); err != nil {
			t.Fatal(err)
		}
	}
	if list, err := b.store.Work(t.Context(), "ORR-W1"); err != nil || len(list) != 1 {
		t.Errorf("expected one visit, found %+v, %v", list, err)
	}
	// A message that was set aside is refused again, then nothing is left of it.
	bad := messageOf("ORR", invented("ORR-W1", 2, 0))
	bad.replace(`"A"`, `"mm"`)
	b.send(bad)
	b.settled(t)
	again := func(change func(*parcel)) error {
		a, err := b.store.Aside(t.Context(), 1)
		if err != nil {
			a = ingest.SetAside{Payload: wire.AppendThrow(nil, invented("ORR-W1", 2, 0))}
		}
		p := messageOf("ORR", invented("ORR-W1", 2, 0))
		p.payload, p.aside = a.Payload, 1
		if change != nil {
			change(p)
		}
		newReader(wire.DefaultLimits()).read(p)
		return b.ask(t.Context(), never, p)
	}
	if err := again(nil); ingest.AsRefusal(err) == nil {
		t.Errorf("expected it refused again, found %v", err)
	}
	if a, err := b.store.Aside(t.Context(), 1); err != nil || a.Retries != 1 {
		t.Errorf("expected one retry noted, found %+v, %v", a, err)
	}
	if err := again(func(p *parcel) { p.replace(`"mm"`, `"A"`) }); err != nil {
		t.Errorf("expected it taken, found %v", err)
	}
	if _, err := b.store.Aside(t.Context(), 1); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("expected nothing left of it, found %v", err)
	}
	if err := again(nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("expected that there is none, found %v", err)
	}
	if _, _, err := b.store.Throw(t.Context(), "ORR-W1~ORR-W1-2"); err != nil {
		t.Errorf("expected the throw in the store, found %v", err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	b.stop()
	if err := b.ask(gone, never, &parcel{kind: someWork, work: &w}); !errors.Is(err, context.Canceled) {
		t.Errorf("expected the wait to end, found %v", err)
	}
	stopping := make(chan struct{})
	close(stopping)
	if err := b.ask(t.Context(), stopping, &parcel{kind: someWork, work: &w}); !errors.Is(err, errStopping) {
		t.Errorf("expected errStopping, found %v", err)
	}
}

// An alert's life never moves back in time, whatever arrives late.
func TestLateThrowsDoNotTurnTimeBack(t *testing.T) {
	b := newBench(t, 1)
	r := newReader(wire.DefaultLimits())
	for _, c := range []struct {
		n         int
		completed bool
	}{{0, true}, {2, true}, {10, true}, {4, false}, {6, true}, {12, true}, {14, true}, {16, true}} {
		th := invented("ORR-W1", c.n, 0)
		th.Completed = c.completed
		p := messageOf("ORR", th)
		r.read(p)
		if err := b.settle(t.Context(), []*parcel{p}); err != nil {
			t.Fatal(err)
		}
	}
	var last time.Time
	events := 0
	for _, d := range b.made {
		for _, e := range d.events {
			events++
			if e.At.Before(last) {
				t.Errorf("%s at %v after something at %v", e.Kind, e.At, last)
			}
			last = e.At
			if e.Alert.RaisedAt.After(e.At) || !e.Alert.ClearedAt.IsZero() && e.Alert.ClearedAt.Before(e.Alert.RaisedAt) {
				t.Errorf("expected raised before cleared, found %+v", e.Alert)
			}
		}
	}
	if events == 0 {
		t.Error("expected the late incomplete throw to be told")
	}
}

// People look while throws are filed; the race detector looks with them.
func TestLookingWhileFiling(t *testing.T) {
	b := newBench(t, 16)
	b.start(t)
	stop, looked := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for y := b.filer.yard; ; n++ {
			select {
			case <-stop:
				looked <- n
				return
			default:
			}
			for _, s := range y.Turnouts() {
				_ = y.Profile(s.Turnout, ingest.Normal, "main", ingest.MotorCurrent)
			}
			_, _, _ = y.OpenAlerts(""), y.Cabinets(), y.numbering()
		}
	}()
	for n := range 150 {
		b.send(messageOf("ORR", numbered(invented(fmt.Sprintf("W%d", n%3), n, 0), "b", uint64(n+1))))
	}
	b.settled(t)
	close(stop)
	if n := <-looked; n == 0 {
		t.Error("expected someone to look")
	}
}
