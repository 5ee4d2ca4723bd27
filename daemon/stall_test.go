package daemon

import (
	"context"
	"sync/atomic"
	"testing"
	"time"
)

// held is a ledger whose commits return late once it is told so.
type held struct {
	ledger
	hold chan struct{} // closed: they go on
	now  atomic.Bool
	in   chan struct{} // has one for each that waits
}

func (l *held) Update(ctx context.Context, do func(entries) error) error {
	err := l.ledger.Update(ctx, do)
	if l.now.Load() {
		l.in <- struct{}{}
		<-l.hold
	}
	return err
}

// A program that is stopped while the disk holds up its last commit leaves what
// was learned as it is kept: the next start steps that commit's throws again.
func TestStopWhileACommitIsHeldUp(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	d, err := New(t.Context(), c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	l := &held{ledger: d.pipeline.ledger, hold: make(chan struct{}), in: make(chan struct{}, 1)}
	d.pipeline.ledger = l
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon to be ready", func() bool { return d.Ready(t.Context()) == nil })
	cab := newCabinet(t, m.URL())
	cab.await()
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "the throw", func() bool { return d.yard.size() == 1 })
	l.now.Store(true)
	cab.throw("TOLB-1", invented("TOLB-W01", 1, 0))
	<-l.in
	short, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := d.Stop(short); err == nil {
		t.Error("expected a word that something still runs")
	}
	close(l.hold)
	r := serving(t, c)
	total := 0
	for _, end := range r.Turnouts()[0].Learning {
		total += end.Total
	}
	if total != 2 {
		t.Errorf("expected a state that holds both throws, found %d", total)
	}
}
