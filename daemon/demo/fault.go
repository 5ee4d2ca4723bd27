package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"throwline/detect"
	"throwline/ingest"
)

// growth is how a fault grows from its onset to the failure it is meant for.
type growth uint8

const (
	linear       growth = iota
	accelerating        // slowly at first, fast at the end
	stepwise            // by jumps
	intermittent        // there and not there at first
)

var growthNames = [...]string{"linear", "accelerating", "stepwise", "intermittent"}

// fault is one fault of one turnout. It changes one physical quantity of the
// turnout's health, by an amount that grows with time.
type fault struct {
	cause  detect.CauseName
	mode   string // what it is, in words
	onset  float64
	life   float64 // s from onset until it has grown to size
	growth growth
	power  float64   // exponent of its growth
	steps  []float64 // where it jumps, as shares of life
	stops  float64   // share of life at which it is found and mended by a visit; above 1: it is left to fail
	size   float64   // amount at which the turnout fails in reference weather, or the most there can be
	fails  bool      // whether that amount makes it fail
	apply  func(h *health, amount float64)
	note   string
	work   ingest.WorkKind // that mends it

	failed  float64 // s, 0: not yet
	retries int
	visit   float64 // s at which it will be mended, 0: not known yet
	mended  float64 // s, 0: not yet
}

// severity is the share of size that the fault has reached at time t. draw is
// from 0 to 1 anew for each throw, for what comes and goes.
func (f *fault) severity(t, draw float64) float64 {
	u := (t - f.onset) / f.life
	if u <= 0 {
		return 0
	}
	switch f.growth {
	case stepwise:
		s := 0.0
		for i, at := range f.steps {
			if u >= at {
				s = float64(i+1) / float64(len(f.steps))
			}
		}
		return max(s, min(u, 1.6)-0.15) * min(u*4, 1)
	case intermittent:
		if draw > 0.12+1.1*u {
			return 0.15 * u
		}
		return min(0.35+0.65*u, 1.6)
	}
	return math.Pow(min(u, 2), f.power)
}

// shape is a kind of fault: what it can do to a turnout.
type shape struct {
	cause    detect.CauseName
	mode     string
	work     ingest.WorkKind
	days     [2]float64                                   // from onset to failure
	possible func(p *plant) bool                          // nil: always
	most     func(p *plant) float64                       // the largest amount that can be
	apply    func(p *plant, k int) func(*health, float64) // k is an end drawn for it
	growths  []growth
}

func isHydraulic(p *plant) bool { return p.hydraulic != nil }
func isDC(p *plant) bool        { return p.motor().kind != induction }
func isAC(p *plant) bool        { return p.motor().kind == induction }

func (p *plant) motor() *motor {
	if p.hydraulic != nil {
		return &p.hydraulic.motor
	}
	return &p.electric.motor
}

func amount(v float64) func(*plant) float64 { return func(*plant) float64 { return v } }

var slowly = []growth{linear, accelerating, accelerating, stepwise}
var anyhow = []growth{linear, accelerating, stepwise, intermittent}

// shapes lists what can go wrong. Coefficients of friction are those of
// friction.go; other amounts end where no such part would still be in use.
func shapes() []shape {
	return []shape{
		{
			cause: detect.DrySlideChairs, mode: "all chairs run dry", work: ingest.Lubricated, days: [2]float64{10, 45}, growths: slowly,
			most:  func(p *plant) float64 { return 1.3*dryFriction/p.track.friction - 1 },
			apply: func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.chairs += v } },
		},
		{
			cause: detect.DrySlideChairs, mode: "some chairs run dry and rust", work: ingest.Cleaned, days: [2]float64{8, 40}, growths: slowly,
			most:  amount(2 * dryFriction),
			apply: func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.patch += v } },
		},
		{
			cause: detect.SeizedRoller, mode: "a set of rollers clogs and stops turning", work: ingest.Repaired, days: [2]float64{4, 30}, growths: anyhow,
			possible: func(p *plant) bool { return p.track.rolling > 0 },
			most:     amount(3),
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.roller += v } },
		},
		{
			cause: detect.Obstruction, mode: "ballast and dirt pack up behind a blade", work: ingest.Cleaned, days: [2]float64{1.5, 10}, growths: anyhow,
			most: amount(12000),
			apply: func(_ *plant, k int) func(*health, float64) {
				return func(h *health, v float64) { h.debris, h.debrisEnd = h.debris+v, k }
			},
		},
		{
			cause: detect.LockAdjustment, mode: "the lock is pressed ever harder at one end", work: ingest.Adjusted, days: [2]float64{6, 40}, growths: anyhow,
			most: amount(0.02),
			apply: func(_ *plant, k int) func(*health, float64) {
				return func(h *health, v float64) { h.lock[k], h.lock[1-k] = h.lock[k]+v, h.lock[1-k]-0.4*min(v, 0.001) }
			},
		},
		{
			cause: detect.BackDrive, mode: "the rod to the back drive works loose", work: ingest.Adjusted, days: [2]float64{7, 40}, growths: anyhow,
			possible: func(p *plant) bool { return p.track.back != nil },
			most:     func(p *plant) float64 { return 1.3 * p.track.back.allowed },
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.backSlack += v } },
		},
		{
			cause: detect.BackDrive, mode: "the back drive's cranks bind", work: ingest.Repaired, days: [2]float64{7, 40}, growths: slowly,
			possible: func(p *plant) bool { return p.track.back != nil },
			most:     amount(8000),
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.backFriction += v } },
		},
		{
			cause: detect.BackDrive, mode: "what the back drive moves by itself binds", work: ingest.Repaired, days: [2]float64{7, 40}, growths: anyhow,
			possible: func(p *plant) bool { return p.own != nil },
			most:     amount(8000),
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.backBind += v } },
		},
		{
			cause: detect.HydraulicLeak, mode: "pump and valve leak inside", work: ingest.Replaced, days: [2]float64{8, 40}, growths: slowly,
			possible: isHydraulic,
			most:     func(p *plant) float64 { return 60 * p.hydraulic.leakage },
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.leak += v } },
		},
		{
			cause: detect.HydraulicLeak, mode: "a hose leaks, the pump begins to draw air", work: ingest.Repaired, days: [2]float64{4, 25}, growths: anyhow,
			possible: isHydraulic,
			most:     amount(0.97),
			apply: func(*plant, int) func(*health, float64) {
				return func(h *health, v float64) { h.air = min(h.air+v, 0.98) }
			},
		},
		{
			cause: detect.MotorWear, mode: "brushes and commutator wear", work: ingest.Replaced, days: [2]float64{12, 60}, growths: slowly,
			possible: isDC,
			most:     func(p *plant) float64 { return 12 * p.motor().resistance },
			apply: func(*plant, int) func(*health, float64) {
				return func(h *health, v float64) { h.brush, h.rough = h.brush+v, 0.8 }
			},
		},
		{
			cause: detect.MotorWear, mode: "bearings of the motor bind", work: ingest.Replaced, days: [2]float64{10, 45}, growths: slowly,
			most:  func(p *plant) float64 { return 40 * p.motor().drag },
			apply: func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.bearing += v } },
		},
		{
			cause: detect.MotorWear, mode: "bars of the rotor break", work: ingest.Replaced, days: [2]float64{12, 60}, growths: slowly,
			possible: isAC,
			most:     amount(25),
			apply:    func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.rotor += v } },
		},
		{
			cause: detect.SupplyVoltageCause, mode: "a joint of the supply cable corrodes", work: ingest.Repaired, days: [2]float64{5, 40}, growths: anyhow,
			most: func(p *plant) float64 {
				if isDC(p) {
					return 15 * (p.motor().resistance + p.motor().cable)
				}
				return 0.9
			},
			apply: func(p *plant, _ int) func(*health, float64) {
				if isDC(p) {
					return func(h *health, v float64) { h.cable += v }
				}
				return func(h *health, v float64) { h.sag += v }
			},
		},
		{
			cause: detect.SupplyVoltageCause, mode: "the battery gives out", work: ingest.Replaced, days: [2]float64{5, 30}, growths: slowly,
			possible: isDC,
			most:     amount(0.85),
			apply: func(*plant, int) func(*health, float64) {
				return func(h *health, v float64) { h.source = min(h.source+v, 0.95) }
			},
		},
		{
			cause: detect.MeasurementCause, mode: "the sensor's gain drifts off", work: ingest.Repaired, days: [2]float64{5, 40}, growths: []growth{linear, accelerating},
			most: amount(0.8),
			apply: func(*plant, int) func(*health, float64) {
				return func(h *health, v float64) { h.gain *= 1 - min(v, 0.98) }
			},
		},
		{
			cause: detect.MeasurementCause, mode: "the sensor's zero drifts off", work: ingest.Repaired, days: [2]float64{5, 40}, growths: []growth{linear, accelerating},
			most:  amount(1.5),
			apply: func(*plant, int) func(*health, float64) { return func(h *health, v float64) { h.zero += v } },
		},
		{
			cause: detect.MeasurementCause, mode: "the sensor's plug works loose", work: ingest.Repaired, days: [2]float64{3, 20}, growths: []growth{linear, intermittent},
			most: amount(0.6),
			apply: func(*plant, int) func(*health, float64) {
				return func(h *health, v float64) { h.dropout, h.noise = h.dropout+v, h.noise+4*v }
			},
		},
		{
			cause: detect.DetectionAdjustment, mode: "the toe's detector makes ever later at one end", work: ingest.Adjusted, days: [2]float64{7, 40}, growths: anyhow,
			most: amount(0.7),
			apply: func(_ *plant, k int) func(*health, float64) {
				return func(h *health, v float64) { h.toeDetector[k] += v }
			},
		},
		{
			cause: detect.DetectionAdjustment, mode: "the back's detector makes ever later at one end", work: ingest.Adjusted, days: [2]float64{7, 40}, growths: anyhow,
			possible: func(p *plant) bool { return p.track.detectors > 1 || p.own != nil },
			most:     amount(0.8),
			apply: func(_ *plant, k int) func(*health, float64) {
				return func(h *health, v float64) { h.backDetector[k] += v }
			},
		},
	}
}

// bear draws a fault of the given cause, "" for any that is possible, that
// begins at onset. It finds the amount at which the turnout fails by throwing
// it; where even the largest does not make it fail, it grows to that.
// It returns nil where the turnout cannot have that fault.
func (p *plant) bear(w *workshop, rng *rand.Rand, cause detect.CauseName, onset float64) *fault {
	// A cause is drawn first, then its kind, so that no cause is rare for
	// having few kinds.
	kinds := map[detect.CauseName][]shape{}
	var causes []detect.CauseName
	for _, s := range shapes() {
		if (cause != "" && s.cause != cause) || (s.possible != nil && !s.possible(p)) {
			continue
		}
		if kinds[s.cause] == nil {
			causes = append(causes, s.cause)
		}
		kinds[s.cause] = append(kinds[s.cause], s)
	}
	if len(causes) == 0 {
		return nil
	}
	s := pick(rng, kinds[pick(rng, causes...)]...)
	k := rng.IntN(2)
	f := &fault{
		cause: s.cause, mode: s.mode, work: s.work, onset: onset,
		life:   logBetween(rng, s.days[0], s.days[1]) * day,
		growth: pick(rng, s.growths...),
		power:  1,
		apply:  s.apply(p, k),
		stops:  9,
	}
	switch f.growth {
	case accelerating:
		f.power = between(rng, 1.6, 3.2)
	case stepwise:
		n := 3 + rng.IntN(4)
		for range n - 1 {
			f.steps = append(f.steps, between(rng, 0.03, 0.95))
		}
		f.steps = append(f.steps, 1)
		slices.Sort(f.steps)
	}
	if rng.Float64() < 0.12 {
		f.stops = between(rng, 0.5, 0.95)
	}
	most := s.most(p)
	if f.cause == detect.MeasurementCause {
		f.size, f.fails = most, true // fails when nothing can be measured any more
	} else {
		f.size, f.fails = p.failing(w, f.apply, most)
	}
	f.note = p.describe(w, f)
	return f
}

// failing searches the smallest amount, up to most, with which the turnout
// does not complete a throw to one of its ends.
func (p *plant) failing(w *workshop, apply func(*health, float64), most float64) (size float64, fails bool) {
	fail := func(v float64) bool {
		h := p.sound()
		apply(&h, v)
		for _, to := range ingest.Ends {
			a := calm(to)
			if !p.completes(w, &h, &a) {
				return true
			}
		}
		return false
	}
	if !fail(most) {
		return most, false
	}
	low, high := 0.0, most
	for range 12 {
		mid := (low + high) / 2
		if fail(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high, true
}

// completes throws the turnout, its own back drive too, without measuring.
func (p *plant) completes(w *workshop, h *health, a *around) bool {
	if !p.move(w, h, a, nil).completed {
		return false
	}
	if p.own == nil {
		return true
	}
	bh, ba := p.backHealth(h), *a
	w.backs.build(&p.own.track, &bh, &ba)
	return p.own.electric.run(&w.backs, &bh, &ba, nil, nil).completed
}

// describe says what the fault does at half of its size and just before it fails.
func (p *plant) describe(w *workshop, f *fault) string {
	seen := func(amount float64) (mean, seconds, detected float64) {
		rng := rand.New(rand.NewPCG(1, 1))
		h := p.sound()
		f.apply(&h, amount)
		for _, to := range ingest.Ends {
			a := calm(to)
			r := p.throw(w, &h, &a, rng)
			c := &r.channels[0]
			x, y := c.Factors()
			n := 0
			sum := 0.0
			for i, s := range c.Samples {
				if t := c.Offset + float64(i)/c.SampleRate; t > 0.3 && t < r.off {
					sum += x*s + y
					n++
				}
			}
			mean = max(mean, sum/float64(max(n, 1)))
			seconds = max(seconds, r.off)
			for _, t := range r.after {
				detected = max(detected, t)
			}
		}
		return mean, seconds, detected
	}
	m0, t0, d0 := seen(0)
	at := func(share float64) string {
		m, t, d := seen(share * f.size)
		return fmt.Sprintf("mean %+.0f %%, time %+.0f %%, detected %+.2f s", 100*(m/m0-1), 100*(t/t0-1), d-d0)
	}
	s := fmt.Sprintf("%s, %s; %s at half of its size: %s; shortly before failure: %s", f.mode, growthNames[f.growth],
		signalQuantity[p.sensors[0].signal], at(0.5), at(0.95))
	if !f.fails {
		s += "; never enough to fail by itself"
	}
	return s
}
