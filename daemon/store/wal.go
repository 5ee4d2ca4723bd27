package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"
)

// Sizes of the log, in bytes. SQLite begins it anew by itself once all of it is
// in the database and nobody reads from it. Readers who overlap without end
// never leave it such a moment, and it grows; beyond walMost they are held off.
const (
	walMost = 96 << 20
	walWait = 500 * time.Millisecond // at most, for the readers who are there
)

// gate lets readers in, and can hold off new ones until those who are in have
// left. SQLite's own waiting does not do: a reader who comes takes the very
// place at which a checkpoint waits, and so, with readers who overlap, for ever.
type gate struct {
	mu     sync.Mutex
	inside int
	shut   chan struct{} // closed when the gate opens again; nil while it is open
	empty  chan struct{} // closed when the last has left; nil when nobody waits for that
}

// enter returns when the caller may read; leave must follow if it gives no error.
func (g *gate) enter(ctx context.Context) error {
	for {
		g.mu.Lock()
		shut := g.shut
		if shut == nil {
			g.inside++
			g.mu.Unlock()
			return nil
		}
		g.mu.Unlock()
		select {
		case <-shut:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (g *gate) leave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.inside--; g.inside == 0 && g.empty != nil {
		close(g.empty)
		g.empty = nil
	}
}

// alone runs f while nobody is inside and nobody comes in, or, if they have not
// left in time, not at all. It must not be called again before it returns.
func (g *gate) alone(wait time.Duration, f func() error) (left bool, err error) {
	g.mu.Lock()
	shut := make(chan struct{})
	g.shut = shut
	empty := make(chan struct{})
	if g.inside == 0 {
		close(empty)
	} else {
		g.empty = empty
	}
	g.mu.Unlock()
	defer func() {
		g.mu.Lock()
		g.shut, g.empty = nil, nil
		g.mu.Unlock()
		close(shut)
	}()
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-empty:
		return true, f()
	case <-timer.C:
		return false, nil
	}
}

// boundLog empties the log when it has grown beyond walMost. It never waits for
// long, and after a vain attempt not before the log has grown by as much again.
// The caller holds mu.
func (s *Store) boundLog(ctx context.Context) {
	info, err := os.Stat(s.path + "-wal")
	if err != nil || info.Size() < walMost {
		s.walMet = 0
		return
	}
	if info.Size() < s.walMet {
		return
	}
	busy := false
	left, err := s.gate.alone(walWait, func() (err error) {
		busy, err = s.emptyLog(ctx)
		return err
	})
	if err != nil && !Temporary(err) {
		// What was committed stands in the log and is safe; the next commit is refused.
		s.o.Log.Error("the store's log cannot be brought into the database", "path", s.path, "error", s.explain("empty the log", err))
		return
	}
	if err != nil || busy || !left {
		s.walMet = info.Size() + walMost
		s.o.Log.Warn("the store's log cannot be emptied: someone reads for long", "path", s.path, "bytes", info.Size(), "ours", !left, "error", err)
		return
	}
	s.walMet = 0
}

// emptyLog copies the log into the database and cuts it to nothing. busy: another program reads.
func (s *Store) emptyLog(ctx context.Context) (busy bool, err error) {
	c, err := s.write.Conn(ctx)
	if err != nil {
		return false, err
	}
	defer c.Close()
	if _, err := c.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout = %d", walWait.Milliseconds())); err != nil {
		return false, err
	}
	var log, done int
	err = c.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &done)
	_, back := c.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout = %d", busyWait.Milliseconds()))
	return busy, errors.Join(err, back)
}
