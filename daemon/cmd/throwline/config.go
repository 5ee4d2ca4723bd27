package main

import (
	"strings"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/deploy"
)

func configCommand(t terminal) *cobra.Command {
	c := &cobra.Command{Use: "config", Short: "Check, print or begin a configuration", Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	c.AddCommand(&cobra.Command{
		Use: "check FILE", Short: "Say all that is wrong with a configuration", Args: cobra.ExactArgs(1),
		Long: "Reads the file, the environment and every file that they name, and says all that is wrong at once. Nothing is connected to.\n" +
			"Exit code 78 where anything is.",
		RunE: func(_ *cobra.Command, args []string) error {
			if _, err := daemon.LoadConfig(args[0], t.env); err != nil {
				return done(err)
			}
			return done(say(t.out, args[0]+": nothing is wrong with it"))
		},
	}, &cobra.Command{
		Use: "print FILE", Short: "Print the configuration in force: file, environment and defaults", Args: cobra.ExactArgs(1),
		Long: "Prints as YAML what is in force once the file, the environment (THROWLINE_HTTP_LISTEN goes before http.listen,\n" +
			"THROWLINE_HTTP_LISTEN_FILE names a file with the value) and the defaults are put together. Secrets are never printed.",
		RunE: func(_ *cobra.Command, args []string) error {
			c, err := daemon.LoadConfig(args[0], t.env)
			if err != nil {
				return done(err)
			}
			b, err := c.Print()
			if err != nil {
				return done(err)
			}
			return done(say(t.out, strings.TrimSuffix(string(b), "\n")))
		},
	}, &cobra.Command{
		Use: "sample", Short: "Print a configuration with every key, its default and what it does", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return done(say(t.out, strings.TrimSuffix(deploy.Sample, "\n")))
		},
	})
	return c
}
