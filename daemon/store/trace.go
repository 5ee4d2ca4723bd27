package store

import (
	"fmt"
	"math"
	"slices"

	"throwline/ingest"
)

// The first byte of a trace blob.
const traceVersion = 2 // 2: a checksum at the end

// How the samples of a channel are written. A single is a sample that a 32-bit
// number holds exactly, as those of a CBOR array of such numbers.
const (
	asWhole         byte = iota // whole numbers over a power of ten: packed
	asFloat                     // 8 bytes each; no longer written
	asWholeSingle               // whole numbers over a power of ten, rounded to a single: packed
	asBits                      // the bits of the samples: packed
	asBitsSingle                // the bits of the samples as singles: packed
	asPalette                   // the bits of every different sample in ascending order, and the place of each sample among them: packed
	asPaletteSingle             // likewise, as singles
)

// The most decimal places tried; sensors and their senders round to fewer.
const maxPlaces = 6

var tens = [maxPlaces + 1]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}

// traceWriter writes trace blobs. It holds only scratch memory; it is not for
// concurrent use.
type traceWriter struct{ numbers, palette []int64 }

// append appends the channels as sent to dst: what consumeTraces reads is equal
// to the last bit. Samples that are whole numbers over a power of ten, as
// counts of a converter are, take about a byte each; so do few different values
// over and over, whatever they are.
func (t *traceWriter) append(dst []byte, channels []ingest.Channel) []byte {
	w := writer{dst}
	w.byte(traceVersion)
	w.uvarint(uint64(len(channels)))
	for i := range channels {
		c := &channels[i]
		w.text(c.Drive)
		w.text(string(c.Quantity))
		w.text(string(c.Unit))
		w.f64(c.SampleRate)
		w.f64(c.Offset)
		w.f64(c.Scale)
		w.f64(c.Zero)
		w.uvarint(uint64(len(c.Samples)))
		t.samples(&w, c.Samples)
	}
	w.seal(len(dst), nil)
	return w.b
}

func (t *traceWriter) samples(w *writer, samples []float64) {
	if places := t.decimal(samples, false); places >= 0 {
		w.byte(asWhole)
		w.byte(byte(places))
		w.packed(t.numbers)
		return
	}
	single := singles(samples)
	bits, palette := asBits, asPalette
	if single {
		if places := t.decimal(samples, true); places >= 0 {
			w.byte(asWholeSingle)
			w.byte(byte(places))
			w.packed(t.numbers)
			return
		}
		bits, palette = asBitsSingle, asPaletteSingle
	}
	t.numbers = t.numbers[:0]
	for _, s := range samples {
		t.numbers = append(t.numbers, bitsOf(s, single))
	}
	t.palette = append(t.palette[:0], t.numbers...)
	slices.Sort(t.palette)
	t.palette = slices.Compact(t.palette)
	if 4*len(t.palette) > 3*len(samples) {
		w.byte(bits)
		w.packed(t.numbers)
		return
	}
	w.byte(palette)
	w.uvarint(uint64(len(t.palette)))
	w.packed(t.palette)
	for i, n := range t.numbers {
		at, _ := slices.BinarySearch(t.palette, n)
		t.numbers[i] = int64(at)
	}
	w.packed(t.numbers)
}

// singles reports whether a 32-bit number holds each of the samples exactly.
func singles(samples []float64) bool {
	for _, s := range samples {
		if !(float64(float32(s)) == s) {
			return false
		}
	}
	return true
}

func bitsOf(s float64, single bool) int64 {
	if single {
		return int64(math.Float32bits(float32(s)))
	}
	return int64(math.Float64bits(s))
}

// decimal leaves in numbers the samples as whole numbers over the least power
// of ten for which each of them is found again exactly, and returns how many
// places that is; -1 where there is none.
func (t *traceWriter) decimal(samples []float64, single bool) int {
next:
	for places, ten := range tens {
		t.numbers = t.numbers[:0]
		for _, s := range samples {
			x := math.RoundToEven(s * ten)
			again := x / ten
			if single {
				again = float64(float32(again))
			}
			if again != s || math.Abs(x) > 1<<53 || x == 0 && math.Signbit(s) {
				continue next
			}
			t.numbers = append(t.numbers, int64(x))
		}
		return places
	}
	return -1
}

// consumeTraces reads what appendTraces wrote.
func consumeTraces(b []byte) ([]ingest.Channel, error) {
	r := reader{b: b}
	if len(b) > 0 && b[0] == traceVersion {
		if err := r.unseal(nil); err != nil {
			return nil, fmt.Errorf("trace: %w", err)
		}
	}
	if v := r.byte(); v < 1 || v > traceVersion {
		return nil, fmt.Errorf("trace: expected a version of 1 to %d, found %d: %w", traceVersion, v, errCodec)
	}
	list := make([]ingest.Channel, r.count(36))
	for i := range list {
		c := &list[i]
		c.Drive = r.text()
		c.Quantity = ingest.Quantity(r.text())
		c.Unit = ingest.Unit(r.text())
		c.SampleRate, c.Offset, c.Scale, c.Zero = r.f64(), r.f64(), r.f64(), r.f64()
		if n := r.uvarint(); !r.bad && n <= ingest.MaxSamples {
			c.Samples = r.samples(int(n))
		} else {
			r.bad = true
		}
		if r.bad {
			break
		}
	}
	if r.bad || len(r.b) != 0 {
		return nil, fmt.Errorf("trace: %w", errCodec)
	}
	return list, nil
}

// samples reads n samples that traceWriter.samples wrote.
func (r *reader) samples(n int) []float64 {
	as := r.byte()
	places, palette := 0, []int64(nil)
	switch as {
	case asWhole, asWholeSingle:
		places = int(r.byte())
	case asFloat:
		if n > len(r.b)/8 {
			r.bad = true
			return nil
		}
		out := make([]float64, n)
		for i := range out {
			out[i] = r.f64()
		}
		return out
	case asBits, asBitsSingle:
	case asPalette, asPaletteSingle:
		m := r.uvarint()
		if m > uint64(n) {
			r.bad = true
			return nil
		}
		palette = r.numbers(int(m))
	default:
		r.bad = true
	}
	if r.bad || places > maxPlaces {
		r.bad = true
		return nil
	}
	numbers := r.numbers(n)
	if r.bad {
		return nil
	}
	out := make([]float64, n)
	for i, x := range numbers {
		switch as {
		case asWhole:
			out[i] = float64(x) / tens[places]
		case asWholeSingle:
			out[i] = float64(float32(float64(x) / tens[places]))
		case asBits:
			out[i] = math.Float64frombits(uint64(x))
		case asBitsSingle:
			out[i] = float64(math.Float32frombits(uint32(x)))
		default:
			if x < 0 || x >= int64(len(palette)) {
				r.bad = true
				return nil
			}
			if as == asPalette {
				out[i] = math.Float64frombits(uint64(palette[x]))
			} else {
				out[i] = float64(math.Float32frombits(uint32(palette[x])))
			}
		}
	}
	return out
}

// numbers reads n packed numbers.
func (r *reader) numbers(n int) []int64 {
	if r.bad || n > len(r.b)*block { // a block takes a byte or more
		r.bad = true
		return nil
	}
	x := make([]int64, n)
	r.unpack(x)
	return x
}
