package detect

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"throwline/ingest"
)

// noisy returns usual350 with sensor noise and, if back, a back drive beside
// the main one.
func noisy(rng *rand.Rand, to ingest.End, back bool) *ingest.Throw {
	th := usual350()
	th.To = to
	c := &th.Channels[0]
	if back {
		second := *c
		second.Drive, second.Samples = "back", append([]float64(nil), c.Samples...)
		th.Channels = append(th.Channels, second)
	}
	for i := range th.Channels {
		level := 1 + 0.02*rng.NormFloat64()
		for j := range th.Channels[i].Samples {
			th.Channels[i].Samples[j] = th.Channels[i].Samples[j]*level + 0.01*rng.NormFloat64()
		}
	}
	return th
}

// learned returns a turnout's state after so many throws, one an hour, to both
// ends in turn.
func learned(tb testing.TB, throws int, back bool) *State {
	tb.Helper()
	rng := rand.New(rand.NewPCG(41, 42))
	s, set := &State{}, DefaultSettings()
	var m Measurer
	for n := range throws {
		th := noisy(rng, ingest.Ends[n%2], back)
		th.StartedAt = th.StartedAt.Add(time.Duration(n) * time.Hour)
		s, _ = s.Step(m.Measure(th), &set)
	}
	if l := s.Summary().Learning; l[0].Throws < l[0].Needed || l[1].Throws < l[1].Needed {
		tb.Fatalf("learned %+v", l)
	}
	return s
}

// BenchmarkThrow measures a throw of 350 samples and steps a turnout that has
// learned by it: all that detection does with a throw.
func BenchmarkThrow(b *testing.B) {
	rng := rand.New(rand.NewPCG(43, 44))
	var throws [64]*ingest.Throw
	for i := range throws {
		throws[i] = noisy(rng, ingest.Ends[i%2], false)
	}
	s, set := learned(b, 200, false), DefaultSettings()
	at := throws[0].StartedAt.Add(200 * time.Hour)
	var m Measurer
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		th := throws[n%len(throws)]
		at = at.Add(time.Hour)
		th.StartedAt = at
		s, _ = s.Step(m.Measure(th), &set)
		n++
	}
}

// BenchmarkStateSize reports what is kept of one direction of an electric
// turnout, as it is written: with one channel, and with a back drive beside it.
func BenchmarkStateSize(b *testing.B) {
	for _, c := range []struct {
		name string
		back bool
	}{{"main", false}, {"main+back", true}} {
		b.Run(c.name, func(b *testing.B) {
			s := learned(b, 200, c.back)
			var blob []byte
			for b.Loop() {
				var err error
				if blob, err = s.MarshalBinary(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(blob))/2, "B/direction")
		})
	}
}

// The state of a direction with one channel stays within 8 KiB, and a second
// channel no more than doubles it.
func TestStateSize(t *testing.T) {
	one, err := learned(t, 100, false).MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	two, err := learned(t, 100, true).MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("bytes a direction: one channel %d, two %d", len(one)/2, len(two)/2)
	if len(one)/2 > 8192 || len(two) > 2*len(one) {
		t.Errorf("bytes a direction: expected at most 8192 with one channel and twice as much with two, found %d and %d", len(one)/2, len(two)/2)
	}
}

// BenchmarkFleet steps random turnouts of fleets of many sizes, each with its
// own learned state and its neighbours beside it, by measured throws: the cost
// of a throw does not grow with the fleet but by the memory's caches.
func BenchmarkFleet(b *testing.B) {
	blob, err := learned(b, 200, false).MarshalBinary()
	if err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(45, 46))
	var observed [512]*Observation
	for i := range observed {
		observed[i] = Measure(noisy(rng, ingest.Ends[i%2], false))
	}
	for _, size := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			// Ten turnouts a cabinet, fifty an area.
			names, cabinets := make([]string, size), make([]string, size)
			states := make([]*State, size)
			var near Neighbours
			set := DefaultSettings()
			at := observed[0].StartedAt.Add(250 * time.Hour)
			step := func(i int, o *Observation) {
				mine := *o // of its own: Fill changes it
				mine.Turnout, mine.StartedAt = names[i], at
				near.Fill(&mine, cabinets[i])
				states[i], _ = states[i].Step(&mine, &set)
				near.Take(states[i], cabinets[i], at)
			}
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			for i := range states {
				names[i], cabinets[i] = fmt.Sprintf("A%05d-%02d", i/50, i%50), fmt.Sprintf("cab-%05d", i/10)
				states[i] = &State{}
				if err := states[i].UnmarshalBinary(blob); err != nil {
					b.Fatal(err)
				}
				at = at.Add(36 * time.Hour / time.Duration(size))
				step(i, observed[i%len(observed)])
			}
			runtime.GC()
			runtime.ReadMemStats(&after)
			b.ReportAllocs()
			for b.Loop() {
				at = at.Add(time.Hour / time.Duration(size)) // one throw an hour and turnout
				step(rng.IntN(size), observed[rng.IntN(len(observed))])
			}
			b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/float64(size), "B-heap/turnout")
			if known := near.groups["*"]; known == nil || len(known.felt) != size {
				b.Fatal("the neighbours do not know the whole fleet")
			}
		})
	}
}
