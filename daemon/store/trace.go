package store

import (
	"fmt"
	"math"

	"throwline/ingest"
)

// The first byte of a trace blob.
const traceVersion = 1

// How the samples of a channel are written.
const (
	asWhole byte = iota // whole numbers over a power of ten: packed
	asFloat             // anything else: 8 bytes each
)

// The most decimal places tried; sensors and their senders round to fewer.
const maxPlaces = 6

// appendTraces appends the channels as sent: what consumeTraces reads is equal
// to the last bit. Samples that are whole numbers over a power of ten, as
// counts of a converter are, take about a byte each.
func appendTraces(dst []byte, channels []ingest.Channel, scratch *[]int64) []byte {
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
		places, whole := decimal(c.Samples, (*scratch)[:0])
		*scratch = whole
		if places < 0 {
			w.byte(asFloat)
			for _, s := range c.Samples {
				w.f64(s)
			}
			continue
		}
		w.byte(asWhole)
		w.byte(byte(places))
		w.packed(whole)
	}
	return w.b
}

var tens = [maxPlaces + 1]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}

// decimal returns the least number of decimal places under which every sample
// is exactly a whole number over that power of ten, and these numbers; -1 where
// there is none.
func decimal(samples []float64, into []int64) (int, []int64) {
	places := 0
next:
	for ; places <= maxPlaces; places++ {
		ten := tens[places]
		into = into[:0]
		for _, s := range samples {
			x := math.RoundToEven(s * ten)
			if x/ten != s || math.Abs(x) > 1<<53 || x == 0 && math.Signbit(s) {
				continue next
			}
			into = append(into, int64(x))
		}
		return places, into
	}
	return -1, into
}

// consumeTraces reads what appendTraces wrote.
func consumeTraces(b []byte) ([]ingest.Channel, error) {
	r := reader{b: b}
	if v := r.byte(); v != traceVersion {
		return nil, fmt.Errorf("trace: expected version %d, found %d: %w", traceVersion, v, errCodec)
	}
	list := make([]ingest.Channel, r.count(36))
	for i := range list {
		c := &list[i]
		c.Drive = r.text()
		c.Quantity = ingest.Quantity(r.text())
		c.Unit = ingest.Unit(r.text())
		c.SampleRate, c.Offset, c.Scale, c.Zero = r.f64(), r.f64(), r.f64(), r.f64()
		n := r.uvarint()
		if r.bad || n > ingest.MaxSamples {
			r.bad = true
			break
		}
		switch r.byte() {
		case asFloat:
			if n > uint64(len(r.b)/8) {
				r.bad = true
				break
			}
			c.Samples = make([]float64, n)
			for j := range c.Samples {
				c.Samples[j] = r.f64()
			}
		case asWhole:
			places := int(r.byte())
			if places > maxPlaces || n > uint64(len(r.b))*block {
				r.bad = true
				break
			}
			whole := make([]int64, n)
			r.unpack(whole)
			c.Samples = make([]float64, n)
			for j, x := range whole {
				c.Samples[j] = float64(x) / tens[places]
			}
		default:
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
