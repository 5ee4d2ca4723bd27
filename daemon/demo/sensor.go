package demo

import (
	"math"
	"math/rand/v2"

	"throwline/ingest"
)

// sensor is what stands between a signal and the numbers on the wire. It is
// never quite right: gain and zero are off, it makes noise, and it ends at its
// full scale.
type sensor struct {
	drive  string
	signal int
	unit   ingest.Unit
	gain   float64
	zero   float64 // in the signal's base unit, as all that follows
	noise  float64 // standard deviation
	low    float64
	full   float64
	count  float64 // what one count of its converter is worth
	counts bool    // sent as counts, with scale and zero; else as decimals
	places float64 // power of ten that decimals are rounded to
	usual  float64 // what it reads while the blades travel
}

// channel measures raw, the filtered signal, as it is sent.
func (c *sensor) channel(raw []float64, rate, offset float64, h *health, rng *rand.Rand) ingest.Channel {
	out := make([]float64, len(raw))
	per := 1.0 // base units to the unit sent
	if c.unit == ingest.Kilopascal {
		per = 100
	}
	gain, zero, noise := c.gain*h.gain, c.zero+h.zero*c.usual, c.noise*h.noise
	lost := 0
	for i, v := range raw {
		v = v*gain + zero + noise*rng.NormFloat64()
		if h.dropout > 0 {
			if lost == 0 && rng.Float64() < h.dropout/4 {
				lost = 1 + rng.IntN(7)
			}
			if lost > 0 {
				lost--
				v = zero // a loose plug
			}
		}
		v = min(max(v, c.low), c.full)
		n := math.Round((v - c.low) / c.count)
		if c.counts {
			out[i] = n
		} else {
			out[i] = math.Round((c.low+n*c.count)*per*c.places) / c.places
		}
	}
	ch := ingest.Channel{
		Drive: c.drive, Quantity: signalQuantity[c.signal], Unit: c.unit,
		SampleRate: rate, Offset: offset, Scale: 1, Samples: out,
	}
	if c.counts {
		ch.Scale, ch.Zero = c.count*per, c.low*per
	}
	return ch
}

// fit draws a sensor for a signal that reads usual in travel and peak at most.
func fit(rng *rand.Rand, drive string, signal int, usual, peak float64) sensor {
	s := sensor{
		drive: drive, signal: signal, usual: usual,
		unit:  signalQuantity[signal].Base(),
		gain:  1 + 0.015*rng.NormFloat64(),
		zero:  0.004 * usual * rng.NormFloat64(),
		noise: usual * between(rng, 0.002, 0.015),
	}
	s.full = peak * between(rng, 1.15, 2.2)
	if rng.Float64() < 0.12 && (signal == amps || signal == watts) {
		s.full = usual + (peak-usual)*between(rng, 0.5, 0.95) // too small a range: the inrush is cut off
	}
	s.low = -0.02 * s.full
	bits := 10 + 2*rng.IntN(3)
	s.count = (s.full - s.low) / float64(int(1)<<bits)
	s.counts = rng.Float64() < 0.4
	if signal == bar && rng.Float64() < 0.3 {
		s.unit = ingest.Kilopascal
	}
	s.places = math.Pow(10, math.Ceil(-math.Log10(s.count*0.7)))
	return s
}

func between(rng *rand.Rand, a, b float64) float64 { return a + (b-a)*rng.Float64() }

// logBetween draws evenly on a logarithmic scale.
func logBetween(rng *rand.Rand, a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }
