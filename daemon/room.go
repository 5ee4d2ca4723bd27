package daemon

import (
	"context"
	"sync/atomic"
)

// mostInside is how many bytes may be taken and not yet committed before nothing
// more is taken or read: a small message can hold a very long trace. What has
// been begun may go over it, by a load at most.
const mostInside = 128 << 20

// room counts what is taken and not yet committed, in bytes. The zero room has
// no bound.
type room struct {
	most  int64
	used  atomic.Int64
	waits atomic.Uint64 // how often something had to wait
	freed chan struct{} // has one when used may have become less
}

func (r *room) bound(most int64) { r.most, r.freed = most, make(chan struct{}, 1) }

// wait returns when there is room, or at once when needed is closed: nothing
// gets free then before what waits is done. False: the context has ended.
func (r *room) wait(ctx context.Context, needed <-chan struct{}) bool {
	if r.freed == nil || r.used.Load() <= r.most {
		return ctx.Err() == nil
	}
	r.waits.Add(1)
	for r.used.Load() > r.most {
		select {
		case <-r.freed:
		case <-needed:
			return true
		case <-ctx.Done():
			return false
		}
	}
	r.signal() // others may wait, too
	return true
}

// count makes what is counted of a parcel what it takes now.
func (r *room) count(p *parcel) {
	now := p.size()
	r.used.Add(now - p.counted)
	p.counted = now
}

// free gives back what parcels took.
func (r *room) free(batch []*parcel) {
	if r.freed == nil {
		return
	}
	for _, p := range batch {
		r.used.Add(-p.counted)
		p.counted = 0
	}
	r.signal()
}

func (r *room) signal() {
	select {
	case r.freed <- struct{}{}:
	default:
	}
}

// size is about what the parcel takes, in bytes.
func (p *parcel) size() int64 {
	n := len(p.topic) + len(p.payload)
	if p.throw != nil {
		for i := range p.throw.Channels {
			n += 8 * len(p.throw.Channels[i].Samples)
		}
	} else if p.spark != nil {
		n += p.spark.reading.Size()
	}
	return int64(n)
}
