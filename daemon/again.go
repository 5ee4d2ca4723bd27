package daemon

import (
	"context"
	"errors"
	"io/fs"
	"sync"
	"time"

	"throwline/ingest"
)

// What is set aside only because its time had not come is sent through again once
// it has: the program's own clock may have been behind, as that of a machine without
// one that lasts is before it hears the time, and then it refused what was good.
const (
	againLook  = time.Second           // between looks at the clock
	againPause = 20 * time.Millisecond // between messages, so that what arrives goes first
	againPage  = 256                   // messages listed at once
	againShare = 20                    // times what a round took lies between two
	againRetry = time.Minute           // after a round that failed
)

// again knows when the next of them is due.
type again struct {
	mu   sync.Mutex
	next time.Time // the zero time: none waits
}

// wait notes that something is due at a time; the zero time is none.
func (a *again) wait(until time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.next = sooner(a.next, until)
}

// due reports whether something is, and forgets when.
func (a *again) due(now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.next.IsZero() || a.next.After(now) {
		return false
	}
	a.next = time.Time{}
	return true
}

// sooner returns the earlier of two times; the zero time is none.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// sendAgain sends through again what the clock has caught up with, at the start and
// then as it does, until the context ends.
func (d *Daemon) sendAgain(ctx context.Context) {
	passed := map[int64]bool{}
	for {
		began := time.Now()
		next, err := d.againOnce(ctx, passed)
		wait := max(againLook, againShare*time.Since(began))
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, errStopping) {
				return
			}
			d.o.Log.Warn("what was set aside for a time ahead could not be sent through again; it is tried again in a minute", "error", err)
			next, wait = d.Now(), againRetry
		}
		d.again.wait(next)
		for {
			if !pause(ctx, wait) {
				return
			}
			if d.again.due(d.Now()) {
				break
			}
			wait = againLook
		}
	}
}

// againOnce sends through what is due now, oldest first, each once. next is when
// the next will be; the zero time: none waits. passed are those that cannot be sent through.
func (d *Daemon) againOnce(ctx context.Context, passed map[int64]bool) (next time.Time, err error) {
	taken, refused, last := 0, 0, int64(0)
	defer func() {
		if taken+refused > 0 {
			d.o.Log.Info("sent through again what had been set aside for a time ahead, which has come", "taken", taken, "refused", refused)
		}
	}()
	for {
		list, err := d.store.AsideFor(ctx, ingest.AheadOfArrival, last, againPage)
		if err != nil {
			return next, err
		}
		for i := range list {
			a := &list[i]
			last = a.ID
			until, only := ingest.AheadOnly(a.Faults)
			if !only || passed[a.ID] || d.says(a.Topic) {
				continue
			}
			if until.After(d.Now()) {
				next = sooner(next, until)
				continue
			}
			if !pause(ctx, againPause) {
				return next, ctx.Err()
			}
			var err error
			if fault := guard(func() { err = d.Retry(ctx, a.ID) }); fault != nil {
				err = fault
			}
			switch {
			case err == nil:
				taken++
				d.metrics.again.WithLabelValues("taken").Inc()
			case errors.Is(err, fs.ErrNotExist): // someone was faster
			case ingest.AsRefusal(err) != nil:
				refused++
				d.metrics.again.WithLabelValues("refused").Inc()
			case ctx.Err() != nil || errors.Is(err, errStopping) || errors.Is(err, context.DeadlineExceeded) || d.pipeline.trouble.Load() != nil:
				return next, err
			default: // it must not hold up the others
				passed[a.ID] = true
				d.o.Log.Error("a message that was set aside for a time ahead cannot be sent through again; it is left until the next start", "message", a.ID, "topic", a.Topic, "error", err)
			}
		}
		if len(list) < againPage {
			return next, nil
		}
	}
}

// says reports whether a cabinet says of itself on a topic whether it is there. What
// it has said since holds.
func (d *Daemon) says(topic string) bool {
	return placed(d.c.MQTT.Prefix, nil, topic, nil, time.Time{}).kind == aState
}
