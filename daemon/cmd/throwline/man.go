package main

import (
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// manCommand writes the pages of the manual from the commands themselves.
func manCommand(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use: "man FOLDER", Short: "Write the pages of the manual", Args: cobra.ExactArgs(1), Hidden: true,
		RunE: func(_ *cobra.Command, args []string) error {
			root.DisableAutoGenTag = true
			day := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) // the same source gives the same page
			return done(doc.GenManTree(root, &doc.GenManHeader{Title: "THROWLINE", Section: "1", Source: "throwline " + version, Manual: "Throwline", Date: &day}, args[0]))
		},
	}
}
