package daemon

import (
	"reflect"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// What comes back soon after a visit is the same alert, and says so, also where
// the program was started anew in between.
func TestReopensOverARestart(t *testing.T) {
	b := newBench(t, 8)
	r := newReader(wire.DefaultLimits())
	settle := func(p *parcel) {
		t.Helper()
		if err := b.settle(t.Context(), []*parcel{p}); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	throw := func(completed bool) {
		t.Helper()
		x := invented("W1", n, 0)
		x.Completed = completed
		p := messageOf("cab", x)
		r.read(p)
		settle(p)
		n++
	}
	past := func() alerting.Past { return b.filer.yard.find("W1").past }
	throw(true)
	throw(false)
	if len(past().Open) != 1 {
		t.Fatalf("expected an open alert, found %+v", past())
	}
	first := past().Open[0]
	for range 20 {
		throw(true)
	}
	if len(past().Open) != 0 || len(past().Recent) != 1 {
		t.Fatalf("expected it to have cleared, found %+v", past())
	}
	visit := firstDay.Add(24 * time.Hour)
	settle(&parcel{kind: someWork, work: &ingest.Work{Turnout: "W1", DoneAt: visit, Kind: ingest.Inspected}, arrived: visit})

	now := func() time.Time { return visit }
	d := &Daemon{store: b.store, yard: newYard(), o: Options{Log: b.log, Now: now}}
	f := &filer{yard: d.yard, set: detect.DefaultSettings(), most: 100}
	if err := d.restore(t.Context(), f); err != nil {
		t.Fatal(err)
	}
	if got, want := d.yard.find("W1").past, past(); !reflect.DeepEqual(got, want) {
		t.Errorf("expected %+v\nfound    %+v", want, got)
	}
	b.filer = f

	n = 48 * 4 // on the fifth day: three days after the visit
	throw(false)
	again := past().Open
	if len(again) != 1 || again[0].ID != first.ID || !again[0].RaisedAt.Equal(first.RaisedAt) || again[0].Again() != "again, 3 days after the visit" {
		t.Errorf("found %+v", again)
	}
	kept, err := b.store.OpenAlerts(t.Context())
	if err != nil || len(kept) != 1 || kept[0].ID != first.ID || kept[0].Reopened != 1 {
		t.Errorf("found %+v, %v", kept, err)
	}
}
