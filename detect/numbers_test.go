package detect

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"throwline/ingest"
)

// odd numbers that a message may bring: nothing, next to nothing, the most.
func oddNumber(rng *rand.Rand) float64 {
	odd := [...]float64{1, 1, 1, -1, 1e12, -1e12, 1e-9, 1e-12, 1e-30, 1e-44, 1e-50, math.SmallestNonzeroFloat64}
	if i := rng.IntN(len(odd) + 4); i < len(odd) {
		return odd[i]
	}
	return math.Copysign(math.Pow(10, 60*rng.Float64()-48), rng.Float64()-0.3)
}

// strange is a throw whose numbers are valid and make no sense.
type strange struct {
	shape, samples   int
	rate, offset     float64
	scale, zero      float64
	supply           ingest.Reading
	quantity, second ingest.Quantity
	every            time.Duration
}

func (x *strange) at(rng *rand.Rand, n int, at time.Time) *ingest.Throw {
	samples, most := make([]float64, x.samples), 0.0
	for i := range samples {
		s := float64(i) / float64(len(samples))
		switch x.shape {
		case 0:
			if s > 0.05 && s < 0.9 {
				samples[i] = 400 + 3*rng.NormFloat64()
				if s < 0.1 {
					samples[i] *= 4
				}
			}
		case 1:
			samples[i] = 7
		case 2:
			samples[i] = rng.NormFloat64()
		default:
			samples[i] = math.Exp(20 * rng.NormFloat64())
		}
		most = max(most, math.Abs(samples[i]))
	}
	scale := x.scale
	if rng.IntN(10) == 0 {
		scale = oddNumber(rng)
	}
	if most*math.Abs(scale) > ingest.MaxPhysical {
		scale = math.Copysign(0.999*ingest.MaxPhysical/most, scale)
	}
	t := &ingest.Throw{
		ID: fmt.Sprint(n), Turnout: "A-1", To: ingest.Ends[n%2], StartedAt: at, Completed: rng.IntN(25) > 0, Supply: x.supply,
		Detections: []ingest.Detection{{Place: "toe", After: time.Duration(rng.Int64N(int64(ingest.MaxThrowLength)))}},
	}
	for i, q := range []ingest.Quantity{x.quantity, x.second} {
		if q != "" {
			t.Channels = append(t.Channels, ingest.Channel{
				Drive: [...]string{"main", "back"}[i], Quantity: q, Unit: q.Units()[0], SampleRate: x.rate, Offset: x.offset, Scale: scale, Zero: x.zero, Samples: samples,
			})
		}
	}
	return t
}

// Whatever valid numbers throws bring, what is said of them can be written down:
// what cannot would be tried again for ever, with all that came after it. And no
// number of the state is none: it would stay so for good.
func TestAnyNumbers(t *testing.T) {
	seeds := 40
	if n, err := strconv.Atoi(os.Getenv("SEEDS")); err == nil {
		seeds = n
	}
	set := DefaultSettings()
	found := 0
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(uint64(seed), 1))
		one := func(list ...float64) float64 { return list[rng.IntN(len(list))] }
		s, at := new(State), time.Date(2026, 3, 1, 5, 0, 0, 0, time.UTC)
		quantity := ingest.Quantities[rng.IntN(len(ingest.Quantities))]
		for part := range 6 {
			x := strange{
				shape: rng.IntN(4), samples: int(one(8, 50, 350)), rate: one(5, 50, 100, 20000), offset: one(0, 0, 0.01, 3600, -3600),
				scale: oddNumber(rng), quantity: quantity, supply: ingest.Known(one(0, 1e-300, 1e-5, 1, 110, 5000)),
				every: time.Duration(one(1, float64(time.Minute), float64(time.Hour), float64(9*time.Hour))),
			}
			if rng.IntN(3) == 0 {
				x.zero = oddNumber(rng)
			}
			if rng.IntN(3) == 0 {
				x.second = ingest.Quantities[rng.IntN(len(ingest.Quantities))]
			}
			for n := range int(one(1, 30, 70)) {
				at = at.Add(x.every)
				th := x.at(rng, n, at)
				if err := th.Validate(time.Time{}); err != nil {
					t.Fatalf("seed %d: expected a valid throw: %v", seed, err)
				}
				var a Assessment
				s, a = s.Step(Measure(th), &set)
				found += len(a.Findings)
				if _, err := json.Marshal(a.Findings); err != nil {
					t.Fatalf("seed %d, part %d, throw %d: %v in %+v", seed, part, n, err, a.Findings)
				}
				if what := s.noNumber(); what != "" {
					t.Fatalf("seed %d, part %d, throw %d: %s is no number after %+v", seed, part, n, what, x)
				}
				if rng.IntN(60) == 0 {
					s, a = s.Visit(&ingest.Work{Turnout: "A-1", DoneAt: at, Kind: ingest.WorkKinds[rng.IntN(len(ingest.WorkKinds))]}, &set)
					if _, err := json.Marshal(a.Findings); err != nil {
						t.Fatalf("seed %d, part %d, throw %d, work: %v", seed, part, n, err)
					}
				}
			}
		}
	}
	if found < 100 {
		t.Errorf("expected the throws to show something, found %d findings", found)
	}
}

// noNumber names what of the charts is infinite or no number.
func (s *State) noNumber() string {
	for i := range s.ends {
		e := &s.ends[i]
		look := func(name string, g *signal) string {
			for j, x := range []float32{g.level, g.fixed, g.v, g.recent, g.slowY, g.sum, g.strange, g.vb, g.cb, g.last, g.fast, g.drift, g.vs, g.up, g.down, g.peak, g.wander, g.before} {
				if y := float64(x); math.IsNaN(y) || math.IsInf(y, 0) {
					return fmt.Sprintf("%s, number %d", name, j)
				}
			}
			for j := range g.slope {
				if y := float64(g.slope[j] + g.precision[j] + g.slowX[j]); math.IsNaN(y) || math.IsInf(y, 0) {
					return fmt.Sprintf("%s, slope %d (%v, %v, %v)", name, j, g.slope[j], g.precision[j], g.slowX[j])
				}
			}
			return ""
		}
		for j := range e.tracks {
			for k := range e.tracks[j].signals {
				if what := look(kinds[k].name, &e.tracks[j].signals[k]); what != "" {
					return what
				}
			}
		}
		for j := range e.places {
			if what := look("time to detection", &e.places[j].lag); what != "" {
				return what
			}
		}
		if what := look("supply", &e.sag); what != "" {
			return what
		}
	}
	return ""
}

// An odd supply at the first throws, of a cabinet that is being set up, does not
// hide a supply that sags later.
func TestOddFirstSupply(t *testing.T) {
	set := DefaultSettings()
	for _, first := range [][]float64{{110}, {5000, 5000}, {1, 1, 110, 110, 5000, 5000}} {
		rng := rand.New(rand.NewPCG(1, 1))
		s, at := new(State), time.Date(2026, 3, 1, 5, 0, 0, 0, time.UTC)
		seen := 0
		for n := range 600 {
			at = at.Add(2 * time.Hour)
			supply := 110 * (1 + 0.01*rng.NormFloat64())
			if n >= 400 {
				supply *= 0.72
			}
			if n < len(first) {
				supply = first[n]
			}
			samples, level := make([]float64, 350), 4*(1+0.01*rng.NormFloat64())
			for i := range samples {
				if i > 5 && i < 305 {
					samples[i] = level
				}
				if i > 5 && i < 20 {
					samples[i] *= 3
				}
				samples[i] += 0.02 * rng.NormFloat64()
			}
			var a Assessment
			s, a = s.Step(Measure(&ingest.Throw{
				Turnout: "A-1", To: ingest.Ends[n%2], StartedAt: at, Completed: true, Supply: ingest.Known(supply),
				Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 1, Samples: samples}},
			}), &set)
			for _, f := range a.Findings {
				if f.Condition == WeakSupply {
					seen++
				}
			}
		}
		if seen == 0 {
			t.Errorf("first supplies %v: expected the sag of 28 %% to be seen", first)
		}
	}
}

// An odd throw among the first, sent in another unit maybe, does not hide for good
// what comes later.
func TestOddFirstThrows(t *testing.T) {
	set := DefaultSettings()
	for _, scale := range []float64{1, 1e-9, 1e-3, 1e3, 1e9} {
		for _, odd := range []int{0, 5, 12, 18, 40} { // and the one after it, to the other end
			rng := rand.New(rand.NewPCG(1, 1))
			s, at := new(State), time.Date(2026, 3, 1, 5, 0, 0, 0, time.UTC)
			seen := false
			for n := range 700 {
				at = at.Add(2 * time.Hour)
				samples, level := make([]float64, 350), 4*(1+0.01*rng.NormFloat64())
				if n >= 500 {
					level *= 1.6
				}
				for i := range samples {
					if i > 5 && i < 305 {
						samples[i] = level
					}
					if i > 5 && i < 20 {
						samples[i] = 12
					}
					samples[i] += 0.02 * rng.NormFloat64()
				}
				c := ingest.Channel{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 1, Samples: samples}
				if n == odd || n == odd+1 {
					c.Scale = scale
				}
				var a Assessment
				s, a = s.Step(Measure(&ingest.Throw{Turnout: "A-1", To: ingest.Ends[n%2], StartedAt: at, Completed: true, Channels: []ingest.Channel{c}}), &set)
				for _, f := range a.Findings {
					seen = seen || n >= 500 && f.Condition == Stiffening
				}
			}
			if !seen {
				t.Errorf("%g times as much at throw %d: expected 60 %% more effort to be seen", scale, odd)
			}
		}
	}
}
