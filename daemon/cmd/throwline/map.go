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
	var births []string
	c := &cobra.Command{
		Use: "map --config FILE --name NAME MESSAGE", Short: "Show what a captured message becomes by a mapping", Args: cobra.ExactArgs(1),
		Long: "Reads a message of a cabinet that cannot be changed, from a file or (-) standard input, by the mapping of that name\n" +
			"(mqtt.mapped, or the throws of mqtt.sparkplug), as serve would, and prints the throw it becomes, or everything for which it would be set aside, each with\n" +
			"the JSON pointer or metric, what is expected and what is found. Nothing is connected to and nothing is kept. Exit code 1\n" +
			"where it would be set aside. A Sparkplug payload that has aliases needs the birth that names them (--birth).",
		Example: "  mosquitto_sub -t 'plant/+/pm/+' -C 1 | throwline map --config throwline.yaml --name pm -\n" +
			"  mosquitto_sub -t 'spBv1.0/YARD/DBIRTH/+/W1' -C 1 -N >birth   # and DDATA likewise >data\n" +
			"  throwline map --config throwline.yaml --name pm --birth birth data",
		RunE: func(_ *cobra.Command, args []string) error {
			conf, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			// One byte more than may arrive is enough to be told so.
			most := int64(conf.Limits.Payload) + 1
			payload, err := captured(t.in, args[0], most)
			if err != nil {
				return done(fmt.Errorf("message: %w", err))
			}
			var throw *ingest.Throw
			if conf.HasSparkplug(name) {
				var list [][]byte
				for _, file := range births {
					b, err := captured(t.in, file, most)
					if err != nil {
						return done(fmt.Errorf("birth: %w", err))
					}
					list = append(list, b)
				}
				throw, err = conf.MapSparkplug(name, topic, list, payload, time.Now())
			} else {
				throw, err = conf.Map(name, topic, payload, time.Now())
			}
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
	c.Flags().StringVar(&name, "name", "", "name of the mapping in mqtt.mapped, or of the throws in mqtt.sparkplug")
	c.Flags().StringVar(&topic, "topic", "", "topic on which the message arrived, for the names in it")
	c.Flags().StringArrayVar(&births, "birth", nil, "file with a birth (NBIRTH or DBIRTH) before a Sparkplug message; may be given again")
	_ = c.MarkFlagRequired("config") // the flags are there
	_ = c.MarkFlagRequired("name")
	return c
}

// captured reads a file, or standard input for -, up to so many bytes.
func captured(stdin io.Reader, name string, most int64) ([]byte, error) {
	in := stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer func() { _ = f.Close() }() // it was only read
		in = f
	}
	return io.ReadAll(io.LimitReader(in, most))
}
