package demo

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"sync/atomic"
	"time"

	"throwline/ingest"
)

// Options describe a live yard.
type Options struct {
	Seed     uint64
	Turnouts int       // default 12
	Start    time.Time // of the yard's time; default: 60 days before the present
}

// Yard is an invented yard with a time of its own. It is a railway in small:
// turnouts of both kinds of drive, three cabinets, weather, gangs that come
// and mend. Its time runs much faster than a clock on the wall and may pass it.
type Yard struct {
	seed   uint64
	w      *world
	rng    *rand.Rand
	now    atomic.Int64 // ns since 1970 UTC
	script script
}

// yardCabinets is how many cabinets a yard has.
const yardCabinets = 3

// NewYard draws a yard. The same seed and start give the same yard.
func NewYard(o Options) *Yard {
	if o.Turnouts <= 0 {
		o.Turnouts = 12
	}
	if o.Start.IsZero() {
		o.Start = time.Now().AddDate(0, 0, -60)
	}
	o.Start = o.Start.UTC().Truncate(time.Hour)
	y := &Yard{
		seed: o.Seed,
		w:    newWorld(o.Seed, o.Start, min(yardCabinets, o.Turnouts), 1),
		rng:  source(o.Seed, streamRecord),
	}
	for _, s := range y.w.sites {
		s.reports.any, s.reports.rail, s.reports.air, s.reports.rain = true, true, true, true
	}
	for i := range o.Turnouts {
		p := y.draw(o.Seed, i)
		l := newLife(p, between(y.rng, 14, 26), source(o.Seed, streamLife+uint64(i)))
		l.habits.odd = 0.0015
		y.w.add(l)
	}
	y.now.Store(o.Start.UnixNano())
	return y
}

// wanted says what the first turnouts of a yard have to be, so that every yard
// has something of everything; those after them are as they come.
var wanted = [...]struct {
	hydraulic bool
	fits      func(p *plant) bool
}{
	{false, func(p *plant) bool { return isDC(p) && p.sensors[0].signal == amps && p.own == nil }}, // the first to be seen
	{true, func(p *plant) bool { return isAC(p) }},
	{false, func(p *plant) bool { return p.track.back != nil }},
	{false, func(p *plant) bool { return isAC(p) && p.sensors[0].signal == watts }},
	{false, func(p *plant) bool { return p.track.rolling > 0 && isDC(p) }},
	{true, func(p *plant) bool { return isDC(p) }},
	{false, func(p *plant) bool { return p.own != nil }},
	{false, func(p *plant) bool { return len(p.sensors) > 1 && p.sensors[1].signal == volts }},
	{true, func(p *plant) bool { return p.track.detectors > 1 }},
}

// draw draws turnout i, again and again until it is what is wanted.
func (y *Yard) draw(seed uint64, i int) *plant {
	var w workshop
	for try := uint64(0); ; try++ {
		rng := source(seed, streamPlant+uint64(i)+try<<24)
		hydraulic := rng.Float64() < 0.35
		if i < len(wanted) {
			hydraulic = wanted[i].hydraulic
		}
		p := drawPlant(rng, fmt.Sprintf("%s-W%02d", areas[0], i+1), i%len(y.w.sites), hydraulic)
		p.rate = min(p.rate, 50) // a demonstration need not be heavy
		p.tells.rail, p.tells.detections = true, true
		if i >= len(wanted) || wanted[i].fits(p) {
			if i > 0 {
				return p
			}
			if f := p.bear(&w, source(seed, streamFault), firstCause, 0); f.fails {
				return p
			}
		}
	}
}

// Now is the yard's time. It is for concurrent use. No throw, work or report
// of the yard bears a later time.
func (y *Yard) Now() time.Time { return time.Unix(0, y.now.Load()).UTC() }

// RunOptions say how a yard runs.
type RunOptions struct {
	Broker   string // tcp://host:port
	Prefix   string // of topics
	SpoolDir string // a folder for the cabinets' spools; "": in memory

	// RecordWork is told of each visit that the gang records; nil: nobody is.
	RecordWork func(ctx context.Context, w ingest.Work) error

	WarmUpDays    int           // of history, sent as fast as it is taken; default 30, negative: none
	DaysPerSecond float64       // default 0.5
	Outages       time.Duration // about, between two losses of a cabinet's connection; default a minute, negative: none
	Log           *slog.Logger
}

const (
	beat      = 50 * time.Millisecond // between two steps of a running yard
	mostAtSea = 200                   // throws of a cabinet that may be underway before the yard's time waits
	reportGap = 3 * 3600.0            // s between two reports of the surroundings

	// historyQuiet is the share of the timetable that does not run in the
	// history: a slow disk syncs some 400 throws a second, and who opens the
	// page wants to see the yard run within seconds.
	historyQuiet = 0.62
)

// Run lives the yard until ctx ends, and returns ctx's error then. First it
// sends the history of some weeks as fast as it is taken, then it goes on at
// the speed chosen, one fault after the other, for ever. Where throws are taken
// more slowly than they come, the yard's time waits. A cabinet now and then
// loses its connection for some seconds and sends afterwards what it kept.
// Run may be called once.
func (y *Yard) Run(ctx context.Context, o RunOptions) (err error) {
	if o.WarmUpDays == 0 {
		o.WarmUpDays = 30
	}
	if o.DaysPerSecond <= 0 {
		o.DaysPerSecond = 0.5
	}
	if o.Outages == 0 {
		o.Outages = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	r := &running{yard: y, o: o, log: o.Log}
	ctx, cancel := context.WithCancel(ctx)
	defer func() {
		cancel()
		err = errors.Join(err, r.close())
	}()
	for _, s := range y.w.sites {
		l, err := r.open(ctx, s)
		if err != nil {
			return fmt.Errorf("yard: %w", err)
		}
		r.lines = append(r.lines, l)
	}
	warm := float64(max(o.WarmUpDays, 0)) * day
	y.script.begin(y, warm, o.Outages)
	began := time.Now()
	y.quiet(historyQuiet)
	for t := 0.0; t < warm; {
		t = min(t+day/4, warm)
		if err := r.step(ctx, t); err != nil {
			return err
		}
	}
	y.quiet(0)
	if err := r.settle(ctx); err != nil {
		return err
	}
	o.Log.Info("history sent", "days", o.WarmUpDays, "took", time.Since(began))
	tick := time.NewTicker(beat)
	defer tick.Stop()
	last := time.Now()
	for t := warm; ; {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		now := time.Now()
		// After a pause the yard goes on from where it was, it does not catch up.
		passed := min(now.Sub(last), 2*beat)
		last = now
		t += passed.Seconds() * o.DaysPerSecond * day
		y.script.act(y, r, t)
		if err := r.step(ctx, t); err != nil {
			return err
		}
	}
}

// quiet has only part of the timetable run.
func (y *Yard) quiet(share float64) {
	for _, l := range y.w.lives {
		l.quiet = share
	}
}

// spoolOf is where a cabinet keeps its spool.
func (o *RunOptions) spoolOf(cabinet string) string {
	if o.SpoolDir == "" {
		return ""
	}
	return filepath.Join(o.SpoolDir, cabinet)
}
