package accounts

import (
	"fmt"
	"sync"
	"time"
)

// Wait: too many wrong attempts; another may be made after this time.
type Wait time.Duration

func (w Wait) Error() string {
	return fmt.Sprintf("too many wrong attempts; try again in %s", time.Duration(w).Round(time.Second))
}

// After returns how long to wait.
func (w Wait) After() time.Duration { return time.Duration(w) }

const (
	freeAttempts = 5                // wrong ones, before anything is held up
	forgetAfter  = time.Hour        // without another attempt
	mostKeys     = 20_000           // in memory; beyond, the one that is free soonest goes
	mostUserWait = time.Minute      // at one account, from one place
	mostAddrWait = 15 * time.Minute // from one place
	// At one account, from everywhere but its own devices: more than one place
	// alone can make within forgetAfter. The wait is short, since it is the owner's
	// too where he comes from a device that is new.
	freeStrangers    = 100
	mostStrangerWait = 10 * time.Second
)

// throttle makes who guesses wait, longer with each wrong attempt.
type throttle struct {
	mu   sync.Mutex
	most time.Duration // of waiting
	free int           // attempts that are not held up
	keys map[string]*attempts
	size int
}

type attempts struct {
	wrong int
	next  time.Time // no attempt before
	last  time.Time
}

func newThrottle(most time.Duration, free, size int) *throttle {
	return &throttle{most: most, free: free, keys: map[string]*attempts{}, size: size}
}

// try counts an attempt as wrong before it is made, so that many at once are
// counted too, or says how long to wait.
func (t *throttle) try(key string, now time.Time) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	a := t.keys[key]
	if a != nil && now.Sub(a.last) > forgetAfter {
		a = nil
	}
	if a != nil && now.Before(a.next) {
		return Wait(a.next.Sub(now))
	}
	if a == nil {
		t.room(now)
		a = &attempts{}
		t.keys[key] = a
	}
	a.wrong++
	a.last = now
	if over := a.wrong - t.free; over >= 0 {
		a.next = now.Add(min(t.most, time.Second<<min(over, 20)))
	}
	return nil
}

// right takes back an attempt that was right; all of them with forget.
func (t *throttle) right(key string, forget bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	a := t.keys[key]
	if a == nil {
		return
	}
	if a.wrong--; forget || a.wrong <= 0 {
		delete(t.keys, key)
		return
	}
	a.next = time.Time{}
}

// room makes room for one more; the caller holds the lock.
func (t *throttle) room(now time.Time) {
	if len(t.keys) < t.size {
		return
	}
	for k, a := range t.keys {
		if now.Sub(a.last) > forgetAfter {
			delete(t.keys, k)
		}
	}
	for len(t.keys) >= t.size {
		// Of some taken at random the least guilty goes: no walk over all.
		worst, looked := "", 0
		for k, a := range t.keys {
			if w := t.keys[worst]; w == nil || a.wrong < w.wrong {
				worst = k
			}
			if looked++; looked == 16 {
				break
			}
		}
		delete(t.keys, worst)
	}
}
