package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"throwline/ingest"
	"throwline/ingest/lineside"
)

// running is a yard in its course.
type running struct {
	yard   *Yard
	o      RunOptions
	log    *slog.Logger
	lines  []*line
	lived  [][]happening
	all    []happened
	report float64 // s of the next report of the surroundings
}

// line is a cabinet and its connection. One goroutine of its own sends what it
// is given, in order.
type line struct {
	site  *site
	spool string
	send  chan sending
	ended chan struct{}
	sea   atomic.Int64 // given, but not yet with the cabinet
	cab   atomic.Pointer[lineside.Cabinet]

	mu      sync.Mutex
	silence time.Time // until then it has no connection
}

// sending is one thing to send: exactly one is set.
type sending struct {
	throw      *ingest.Throw
	conditions *ingest.Conditions
	work       *ingest.Work
}

func (r *running) open(ctx context.Context, s *site) (*line, error) {
	l := &line{site: s, spool: r.o.spoolOf(s.name), send: make(chan sending, 2*mostAtSea), ended: make(chan struct{})}
	c, err := r.connect(ctx, l)
	if err != nil {
		return nil, err
	}
	l.cab.Store(c)
	go func() {
		defer close(l.ended)
		r.work(ctx, l)
	}()
	return l, nil
}

func (r *running) connect(ctx context.Context, l *line) (*lineside.Cabinet, error) {
	encoding := lineside.JSON
	if l.site.numbers {
		encoding = lineside.CBOR // some of each kind
	}
	return lineside.Open(ctx, lineside.Options{
		Broker: r.o.Broker, Prefix: r.o.Prefix, Cabinet: l.site.name, Agent: agent, Encoding: encoding,
		SpoolDir: l.spool, NoSync: true, // a demonstration's spool need not outlive the machine
		Log: r.log, Now: r.yard.Now,
	})
}

// cutOff has the cabinet lose its connection for a while.
func (l *line) cutOff(d time.Duration) {
	l.mu.Lock()
	l.silence = time.Now().Add(d)
	l.mu.Unlock()
}

// cut returns until when the cabinet has no connection, and forgets it.
func (l *line) cut() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	t := l.silence
	l.silence = time.Time{}
	return t
}

// work sends until the channel is closed or ctx ends.
func (r *running) work(ctx context.Context, l *line) {
	for {
		var s sending
		var open bool
		select {
		case <-ctx.Done():
			return
		case s, open = <-l.send:
			if !open {
				return
			}
		}
		if until := l.cut(); !until.IsZero() {
			if err := r.silent(ctx, l, until); err != nil {
				return
			}
		}
		r.give(ctx, l, s)
		l.sea.Add(-1)
	}
}

// silent is a spell without connection; what is to be sent waits.
func (r *running) silent(ctx context.Context, l *line, until time.Time) error {
	r.log.Info("a cabinet loses its connection", "cabinet", l.site.name)
	if err := l.cab.Load().Close(ctx); err != nil {
		r.log.Warn("cabinet", "error", err)
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(time.Until(until)):
	}
	c, err := r.connect(ctx, l)
	if err != nil {
		r.log.Error("cabinet", "error", err)
		return err
	}
	l.cab.Store(c)
	return nil
}

func (r *running) give(ctx context.Context, l *line, s sending) {
	var err error
	switch {
	case s.throw != nil:
		err = l.cab.Load().Send(ctx, s.throw)
	case s.work != nil:
		err = r.visit(ctx, l, s.work)
	default:
		// Without a connection they are lost, but told again soon.
		if err := l.cab.Load().Conditions(ctx, *s.conditions); err != nil {
			r.log.Debug("not sent", "cabinet", l.site.name, "error", err)
		}
	}
	if err != nil && ctx.Err() == nil {
		r.log.Warn("not sent", "cabinet", l.site.name, "error", err)
	}
}

// patience is how long a visit waits for the throws before it to be stored:
// work is filed where it belongs in the turnout's past.
const patience = 5 * time.Second

func (r *running) visit(ctx context.Context, l *line, w *ingest.Work) error {
	if r.o.RecordWork == nil {
		return nil
	}
	if err := wait(ctx, patience, func() bool { return l.cab.Load().Pending() == 0 }); err != nil {
		return err
	}
	if err := r.o.RecordWork(ctx, *w); err != nil {
		return fmt.Errorf("work at turnout %s: %w", w.Turnout, err)
	}
	return nil
}

// underway is how many throws of the line are not known to be stored.
func (l *line) underway() int { return int(l.sea.Load()) + l.cab.Load().Pending() }

// step lives on to time t of the yard and sends what happened.
func (r *running) step(ctx context.Context, t float64) error {
	y := r.yard
	lived, err := y.w.until(ctx, t, r.lived)
	if err != nil {
		return err
	}
	r.lived = lived
	r.all = r.all[:0]
	for i, hs := range lived {
		for _, h := range hs {
			r.all = append(r.all, happened{h, i})
		}
		l := y.w.lives[i]
		l.odds, l.done = l.odds[:0], l.done[:0]
	}
	slices.SortStableFunc(r.all, func(a, b happened) int { return cmp.Compare(a.at, b.at) })
	for _, w := range y.w.weather {
		w.forget(t - day)
	}
	for _, s := range y.w.sites {
		s.mains.forget(t - day)
	}
	// The longest throw may still be under way at t: it is over, and so are the
	// times that are told, only some seconds later.
	y.now.Store(y.w.start.Add(seconds(t + 60)).UnixNano())
	for _, h := range r.all {
		if err := r.hand(ctx, r.lines[y.w.lives[h.life].p.cabinet], sending{throw: h.throw, work: h.work}); err != nil {
			return err
		}
	}
	for ; r.report <= t; r.report += reportGap {
		if r.report < t-day {
			continue
		}
		for _, l := range r.lines {
			c := y.w.conditions(l.site, r.report)
			if err := r.hand(ctx, l, sending{conditions: &c}); err != nil {
				return err
			}
		}
	}
	return nil
}

// hand gives a line something to send, and waits while it has too much.
func (r *running) hand(ctx context.Context, l *line, s sending) error {
	for l.underway() > mostAtSea {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
	l.sea.Add(1)
	select {
	case <-ctx.Done():
		return ctx.Err()
	case l.send <- s:
		return nil
	}
}

// settle waits until all that was sent is stored, for a while.
func (r *running) settle(ctx context.Context) error {
	for _, l := range r.lines {
		if err := wait(ctx, 30*time.Second, func() bool { return l.underway() == 0 }); err != nil {
			return err
		}
	}
	return nil
}

// wait waits for done, for most at the longest; the error is ctx's.
func wait(ctx context.Context, most time.Duration, done func() bool) error {
	for end := time.Now().Add(most); !done() && time.Now().Before(end); {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
	return nil
}

// close ends the lines.
func (r *running) close() error {
	var errs []error
	for _, l := range r.lines {
		close(l.send)
		<-l.ended
		ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		if err := l.cab.Load().Close(ctx); err != nil {
			errs = append(errs, fmt.Errorf("yard: %w", err))
		}
		cancel()
	}
	return errors.Join(errs...)
}
