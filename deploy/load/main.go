// Command load puts a load of throws on a broker, and measures.
//
//	go run ./deploy/load -for 20s                     # throws as fast as the broker takes them
//	go run ./deploy/load -rate 200 -cbor              # 200 a second, in CBOR
//	go run ./deploy/load -sink                        # a subscriber that only acknowledges
//	go run ./deploy/load -latency 127.0.0.1:8080      # from a throw to its alert in the event stream
//	go run ./deploy/load -soak 30m                    # bin/throwline and a Mosquitto, at ten times the demo's rate: what grows
//
// Throws are invented: a motor's current and its supply at every turnout, 4 KB
// of JSON by default. It prints a line a second to standard error, and at the
// end one line of JSON, or the table of a soak, to standard output.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"throwline/ingest/mqtt"
)

type options struct {
	broker, prefix, client string
	cabinets, turnouts     int
	samples, window        int
	rate                   float64
	count                  int
	lasting                time.Duration
	cbor, numbered, sink   bool
	plain                  bool
	latency                string
	soak                   time.Duration
	program                string
	progress               io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	switch {
	case err == nil:
	case errors.Is(err, errUsage):
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

var errUsage = errors.New("wrong use")

func run(ctx context.Context, args []string, out, progress io.Writer) error {
	o := options{progress: progress}
	f := flag.NewFlagSet("load", flag.ContinueOnError)
	f.SetOutput(progress)
	f.StringVar(&o.broker, "broker", "tcp://127.0.0.1:1883", "the broker")
	f.StringVar(&o.prefix, "prefix", mqtt.DefaultPrefix, "what stands before the cabinet in every topic")
	f.StringVar(&o.client, "client", "load-sink", "client id of the sink")
	f.IntVar(&o.cabinets, "cabinets", 4, "cabinets, each with a connection")
	f.IntVar(&o.turnouts, "turnouts", 400, "turnouts, over all cabinets")
	f.IntVar(&o.samples, "samples", 350, "samples a channel")
	f.IntVar(&o.window, "window", 100, "throws of a cabinet on their way to the broker")
	f.Float64Var(&o.rate, "rate", 0, "throws a second over all cabinets; 0: as fast as the broker takes them")
	f.IntVar(&o.count, "n", 0, "end after so many throws, or messages, or probes; 0: see -for")
	f.DurationVar(&o.lasting, "for", 10*time.Second, "end after this time, where -n is 0")
	f.BoolVar(&o.cbor, "cbor", false, "CBOR rather than JSON")
	f.BoolVar(&o.numbered, "numbered", true, "number the throws, so that receipts are given")
	f.BoolVar(&o.sink, "sink", false, "subscribe and acknowledge, rather than publish")
	f.BoolVar(&o.plain, "plain", false, "with -sink: the MQTT library as it comes, rather than Throwline's session")
	f.StringVar(&o.latency, "latency", "", "host:port of Throwline's pages: measure the time to an alert")
	f.DurationVar(&o.soak, "soak", 0, "run the program and a Mosquitto for so long under -rate (0: 1000), and fit how what it uses grows")
	f.StringVar(&o.program, "program", "bin/throwline", "with -soak: the program")
	if err := f.Parse(args); err != nil {
		return errUsage
	}
	if err := o.check(f.Args()); err != nil {
		fmt.Fprintln(progress, "load:", err)
		return errUsage
	}
	if o.soak > 0 {
		return soak(ctx, &o, out)
	}
	var result any
	var err error
	switch {
	case o.sink:
		result, err = sink(ctx, &o)
	case o.latency != "":
		result, err = latency(ctx, &o)
	default:
		result, err = load(ctx, &o)
	}
	if err != nil {
		return err
	}
	line, err := json.Marshal(result)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s\n", line)
	return err
}

func (o *options) check(rest []string) error {
	switch {
	case len(rest) > 0:
		return fmt.Errorf("expected flags only, found %s", strings.Join(rest, " "))
	case o.cabinets < 1 || o.cabinets > 10_000:
		return fmt.Errorf("-cabinets: expected 1 to 10000, found %d", o.cabinets)
	case o.turnouts < o.cabinets || o.turnouts > 1_000_000:
		return fmt.Errorf("-turnouts: expected at least one a cabinet, at most 1000000, found %d", o.turnouts)
	case o.samples < 8 || o.samples > 200_000:
		return fmt.Errorf("-samples: expected 8 to 200000, found %d", o.samples)
	case o.window < 1 || o.window > 10_000:
		return fmt.Errorf("-window: expected 1 to 10000, found %d", o.window)
	case !(o.rate >= 0):
		return fmt.Errorf("-rate: expected 0 or more, found %g", o.rate)
	case o.count < 0 || o.lasting <= 0:
		return errors.New("-n and -for: expected a number or a time above 0")
	case o.soak < 0 || o.soak > 0 && o.soak < 10*time.Second:
		return fmt.Errorf("-soak: expected 10s or more, found %s", o.soak)
	case o.sink && o.latency != "":
		return errors.New("-sink or -latency: expected one of them, found both")
	}
	return errors.Join(mqtt.CheckBroker(o.broker), mqtt.CheckPrefix(o.prefix))
}
