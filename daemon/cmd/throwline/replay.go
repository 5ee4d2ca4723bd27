package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/score"
	"throwline/detect"
)

// toldLines is how many refused lines are told with their reasons; the rest is counted.
const toldLines = 50

// replayFlags are what replay can be told.
type replayFlags struct {
	config  string
	asJSON  bool
	workers int
	truth   string
	picture string
}

func replayCommand(t terminal) *cobra.Command {
	var f replayFlags
	c := &cobra.Command{
		Use:   "replay [--config FILE] [--json] [--truth FILE [--picture DIR]] FILE...",
		Short: "Run recordings through the same code as serve and say what it would have said",
		Long: "Replay runs recordings (NDJSON, plain, gzip or zstd; - is standard input), one after the other, through the\n" +
			"same code as serve, as fast as it can, with the time of the recording. It keeps nothing. Lines that cannot be\n" +
			"believed are told on standard error and passed over.\n\n" +
			"With --truth it says how well that did: how many failures it warned of before they came, how early and with the\n" +
			"right cause, how many false alerts there were, and how far its probabilities and forecasts kept their word. The\n" +
			"truth is the file that demo --record writes beside a recording. The table goes to standard output, or with --json\n" +
			"to standard error. With --picture it draws each fault and each false alert as well.",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, files []string) error {
			if err := f.check(cmd); err != nil {
				return err
			}
			c := daemon.DefaultConfig()
			if f.config != "" {
				var err error
				if c, err = daemon.LoadConfig(f.config, t.env); err != nil {
					return done(err)
				}
			}
			return done(replay(cmd.Context(), c, files, f, t))
		},
	}
	c.Flags().StringVar(&f.config, "config", "", "configuration file, for its limits and detection")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print one JSON object an alert's transition, a line each")
	c.Flags().IntVar(&f.workers, "workers", 0, "goroutines that decode; 0: one a processor. The result is the same for any number")
	c.Flags().StringVar(&f.truth, "truth", "", "file that says what was really wrong; print a table that holds the alerts against it")
	c.Flags().StringVar(&f.picture, "picture", "", "with --truth: folder for an SVG of each fault and each false alert, and an index.html; made where it is not there")
	return c
}

func (f *replayFlags) check(cmd *cobra.Command) error {
	switch given := cmd.Flags().Changed; {
	case f.workers < 0:
		return fmt.Errorf("--workers: expected at least 0, found %d", f.workers)
	case given("truth") && f.truth == "":
		return errors.New("--truth: expected a file, found nothing")
	case given("picture") && f.picture == "":
		return errors.New("--picture: expected a folder, found nothing")
	case given("picture") && !given("truth"):
		return errors.New("--picture: expected together with --truth, found alone")
	}
	return nil
}

func replay(ctx context.Context, c daemon.Config, files []string, f replayFlags, t terminal) error {
	if t.env != nil {
		// Replay lives on short-lived memory: collect it less often, unless told otherwise.
		if _, told := t.env("GOGC"); !told {
			defer debug.SetGCPercent(debug.SetGCPercent(400))
		}
	}
	tally, err := openTally(f) // what is wrong with it is told before the long work
	if err != nil {
		return err
	}
	began := time.Now()
	out := bufio.NewWriter(t.out)
	o := daemon.ReplayOptions{Workers: f.workers, Input: t.in, Log: logger(c.Log, nil, t.err)}
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
		if tally != nil {
			tally.Event(e)
		}
		return aside(func() error {
			var err error
			if f.asJSON {
				err = daemon.WriteEvent(out, &e)
			} else {
				_, err = fmt.Fprintln(out, eventLine(&e))
			}
			return errors.Join(err, out.Flush())
		})
	}
	if !f.asJSON { // the lines of JSON are alerts alone
		told := map[string]bool{}
		o.Notices = func(list []detect.Notice) {
			for _, n := range list {
				if key := n.Area + n.What + n.Since.String(); !told[key] {
					told[key] = true
					_ = aside(func() error {
						fmt.Fprintf(out, "%s  felt by many: %s\n", n.Since.UTC().Format(time.DateTime), n.Said)
						return out.Flush()
					})
				}
			}
		}
	}
	if tally != nil {
		o.Throw, o.Work = tally.Throw, tally.Work
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
	if !f.asJSON && err == nil {
		err = summary(out, &sum, counts, time.Since(began))
	}
	if tally != nil && err == nil {
		table := io.Writer(out)
		if f.asJSON {
			table = t.err
		}
		err = judge(table, t.err, tally, f)
	}
	return errors.Join(err, out.Flush())
}

// openTally reads the truth and makes the folder of the pictures; nil where
// there is no truth to hold the alerts against.
func openTally(f replayFlags) (*score.Tally, error) {
	if f.truth == "" {
		return nil, nil
	}
	in, err := os.Open(f.truth)
	if err != nil {
		return nil, fmt.Errorf("truth: %w", err)
	}
	defer in.Close()
	truth, err := score.ReadTruth(in)
	if err != nil {
		return nil, fmt.Errorf("truth: %s: %w", f.truth, err)
	}
	if f.picture != "" {
		if err := os.MkdirAll(f.picture, 0o755); err != nil {
			return nil, fmt.Errorf("folder of the pictures: %w", err)
		}
	}
	return score.NewTally(truth, f.picture != ""), nil
}

// judge prints the table and draws the pictures.
func judge(w, errs io.Writer, tally *score.Tally, f replayFlags) error {
	if strange, throws := tally.Strange(); strange > throws/100 {
		fmt.Fprintf(errs, "%s tells nothing of the turnout or the time of %d of %d throws: is it the truth of another recording?\n", f.truth, strange, throws)
	}
	r := tally.Result()
	fmt.Fprintln(w)
	if err := r.Print(w); err != nil {
		return err
	}
	if f.picture == "" {
		return nil
	}
	n, err := tally.WritePictures(f.picture, r)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "\n%d pictures: %s\n", n, filepath.Join(f.picture, "index.html"))
	return err
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
	if again := a.Again(); again != "" && e.Kind == alerting.Raised {
		b.WriteString(", " + again)
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
