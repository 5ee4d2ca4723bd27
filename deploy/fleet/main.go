// Command fleet writes the recording of an invented fleet of turnouts, and the
// truth about its hidden faults beside it.
//
//	go run ./deploy/fleet -seed 1 -turnouts 80 -days 150 -out fleet.ndjson.gz
//
// It is a third judge of detection, after the yard and the sketched fleet of
// daemon/demo: it shares no code with them and, but for its test, imports
// nothing of Throwline, so that a mistake made there is not made here again. It knows
// motors for direct and alternating current and pumps, one or two drives a
// turnout, weather, grease that ages, works, cabinets that lose their line,
// messages that come late or twice, single odd throws that mean nothing, and
// ten causes of a fault that grows towards a failure and is repaired.
//
// Half of the turnouts get exactly one fault, the others none. The recording
// is NDJSON in gzip, in the order of arrival; the truth is written to a file of
// the same name with .truth behind it. What was simulated is summed up on
// standard error, for a reader who wants to know whether it is plausible.
//
// The same seed, turnouts and days give the same bytes on the same kind of
// processor. Seeds from 1000 on are kept for reports: do not look at them while
// you change detection.
//
// Unless a comment says otherwise, times inside the simulation are days from
// the start of the recording, times within a throw are seconds, temperatures
// degrees Celsius, the stroke of a drive runs from 0 to 1, and loads are shares
// of a drive's usual running load.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
)

type options struct {
	seed     uint64
	turnouts int
	days     int
	out      string
}

var errUsage = errors.New("wrong use")

func main() {
	err := run(os.Args[1:], os.Stderr)
	switch {
	case err == nil:
	case errors.Is(err, errUsage):
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "fleet:", err)
		os.Exit(1)
	}
}

// run writes the recording and the truth that args ask for. Wrong use is told
// to progress, as is the summary at the end.
func run(args []string, progress io.Writer) error {
	var o options
	f := flag.NewFlagSet("fleet", flag.ContinueOnError)
	f.SetOutput(progress)
	f.Uint64Var(&o.seed, "seed", 1, "which fleet; seeds from 1000 on are kept for reports")
	f.IntVar(&o.turnouts, "turnouts", 80, "turnouts, half of them with a fault")
	f.IntVar(&o.days, "days", 150, "days of the recording")
	f.StringVar(&o.out, "out", "", "the recording to write (.ndjson.gz); the truth goes to the same name with .truth behind it")
	switch err := f.Parse(args); {
	case errors.Is(err, flag.ErrHelp):
		return nil
	case err != nil:
		return errUsage
	}
	if err := o.check(f.Args()); err != nil {
		fmt.Fprintln(progress, "fleet:", err)
		return errUsage
	}
	fl := newFleet(o)
	if err := writeFile(o.out, fl.record); err != nil {
		return fmt.Errorf("recording: %w", err)
	}
	if err := writeFile(o.out+".truth", fl.writeTruth); err != nil {
		return fmt.Errorf("truth: %w", err)
	}
	return fl.sumUp(progress)
}

func (o *options) check(rest []string) error {
	switch {
	case len(rest) > 0:
		return fmt.Errorf("expected flags only, found %s", strings.Join(rest, " "))
	case o.turnouts < 2 || o.turnouts > 10_000:
		return fmt.Errorf("-turnouts: expected 2 to 10000, found %d", o.turnouts)
	case o.days < 20 || o.days > 3650:
		return fmt.Errorf("-days: expected 20 to 3650, found %d", o.days)
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
