package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"throwline/daemon/store"
)

// salvageCommand saves what is sound of a damaged store.
func salvageCommand(t terminal) *cobra.Command {
	return &cobra.Command{
		Use: "salvage SOURCE TARGET", Short: "Take what is sound of a damaged store into a new one", Args: cobra.ExactArgs(2),
		Long: "Reads the pages of the file SOURCE, and the log beside it, one by one, and takes every row whose checksum holds into a new store\n" +
			"TARGET; says of each table what is not there or not whole, and which turnouts and times that concerns. The source is only read;\n" +
			"the program must be stopped. Put the new store in its place with: throwline restore --config FILE TARGET",
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := store.Salvage(cmd.Context(), args[0], args[1])
			if err != nil {
				return done(err)
			}
			kept := int64(0)
			for _, s := range list {
				kept += s.Kept
			}
			lines := []string{fmt.Sprintf("%s: %s are in it; it was read again and is sound", args[1], many(kept, "row"))}
			for _, s := range store.Lost(list) {
				if l := lostLine(&s); l != "" {
					lines = append(lines, l)
				}
			}
			if len(lines) == 1 {
				lines = append(lines, "Nothing is missing.")
			}
			return done(say(t.out, lines...))
		},
	}
}

// lostLine says what a table lost, "" for nothing.
func lostLine(s *store.Saved) string {
	var parts []string
	for _, p := range []struct {
		n    int64
		what string
	}{{s.Left, "left out"}, {s.Part, "without a part that was damaged"}, {s.Made, "made again of what other rows say"}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.what))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	line := fmt.Sprintf("%s: %d kept; %s", s.Table, s.Kept, strings.Join(parts, ", "))
	if n := len(s.Turnouts); n > 0 {
		line += "; turnouts " + strings.Join(s.Turnouts[:min(n, 20)], ", ")
		if n > 20 {
			line += fmt.Sprintf(" and %d more", n-20)
		}
	}
	if !s.From.IsZero() {
		line += fmt.Sprintf("; from %s to %s", s.From.Format("2006-01-02 15:04:05"), s.To.Format("2006-01-02 15:04:05 MST"))
	}
	return line
}

func many(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
