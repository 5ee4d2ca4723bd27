package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/alerting/screen"
	"throwline/daemon"
	"throwline/daemon/demo"
	"throwline/ingest/broker"
	"throwline/ingest/wire"
)

// demoFlags are what demo can be told.
type demoFlags struct {
	listen   string
	speed    float64
	record   string
	days     int
	turnouts int
	seed     uint64
	verbose  bool
}

// Bounds of the flags.
const (
	demoTurnouts   = 12
	recordTurnouts = 20
	mostTurnouts   = 10_000
	mostDays       = 3650
)

func demoCommand(t terminal) *cobra.Command {
	var f demoFlags
	c := &cobra.Command{
		Use:   "demo",
		Short: "Run an invented yard with everything it needs, or write a recording of one",
		Long: "Demo runs the whole program over an invented yard: a broker, cabinets that send, a store in a temporary folder,\n" +
			"the pages. The yard's time runs fast. Nothing is left behind. With --record it writes a recording instead, and what\n" +
			"was really wrong into a file of its own beside it.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := f.check(cmd); err != nil {
				return err
			}
			if f.record != "" {
				return done(record(cmd.Context(), f, t))
			}
			return done(runDemo(cmd.Context(), f, t))
		},
	}
	c.Flags().StringVar(&f.listen, "listen", "127.0.0.1:8080", "host:port of the pages; port 0 takes a free one")
	c.Flags().Float64Var(&f.speed, "speed", 0.5, "days of the yard a second")
	c.Flags().IntVar(&f.turnouts, "turnouts", 0, fmt.Sprintf("of the yard (%d where not given, %d in a recording)", demoTurnouts, recordTurnouts))
	c.Flags().Uint64Var(&f.seed, "seed", 1, "of the invention: the same seed gives the same yard")
	c.Flags().BoolVar(&f.verbose, "verbose", false, "log what the program does")
	c.Flags().StringVar(&f.record, "record", "", "write a recording to this file (.gz and .zst are compressed) and the truth to FILE.truth")
	c.Flags().IntVar(&f.days, "days", 60, "of a recording")
	return c
}

func (f *demoFlags) check(cmd *cobra.Command) error {
	if f.turnouts == 0 && !cmd.Flags().Changed("turnouts") {
		f.turnouts = demoTurnouts
		if f.record != "" {
			f.turnouts = recordTurnouts
		}
	}
	switch {
	case f.turnouts < 1 || f.turnouts > mostTurnouts:
		return fmt.Errorf("--turnouts: expected 1 to %d, found %d", mostTurnouts, f.turnouts)
	case f.days < 1 || f.days > mostDays:
		return fmt.Errorf("--days: expected 1 to %d, found %d", mostDays, f.days)
	case !(f.speed > 0 && f.speed <= 10):
		return fmt.Errorf("--speed: expected a number above 0, at most 10, found %g", f.speed)
	case f.record == "" && !daemon.Loopback(f.listen):
		return fmt.Errorf("--listen: expected an address of this machine only, like 127.0.0.1:8080, because the demo lets everyone in who reaches it, found %q", f.listen)
	case f.record == "" && cmd.Flags().Changed("days"):
		return errors.New("--days: expected together with --record, found alone")
	}
	return nil
}

// runDemo runs the yard until the context ends.
func runDemo(ctx context.Context, f demoFlags, t terminal) (err error) {
	dir, err := os.MkdirTemp("", "throwline-demo-")
	if err != nil {
		return fmt.Errorf("temporary folder: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	level := "error"
	if f.verbose {
		level = "info"
	}
	log := logger(daemon.LogConfig{Level: level, Format: "text"}, nil, t.err)

	b, err := broker.Start(ctx, broker.Options{Dir: filepath.Join(dir, "broker"), Listen: "127.0.0.1:0", Log: log})
	if err != nil {
		return fmt.Errorf("broker inside: %w", err)
	}
	defer func() { err = errors.Join(err, b.Close()) }()

	y := demo.NewYard(demo.Options{Seed: f.seed, Turnouts: f.turnouts})
	c := daemon.DefaultConfig()
	c.DataDir = filepath.Join(dir, "store")
	c.MQTT.Brokers = []string{b.Addr()}
	c.HTTP.Listen = f.listen
	// Alerts go to a board beside the broker, so that there is something to see of routes.
	c.Targets = notify.Targets{"board": {MQTT: &notify.MQTT{}}}
	c.Routes = []alerting.Route{{Name: "everything", Targets: []string{"board"}, Remind: 24 * time.Hour}}
	d, err := daemon.New(ctx, c, daemon.Options{Log: log, Now: y.Now, Version: version, Demo: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stop(d)) }()
	if err := d.Start(ctx); err != nil {
		return err
	}
	for _, p := range y.Places() {
		if err := d.SavePlace(ctx, "the yard's own", p); err != nil {
			return fmt.Errorf("registry of the yard: %w", err)
		}
	}
	lines := append([]string{"An invented yard: railway, names and data are made up, and its time runs fast."}, addresses(&c, d)...)
	if !screen.Built() {
		lines = append(lines, "The pages are not built: make pages builds them, then start again. The API answers meanwhile.")
	}
	if err := say(t.out, append(lines, "", wrap(screen.Advisory), "", "Ctrl-C ends it and leaves nothing behind.")...); err != nil {
		return err
	}

	running, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() {
		ended <- y.Run(running, demo.RunOptions{
			Broker: b.Addr(), Prefix: c.MQTT.Prefix, SpoolDir: filepath.Join(dir, "cabinets"), RecordWork: d.RecordWork,
			DaysPerSecond: f.speed, Log: log,
		})
	}()
	select {
	case <-ctx.Done():
	case err = <-d.Failed():
	case err = <-ended:
		ended <- nil
		if ctx.Err() == nil {
			err = fmt.Errorf("the yard ended: %w", errors.Join(err, errors.New("it should run for ever")))
		}
	}
	cancel()
	if yardErr := <-ended; yardErr != nil && !errors.Is(yardErr, context.Canceled) {
		err = errors.Join(err, fmt.Errorf("yard: %w", yardErr))
	}
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		err = nil // asked to end
	}
	return err
}

// record writes a recording and its truth; neither stands under its name
// before both are whole.
func record(ctx context.Context, f demoFlags, t terminal) (err error) {
	began := time.Now()
	truth := f.record + ".truth"
	var parts []*os.File
	defer func() {
		for _, p := range parts {
			_ = p.Close() // closed already where all went well
			if err != nil {
				err = errors.Join(err, os.Remove(p.Name()))
			}
		}
	}()
	for _, name := range []string{f.record, truth} {
		p, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".part-*")
		if err != nil {
			return fmt.Errorf("recording: %w", err)
		}
		parts = append(parts, p)
	}
	out, truthOut := bufio.NewWriterSize(parts[0], 1<<20), bufio.NewWriter(parts[1])
	w, err := wire.NewRecordingWriter(out, f.record)
	if err != nil {
		return fmt.Errorf("recording: %w", err)
	}
	o := demo.RecordOptions{Seed: f.seed, Turnouts: f.turnouts, Days: f.days}
	if bar := bar(int64(f.days), "days", t.err); bar != nil {
		// A bar that cannot be drawn is no failure.
		o.Progress = func(done time.Duration) { _ = bar.Set64(int64(done / (24 * time.Hour))) }
		defer func() { _ = bar.Finish() }()
	}
	err = demo.Record(ctx, w, truthOut, o)
	if err = errors.Join(err, w.Close(), out.Flush(), truthOut.Flush()); err != nil {
		return fmt.Errorf("recording %s: %w", f.record, err)
	}
	for i, name := range []string{f.record, truth} {
		if err := errors.Join(parts[i].Chmod(0o644), parts[i].Sync(), parts[i].Close()); err != nil {
			return fmt.Errorf("recording: %w", err)
		}
		if err := os.Rename(parts[i].Name(), name); err != nil {
			return fmt.Errorf("recording: %w", err)
		}
	}
	return say(t.out, fmt.Sprintf("%s: %d turnouts, %d days, seed %d; what was really wrong: %s (%s)",
		f.record, f.turnouts, f.days, f.seed, truth, time.Since(began).Round(100*time.Millisecond)))
}
