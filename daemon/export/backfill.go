package export

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// History gives what was filed, page by page: each call of Throws goes on
// where the one before ended, until done.
type History struct {
	Throws func(ctx context.Context, limit int, f func(r *detect.Record) error) (done bool, err error)
	Events func(ctx context.Context, seq int64, limit int, f func(seq int64, e *alerting.Event) error) error
}

// Progress is how far a backfill has come.
type Progress struct {
	Throws  int64     // read
	Events  int64     // of alerts, read
	Written int64     // points
	Refused int64     // points
	At      time.Time // start of the last throw that was read
	First   *Refusal  // the first point that was refused
	Trouble string    // why it waits, "" while it goes on
}

// Backfill writes what the store holds of the time from from to before to:
// throws by their start, events of alerts by their time. It touches no cursor,
// and what is there already is written onto itself. tell is told after every
// batch and before every wait. A setup that cannot work is an error at once;
// anything else is waited for until the context ends.
func Backfill(ctx context.Context, h History, c Config, o Options, from, to time.Time, tell func(Progress)) (p Progress, err error) {
	o.fill()
	if tell == nil {
		tell = func(Progress) {}
	}
	w := newWriter(&c)
	defer w.close()
	l := &lines{prefix: c.Prefix}
	flush := func() error {
		for tries := 0; ; tries++ {
			err := w.write(ctx, l, o.Now())
			var f *failure
			if err == nil || !errors.As(err, &f) || f.setup {
				if err == nil {
					p.Written += w.written
					p.Refused += w.refused
					if p.First == nil && len(w.refusals) > 0 {
						first := w.refusals[0]
						p.First = &first
					}
					p.Trouble = ""
					tell(p)
				}
				return err
			}
			p.Trouble = err.Error()
			tell(p)
			wait := min(leastWait<<min(tries, 10), mostWait)
			timer := time.NewTimer(max(wait+rand.N(wait/4+1), min(f.after, mostAsked)))
			select {
			case <-ctx.Done():
				timer.Stop()
				return ctx.Err()
			case <-timer.C:
			}
		}
	}
	for done := false; !done; {
		l.reset()
		done, err = h.Throws(ctx, c.Batch, func(r *detect.Record) error {
			l.throw(r, o.Area(r.Turnout))
			p.Throws++
			p.At = r.StartedAt
			if len(l.ends) >= c.Batch {
				return o.Enough
			}
			return nil
		})
		if err == nil {
			err = flush()
		}
		if err != nil {
			return p, err
		}
	}
	for seq, n := int64(0), 1; n > 0; {
		l.reset()
		n = 0
		err = h.Events(ctx, seq, c.Batch, func(s int64, e *alerting.Event) error {
			seq = s
			n++
			if !e.At.Before(from) && e.At.Before(to) {
				l.event(s, e, o.Area(e.Alert.Turnout))
				p.Events++
			}
			return nil
		})
		if err == nil {
			err = flush()
		}
		if err != nil {
			return p, err
		}
	}
	return p, nil
}
