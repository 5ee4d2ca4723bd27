package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"time"
)

// loadSize is how many messages are read together, at most: few, so that the
// readers share a short queue evenly.
const loadSize = 16

// loadBytes is beyond how many bytes no more messages are read together.
const loadBytes = 4 << 20

// Waits between attempts to commit.
const (
	leastWait = 100 * time.Millisecond
	mostWait  = 5 * time.Second
)

// pipeline takes parcels from where they arrive to the ledger: read side by
// side, filed in the order of arrival, committed in batches, and only then
// acknowledged and told.
//
//	take ──▶ readers ──▶ order ──▶ commit ──▶ yard, acknowledgement, committed
//	                    requests ─┘
type pipeline struct {
	ledger   ledger
	filer    *filer
	batch    int // parcels, at most, but for what one load brings
	readers  *readers
	requests chan *parcel // read already; asked for by people
	log      *slog.Logger
	now      func() time.Time
	metrics  *metrics
	// committed is told what every batch made, after the yard has it and
	// before the next batch. It must not wait for anything.
	committed func(*draft)

	room    room
	inside  atomic.Int64            // parcels taken and not yet acknowledged
	trouble atomic.Pointer[trouble] // why nothing can be committed now; nil: it can
}

// trouble is a failure that goes on.
type trouble struct {
	err   error
	since time.Time
}

// take hands messages to the readers until the channel is closed or the
// context ends. wrap makes a parcel of a message.
func take[M any](ctx context.Context, p *pipeline, messages <-chan M, wrap func(M) *parcel) {
	for {
		if !p.room.wait(ctx, nil) {
			return
		}
		l := &load{read: make(chan struct{}), needed: make(chan struct{})}
		select {
		case <-ctx.Done():
			return
		case m, ok := <-messages:
			if !ok {
				return
			}
			l.parcels = append(make([]*parcel, 0, loadSize), wrap(m))
		}
		p.room.count(l.parcels[0])
		open, bytes := true, l.parcels[0].counted
	more:
		for len(l.parcels) < loadSize && bytes < loadBytes {
			select {
			case m, ok := <-messages:
				if !ok {
					open = false
					break more
				}
				next := wrap(m)
				p.room.count(next)
				bytes += next.counted
				l.parcels = append(l.parcels, next)
			default:
				break more
			}
		}
		p.inside.Add(int64(len(l.parcels)))
		if !p.readers.put(ctx, l) || !open {
			return
		}
	}
}

// commit files what comes, until the context ends or no more can come. The
// batch in hand is finished. An error is one that nothing but a restart can mend.
func (p *pipeline) commit(ctx context.Context) error {
	var held *load
	var batch []*parcel
	add := func(l *load) bool {
		close(l.needed)
		select {
		case <-l.read:
			batch = append(batch, l.parcels...)
			return true
		case <-ctx.Done():
			return false
		}
	}
	for {
		clear(batch)
		batch = batch[:0]
		switch {
		case ctx.Err() != nil:
			return nil
		case held != nil:
			if !add(held) {
				return nil
			}
			held = nil
		default:
			select {
			case <-ctx.Done():
				return nil
			case r := <-p.requests:
				batch = append(batch, r)
			case l, ok := <-p.readers.order:
				if !ok || !add(l) {
					return nil
				}
			}
		}
	more: // what is there already shares the transaction; nothing is waited for
		for len(batch) < p.batch {
			select {
			case r := <-p.requests:
				batch = append(batch, r)
			case l, ok := <-p.readers.order:
				if !ok {
					break more
				}
				select {
				case <-l.read:
					batch = append(batch, l.parcels...)
				default:
					held = l
					break more
				}
			default:
				break more
			}
		}
		if err := p.settle(ctx, batch); err != nil {
			return err
		}
	}
}

// settle commits a batch, however often that has to be tried, and then lets
// everyone know. If the context ends before it is committed, nothing is
// acknowledged: it comes again.
func (p *pipeline) settle(ctx context.Context, batch []*parcel) error {
	wait := leastWait
	for {
		start := time.Now()
		var d *draft
		// A commit that has begun is finished: the context's end is no reason
		// to leave it undone.
		err := p.ledger.Update(context.WithoutCancel(ctx), func(e entries) (err error) {
			d, err = p.filer.file(e, batch)
			return err
		})
		if err == nil {
			p.metrics.commit(time.Since(start), len(batch), d)
			p.clear()
			p.tell(batch, d)
			return nil
		}
		if i := p.blamed(batch, err); i >= 0 {
			if i > 0 { // those before it are filed without it, once
				if err := p.settle(ctx, batch[:i]); err != nil {
					p.giveUp(batch[i:], err)
					return err
				}
				batch = batch[i:]
			}
			if ctx.Err() != nil {
				p.giveUp(batch, ctx.Err())
				return nil
			}
			continue
		}
		if !p.ledger.temporary(err) {
			p.fail(err)
			p.giveUp(batch, err)
			return fmt.Errorf("commit a batch of %d messages: %w", len(batch), err)
		}
		p.fail(err)
		p.metrics.retries.Inc()
		select {
		case <-ctx.Done():
			p.giveUp(batch, err)
			return nil
		case <-time.After(wait/2 + rand.N(wait/2+1)):
		}
		wait = min(2*wait, mostWait)
	}
}

// blamed returns which parcel of a batch is to blame that it could not be filed, and
// has it set aside when it is filed again; -1: none is. One that cannot even be set
// aside is not blamed twice.
func (p *pipeline) blamed(batch []*parcel, err error) int {
	var of *parcelError
	if !errors.As(err, &of) || of.p.faulty != nil || !of.panicked && (p.ledger.temporary(err) || !p.ledger.ours(of.err)) {
		return -1
	}
	of.p.fail(of.err)
	return slices.Index(batch, of.p)
}

// tell makes what was committed what is known, acknowledges, and answers.
func (p *pipeline) tell(batch []*parcel, d *draft) {
	p.filer.yard.take(d)
	p.filer.untold = false
	for _, do := range d.after {
		do()
	}
	for _, err := range d.faults {
		p.metrics.faults.Inc()
		p.log.Error("a fault of the program", "error", err)
	}
	taken := int64(0)
	for _, m := range batch {
		if m.faulty != nil {
			p.metrics.faults.Inc()
			what := "a message trips a fault of the program and is set aside"
			if m.done != nil {
				what = "what was asked for trips a fault of the program and is not done"
			}
			p.log.Error(what, "topic", m.topic, "turnout", m.turnout, "error", m.faulty)
		}
		if m.ack != nil {
			m.ack()
		}
		if m.done != nil {
			m.done <- m.answer
		} else {
			taken++
		}
	}
	p.inside.Add(-taken)
	p.room.free(batch)
	p.committed(d)
}

// giveUp answers those who wait for a batch that will not be committed.
func (p *pipeline) giveUp(batch []*parcel, err error) {
	for _, m := range batch {
		if m.done != nil {
			m.done <- fmt.Errorf("not filed: %w", err)
		}
	}
}

// fail notes a failure to commit; one that stays the same is logged once.
func (p *pipeline) fail(err error) {
	now := p.trouble.Load()
	if now != nil && now.err.Error() == err.Error() {
		return
	}
	t := &trouble{err, time.Now()}
	if now != nil {
		t.since = now.since
	}
	p.log.Error("nothing can be committed; messages wait unacknowledged", "error", err)
	p.trouble.Store(t)
}

func (p *pipeline) clear() {
	if was := p.trouble.Swap(nil); was != nil {
		p.log.Info("commits succeed again", "after", time.Since(was.since).Round(time.Millisecond))
	}
}

// ask files a parcel that people wait for and returns its answer. The parcel
// must be read already.
func (p *pipeline) ask(ctx context.Context, stopping <-chan struct{}, m *parcel) error {
	m.done = make(chan error, 1)
	select {
	case p.requests <- m:
	case <-ctx.Done():
		return fmt.Errorf("wait for a commit: %w", ctx.Err())
	case <-stopping:
		return errStopping
	}
	select {
	case err := <-m.done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("wait for a commit: %w", ctx.Err())
	case <-stopping:
		return errStopping
	}
}
