package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// WriteEvent writes a transition as one line of JSON.
func WriteEvent(w io.Writer, e *alerting.Event) error {
	line, err := json.Marshal(e, json.Deterministic(true), jsonv1.OmitEmptyWithLegacySemantics(true))
	if err != nil {
		return fmt.Errorf("alert %s as JSON: %w", e.Alert.ID, err)
	}
	_, err = w.Write(append(line, '\n'))
	return err
}

// ReplayOptions are what a replay is made of.
type ReplayOptions struct {
	Workers int // goroutines that read; 0: one a processor. The result is the same for any number
	// Event is told every transition of an alert, in their order. An error ends the replay.
	Event func(alerting.Event) error
	// Throw is told every throw that is filed, before the transitions of its
	// load; what it is told is not to be changed. Nil: nobody is.
	Throw func(*detect.Record)
	// Work is told all recorded work, before the transitions of its load; nil: nobody is.
	Work func(*ingest.Work)
	// Notices is told what many turnouts feel at once, all of it, whenever that
	// changes; nil: nobody is.
	Notices func([]detect.Notice)
	// Refused is told every line that cannot be believed; nil: nobody is.
	Refused func(file string, line int, reason error)
	// Read is told, from another goroutine, how many more bytes of the files
	// were read; nil: nobody is.
	Read func(bytes int)
	// Input is what "-" stands for; nil: standard input.
	Input io.Reader
	Log   *slog.Logger
}

// Replayed says what a replay went through.
type Replayed struct {
	Lines      int // with something in them
	Throws     int // taken
	Late       int // of them, after a later throw of their turnout
	Duplicates int // there already
	Refused    int // lines
	Turnouts   int
	Open       []alerting.Alert // at the end, newest raised first
	From, To   time.Time        // of the arrivals that were taken
}

// lineLoad is how many lines are read together.
const lineLoad = 64

// Replay takes recordings, one after the other, through the same steps as
// messages from a broker, with the time of the recording, and keeps nothing. A
// line that cannot be believed is told and passed over. The error is a file
// that cannot be read, the context's end, or that of Event.
func Replay(ctx context.Context, c Config, files []string, o ReplayOptions) (Replayed, error) {
	if o.Workers <= 0 {
		o.Workers = workers()
	}
	if o.Input == nil {
		o.Input = os.Stdin
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	r := &replay{c: c, o: o, readers: startReaders(ctx, o.Workers, 0, c.Limits.wireLimits(), new(room))}
	failed := make(chan error, 1)
	go func() {
		defer r.readers.close()
		failed <- r.feed(ctx, files)
	}()
	out, err := r.file(ctx)
	cancel()
	for range r.readers.order { // until closed: then nothing of ours runs any more
	}
	feedErr := <-failed
	r.readers.done.Wait()
	switch {
	case err != nil:
		return out, err
	case r.stopped.Load():
		return out, context.Canceled
	}
	return out, feedErr
}

// replay is one run.
type replay struct {
	c       Config
	o       ReplayOptions
	readers *readers
	stopped atomic.Bool // the context ended before the recordings did
}

// source is where a load of lines came from.
type source struct {
	file  string
	lines []int
}

// feed reads the files and hands their lines over.
func (r *replay) feed(ctx context.Context, files []string) error {
	for _, name := range files {
		if err := r.feedFile(ctx, name); err != nil {
			return err
		}
	}
	return nil
}

func (r *replay) feedFile(ctx context.Context, name string) error {
	in := r.o.Input
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("recording: %w", err)
		}
		defer f.Close()
		in = f
	}
	if r.o.Read != nil {
		in = &counted{in, r.o.Read}
	}
	lines, err := wire.NewRecordingReader(in, r.c.Limits.wireLimits())
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	for {
		l := &load{read: make(chan struct{}), from: source{file: name}}
		var end error
		for len(l.parcels) < lineLoad && end == nil {
			var line wire.Line
			if line, end = lines.Next(); end == nil {
				l.parcels = append(l.parcels, &parcel{kind: aLine, payload: line.Data})
				l.from.lines = append(l.from.lines, line.Number)
			}
			if refusal := ingest.AsRefusal(end); refusal != nil { // one line; reading goes on
				l.parcels = append(l.parcels, &parcel{kind: aLine, refusal: refusal})
				l.from.lines = append(l.from.lines, line.Number)
				end = nil
			}
		}
		if len(l.parcels) > 0 && !r.readers.put(ctx, l) {
			return ctx.Err()
		}
		switch {
		case errors.Is(end, io.EOF):
			return nil
		case end != nil:
			return fmt.Errorf("%s: %w", name, end)
		}
	}
}

// counted tells how much was read.
type counted struct {
	io.Reader
	tell func(int)
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.tell(n)
	return n, err
}

// file steps the loads in their order.
func (r *replay) file(ctx context.Context) (out Replayed, err error) {
	f := &filer{yard: newYard(), set: r.c.Detection.settings(), most: r.c.Limits.Turnouts}
	kept := newMemory()
	for l := range r.readers.order {
		select {
		case <-l.read:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			r.stopped.Store(true)
			break
		}
		var d *draft
		if err = kept.Update(ctx, func(e entries) (err error) {
			d, err = f.file(e, l.parcels)
			return err
		}); err != nil {
			break
		}
		f.yard.take(d)
		f.untold = false
		if d.noticed && r.o.Notices != nil {
			r.o.Notices(d.notices)
		}
		for i, p := range l.parcels {
			out.Lines++
			if refusal := ingest.AsRefusal(p.answer); refusal != nil {
				out.Refused++
				if p.faulty != nil {
					r.o.Log.Error("a line trips a fault of the program", "file", l.from.file, "line", l.from.lines[i], "error", p.faulty)
				}
				if r.o.Refused != nil {
					r.o.Refused(l.from.file, l.from.lines[i], refusal)
				}
				continue
			}
			if p.work != nil && r.o.Work != nil {
				r.o.Work(p.work)
			}
			if out.From.IsZero() || p.arrived.Before(out.From) {
				out.From = p.arrived
			}
			if p.arrived.After(out.To) {
				out.To = p.arrived
			}
		}
		out.Throws += d.throws[stored] + d.throws[late]
		out.Late += d.throws[late]
		out.Duplicates += d.throws[duplicate]
		if r.o.Throw != nil {
			for _, t := range d.records {
				r.o.Throw(t)
			}
		}
		for _, e := range d.events {
			if r.o.Event == nil {
				break
			}
			if err = r.o.Event(e); err != nil {
				err = fmt.Errorf("tell an alert: %w", err)
				break
			}
		}
		if err != nil {
			break
		}
	}
	out.Turnouts, out.Open = f.yard.size(), f.yard.OpenAlerts("")
	return out, err
}
