package daemon

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"throwline/alerting"
	"throwline/daemon/store"
)

// What lies on a disk for years changes now and then, and SQLite notices only
// some of that. A small store is read from end to end at every start; a larger
// one meanwhile, slowly, so that nobody waits for it.
const (
	checkFirst = 10 * time.Minute // after the start, which has enough to do
	checkEvery = 7 * 24 * time.Hour
	checkAgain = time.Hour // after one that could not be done
)

// checking looks for damage beside all else.
type checking struct {
	d *Daemon

	mu   sync.Mutex
	last store.Checked

	descs             [3]*prometheus.Desc
	at, rows, damaged *prometheus.Desc
}

// newChecking registers what a check found.
func newChecking(d *Daemon) (*checking, error) {
	c := &checking{d: d, last: d.store.CheckedFirst()}
	for i, m := range []struct {
		into       **prometheus.Desc
		name, help string
	}{
		{&c.at, "store_checked_timestamp_seconds", "When the store was last read from end to end, 0: never."},
		{&c.rows, "store_checked_rows", "Rows that were read then."},
		{&c.damaged, "store_damaged_rows", "Of them, rows that are not as they were written, and what is wrong with the file itself."},
	} {
		c.descs[i] = prometheus.NewDesc("throwline_"+m.name, m.help, nil, nil)
		*m.into = c.descs[i]
	}
	return c, d.o.Registry.Register(c)
}

func (c *checking) Describe(to chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		to <- d
	}
}

func (c *checking) Collect(to chan<- prometheus.Metric) {
	last := c.found()
	at := 0.0
	if !last.At.IsZero() {
		at = float64(last.At.UnixNano()) / float64(time.Second)
	}
	for desc, v := range map[*prometheus.Desc]float64{c.at: at, c.rows: float64(last.Rows), c.damaged: float64(last.Damaged + last.Broken)} {
		to <- prometheus.MustNewConstMetric(desc, prometheus.GaugeValue, v)
	}
}

// found is what the last check found.
func (c *checking) found() store.Checked {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last
}

// run checks once a week until the context ends.
func (c *checking) run(ctx context.Context) {
	if c.found().At.IsZero() {
		last, err := c.d.store.LastCheck(ctx)
		if err != nil && ctx.Err() == nil {
			c.d.o.Log.Warn("when the store was last read from end to end cannot be told", "error", err)
		}
		c.mu.Lock()
		c.last = last
		c.mu.Unlock()
	}
	wait := firstCheck(c.found().At, time.Now())
	for {
		// Programs that were started together do not read together.
		if !pause(ctx, wait+rand.N(wait/10)) {
			return
		}
		wait = checkEvery
		if err := c.once(ctx, store.CheckShare); err != nil {
			wait = checkAgain
		}
	}
}

// firstCheck is how long after the start the first check is, where the one before
// ended at last, by a clock that may have run ahead by years.
func firstCheck(last, now time.Time) time.Duration {
	return min(max(checkFirst, last.Add(checkEvery).Sub(now)), checkEvery)
}

// once reads all of the store.
func (c *checking) once(ctx context.Context, share float64) error {
	log := c.d.o.Log
	told := 0
	found, err := c.d.store.Check(ctx, share, func(d store.Damage) {
		if told++; told <= 20 {
			log.Error("the store is damaged", "what", d.String(), "do", "look at the disk; throwline verify lists all that is damaged; restore a backup, or take what is sound into a new store with throwline salvage")
		}
	})
	if err != nil {
		if ctx.Err() == nil {
			log.Warn("the store could not be read from end to end; it is tried again in an hour", "error", err)
		}
		return err
	}
	c.mu.Lock()
	c.last = found
	c.mu.Unlock()
	log.Info("the store was read from end to end", "rows", found.Rows, "damaged_rows", found.Damaged, "damage_of_the_file", found.Broken,
		"written_before_checksums", found.Unsummed, "took", found.Took.Round(time.Millisecond))
	return nil
}

// damageSign says whether the store was found whole.
func damageSign(l *store.Looked, now time.Time) alerting.Sign {
	s := alerting.Sign{What: "damage of the store", Word: alerting.Good}
	switch {
	case l.Damage != "":
		s.Word, s.Said = alerting.Bad, "it was met: "+l.Damage
		s.Do = "look at the disk; throwline verify lists all that is damaged; restore a backup, or take what is sound into a new store with throwline salvage"
	case !l.Checked.At.IsZero():
		s.Said = fmt.Sprintf("none was met; all of it was last read %s ago: %d rows", about(now.Sub(l.Checked.At)), l.Checked.Rows)
	case store.AtOnce(l.Bytes):
		s.Said = "none was met; all of it is read at every start"
	default:
		s.Said = "none was met; all of it is read beside the program, and was not yet: throwline verify reads it now"
	}
	return s
}
