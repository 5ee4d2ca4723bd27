// Command screentest serves the screen over an invented yard held in memory,
// so that the pages can be looked at and worked on without a broker, a store
// or a daemon. It knows nothing of physics: its traces are drawn from a shape.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"time"

	"throwline/alerting/screen"
)

func main() {
	listen := flag.String("listen", "127.0.0.1:8099", "host:port to serve on")
	every := flag.Duration("every", 400*time.Millisecond, "time between throws")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, *listen, *every); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(ctx context.Context, listen string, every time.Duration) error {
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	hub := screen.NewHub(screen.HubOptions{Now: time.Now, Log: log})
	defer hub.Close()
	y := newYard(time.Now(), hub)
	ln, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("serve the screen: %w", err)
	}
	srv := screen.Server(screen.New(screen.Options{Archive: y, Yard: y, Hub: hub, Version: "screentest", Demo: true, Log: log}), hub, log)
	fmt.Printf("pages and API of an invented yard: http://%s/\n", ln.Addr())
	live := make(chan struct{})
	go func() {
		defer close(live)
		y.live(ctx, every)
	}()
	go func() {
		<-ctx.Done()
		end, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if err := srv.Shutdown(end); err != nil {
			log.Warn("requests were cut off", "error", err)
		}
	}()
	err = srv.Serve(ln)
	<-live
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serve the screen: %w", err)
}
