// Command throwline watches the throws of railway turnouts.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // windows and hours name zones, and a machine may know none
)

// version is set by the build.
var version = "dev"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	os.Exit(run(ctx, os.Args[1:], terminal{os.Stdin, os.Stdout, os.Stderr, os.LookupEnv}))
}
