package daemon

import (
	"time"

	"throwline/ingest"
)

// sureNow is the time by which the past is dropped, and messages are given up. A clock that is wrong by
// years, be it for a minute, would drop all of it, and nothing brings it back: so
// the time is at most a little after the newest throw, which bears its cabinet's.
func (d *Daemon) sureNow() time.Time {
	now := d.Now()
	if most := d.newest().Add(ingest.MaxClockAhead); now.After(most) {
		return most
	}
	return now
}

// newest returns when the newest throw or visit was, the zero time before the first.
func (y *yard) newest() (at time.Time) {
	y.mu.RLock()
	defer y.mu.RUnlock()
	for _, t := range y.turnouts {
		at = latest(at, t.latest)
	}
	return at
}
