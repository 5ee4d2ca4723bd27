package daemon

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// spoiled is a ledger in which what concerns one turnout goes wrong by a fault of
// the program.
type spoiled struct {
	ledger
	turnout string
	how     string
}

func (l *spoiled) Update(ctx context.Context, do func(entries) error) error {
	return l.ledger.Update(ctx, func(e entries) error { return do(&spoiledEntries{e, l}) })
}

type spoiledEntries struct {
	entries
	l *spoiled
}

func (e *spoiledEntries) AddThrow(r *detect.Record, t *ingest.Throw) (bool, error) {
	added, err := e.entries.AddThrow(r, t)
	if r.Turnout == e.l.turnout {
		switch e.l.how {
		case "an error once the throw is entered":
			return added, errors.New("the stroke has no end")
		case "a panic once the throw is entered":
			panic("the stroke has no end")
		}
	}
	return added, err
}

func (e *spoiledEntries) Transition(ev alerting.Event) error {
	if ev.Alert.Turnout == e.l.turnout && e.l.how == "an alert that cannot be encoded" {
		ev.Alert.ChangePercent = math.NaN()
	}
	return e.entries.Transition(ev)
}

func (e *spoiledEntries) SaveState(turnout, cabinet string, s *detect.State) error {
	if turnout == e.l.turnout && e.l.how == "a state that cannot be encoded" && s.Summary().Turnout != "" {
		panic("a state without form")
	}
	return e.entries.SaveState(turnout, cabinet, s)
}

// A message that cannot be filed for a fault of the program is set aside with the
// reason, nothing else is left of it, and all others are filed as if it had not come.
func TestFaultWhileFiling(t *testing.T) {
	const bad = "ORR-W7"
	batch := func(with bool) (list []*parcel) {
		seq := uint64(0)
		add := func(name string, n int, completed bool) {
			seq++
			if name == bad && !with {
				return
			}
			th := numbered(invented(name, n, 0), "b", seq)
			th.Completed = completed
			list = append(list, messageOf("ORR", th))
		}
		for n := range 30 {
			add("ORR-W1", n, n != 20)
			add("ORR-W2", n, true)
			if n%10 == 5 {
				add(bad, n, false) // which raises an alert
			}
		}
		return list
	}
	run := func(t *testing.T, how string) (b *bench, said string, acks map[string]int) {
		b = newBench(t, 256)
		var log strings.Builder
		b.log = slog.New(slog.NewTextHandler(&log, nil))
		b.ledger = &spoiled{b.ledger, bad, how}
		list := batch(how != "")
		r, acks := newReader(wire.DefaultLimits()), map[string]int{}
		for _, p := range list {
			p.ack = func() { acks[p.turnout]++ }
			r.read(p)
		}
		if err := b.settle(t.Context(), list); err != nil {
			t.Fatal(err)
		}
		return b, log.String(), acks
	}
	clean, _, _ := run(t, "")
	if err := clean.filer.flush(t.Context(), clean.ledger); err != nil {
		t.Fatal(err)
	}
	want := filed(t, clean.store)
	for _, how := range []string{"an error once the throw is entered", "a panic once the throw is entered", "an alert that cannot be encoded"} {
		t.Run(how, func(t *testing.T) {
			b, said, acks := run(t, how)
			if err := b.filer.flush(t.Context(), b.ledger); err != nil {
				t.Fatal(err)
			}
			got := filed(t, b.store)
			for k := range got {
				if strings.HasPrefix(k, "aside") {
					delete(got, k)
				}
			}
			want["receipt ORR"] = "{b 63 []}" // it is here
			compare(t, how, want, got)
			aside, _, err := b.store.Quarantine(t.Context(), "", 10)
			if err != nil || len(aside) != 3 || aside[0].Turnout != bad || !strings.Contains(aside[0].Faults[0].Found, "a fault of the program") || len(aside[0].Payload) == 0 {
				t.Errorf("expected three messages set aside whole, found %+v, %v", aside, err)
			}
			if acks["ORR-W1"] != 30 || acks["ORR-W2"] != 30 || acks[bad] != 3 {
				t.Errorf("expected each acknowledged once, found %v", acks)
			}
			if n := testutil.ToFloat64(b.metrics.faults); n != 3 || strings.Count(said, "trips a fault of the program and is set aside") != 3 {
				t.Errorf("expected three faults counted and told, found %g, %s", n, said)
			}
			if got := b.sum(func(d *draft) int { return d.throws[refused] }); got != 3 {
				t.Errorf("expected three refused, found %d", got)
			}
			// Sent through again by a program that is mended, it is filed.
			b.ledger = b.flaky
			p := messageOf("ORR", numbered(invented(bad, 5, 0), "b", 16))
			p.payload, p.aside = aside[2].Payload, aside[2].ID
			newReader(wire.DefaultLimits()).read(p)
			if err := b.settle(t.Context(), []*parcel{p}); err != nil || p.answer != nil || b.filer.yard.find(bad) == nil {
				t.Errorf("expected it filed, found %v, %v", err, p.answer)
			}
		})
	}
	t.Run("a state that cannot be encoded", func(t *testing.T) {
		b, said, acks := run(t, "a state that cannot be encoded")
		if len(acks) != 3 || b.store.AsideNow().Messages != 0 || testutil.ToFloat64(b.metrics.faults) == 0 || !strings.Contains(said, "which learns anew") {
			t.Errorf("expected all throws filed and the turnout to learn anew, found %v, %+v, %s", acks, b.store.AsideNow(), said)
		}
		if s := b.filer.yard.find(bad).state.Summary(); s.Learning[0].Total+s.Learning[1].Total != 0 {
			t.Errorf("expected a state that has seen nothing, found %+v", s)
		}
	})
}

// A message that cannot be sent through again, and what people ask for, are
// answered; the program goes on.
func TestFaultOfWhatIsAskedFor(t *testing.T) {
	b := newBench(t, 256)
	never := make(chan struct{})
	refusedOne := messageOf("ORR", invented("ORR-W7", 1, 0))
	refusedOne.replace(`"A"`, `"mm"`)
	b.start(t)
	b.send(refusedOne)
	b.settled(t)
	b.stop()
	b.ledger = &spoiled{b.ledger, "ORR-W7", "a panic once the throw is entered"}
	ctx, cancel := context.WithCancel(t.Context())
	b.readers = &readers{order: make(chan *load)} // nothing more arrives
	ended := make(chan error, 1)
	go func() { ended <- b.commit(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	for what, deed := range map[string]func(f *filer, tx entries, d *draft) (refused, err error){
		"a panic": func(*filer, entries, *draft) (refused, err error) { panic("nobody there") },
		"an error": func(_ *filer, tx entries, _ *draft) (refused, err error) {
			return nil, tx.People().SaveHandling("no such alert", alerting.Handling{})
		},
	} {
		if err := b.ask(t.Context(), never, &parcel{kind: aDeed, deed: deed}); !errors.Is(err, errFault) {
			t.Errorf("%s: expected the answer that it is a fault, found %v", what, err)
		}
	}
	p := messageOf("ORR", invented("ORR-W7", 1, 0))
	p.aside = 1
	newReader(wire.DefaultLimits()).read(p)
	if err := b.ask(t.Context(), never, p); ingest.AsRefusal(err) == nil {
		t.Errorf("expected it refused, found %v", err)
	}
	a, err := b.store.Aside(t.Context(), 1)
	if err != nil || a.Retries != 1 || !strings.Contains(a.Faults[0].Found, "a fault of the program") {
		t.Errorf("expected it still set aside for the fault, found %+v, %v", a, err)
	}
	if err := b.ask(t.Context(), never, &parcel{kind: aDeed, deed: func(*filer, entries, *draft) (refused, err error) { return fs.ErrNotExist, nil }}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("expected the program to go on, found %v", err)
	}
}

// A throw that cannot be stepped again keeps no program from its start: its turnout
// learns anew, and no other.
func TestFaultWhileRestoring(t *testing.T) {
	b := newBench(t, 64)
	r := newReader(wire.DefaultLimits())
	var batch []*parcel
	for n := range 10 {
		for _, name := range []string{"ORR-W1", "ORR-W7", "ORR-W9"} {
			batch = append(batch, messageOf("ORR", invented(name, n, 0)))
		}
	}
	for _, p := range batch {
		r.read(p)
	}
	for _, list := range [][]*parcel{batch[:3], batch[3:]} {
		if err := b.settle(t.Context(), list); err != nil {
			t.Fatal(err)
		}
	}
	tripped := 0
	set := detect.DefaultSettings()
	set.Limits = func(turnout string) detect.Limits { // which every step asks
		if turnout == "ORR-W7" {
			if tripped++; tripped == 1 {
				panic("no such turnout")
			}
		}
		return detect.Limits{}
	}
	var said strings.Builder
	d := &Daemon{store: b.store, yard: newYard(), metrics: newMetrics(), o: Options{Log: slog.New(slog.NewTextHandler(&said, nil)), Now: yardTime}}
	if err := d.restore(t.Context(), &filer{yard: d.yard, set: set}); err != nil {
		t.Fatal(err)
	}
	if tripped < 2 {
		t.Fatalf("expected throws that are stepped again, found %d", tripped)
	}
	for name, want := range map[string]int{"ORR-W1": 10, "ORR-W7": tripped - 1, "ORR-W9": 10} {
		s := d.yard.find(name).state.Summary()
		if got := s.Learning[0].Total + s.Learning[1].Total; got != want {
			t.Errorf("%s: expected %d throws in its state, found %d", name, want, got)
		}
	}
	if n := testutil.ToFloat64(d.metrics.unread); n != 1 || strings.Count(said.String(), "learns anew") != 1 {
		t.Errorf("expected one turnout told, found %g, %s", n, said.String())
	}
	if at := d.yard.find("ORR-W7").latest; at.Before(firstDay.Add(time.Hour)) {
		t.Errorf("expected its latest throw known, found %v", at)
	}
}
