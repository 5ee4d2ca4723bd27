package daemon

import (
	"bytes"
	"fmt"
	"testing"

	"throwline/detect"
	"throwline/ingest/wire"
)

// After a crash at any moment the states are what they were: what the kept
// ones lack is stepped again from the throws filed since. And few are written:
// that is what it is for.
func TestCrashKeepsWhatWasLearned(t *testing.T) {
	b := newBench(t, 32)
	r := newReader(wire.DefaultLimits())
	written := 0
	b.flaky.fail = func(_ int, op string) error {
		if op == "state" {
			written++
		}
		return nil
	}
	n := 0
	file := func(stiff float64) {
		var batch []*parcel
		for range 32 {
			p := messageOf("cab", invented(fmt.Sprintf("W%d", n%7), n/7, stiff))
			r.read(p)
			batch = append(batch, p)
			n++
		}
		if err := b.settle(t.Context(), batch); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 60 {
		stiff := 0.0
		if i > 40 {
			stiff = 0.5
		}
		file(stiff)
		if i%7 != 0 {
			continue
		}
		// What a start now would find, without anything having been flushed.
		d := &Daemon{store: b.store, yard: newYard(), o: Options{Log: b.log, Now: yardTime}}
		if err := d.restore(t.Context(), &filer{yard: d.yard, set: detect.DefaultSettings()}); err != nil {
			t.Fatal(err)
		}
		for name, want := range b.filer.yard.turnouts {
			got := d.yard.turnouts[name]
			if got == nil {
				t.Fatalf("batch %d: %s is lost", i, name)
			}
			w, _ := want.state.MarshalBinary()
			g, _ := got.state.MarshalBinary()
			if !bytes.Equal(w, g) {
				t.Fatalf("batch %d: the state of %s is another after a crash", i, name)
			}
			if got.lacks != want.lacks || got.first != want.first {
				t.Errorf("batch %d: %s lacks %d from %d, expected %d from %d", i, name, got.lacks, got.first, want.lacks, want.first)
			}
		}
	}
	if written*4 > n {
		t.Errorf("%d states were written for %d throws", written, n)
	}
	if err := b.filer.flush(t.Context(), b.ledger); err != nil {
		t.Fatal(err)
	}
	if err := b.store.Since(t.Context(), func(number int64, _ *detect.Record) error {
		return fmt.Errorf("throw %d would be stepped again after a clean stop", number)
	}); err != nil {
		t.Error(err)
	}
	// What neighbours have long had in common, and their notices, outlive a clean stop too.
	d := &Daemon{store: b.store, yard: newYard(), o: Options{Log: b.log, Now: yardTime}}
	f := &filer{yard: d.yard, set: detect.DefaultSettings()}
	if err := d.restore(t.Context(), f); err != nil {
		t.Fatal(err)
	}
	want, _ := b.filer.near.Lasting()
	if got, err := f.near.Lasting(); err != nil || !bytes.Equal(got, want) || !bytes.Contains(got, []byte(`"*"`)) {
		t.Errorf("in common before: %s\nafter:            %s, %v", want, got, err)
	}
}
