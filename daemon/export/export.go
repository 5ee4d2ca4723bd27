// Package export writes what the store holds to a time-series store that
// speaks the InfluxDB v2 API.
//
// It reads the store from a cursor of its own, which moves only when the other
// side has taken a batch: while that is away nothing waits and nothing is lost
// but what the store itself drops for its age, and that is counted. What was
// written and not noted before a crash is written again, onto itself.
package export

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// Source is what an exporter reads of the store and keeps in it. Walks end
// with the error that Enough is.
type Source interface {
	ExportEnds(ctx context.Context) (throw, event int64, err error)
	ThrowsAfter(ctx context.Context, number int64, limit int, f func(number int64, r *detect.Record) error) error
	EventsFrom(ctx context.Context, seq int64, limit int, f func(seq int64, e *alerting.Event) error) error
	OldestAfter(ctx context.Context, number int64) (time.Time, error)
	ExportCursor(ctx context.Context, name string) (throw, event int64, counts [3]int64, found bool, err error)
	SaveExportCursor(ctx context.Context, name string, throw, event int64, counts [3]int64) error
}

// Options are what the outside gives an exporter.
type Options struct {
	Name   string // of its cursor
	Log    *slog.Logger
	Now    func() time.Time
	Enough error                       // ends a walk of the source
	Area   func(turnout string) string // nil: taken from the name
	Health func() []Turnout            // nil: none is written
}

func (o *Options) fill() {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Area == nil {
		o.Area = detect.Area
	}
}

// How long a write that failed is waited with.
const (
	leastWait = time.Second
	mostWait  = time.Minute
	mostAsked = 10 * time.Minute // that the other side may ask for
)

// State is how an exporter fares.
type State struct {
	Name   string `json:"name"`
	To     string `json:"to" doc:"address and bucket"`
	Throws int64  `json:"throws" doc:"number of the last throw that is written"`
	Events int64  `json:"events" doc:"number of the last event of an alert that is written"`

	BehindThrows int64     `json:"behind_throws" doc:"filed and not yet written, when it last looked"`
	BehindEvents int64     `json:"behind_events"`
	OldestAt     time.Time `json:"oldest_at,omitzero" doc:"when the first throw that is not yet written arrived"`

	Written int64 `json:"written" doc:"points, since the store was made"`
	Refused int64 `json:"refused" doc:"points that the other side will not take, since the store was made"`
	Missed  int64 `json:"missed" doc:"throws that were past their retention before they were written"`

	WrittenAt    time.Time `json:"written_at,omitzero" doc:"of the last point that was taken since the start"`
	Trouble      string    `json:"trouble,omitempty" doc:"why nothing can be written now"`
	Setup        bool      `json:"setup,omitempty" doc:"the trouble is how it is set up: address, bucket or token"`
	TroubleSince time.Time `json:"trouble_since,omitzero"`
	NextTry      time.Time `json:"next_try,omitzero"`
	Refusals     []Refusal `json:"refusals,omitempty" doc:"the last points that were refused since the start"`
}

// Behind returns how long the first throw that is not yet written has waited.
func (s *State) Behind(now time.Time) time.Duration {
	if s.OldestAt.IsZero() {
		return 0
	}
	return max(0, now.Sub(s.OldestAt))
}

// Exporter writes to one place.
type Exporter struct {
	c   Config
	o   Options
	src Source
	w   *writer
	l   lines

	tries  int // in vain
	health time.Time

	mu    sync.Mutex
	state State
}

// New makes an exporter. One that has never run begins with what comes from now
// on; history is for [Backfill].
func New(ctx context.Context, src Source, c Config, o Options) (*Exporter, error) {
	o.fill()
	e := &Exporter{c: c, o: o, src: src, l: lines{prefix: c.Prefix}}
	e.state = State{Name: o.Name, To: c.URL + " " + c.Bucket}
	throw, event, counts, found, err := src.ExportCursor(ctx, o.Name)
	if err != nil {
		return nil, fmt.Errorf("cursor of exporter %s: %w", o.Name, err)
	}
	if !found {
		if throw, event, err = src.ExportEnds(ctx); err != nil {
			return nil, fmt.Errorf("exporter %s: %w", o.Name, err)
		}
		if err := src.SaveExportCursor(ctx, o.Name, throw, event, counts); err != nil {
			return nil, err
		}
	}
	s := &e.state
	s.Throws, s.Events, s.Written, s.Refused, s.Missed = throw, event, counts[0], counts[1], counts[2]
	e.w = newWriter(&e.c)
	return e, nil
}

// State returns how the exporter fares. It may be called at any time.
func (e *Exporter) State() State {
	e.mu.Lock()
	defer e.mu.Unlock()
	s := e.state
	s.Refusals = append([]Refusal(nil), s.Refusals...)
	return s
}

// Run writes what is new until the context ends.
func (e *Exporter) Run(ctx context.Context) {
	defer e.w.close()
	for {
		wait := e.c.Every
		for {
			more, err := e.step(ctx)
			if ctx.Err() != nil {
				return
			}
			if err != nil {
				wait = e.failed(err)
				break
			}
			e.succeeded()
			if !more {
				break
			}
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// failed notes what went wrong and returns how long to wait.
func (e *Exporter) failed(err error) time.Duration {
	wait := min(leastWait<<min(e.tries, 10), mostWait)
	wait += rand.N(wait/4 + 1)
	e.tries++
	var f *failure
	setup := false
	if errors.As(err, &f) {
		wait, setup = max(wait, min(f.after, mostAsked)), f.setup
	}
	now := e.o.Now()
	e.mu.Lock()
	s := &e.state
	told := s.Trouble == err.Error()
	if s.Trouble == "" {
		s.TroubleSince = now
	}
	s.Trouble, s.Setup, s.NextTry = err.Error(), setup, now.Add(wait)
	behind := s.BehindThrows
	e.mu.Unlock()
	if !told {
		e.o.Log.Warn("what is filed cannot be exported; it waits in the store", "exporter", e.o.Name, "to", e.state.To, "behind_throws", behind, "error", err)
	}
	return wait
}

func (e *Exporter) succeeded() {
	e.tries = 0
	e.mu.Lock()
	s := &e.state
	was, since := s.Trouble, s.TroubleSince
	s.Trouble, s.Setup, s.TroubleSince, s.NextTry = "", false, time.Time{}, time.Time{}
	e.mu.Unlock()
	if was != "" {
		e.o.Log.Info("exported again", "exporter", e.o.Name, "after", e.o.Now().Sub(since).Round(time.Second))
	}
}

// step writes one batch. more: there is another.
func (e *Exporter) step(ctx context.Context) (more bool, err error) {
	lastThrow, lastEvent, err := e.src.ExportEnds(ctx)
	if err != nil {
		return false, err
	}
	s := e.State()
	e.l.reset()
	// Alerts first: they are few, and what people wait for.
	event, moreEvents, err := e.events(ctx, s.Events, lastEvent)
	if err != nil {
		return false, err
	}
	throw, missed, moreThrows := s.Throws, int64(0), true
	if len(e.l.ends) < e.c.Batch {
		if throw, missed, moreThrows, err = e.throws(ctx, s.Throws, lastThrow); err != nil {
			return false, err
		}
	}
	if err := e.look(ctx, &s, lastThrow, lastEvent); err != nil {
		return false, err
	}
	now := e.o.Now()
	if len(e.l.ends) > 0 || missed > 0 {
		if err := e.w.write(ctx, &e.l, now); err != nil {
			return false, err
		}
		counts := [3]int64{s.Written + e.w.written, s.Refused + e.w.refused, s.Missed + missed}
		if err := e.src.SaveExportCursor(ctx, e.o.Name, throw, event, counts); err != nil {
			return false, fmt.Errorf("cursor of exporter %s; what was written is written again: %w", e.o.Name, err)
		}
		e.note(throw, event, counts, missed, now)
	} else if throw != s.Throws || event != s.Events {
		e.note(throw, event, [3]int64{s.Written, s.Refused, s.Missed}, 0, now)
	}
	if err := e.look(ctx, nil, lastThrow, lastEvent); err != nil {
		return false, err
	}
	if moreEvents || moreThrows {
		return true, nil
	}
	return false, e.fleet(ctx)
}

// events appends the events after a number, and returns that of the last.
func (e *Exporter) events(ctx context.Context, after, last int64) (event int64, more bool, err error) {
	event = after
	if after >= last {
		return event, false, nil
	}
	err = e.src.EventsFrom(ctx, after, e.c.Batch, func(seq int64, v *alerting.Event) error {
		e.l.event(seq, v, e.o.Area(v.Alert.Turnout))
		event = seq
		return nil
	})
	return event, event < last, err
}

// throws appends the throws after a number, and returns that of the last and
// how many were there no more.
func (e *Exporter) throws(ctx context.Context, after, last int64) (throw, missed int64, more bool, err error) {
	if after >= last {
		return after, 0, false, nil
	}
	throw = after
	n, cut := int64(0), false
	err = e.src.ThrowsAfter(ctx, after, e.c.Batch, func(number int64, r *detect.Record) error {
		if number > last { // it came after we asked for the last
			return e.o.Enough
		}
		e.l.throw(r, e.o.Area(r.Turnout))
		throw = number
		n++
		if cut = len(e.l.ends) >= e.c.Batch; cut {
			return e.o.Enough
		}
		return nil
	})
	if err != nil {
		return after, 0, false, err
	}
	if !cut && n < int64(e.c.Batch) {
		throw = last // the rest is gone
	}
	// Throws are numbered without gaps, so what lacks was dropped for its age.
	return throw, throw - after - n, throw < last, nil
}

// look notes how far behind the exporter is: s is where it stands, nil for now.
func (e *Exporter) look(ctx context.Context, s *State, throw, event int64) error {
	if s == nil {
		now := e.State()
		s = &now
	}
	oldest := time.Time{}
	if throw > s.Throws {
		var err error
		if oldest, err = e.src.OldestAfter(ctx, s.Throws); err != nil {
			return err
		}
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.state.BehindThrows, e.state.BehindEvents, e.state.OldestAt = throw-s.Throws, event-s.Events, oldest
	return nil
}

// note is called once a batch is taken and its cursor kept.
func (e *Exporter) note(throw, event int64, counts [3]int64, missed int64, now time.Time) {
	e.mu.Lock()
	s := &e.state
	if counts[0] > s.Written {
		s.WrittenAt = now
	}
	s.Throws, s.Events, s.Written, s.Refused, s.Missed = throw, event, counts[0], counts[1], counts[2]
	e.keepRefusals()
	e.mu.Unlock()
	if missed > 0 {
		e.o.Log.Warn("throws were past their retention before they were exported", "exporter", e.o.Name, "throws", missed)
	}
	e.tellRefusals()
}

// keepRefusals keeps the last few; the caller holds the lock.
func (e *Exporter) keepRefusals() {
	s := &e.state
	s.Refusals = append(s.Refusals, e.w.refusals...)
	s.Refusals = s.Refusals[max(0, len(s.Refusals)-mostRefusals):]
}

func (e *Exporter) tellRefusals() {
	if e.w.refused > 0 && len(e.w.refusals) > 0 {
		r := e.w.refusals[0]
		e.o.Log.Warn("points were refused and left out", "exporter", e.o.Name, "points", e.w.refused, "first", r.Line, "reason", r.Reason)
	}
}

// fleet writes how the turnouts are, where it is time for that. It has no
// past: what could not be written is not written later.
func (e *Exporter) fleet(ctx context.Context) error {
	now := e.o.Now()
	if e.o.Health == nil || e.c.Health <= 0 || now.Sub(e.health) < e.c.Health && !now.Before(e.health) {
		return nil
	}
	list := e.o.Health()
	for len(list) > 0 {
		e.l.reset()
		n := min(len(list), e.c.Batch)
		for i := range list[:n] {
			e.l.health(&list[i], e.o.Area(list[i].Name), now)
		}
		list = list[n:]
		if err := e.w.write(ctx, &e.l, now); err != nil {
			return err
		}
		e.mu.Lock()
		e.state.Written += e.w.written
		e.state.Refused += e.w.refused
		e.keepRefusals()
		e.mu.Unlock()
		e.tellRefusals()
	}
	e.health = now
	return nil
}
