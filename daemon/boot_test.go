package daemon

import (
	"testing"

	"throwline/ingest/wire"
)

// A message with a boot that is none of the cabinet's, refused or of long ago, takes
// nothing from what its count covers.
func TestFalseBoot(t *testing.T) {
	b := newBench(t, 8)
	r := newReader(wire.DefaultLimits())
	file := func(n int, boot string, sequence uint64, change func(*parcel)) {
		t.Helper()
		p := messageOf("ORR", numbered(invented("ORR-W1", n, 0), boot, sequence))
		if change != nil {
			change(p)
		}
		r.read(p)
		if err := b.settle(t.Context(), []*parcel{p}); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 10 {
		file(n, "now", uint64(n+1), nil)
	}
	file(10, "never", 77, func(p *parcel) { p.replace(`"A"`, `"mm"`) })
	if got, _ := b.filer.yard.receipt("ORR"); !got.Covers("never", 77) {
		t.Errorf("expected the refused one covered, as it may be the first of a new count, found %+v", got)
	}
	file(11, "now", 11, nil)
	file(12, "before", 5, nil)
	file(13, "now", 12, nil)
	if got, _ := b.filer.yard.receipt("ORR"); got.Boot != "now" || got.Through != 12 || len(got.Missing) != 0 {
		t.Errorf("expected all twelve covered, found %+v", got)
	}
}
