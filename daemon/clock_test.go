package daemon

import (
	"sync/atomic"
	"testing"
	"time"
)

// A clock that is wrong by years for a minute drops nothing of the past; one that
// is right drops what is past its time.
func TestClockAheadDropsNothing(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	there := func(key string) bool {
		_, channels, err := r.store.Throw(t.Context(), key)
		return err == nil && len(channels) == 1
	}
	eventually(t, "the throw", func() bool { return there("TOLB-W01~TOLB-W01-0") })
	now.Store(firstDay.AddDate(30, 0, 0).UnixNano())
	for range 3 { // the second is taken when the first round is over
		r.pruning <- struct{}{}
	}
	eventually(t, "a round", func() bool { return len(r.pruning) == 0 })
	if !there("TOLB-W01~TOLB-W01-0") {
		t.Fatal("expected the throw and its trace still to be there, found it dropped by a clock that is wrong")
	}
	later := invented("TOLB-W01", 2, 0)
	later.StartedAt = firstDay.AddDate(30, 0, 0)
	cab.throw("TOLB-1", later)
	eventually(t, "the later throw", func() bool { return there("TOLB-W01~TOLB-W01-2") })
	r.pruning <- struct{}{}
	eventually(t, "the old throw to be dropped", func() bool { _, _, err := r.store.Throw(t.Context(), "TOLB-W01~TOLB-W01-0"); return err != nil })
}
