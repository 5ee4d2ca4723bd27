package daemon

import (
	"fmt"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/ingest/wire"
)

// Where nobody ever acknowledges an alert, those that have cleared are few for all
// that, and the newest; the journal says what became of the others.
func TestReturnedAreBounded(t *testing.T) {
	b := newBench(t, 8)
	c := b.filer.yard.clerk
	b.filer.clerk = c
	r, n := newReader(wire.DefaultLimits()), 0
	at := firstDay
	throw := func(name string, completed bool) {
		n++
		at = at.Add(time.Hour)
		x := invented(name, n, 0)
		x.StartedAt, x.Completed = at, completed
		p := messageOf("cab", x)
		r.read(p)
		if err := b.settle(t.Context(), []*parcel{p}); err != nil {
			t.Fatal(err)
		}
	}
	const times = 10
	var newest time.Time
	for range times {
		at = at.Add(2 * alerting.ReopenWithin)
		for _, name := range []string{"W1", "W2"} {
			throw(name, false)
			for range 8 {
				throw(name, true)
			}
		}
		newest = at
	}
	kept, err := b.store.Handlings(t.Context())
	if err != nil || len(kept) != 2*alerting.MostReturned || len(c.cases) != len(kept) {
		t.Fatalf("expected %d cases of each turnout, found %d, and %d in the store, %v", alerting.MostReturned, len(c.cases), len(kept), err)
	}
	oldest := newest
	for _, h := range kept {
		if h.Alert.Open() || h.Handling.Acknowledges(&h.Alert) {
			t.Errorf("expected it cleared and not acknowledged, found %+v", h)
		}
		if h.Alert.RaisedAt.Before(oldest) {
			oldest = h.Alert.RaisedAt
		}
	}
	if newest.Sub(oldest) > (2*alerting.MostReturned+1)*alerting.ReopenWithin {
		t.Errorf("expected the newest kept, found one of %v", oldest)
	}
	list, _, err := b.store.Journal(t.Context(), alerting.JournalQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	made := map[string]int{}
	for _, e := range list {
		if e.Action == string(alerting.Acknowledge) && e.By == "Throwline" && e.Note != "" {
			made[e.Turnout]++
		}
	}
	if got, want := fmt.Sprint(made), fmt.Sprint(map[string]int{"W1": times - alerting.MostReturned, "W2": times - alerting.MostReturned}); got != want {
		t.Errorf("expected %s told in the journal, found %s", want, got)
	}
}
