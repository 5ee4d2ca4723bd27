package wire

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"throwline/ingest"
)

// typicalThrow is a throw of 350 samples on one channel, in counts of a
// converter (scale 0.005) or, as decimals, in amperes.
func typicalThrow(counts bool) *ingest.Throw {
	t := &ingest.Throw{
		ID: "k7-000123", Turnout: "W-101A", To: ingest.Reverse,
		StartedAt: time.Date(2026, 3, 1, 6, 14, 7, 123e6, time.UTC), Completed: true,
		Detections: []ingest.Detection{{Place: "toe", After: 6200 * time.Millisecond}},
		Boot:       "b-1", Sequence: 123,
		RailTemperature: ingest.Known(11.5), Supply: ingest.Known(121.25),
	}
	c := ingest.Channel{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 1}
	if counts {
		c.Scale = 0.005
	}
	for i := range 350 {
		v := math.Round(1000*(2+6*math.Exp(-float64(i)/4)+0.2*math.Sin(float64(i)/9))) / 1000
		if counts {
			v = math.Round(v / 0.005)
		}
		c.Samples = append(c.Samples, v)
	}
	t.Channels = []ingest.Channel{c}
	return t
}

func BenchmarkThrow(b *testing.B) {
	decimals, counts := typicalThrow(false), typicalThrow(true)
	noisy := typicalThrow(false)
	noisy.Channels[0].Samples = nil
	for i := range 350 {
		noisy.Channels[0].Samples = append(noisy.Channels[0].Samples, 2+math.Sin(float64(i)/9))
	}
	for _, bench := range []struct {
		name    string
		payload []byte
		want    *ingest.Throw
	}{
		{"json/decimals", AppendThrow(nil, decimals), decimals},
		{"json/counts", AppendThrow(nil, counts), counts},
		{"json/17digits", AppendThrow(nil, noisy), noisy},
		{"json/gzip", gzipped(AppendThrow(nil, decimals)), decimals},
		{"json/zstd", zstded(AppendThrow(nil, decimals)), decimals},
		{"cbor/int16", AppendThrowCBOR(nil, counts), counts},
		{"cbor/float64", AppendThrowCBOR(nil, decimals), decimals},
		{"cbor/list", plainListCBOR(counts), counts},
	} {
		b.Run(bench.name, func(b *testing.B) {
			d := NewDecoder(DefaultLimits())
			got, err := d.Throw(bench.payload)
			if err != nil {
				b.Fatal(err)
			}
			if !reflect.DeepEqual(got, bench.want) {
				b.Fatalf("read %+v, want %+v", got, bench.want)
			}
			b.ReportAllocs()
			b.SetBytes(int64(len(bench.payload)))
			for b.Loop() {
				if _, err := d.Throw(bench.payload); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkEncode(b *testing.B) {
	t := typicalThrow(false)
	var dst []byte
	for _, bench := range []struct {
		name string
		f    func([]byte, *ingest.Throw) []byte
	}{{"json", AppendThrow}, {"cbor", AppendThrowCBOR}} {
		b.Run(bench.name, func(b *testing.B) {
			dst = bench.f(dst[:0], t)
			got, err := NewDecoder(DefaultLimits()).Throw(dst)
			if err != nil || !reflect.DeepEqual(got, t) {
				b.Fatalf("read back %+v, %v", got, err)
			}
			b.ReportAllocs()
			b.SetBytes(int64(len(dst)))
			for b.Loop() {
				dst = bench.f(dst[:0], t)
			}
		})
	}
}

func newGzip(w io.Writer) *gzip.Writer { return gzip.NewWriter(w) }

func newZstd(w io.Writer) *zstd.Encoder {
	z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1))
	if err != nil {
		panic(err)
	}
	return z
}

func gzipped(b []byte) []byte {
	var out bytes.Buffer
	w := newGzip(&out)
	if _, err := w.Write(b); err != nil {
		panic(err)
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return out.Bytes()
}

func zstded(b []byte) []byte {
	return newZstd(nil).EncodeAll(b, nil)
}

// plainListCBOR is the throw in CBOR with its samples as a plain list.
func plainListCBOR(t *ingest.Throw) []byte {
	bare := *t
	bare.Channels = []ingest.Channel{t.Channels[0]}
	bare.Channels[0].Samples = nil
	b := AppendThrowCBOR(nil, &bare)
	typed := appendTyped(nil, nil)
	if !bytes.HasSuffix(b, typed) {
		panic(fmt.Sprintf("% x", b))
	}
	b = appendHead(b[:len(b)-len(typed)], majorList, uint64(len(t.Channels[0].Samples)))
	for _, v := range t.Channels[0].Samples {
		b = appendCBORNumber(b, v)
	}
	return b
}
