package daemon

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"throwline/ingest"
	"throwline/ingest/wire"
)

const (
	receiptsGather = 100 * time.Millisecond // for which what a cabinet sends becomes one receipt
	receiptsAgain  = time.Second            // after a failure, and between looks at the connection
	receiptsAtOnce = 16                     // on their way to the broker
)

// receipts publishes what cabinets may forget, a little after it is committed.
type receipts struct {
	yard      *yard
	now       func() time.Time
	publish   func(ctx context.Context, cabinet string, payload []byte) error
	connected func() (up bool, reconnects uint64)
	published func()
	log       *slog.Logger

	mu   sync.Mutex
	due  map[string]struct{} // cabinets
	wake chan struct{}       // has one when due is not empty
}

// owe notes cabinets whose receipt has changed. It does not wait.
func (r *receipts) owe(cabinets map[string]ingest.Receipt) {
	if len(cabinets) == 0 {
		return
	}
	r.mu.Lock()
	for c := range cabinets {
		r.due[c] = struct{}{}
	}
	r.mu.Unlock()
	r.rouse()
}

// oweAll is for when the broker may have forgotten them: at the start, and
// after every reconnect. It does not wait.
func (r *receipts) oweAll() {
	r.mu.Lock()
	for _, c := range r.yard.numbering() {
		r.due[c] = struct{}{}
	}
	r.mu.Unlock()
	r.rouse()
}

func (r *receipts) rouse() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// run publishes until the context ends.
func (r *receipts) run(ctx context.Context) {
	look := time.NewTicker(receiptsAgain)
	defer look.Stop()
	_, seen := r.connected()
	r.oweAll()
	failing := ""
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
			if up, n := r.connected(); up && n != seen {
				seen = n
				r.oweAll()
			}
			continue
		case <-r.wake:
		}
		if up, _ := r.connected(); !up { // what is due stays due
			if !pause(ctx, receiptsGather) {
				return
			}
			r.rouse()
			continue
		}
		if !pause(ctx, receiptsGather) {
			return
		}
		err := r.settle(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			failing = ""
		default:
			if failing != err.Error() {
				failing = err.Error()
				r.log.Warn("receipts cannot be published; they will be again", "error", err)
			}
			if !pause(ctx, receiptsAgain) {
				return
			}
			r.rouse()
		}
	}
}

// settle publishes what is due. What fails stays due.
func (r *receipts) settle(ctx context.Context) error {
	r.mu.Lock()
	due := r.due
	r.due = map[string]struct{}{}
	r.mu.Unlock()
	var g errgroup.Group
	g.SetLimit(receiptsAtOnce)
	for c := range due {
		g.Go(func() error {
			receipt, ok := r.yard.receipt(c)
			if !ok {
				return nil
			}
			err := r.publish(ctx, c, wire.AppendReceipt(nil, receipt, r.now()))
			if err != nil {
				r.mu.Lock()
				r.due[c] = struct{}{}
				r.mu.Unlock()
				return err
			}
			r.published()
			return nil
		})
	}
	return g.Wait()
}

// pause waits, or returns false when the context ends before.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
