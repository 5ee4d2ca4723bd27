package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/detect"
)

// toldLines is how many refused lines are told with their reasons; the rest is counted.
const toldLines = 50

func replayCommand(t terminal) *cobra.Command {
	var config string
	var asJSON bool
	var workers int
	c := &cobra.Command{
		Use:   "replay [--config FILE] [--json] FILE...",
		Short: "Run recordings through the same code as serve and say what it would have said",
		Long: "Replay runs recordings (NDJSON, plain, gzip or zstd; - is standard input), one after the other, through the\n" +
			"same code as serve, as fast as it can, with the time of the recording. It keeps nothing. Lines that cannot be\n" +
			"believed are told on standard error and passed over.",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, files []string) error {
			if workers < 0 {
				return fmt.Errorf("--workers: expected at least 0, found %d", workers)
			}
			c := daemon.DefaultConfig()
			if config != "" {
				var err error
				if c, err = daemon.LoadConfig(config, t.env); err != nil {
					return done(err)
				}
			}
			return done(replay(cmd.Context(), c, files, workers, asJSON, t))
		},
	}
	c.Flags().StringVar(&config, "config", "", "configuration file, for its limits and detection")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object an alert's transition, a line each")
	c.Flags().IntVar(&workers, "workers", 0, "goroutines that decode; 0: one a processor. The result is the same for any number")
	return c
}

func replay(ctx context.Context, c daemon.Config, files []string, workers int, asJSON bool, t terminal) error {
	if t.env != nil {
		// Replay lives on short-lived memory: collect it less often, unless told otherwise.
		if _, told := t.env("GOGC"); !told {
			defer debug.SetGCPercent(debug.SetGCPercent(400))
		}
	}
	began := time.Now()
	out := bufio.NewWriter(t.out)
	o := daemon.ReplayOptions{Workers: workers, Input: t.in, Log: logger(c.Log, t.err)}
	bar := progress(files, t.err)
	if bar != nil {
		o.Read = func(n int) { _ = bar.Add(n) } // a bar that cannot be drawn is no failure
	}
	aside := func(write func() error) error { // the bar steps aside while something is written
		if bar != nil {
			_ = bar.Clear()
		}
		return write()
	}
	counts := map[detect.Condition]map[alerting.EventKind]int{}
	o.Event = func(e alerting.Event) error {
		if counts[e.Alert.Condition] == nil {
			counts[e.Alert.Condition] = map[alerting.EventKind]int{}
		}
		counts[e.Alert.Condition][e.Kind]++
		return aside(func() error {
			var err error
			if asJSON {
				err = daemon.WriteEvent(out, &e)
			} else {
				_, err = fmt.Fprintln(out, eventLine(&e))
			}
			return errors.Join(err, out.Flush())
		})
	}
	refused := 0
	o.Refused = func(file string, line int, reason error) {
		if refused++; refused <= toldLines {
			_ = aside(func() error { _, err := fmt.Fprintf(t.err, "%s:%d: %v\n", file, line, reason); return err })
		}
	}
	sum, err := daemon.Replay(ctx, c, files, o)
	if bar != nil {
		_ = bar.Finish()
	}
	if refused > toldLines {
		fmt.Fprintf(t.err, "… and %d more lines\n", refused-toldLines)
	}
	if refused > 0 {
		fmt.Fprintf(t.err, "%d of %d lines were refused\n", sum.Refused, sum.Lines)
	}
	if errors.Is(err, context.Canceled) {
		return errors.Join(out.Flush(), fmt.Errorf("stopped after %d lines", sum.Lines))
	}
	if !asJSON && err == nil {
		err = summary(out, &sum, counts, time.Since(began))
	}
	return errors.Join(err, out.Flush())
}

// progress returns a bar over the bytes of the files, on a terminal, and nil elsewhere.
func progress(files []string, w io.Writer) *progressbar.ProgressBar {
	total := int64(0)
	for _, f := range files {
		info, err := os.Stat(f)
		if err != nil || !info.Mode().IsRegular() {
			total = -1 // nobody knows how much will come
			break
		}
		total += info.Size()
	}
	return bar(total, "replay", w, progressbar.OptionShowBytes(true))
}

// bar returns a bar on a terminal, and nil elsewhere.
func bar(total int64, what string, w io.Writer, more ...progressbar.Option) *progressbar.ProgressBar {
	if !isTerminal(w) {
		return nil
	}
	return progressbar.NewOptions64(total, append(more, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what),
		progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish(), progressbar.OptionSetPredictTime(true))...)
}

// eventLine is a transition for people.
func eventLine(e *alerting.Event) string {
	a := &e.Alert
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %-7s  %-6s  %s  %s", e.At.UTC().Format("2006-01-02 15:04Z"), e.Kind, a.Priority, a.Turnout, a.Condition)
	if a.To != 0 {
		b.WriteString(", to " + a.To.String())
	}
	if a.ChangePercent != 0 {
		fmt.Fprintf(&b, ", %+.0f %%", a.ChangePercent)
	}
	if e.Kind == alerting.Cleared {
		return b.String()
	}
	for i, c := range a.Causes[:min(2, len(a.Causes))] {
		b.WriteString([]string{": ", ", "}[i])
		fmt.Fprintf(&b, "%s %.0f %%", c.Cause, 100*c.Probability)
	}
	if len(a.Causes) > 0 && len(a.Causes[0].Evidence) > 0 {
		b.WriteString(" (" + a.Causes[0].Evidence[0] + ")")
	}
	return b.String()
}

func summary(w io.Writer, sum *daemon.Replayed, counts map[detect.Condition]map[alerting.EventKind]int, took time.Duration) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if len(counts) > 0 {
		fmt.Fprintln(tw, "\ncondition\traised\tchanged\tcleared")
		var names []detect.Condition
		for c := range counts {
			names = append(names, c)
		}
		slices.Sort(names)
		for _, c := range names {
			fmt.Fprintf(tw, "%s\t%d\t%d\t%d\n", c, counts[c][alerting.Raised], counts[c][alerting.Changed], counts[c][alerting.Cleared])
		}
	}
	fmt.Fprintf(tw, "\n%d throws of %d turnouts", sum.Throws, sum.Turnouts)
	if sum.Throws > 0 {
		fmt.Fprintf(tw, ", %s to %s", sum.From.UTC().Format("2006-01-02"), sum.To.UTC().Format("2006-01-02"))
	}
	fmt.Fprintf(tw, "; %d late, %d sent twice; %d lines refused; %d alerts open at the end.\n", sum.Late, sum.Duplicates, sum.Refused, len(sum.Open))
	if s := took.Seconds(); s > 0 {
		fmt.Fprintf(tw, "Took %s, %.0f throws a second.\n", took.Round(10*time.Millisecond), float64(sum.Throws)/s)
	}
	return tw.Flush()
}
