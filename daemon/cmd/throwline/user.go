package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/accounts"
	"throwline/daemon/store"
)

// byCommandLine stands in the record of who has done what.
const byCommandLine = "(command line)"

func userCommand(t terminal) *cobra.Command {
	var config, role, display string
	c := &cobra.Command{
		Use:   "user",
		Short: "See to accounts where nobody can log in; the program must be stopped",
		Long: "User works on the store itself, for when nobody can log in any more. The program must be stopped meanwhile.\n" +
			"No password is typed here: add and reset print a link, good once and for 72 hours, on which its owner chooses one\n" +
			"once the program runs again. Reset also makes the account usable again where it was disabled.",
	}
	c.PersistentFlags().StringVar(&config, "config", "", "configuration file, the same that serve takes")
	_ = c.MarkPersistentFlagRequired("config") // the flag is there
	with := func(do func(ctx context.Context, conf *daemon.Config, a *accounts.Accounts, args []string) error) func(*cobra.Command, []string) error {
		return func(cmd *cobra.Command, args []string) error {
			conf, err := daemon.LoadConfig(config, t.env)
			if err != nil {
				return done(err)
			}
			return done(withAccounts(cmd.Context(), &conf, func(a *accounts.Accounts) error { return do(cmd.Context(), &conf, a, args) }))
		}
	}
	add := &cobra.Command{
		Use: "add NAME --config FILE", Short: "Make an account, and a link for its owner", Args: cobra.ExactArgs(1),
		RunE: with(func(ctx context.Context, conf *daemon.Config, a *accounts.Accounts, args []string) error {
			link, u, err := a.Add(ctx, byCommandLine, args[0], display, alerting.Role(role))
			if err != nil {
				return err
			}
			return say(t.out, fmt.Sprintf("%s, %s, chooses a password at", u.Name, u.Role), welcome(conf, link))
		}),
	}
	add.Flags().StringVar(&role, "role", string(alerting.Viewer), "viewer, operator, maintainer or administrator")
	add.Flags().StringVar(&display, "display", "", "how the person is called")
	c.AddCommand(add,
		&cobra.Command{
			Use: "list --config FILE", Short: "Print all accounts", Args: cobra.NoArgs,
			RunE: with(func(_ context.Context, _ *daemon.Config, a *accounts.Accounts, _ []string) error {
				var lines []string
				for _, u := range a.List() {
					note := ""
					switch {
					case u.Disabled:
						note = "disabled"
					case u.Subject != "":
						note = "at the OpenID provider"
					case u.Password == "":
						note = "no password yet"
					}
					lines = append(lines, strings.TrimRight(fmt.Sprintf("%-24s %-14s %s", u.Name, u.Role, note), " "))
				}
				if lines == nil {
					lines = []string{"There is no account; serve prints a link that makes the first administrator."}
				}
				return say(t.out, lines...)
			}),
		},
		&cobra.Command{
			Use: "reset NAME --config FILE", Short: "Make a link with which an account's owner chooses a new password", Args: cobra.ExactArgs(1),
			RunE: with(func(ctx context.Context, conf *daemon.Config, a *accounts.Accounts, args []string) error {
				enabled := false
				u, err := a.Change(ctx, byCommandLine, args[0], nil, nil, &enabled)
				if errors.Is(err, fs.ErrNotExist) {
					return fmt.Errorf("account %.80q: expected one that user list prints, found none of that name", args[0])
				}
				if err != nil {
					return err
				}
				link, err := a.Reset(ctx, byCommandLine, u.Name)
				if err != nil {
					return err
				}
				return say(t.out, u.Name+" chooses a new password at", welcome(conf, link))
			}),
		})
	return c
}

func welcome(c *daemon.Config, link string) string {
	base := c.Access.PublicURL
	if base == "" {
		base = c.HTTP.BaseURL(c.HTTP.Listen)
	}
	return base + "/welcome#" + link
}

// withAccounts opens the store for as long as do runs.
func withAccounts(ctx context.Context, c *daemon.Config, do func(*accounts.Accounts) error) (err error) {
	path := filepath.Join(c.DataDir, daemon.StoreName)
	// In a folder that was meant otherwise it would make a store, and a link that opens nothing.
	if _, err := os.Stat(c.DataDir); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("store %s: expected the one that serve made at its first start, found no such folder; data_dir says where it is", path)
	}
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	a, err := accounts.Open(ctx, accounts.Options{Store: s})
	if err != nil {
		return err
	}
	return do(a)
}
