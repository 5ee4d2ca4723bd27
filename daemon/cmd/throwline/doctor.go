package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"throwline/alerting"
	"throwline/daemon"
)

func doctorCommand(t terminal) *cobra.Command {
	var config string
	var listen time.Duration
	c := &cobra.Command{
		Use: "doctor --config FILE", Short: "Say what does not work and what to do about it", Args: cobra.NoArgs,
		Long: "Looks at the disk, the clock, the store, the broker and what comes of it, and the targets, and says of each how it is\n" +
			"and what to do. It changes nothing and sends nobody anything; the program may run meanwhile. Exit code 1 where something is bad.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			conf, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			bad := 0
			for _, s := range daemon.Examine(cmd.Context(), &conf, listen) {
				lines := []string{fmt.Sprintf("%-8s %s: %s", s.Word, s.What, s.Said)}
				if s.Do != "" {
					lines = append(lines, "         -> "+s.Do)
				}
				if s.Word == alerting.Bad {
					bad++
				}
				if err := say(t.out, lines...); err != nil {
					return done(err)
				}
			}
			if bad > 0 {
				return done(errors.New("something is bad; see above"))
			}
			return nil
		},
	}
	c.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	c.Flags().DurationVar(&listen, "listen", 10*time.Second, "how long to listen for messages")
	_ = c.MarkFlagRequired("config") // the flag is there
	return c
}
