package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"throwline/daemon"
	"throwline/daemon/store"
)

// storeCommands see to the store as a whole.
func storeCommands(t terminal) []*cobra.Command {
	command := func(use, short, long string, args cobra.PositionalArgs, do func(cmd *cobra.Command, c *daemon.Config, args []string) error) *cobra.Command {
		var config string
		cmd := &cobra.Command{Use: use, Short: short, Long: long, Args: args}
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			c, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			return done(do(cmd, &c, args))
		}
		cmd.Flags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
		_ = cmd.MarkFlagRequired("config") // the flag is there
		return cmd
	}
	return []*cobra.Command{
		command("backup --config FILE TO", "Copy the store to a new file, while the program runs or not",
			"Copies the store as it is at one moment, syncs the copy and reads it from end to end. The program may run meanwhile.",
			cobra.ExactArgs(1), func(cmd *cobra.Command, c *daemon.Config, args []string) error {
				found, err := daemon.Backup(cmd.Context(), c, args[0])
				if err != nil {
					return err
				}
				return say(t.out, args[0]+": "+contents(&found))
			}),
		command("restore --config FILE FROM", "Put a backup in the place of the store; the program must be stopped",
			"Reads the backup from end to end, moves what is in its place aside, and reads the store again where it is now.",
			cobra.ExactArgs(1), func(cmd *cobra.Command, c *daemon.Config, args []string) error {
				kept, found, err := daemon.Restore(cmd.Context(), c, args[0], time.Now())
				if err != nil {
					return err
				}
				lines := []string{"Restored " + contents(&found)}
				if kept != "" {
					lines = append(lines, "What was there before is kept as "+kept)
				}
				return say(t.out, lines...)
			}),
		command("verify --config FILE [BACKUP]", "Read the store, or a backup, from end to end",
			"Reads every page and every row, holds them against their checksums, and says what is there. Where something is damaged it\n"+
				"lists all that is: which row, and which turnout and time it concerns as far as they can be read. It changes nothing;\n"+
				"the program may run.",
			cobra.MaximumNArgs(1), func(cmd *cobra.Command, c *daemon.Config, args []string) error {
				file := ""
				if len(args) > 0 {
					file = args[0]
				}
				found, err := daemon.Verify(cmd.Context(), c, file)
				if err == nil {
					return say(t.out, contents(&found))
				}
				// It ends at the first that is wrong. What keeps both from reading is told once.
				_, _ = daemon.Check(cmd.Context(), c, file, func(d store.Damage) { _ = say(t.out, "damaged  "+d.String()) })
				return err
			}),
	}
}

func contents(c *store.Contents) string {
	s := fmt.Sprintf("%d throws of %d turnouts (%d with their traces), %d alerts, %d visits, %d messages set aside; %.1f MB, version %d",
		c.Throws, c.Turnouts, c.Traces, c.Alerts, c.Work, c.Aside, float64(c.Bytes)/1e6, c.Version)
	if !c.From.IsZero() {
		s += fmt.Sprintf(", from %s to %s", c.From.Format("2006-01-02 15:04"), c.To.Format("2006-01-02 15:04 MST"))
	}
	return s
}
