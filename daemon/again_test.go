package daemon

import (
	"database/sql"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// A program whose clock is behind sets aside what is good, and its receipt covers
// it: once the clock is right it files it by itself, in order, and nothing else of
// what is set aside.
func TestServerClockBehind(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	var now atomic.Int64
	now.Store(firstDay.Add(-48 * time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	const good = 20
	for n := range good {
		cab.throw("TOLB-1", numbered(invented("TOLB-W01", n, 0), "before", uint64(n+1)))
	}
	bad := numbered(invented("TOLB-W02", 0, 0), "before", good+1)
	bad.Channels[0].SampleRate = -1 // and ahead of its time
	cab.throw("TOLB-1", bad)
	distant := numbered(invented("TOLB-W03", 0, 0), "before", good+2)
	distant.StartedAt = firstDay.AddDate(1, 0, 0)
	cab.throw("TOLB-1", distant)
	// Its word of later holds.
	cab.publish("throwline/v1/TOLB-1/state", []byte(`{"state":"online","at":"`+firstDay.Format(time.RFC3339)+`","agent":"before"}`))
	eventually(t, "all to be set aside", func() bool { return r.store.AsideNow().Messages == good+3 })

	now.Store(firstDay.Add(72 * time.Hour).UnixNano())
	cab.publish("throwline/v1/TOLB-1/state", []byte(`{"state":"online","at":"`+firstDay.Add(72*time.Hour).Format(time.RFC3339)+`","agent":"after"}`))
	after := numbered(invented("TOLB-W04", 0, 0), "after", 1)
	cab.throw("TOLB-1", after) // the cabinet has started anew, and counts anew
	eventually(t, "what was good to be filed", func() bool { return r.store.AsideNow().Messages == 3 && r.find("TOLB-W04") != nil })
	if s, err := r.Turnout("TOLB-W01"); err != nil || s.Learning[0].Total+s.Learning[1].Total != good {
		t.Errorf("expected %d throws, found %+v, %v", good, s.Learning, err)
	}
	if got := r.count(late); got != 0 {
		t.Errorf("expected each to be in order, found %g late", got)
	}
	if got, _ := r.receipt("TOLB-1"); got.Boot != "after" || got.Through != 1 {
		t.Errorf("expected the receipt of the cabinet's new count, found %+v", got)
	}
	if got := r.Cabinets(); len(got) != 1 || got[0].Agent != "after" {
		t.Errorf("expected the cabinet's latest word, found %+v", got)
	}
	if got := testutil.ToFloat64(r.metrics.again.WithLabelValues("taken")); got != good {
		t.Errorf("expected %d counted, found %g", good, got)
	}
	if said := r.log.String(); !strings.Contains(said, "which has come") {
		t.Errorf("expected it told in the log, found %s", said)
	}

	// What is refused again, for another reason, stays and is left alone; what was
	// ahead while nothing ran is seen to at the start.
	r.halt()
	now.Store(firstDay.AddDate(1, 0, 1).UnixNano())
	c.Limits.Turnouts = 1
	r = clocked(t, c, &now)
	eventually(t, "it to be tried", func() bool { return testutil.ToFloat64(r.metrics.again.WithLabelValues("refused")) == 1 })
	for range 3 {
		if _, err := r.againOnce(t.Context(), map[int64]bool{}); err != nil {
			t.Fatal(err)
		}
	}
	list, _, err := r.store.Quarantine(t.Context(), "", 10)
	if err != nil || len(list) != 3 {
		t.Fatalf("expected three messages still set aside, found %+v, %v", list, err)
	}
	for _, a := range list {
		if want := map[bool]int{true: 1, false: 0}[a.Turnout == "TOLB-W03"]; a.Retries != want {
			t.Errorf("expected %d tries, found %d of %s: %v", want, a.Retries, a.Topic, a.Faults)
		}
	}
}

// A message that the disk has changed holds up none that comes after it.
func TestChangedMessageHoldsUpNone(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	var now atomic.Int64
	now.Store(firstDay.Add(-48 * time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	for n := range 3 {
		cab.throw("TOLB-1", numbered(invented("TOLB-W01", n, 0), "b", uint64(n+1)))
	}
	eventually(t, "all to be set aside", func() bool { return r.store.AsideNow().Messages == 3 })
	db, err := sql.Open("sqlite", filepath.Join(c.DataDir, StoreName))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("UPDATE aside SET payload = x'7b7d' WHERE id = 1"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	now.Store(firstDay.Add(72 * time.Hour).UnixNano())
	eventually(t, "the others to be filed", func() bool { return r.store.AsideNow().Messages == 1 })
	if said := r.log.String(); strings.Count(said, "left until the next start") != 1 {
		t.Errorf("expected it told once, found %s", said)
	}
}
