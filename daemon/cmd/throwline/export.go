package main

import (
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/daemon/export"
)

func exportCommand(t terminal) *cobra.Command {
	var config, from, to string
	c := &cobra.Command{Use: "export", Short: "Write what the store holds to somewhere else", Args: cobra.NoArgs}
	influx := &cobra.Command{
		Use: "influx --config FILE [--from TIME] [--to TIME]", Short: "Write history to the time-series store that export.influx names", Args: cobra.NoArgs,
		Long: "Writes throws by their start and what became of alerts by its time, from --from to before --to. The program may run\n" +
			"meanwhile, and goes on with what is new by itself. What is there already is written onto itself: it may be run again,\n" +
			"and is, where it was cut off. How turnouts are (open alerts, forecasts) has no history and is not written.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			start, err := moment(from, time.Unix(0, 0))
			if err != nil {
				return fmt.Errorf("--from: %w", err)
			}
			end, err := moment(to, time.Now())
			if err != nil {
				return fmt.Errorf("--to: %w", err)
			}
			if !start.Before(end) {
				return fmt.Errorf("--from: expected a time before --to, %s, found %s", end.Format(time.RFC3339), start.Format(time.RFC3339))
			}
			conf, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			trouble, told := "", time.Now()
			p, err := daemon.ExportHistory(cmd.Context(), &conf, logger(conf.Log, nil, t.err), start, end, func(p export.Progress) {
				if p.Trouble != trouble {
					if trouble = p.Trouble; trouble != "" {
						fmt.Fprintln(t.err, "waiting:", trouble)
					}
				}
				if time.Since(told) > 5*time.Second {
					told = time.Now()
					fmt.Fprintf(t.err, "%d throws read, %d points written\n", p.Throws, p.Written)
				}
			})
			if err != nil {
				return done(fmt.Errorf("after %d throws: %w; run it again, what is there is written onto itself", p.Throws, err))
			}
			line := fmt.Sprintf("%d points written, of %d throws and %d events of alerts.", p.Written, p.Throws, p.Events)
			if p.Refused == 0 {
				return done(say(t.out, line))
			}
			if err := say(t.out, line, fmt.Sprintf("%d points were refused, the first: %s", p.Refused, p.First.Line), "because: "+p.First.Reason); err != nil {
				return done(err)
			}
			return done(fmt.Errorf("%d points were refused", p.Refused))
		},
	}
	influx.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	influx.Flags().StringVar(&from, "from", "", "RFC 3339 like 2026-03-01T00:00:00Z, a day, or how long ago like 90d; the beginning unless given")
	influx.Flags().StringVar(&to, "to", "", "likewise; now unless given")
	_ = influx.MarkFlagRequired("config") // the flag is there
	c.AddCommand(influx)
	return c
}

// moment reads a time as people give it; a day begins at midnight UTC.
func moment(s string, otherwise time.Time) (time.Time, error) {
	if s == "" {
		return otherwise, nil
	}
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
		if at, err := time.Parse(layout, s); err == nil {
			return at, nil
		}
	}
	if ago, err := daemon.ParseDuration(s); err == nil && ago > 0 {
		return time.Now().Add(-time.Duration(ago)), nil
	}
	return time.Time{}, fmt.Errorf("expected a time like 2026-03-01T00:00:00Z, a day like 2026-03-01 or how long ago like 90d, found %s", strconv.Quote(s))
}
