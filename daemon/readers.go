package daemon

import (
	"context"
	"sync"

	"throwline/ingest/wire"
)

// load is a few parcels that are read together, so that handing over costs
// little beside the reading.
type load struct {
	parcels []*parcel
	read    chan struct{} // closed once all are read; never when the context ends before
	needed  chan struct{} // closed once the commit waits for it, or nil
	from    source        // of lines of a recording
}

// readers read loads side by side. Loads come out of order, the channel, in
// the order in which they went in.
type readers struct {
	order   chan *load
	work    chan *load
	putting sync.Mutex // loads are in both in the same order
	done    sync.WaitGroup
}

// startReaders starts n goroutines that end when the returned readers are
// closed or the context ends. ahead is how many loads may be read or wait to be
// read before one is taken.
func startReaders(ctx context.Context, n, ahead int, l wire.Limits, room *room) *readers {
	ahead = max(ahead, 4*n)
	r := &readers{order: make(chan *load, ahead), work: make(chan *load, ahead)}
	for range n {
		r.done.Go(func() {
			reader := newReader(l)
			for w := range r.work {
				if w.readBy(ctx, reader, room) {
					close(w.read)
				}
			}
		})
	}
	return r
}

// readBy reads the load as there is room. The load that the commit waits for
// needs none: it is the first of those that are taken, and readers take them in
// order, so that there is always a reader at it.
func (l *load) readBy(ctx context.Context, r *reader, room *room) bool {
	for _, p := range l.parcels {
		if !room.wait(ctx, l.needed) {
			return false
		}
		r.read(p)
		room.count(p)
	}
	return ctx.Err() == nil
}

// put hands a load over; false when the context ended before there was room.
func (r *readers) put(ctx context.Context, l *load) bool {
	r.putting.Lock()
	defer r.putting.Unlock()
	select {
	case r.order <- l:
	case <-ctx.Done():
		return false
	}
	select {
	case r.work <- l:
		return true
	case <-ctx.Done():
		return false
	}
}

// close tells that no load will follow, and waits for the readers to end.
// Who takes from order finds it closed after the last load.
func (r *readers) close() {
	close(r.work)
	close(r.order)
	r.done.Wait()
}
