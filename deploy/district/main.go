// Command district writes the recording of an invented district of turnouts,
// and the truth about its hidden faults beside it.
//
//	go run ./deploy/district -seed 1 -turnouts 80 -days 150 -out district.ndjson.gz
//
// It is a fourth judge of detection, meant to be hard: it was written without
// knowledge of the detector, shares no code with the other invented fleets and,
// but for its test, imports nothing of Throwline, so that a mistake made there is
// not made here again. Motors for direct and alternating current and pumps are
// stepped through the stroke against the load of chairs, rollers, locks and
// blades, millisecond by millisecond. What is harder than elsewhere: sound
// turnouts wander, jump and answer to weather each in its own way; works that
// mend nothing move the level; cabinets have bad clocks, gaps, spools and
// doubled messages; many works are never written down; some faults show only
// in some weather or now and then, and some have not failed when the recording
// ends.
//
// A little less than half of the turnouts get a fault that fails throws, a
// fourth of the early ones two; some more get a sensor that goes wrong, and some
// a fault that has no time left to fail. The recording is NDJSON in gzip, in the
// order of arrival; the truth is written to a file of the same name with .truth
// behind it. What was simulated is summed up on standard error, for a reader who
// wants to know whether it is plausible.
//
// The same seed, turnouts and days give the same bytes on the same kind of
// processor, whatever the number of its cores. Seeds from 1000 on are kept for
// reports: do not look at them while you change detection.
//
// Unless a comment says otherwise, times inside the simulation are days from
// the start of the recording, times within a throw are seconds, temperatures
// degrees Celsius, places along the stroke run from 0 to 1, speeds are strokes a
// second, and forces kN. Ends are 0 for normal and 1 for reverse.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
)

type options struct {
	seed     uint64
	turnouts int
	days     int
	out      string
}

// shortest is how many days a recording has at least: less leaves no room for
// what is drawn well within it.
const shortest = 60

var errUsage = errors.New("wrong use")

func main() {
	err := run(os.Args[1:], os.Stderr)
	switch {
	case err == nil:
	case errors.Is(err, errUsage):
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "district:", err)
		os.Exit(1)
	}
}

// run writes the recording and the truth that args ask for. Wrong use is told
// to progress, as is the summary at the end.
func run(args []string, progress io.Writer) error {
	var o options
	f := flag.NewFlagSet("district", flag.ContinueOnError)
	f.SetOutput(progress)
	f.Uint64Var(&o.seed, "seed", 1, "which district; seeds from 1000 on are kept for reports")
	f.IntVar(&o.turnouts, "turnouts", 80, "turnouts, a little more than half of them with a fault")
	f.IntVar(&o.days, "days", 150, "days of the recording")
	f.StringVar(&o.out, "out", "", "the recording to write (.ndjson.gz); the truth goes to the same name with .truth behind it")
	switch err := f.Parse(args); {
	case errors.Is(err, flag.ErrHelp):
		return nil
	case err != nil:
		return errUsage
	}
	if err := o.check(f.Args()); err != nil {
		fmt.Fprintln(progress, "district:", err)
		return errUsage
	}
	d := newDistrict(o)
	d.live(runtime.GOMAXPROCS(0))
	if err := writeFile(o.out, d.record); err != nil {
		return fmt.Errorf("recording: %w", err)
	}
	if err := writeFile(o.out+".truth", d.writeTruth); err != nil {
		return fmt.Errorf("truth: %w", err)
	}
	return d.sumUp(progress)
}

func (o *options) check(rest []string) error {
	switch {
	case len(rest) > 0:
		return fmt.Errorf("expected flags only, found %s", strings.Join(rest, " "))
	case o.turnouts < 2 || o.turnouts > 10_000:
		return fmt.Errorf("-turnouts: expected 2 to 10000, found %d", o.turnouts)
	case o.days < shortest || o.days > 3650:
		return fmt.Errorf("-days: expected %d to 3650, found %d", shortest, o.days)
	case o.out == "":
		return errors.New("-out: expected the name of the recording to write, found none")
	}
	return nil
}

// writeFile creates a file and fills it; a file that cannot be filled whole
// stays behind, cut short.
func writeFile(name string, fill func(io.Writer) error) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	return errors.Join(fill(f), f.Close())
}
