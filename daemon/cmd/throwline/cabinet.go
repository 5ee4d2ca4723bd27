package main

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/ingest/broker"
)

// cabinetCommand writes the passwords of cabinets at the broker inside.
func cabinetCommand(t terminal) *cobra.Command {
	var config string
	c := &cobra.Command{
		Use:   "cabinet",
		Short: "Let cabinets in at the broker inside, with passwords",
		Long: "Cabinet writes broker.users_file: names of cabinets, and the bcrypt hashes of their passwords. The program may run\n" +
			"meanwhile: it reads the file anew within seconds, and sends away who would not be let in any more.",
	}
	c.PersistentFlags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	_ = c.MarkPersistentFlagRequired("config") // the flag is there
	with := func(do func(file string, users broker.Users, args []string) error) func(*cobra.Command, []string) error {
		return func(_ *cobra.Command, args []string) error {
			conf, err := daemon.LoadConfigFile(config, t.env) // users_file may be missing yet
			if err != nil {
				return done(err)
			}
			file := conf.Broker.UsersFile
			if file == "" {
				return done(errors.New("broker.users_file: expected the file in the configuration, found nothing"))
			}
			users, err := broker.ReadUsers(file)
			if errors.Is(err, fs.ErrNotExist) {
				users, err = broker.Users{}, nil
			}
			if err != nil {
				return done(err)
			}
			return done(do(file, users, args))
		}
	}
	c.AddCommand(
		&cobra.Command{
			Use: "add NAME --config FILE", Short: "Make a cabinet's password, or a new one, and print it", Args: cobra.ExactArgs(1),
			RunE: with(func(file string, users broker.Users, args []string) error {
				password, err := users.Set(args[0])
				if err != nil {
					return err
				}
				if err := users.Write(file); err != nil {
					return err
				}
				return say(t.out, fmt.Sprintf("%s logs in as %s with the password %s", args[0], args[0], password), "It is not kept: only its hash stands in "+file)
			}),
		},
		&cobra.Command{
			Use: "remove NAME --config FILE", Short: "Let a cabinet in no more", Args: cobra.ExactArgs(1),
			RunE: with(func(file string, users broker.Users, args []string) error {
				if users[args[0]] == "" {
					return fmt.Errorf("%s: expected a cabinet of that file, found %q", file, args[0])
				}
				delete(users, args[0])
				return users.Write(file)
			}),
		},
		&cobra.Command{
			Use: "list --config FILE", Short: "Print the cabinets that have passwords", Args: cobra.NoArgs,
			RunE: with(func(_ string, users broker.Users, _ []string) error {
				return say(t.out, slices.Sorted(maps.Keys(users))...)
			}),
		})
	return c
}
