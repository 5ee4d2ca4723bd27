package torture

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The program is killed while it drops what is past its retention, and takes
// throws meanwhile: nothing goes that is younger, what is older goes in the end,
// alerts and what was learned stay.
func TestKilledWhilePruning(t *testing.T) {
	t.Parallel()
	lots := atLeast("LOTS", 1)
	b := benchWith(t, "", "")
	b.start()
	b.awaitReady()
	old := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	old.send(t.Context(), t, 0, func(n int) bool { return n < lots*lotSize })
	b.settle(old.cab)
	events := b.events()
	var starts []time.Time
	for n := range lots * lotSize {
		starts = append(starts, old.throw(n).StartedAt)
	}

	heard := listen(t, b.broker.URL(), "TOLB-2")
	young := b.cabinet("TOLB-2", b.broker.URL())
	work, quit := context.WithCancel(t.Context())
	defer quit()
	var sending sync.WaitGroup
	sent := 0
	start := time.Now()
	sending.Go(func() {
		for ; work.Err() == nil; sent++ {
			if err := young.Send(work, throwAt("ORR-W1", sent, sent, start.Add(time.Duration(sent)*time.Millisecond), 0, 0)); err != nil && work.Err() == nil {
				t.Error(err)
			}
			time.Sleep(2 * time.Millisecond)
		}
	})
	cycles := atLeast("CYCLES", 6)
	cut := 0 // cycles that ended in the middle of dropping
	for cycle := range cycles {
		days := 29 - 26*(cycle+1)/cycles
		b.configure(b.broker.URL(), fmt.Sprintf("targets: {%s}\nretention: {traces: %dd, throws: %dd}", b.office(), max(days/2, 1), days))
		limit := time.Now().Add(-time.Duration(days) * 24 * time.Hour)
		b.signal(syscall.SIGHUP)
		time.Sleep(time.Duration(rand.IntN(30)) * time.Millisecond)
		promised := heard.made()
		b.end(syscall.SIGKILL)
		b.verify()
		if b.number(fmt.Sprintf("SELECT count(*) FROM throws WHERE started_at < %d", limit.UnixNano())) > 0 {
			cut++
		}
		there := b.starts()
		for n := range lots * lotSize {
			if at := starts[n]; at.After(limit.Add(time.Minute)) && !there[at.UnixNano()] {
				t.Fatalf("throw %d of %s is younger than %s, and gone", n, at, limit)
			}
		}
		n := 0
		for promised(uint64(n + 1)) {
			n++
		}
		if found := b.number("SELECT count(*) FROM throws WHERE key LIKE 'ORR%'"); found < n {
			t.Errorf("expected the %d throws that were promised meanwhile, found %d", n, found)
		}
		b.start()
		b.awaitReady()
	}
	quit()
	sending.Wait()
	// What the kills left undone is done when the retention is another.
	b.configure(b.broker.URL(), "targets: {"+b.office()+"}\nretention: {traces: 1d, throws: 2d}")
	b.signal(syscall.SIGHUP)
	limit := time.Now().Add(-48 * time.Hour)
	b.await("old throws to be gone", func() bool {
		return b.number(fmt.Sprintf("SELECT count(*) FROM throws WHERE started_at < %d", limit.UnixNano())) == 0
	})
	b.settle(young)
	b.end(syscall.SIGTERM)
	whole := b.verify()
	kept := sent
	for _, at := range starts {
		if at.After(limit) {
			kept++
		}
	}
	if whole.Throws != kept || whole.Turnouts != lots*lotTurnouts+1 {
		t.Errorf("expected %d throws of %d turnouts, found %s", kept, lots*lotTurnouts+1, contents(whole))
	}
	if now := b.events(); len(events) == 0 || len(now) < len(events) || !reflect.DeepEqual(now[:len(events)], events) {
		t.Errorf("expected the %d transitions that were there, found %d", len(events), len(now))
	}
	t.Logf("%d kills, %d of them while dropping; %d throws came meanwhile; %s", cycles, cut, sent, contents(whole))
}

// starts returns when the stored throws started, in nanoseconds.
func (b *bench) starts() map[int64]bool {
	b.t.Helper()
	db := b.db()
	defer db.Close()
	rows, err := db.QueryContext(b.t.Context(), "SELECT started_at FROM throws")
	if err != nil {
		b.t.Fatal(err)
	}
	defer rows.Close()
	out := map[int64]bool{}
	for rows.Next() {
		var at int64
		if err := rows.Scan(&at); err != nil {
			b.t.Fatal(err)
		}
		out[at] = true
	}
	if err := rows.Err(); err != nil {
		b.t.Fatal(err)
	}
	return out
}
