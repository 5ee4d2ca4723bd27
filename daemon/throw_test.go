package daemon

import (
	"testing"

	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// BenchmarkThrow is one throw from its message to what is to be filed, on one
// processor: decoding, checking, measuring, stepping.
func BenchmarkThrow(b *testing.B) {
	for _, c := range []struct {
		name   string
		append func([]byte, *ingest.Throw) []byte
	}{{"json", wire.AppendThrow}, {"cbor", wire.AppendThrowCBOR}} {
		b.Run(c.name, func(b *testing.B) {
			var list []*parcel
			for n := range 400 {
				t := invented("ORR-W1", n, 0)
				p := messageOf("ORR", t)
				p.payload = c.append(nil, t)
				list = append(list, p)
			}
			r := newReader(wire.DefaultLimits())
			f := &filer{yard: newYard(), set: detect.DefaultSettings(), most: 10}
			kept := newMemory()
			b.SetBytes(int64(len(list[0].payload)))
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				p := *list[i%len(list)]
				if i%len(list) == 0 {
					clear(kept.throws)
					f.yard = newYard()
				}
				r.read(&p)
				var d *draft
				if err := kept.Update(b.Context(), func(e entries) (err error) {
					d, err = f.file(e, []*parcel{&p})
					return err
				}); err != nil || d.throws[stored] != 1 {
					b.Fatal(err, p.refusal)
				}
				f.yard.take(d)
			}
		})
	}
}
