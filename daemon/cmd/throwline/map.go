package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/ingest"
	"throwline/ingest/wire"
)

func mapCommand(t terminal) *cobra.Command {
	var config, name, topic string
	c := &cobra.Command{
		Use: "map --config FILE --name NAME MESSAGE", Short: "Show what a captured message becomes by a mapping", Args: cobra.ExactArgs(1),
		Long: "Reads a message of a cabinet that cannot be changed, from a file or (-) standard input, by the mapping of that name\n" +
			"(mqtt.mapped), as serve would, and prints the throw it becomes, or everything for which it would be set aside, each with\n" +
			"the JSON pointer, what is expected and what is found. Nothing is connected to and nothing is kept. Exit code 1 where it\n" +
			"would be set aside.",
		Example: "  mosquitto_sub -t 'plant/+/pm/+' -C 1 | throwline map --config throwline.yaml --name pm -",
		RunE: func(_ *cobra.Command, args []string) error {
			conf, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			// One byte more than may arrive is enough to be told so.
			most := int64(conf.Limits.Payload) + 1
			in := t.in
			if args[0] != "-" {
				f, err := os.Open(args[0])
				if err != nil {
					return done(err)
				}
				defer func() { _ = f.Close() }() // it was only read
				in = f
			}
			payload, err := io.ReadAll(io.LimitReader(in, most))
			if err != nil {
				return done(fmt.Errorf("message: %w", err))
			}
			throw, err := conf.Map(name, topic, payload, time.Now())
			if r := ingest.AsRefusal(err); r != nil {
				for _, f := range r.Faults {
					if err := say(t.out, f.String()); err != nil {
						return done(err)
					}
				}
				return done(errors.New("the message would be set aside; see above"))
			}
			if err != nil {
				return done(err)
			}
			return done(say(t.out, string(wire.AppendThrow(nil, throw))))
		},
	}
	c.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	c.Flags().StringVar(&name, "name", "", "name of the mapping in mqtt.mapped")
	c.Flags().StringVar(&topic, "topic", "", "topic on which the message arrived, for the names in it")
	_ = c.MarkFlagRequired("config") // the flags are there
	_ = c.MarkFlagRequired("name")
	return c
}
