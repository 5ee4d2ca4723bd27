package main

import (
	"context"
	"log/slog"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"

	"throwline/daemon"
)

// supervised tells systemd how the program is, where it was started by it: that
// it is ready, that it reads its configuration again, and, as the watchdog asks,
// that throws are still taken all the way to the store.
type supervised struct{ log *slog.Logger }

func (s supervised) tell(state string) {
	if _, err := sd.SdNotify(false, state); err != nil {
		s.log.Warn("systemd could not be told", "state", state, "error", err)
	}
}

// watch answers the watchdog until the context ends.
func (s supervised) watch(ctx context.Context, d *daemon.Daemon) {
	every, err := sd.SdWatchdogEnabled(false)
	if err != nil || every == 0 {
		return
	}
	ticker := time.NewTicker(every / 3)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if err := d.Alive(ctx, every/3); err != nil {
			s.log.Error("no throw would be taken; the watchdog is not answered", "error", err)
			continue
		}
		s.tell(sd.SdNotifyWatchdog)
	}
}
