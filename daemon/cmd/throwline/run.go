package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"throwline/alerting/screen"
	"throwline/daemon"
	"throwline/daemon/store"
)

// The exit codes of the command line.
const (
	exitDone      = 0
	exitFailed    = 1
	exitWrongUse  = 2
	exitDamaged   = 65 // EX_DATAERR of sysexits.h
	exitBadConfig = 78 // EX_CONFIG
)

// terminal is what the program was started at.
type terminal struct {
	in       io.Reader
	out, err io.Writer
	env      func(string) (string, bool)
}

// failure is the error of a command that was used rightly; any other error is wrong use.
type failure struct{ error }

func (f failure) Unwrap() error { return f.error }

// run runs the command line and returns its exit code.
func run(ctx context.Context, args []string, t terminal) int {
	root := &cobra.Command{
		Use:   "throwline",
		Short: "Watches the throws of railway turnouts and says early which one is getting stiff",
		Long: "Throwline takes the trace of every throw of railway turnouts from lineside cabinets over MQTT, measures it,\n" +
			"compares it with that turnout's own past, and says early, quietly and with reasons which one is getting stiff.\n\n" + wrap(screen.Advisory),
		Version:           version,
		SilenceErrors:     true,
		SilenceUsage:      true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
	}
	root.SetVersionTemplate(versionLine() + "\n")
	root.SetIn(t.in)
	root.SetOut(t.out)
	root.SetErr(t.err)
	if args == nil {
		args = []string{}
	}
	root.SetArgs(args)
	root.AddCommand(demoCommand(t), serveCommand(t), replayCommand(t), userCommand(t), cabinetCommand(t), configCommand(t), doctorCommand(t), mapCommand(t), healthyCommand(t), exportCommand(t), &cobra.Command{
		Use: "version", Short: "Say what is running", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return done(say(t.out, versionLine())) },
	})
	root.AddCommand(storeCommands(t)...)
	root.AddCommand(salvageCommand(t))
	root.AddCommand(manCommand(root))
	err := root.ExecuteContext(ctx)
	var bad *daemon.ConfigError
	switch f := (failure{}); {
	case err == nil:
		return exitDone
	case errors.As(err, &bad):
		fmt.Fprintln(t.err, bad)
		return exitBadConfig
	case errors.Is(err, store.ErrDamaged):
		fmt.Fprintln(t.err, "throwline:", err)
		return exitDamaged
	case errors.As(err, &f):
		fmt.Fprintln(t.err, "throwline:", f.error)
		return exitFailed
	}
	fmt.Fprintf(t.err, "throwline: %v\nSee throwline --help.\n", err)
	return exitWrongUse
}

// done marks an error as one of a command that was used rightly.
func done(err error) error {
	if err == nil {
		return nil
	}
	return failure{err}
}

func say(w io.Writer, lines ...string) error {
	_, err := fmt.Fprintln(w, strings.Join(lines, "\n"))
	return err
}

func versionLine() string {
	return fmt.Sprintf("throwline %s (%s %s/%s)", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// wrap breaks a text into lines of at most 110 characters.
func wrap(text string) string {
	var b strings.Builder
	at := 0
	for w := range strings.FieldsSeq(text) {
		switch {
		case at > 0 && at+1+len(w) > 110:
			b.WriteByte('\n')
			at = 0
		case at > 0:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(w)
		at += len(w)
	}
	return b.String()
}

// logger writes to w as the configuration says; the level may be changed later; nil: it stays.
func logger(c daemon.LogConfig, level *slog.LevelVar, w io.Writer) *slog.Logger {
	if level == nil {
		level = new(slog.LevelVar)
	}
	_ = level.UnmarshalText([]byte(c.Level)) // one of four, all known
	o := &slog.HandlerOptions{Level: level}
	if c.Format == "json" {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}

// isTerminal reports whether people look at w.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
