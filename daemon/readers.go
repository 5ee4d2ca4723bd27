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
	read    chan struct{} // closed once all are read
	from    source        // of lines of a recording
}

// readers read loads side by side. Loads come out of order, the channel, in
// the order in which they went in.
type readers struct {
	order chan *load
	work  chan *load
	done  sync.WaitGroup
}

// startReaders starts n goroutines that end when the returned readers are
// closed or the context ends. ahead is how many loads may be read or wait to be
// read before one is taken.
func startReaders(ctx context.Context, n, ahead int, l wire.Limits) *readers {
	ahead = max(ahead, 4*n)
	r := &readers{order: make(chan *load, ahead), work: make(chan *load, ahead)}
	for range n {
		r.done.Go(func() {
			reader := newReader(l)
			for w := range r.work {
				if ctx.Err() == nil {
					for _, p := range w.parcels {
						reader.read(p)
					}
				}
				close(w.read)
			}
		})
	}
	return r
}

// put hands a load over; false when the context ended before there was room.
func (r *readers) put(ctx context.Context, l *load) bool {
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
