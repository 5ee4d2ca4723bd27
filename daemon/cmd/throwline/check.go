package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/daemon/store"
)

// damageCommands tell what is damaged in a store, and save the rest.
func damageCommands(t terminal) []*cobra.Command {
	var config string
	check := &cobra.Command{
		Use: "check --config FILE [BACKUP]", Short: "Look for damage in the store, or in a backup, and list it", Args: cobra.MaximumNArgs(1),
		Long: "Reads every page and every row and holds them against their checksums. It changes nothing; the program may run. Exit code 1\n" +
			"where something is damaged; each line then says which row, and which turnout and time it concerns as far as they can be read.",
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			file := ""
			if len(args) > 0 {
				file = args[0]
			}
			var failed error
			found, err := daemon.Check(cmd.Context(), &c, file, func(d store.Damage) {
				failed = errors.Join(failed, say(t.out, "damaged  "+d.String()))
			})
			if err = errors.Join(err, failed); err != nil {
				return done(err)
			}
			if !found.Sound() {
				return done(fmt.Errorf("%s are damaged, and %s wrong with the file; restore a backup, or take what is sound into a new store: throwline salvage",
					many(found.Damaged, "row"), many(found.Broken, "thing")))
			}
			line := fmt.Sprintf("sound: %s, %.1f MB, version %d", many(found.Rows, "row"), float64(found.Bytes)/1e6, found.Version)
			if found.Unsummed > 0 {
				line += fmt.Sprintf("; %s written by a release without checksums of rows", many(found.Unsummed, "row"))
			}
			return done(say(t.out, line))
		},
	}
	check.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	_ = check.MarkFlagRequired("config") // the flag is there
	return []*cobra.Command{check}
}

func many(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
