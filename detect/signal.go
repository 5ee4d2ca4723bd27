package detect

import "math"

// A signal is one number that every throw gives and that is watched: the
// logarithm of a feature, or a feature as a share of the usual running level.
//
// Its model: value = level + what temperature, supply and rain do + noise,
// where the level moves slowly (lubrication ages). The noise of a throw is
// heavy-tailed, and what the model leaves out makes it correlated; both are met
// by judging means of blocks of throws, whose variance and correlation are
// themselves measured.
type signal struct {
	n      float32 // throws learned from in this epoch
	level  float32 // rolling level, of the adjusted value
	fixed  float32 // level when the epoch's learning ended
	v      float32 // variance of one throw about the level
	recent float32 // mean of the last few throws, weights falling by 1/8

	slope     [numCovariates]float32 // effect of each covariate
	precision [numCovariates]float32 // of the slope
	slowX     [numCovariates]float32 // running mean of the covariate
	slowY     float32                // running mean of the value
	slowN     float32

	sum    float32 // of the adjusted values in the open block
	count  float32
	opened int64 // unix s of the block's first throw
	run    int8  // throws in a row far above the level

	blocks float32 // closed in this epoch
	vb     float32 // variance of a block mean about the level, with its prior
	wb     float32 // weight of vb in blocks
	cb     float32 // covariance of neighbouring blocks
	last   float32 // the last block's deviation from fast
	fast   float32 // mean of the last few blocks, weights falling by 1/fastBlocks
	drift  float32 // of the level, a day: ageing
	vs     float32 // variance of fast about the level: slow noise that is no change
	closed int64   // unix s, end of the last block

	up, down float32 // sums
	upSince  int64   // unix s since which up is above 0
	alarm    int8    // 1: up has passed its decision interval; -1: down
	peak     float32 // highest deviation of a block during the alarm
	above    int8    // blocks in a row far above the fixed level
	calm     int8    // blocks in a row back near the level
	low      bool    // stands below the level for longer than chance
	settling int8    // throws still to be gathered after work before the level is set
	before   float32 // recent before the work
	doubted  bool    // it stood above the level before the work
	soft     bool    // the work cannot have made it heavier
}

// Covariates of a throw.
const (
	covTemperature = iota // K from 15 °C
	covSupply             // ln of the supply over the usual supply
	covRain               // 1 raining, 0 dry
	numCovariates
)

type covariates struct {
	x     [numCovariates]float64
	known [numCovariates]bool
}

// kindOf says how a signal is watched.
type kindOf struct {
	name string
	// allowance is the change that is not worth a visit, in the signal's own
	// unit: what lubrication, weather left unexplained and a season do.
	allowance float64
	// spread is the deviation of a block expected before it is measured.
	spread float64
	// prior of the slopes: mean and deviation.
	slope, doubt [numCovariates]float64
	share        bool // a share of the running level, not a logarithm
}

// percent gives a change in the signal's unit in per cent of what is usual.
func (k *kindOf) percent(d float64) float64 {
	if k.share {
		return 100 * d
	}
	return 100 * (math.Exp(d) - 1)
}

const (
	sDuration = iota
	sInrush
	sUnlock
	sTravelA // the travel's first, middle and last third
	sTravelB
	sTravelC
	sTravel
	sLock
	sPeak
	sBump
	sIdle
	sRipple
	numSignals
)

// Priors of the slopes are common practice: grease stiffens in the cold by some
// tenths of a per cent a kelvin, a wet chair slides easier, a DC drive's speed
// and inrush follow its voltage.
var kinds = [numSignals]kindOf{
	sDuration: {"duration", 0.03, 0.012, [3]float64{-0.001, -0.6, -0.005}, [3]float64{0.002, 0.5, 0.02}, false},
	sInrush:   {"inrush peak", 0.06, 0.03, [3]float64{-0.001, 0.7, 0}, [3]float64{0.002, 0.5, 0.02}, false},
	sUnlock:   {"unlocking effort", 0.08, 0.03, [3]float64{-0.002, 0, -0.02}, [3]float64{0.004, 0.4, 0.05}, false},
	sTravelA:  {"effort of the first third", 0.09, 0.03, [3]float64{-0.003, 0, -0.03}, [3]float64{0.004, 0.4, 0.06}, false},
	sTravelB:  {"effort of the middle third", 0.09, 0.03, [3]float64{-0.003, 0, -0.03}, [3]float64{0.004, 0.4, 0.06}, false},
	sTravelC:  {"effort of the last third", 0.09, 0.03, [3]float64{-0.003, 0, -0.03}, [3]float64{0.004, 0.4, 0.06}, false},
	sTravel:   {"travel effort", 0.06, 0.03, [3]float64{-0.003, 0, -0.03}, [3]float64{0.004, 0.4, 0.06}, false},
	sLock:     {"locking effort", 0.08, 0.03, [3]float64{-0.002, 0, -0.02}, [3]float64{0.004, 0.4, 0.05}, false},
	sPeak:     {"highest effort of the travel", 0.12, 0.05, [3]float64{-0.003, 0, -0.03}, [3]float64{0.004, 0.4, 0.06}, false},
	sBump:     {"a hump in the travel", 0.08, 0.03, [3]float64{0, 0, 0}, [3]float64{0.002, 0.2, 0.03}, true},
	sIdle:     {"zero", 0.03, 0.01, [3]float64{0, 0, 0}, [3]float64{0.001, 0.1, 0.01}, true},
	sRipple:   {"ripple", 0.40, 0.15, [3]float64{0, 0, 0}, [3]float64{0.01, 0.5, 0.1}, false},
}

// Times and counts of the model. A block is long enough to hold what a
// day's hours have in common, short enough to see a fault within days.
const (
	needed     = 20       // throws before the level is used
	settle     = 8        // throws after work before the level is set anew
	blockMost  = 200      // throws that close a block
	blockLeast = 2        // throws a block holds at least
	blockSpan  = 8 * 3600 // s after which a block of blockLeast closes
	slowDays   = 25.0     // d, time constant of the rolling level
	winsor     = 3.5      // deviations beyond which a throw counts as that far
	rushed     = 4        // throws in a row beyond rushedZ and rushedFar that close the block at once
	rushedZ    = 5.0
	rushedFar  = 3.0  // reference values
	young      = 8    // blocks within which the level settles and nothing is called
	step       = 0.6  // of the decision interval: what one block adds at most, so that one never alarms
	priorBlock = 12.0 // blocks that the prior of vb weighs
	slowNoise  = 3.5  // deviations of the slow noise that are no change
	fastBlocks = 6.0
	beyond     = 4.0   // allowances above the fixed level that alarm however slowly they came
	memory     = 240.0 // blocks after which vb and cb forget
)

func (s *signal) start(k *kindOf) {
	for i := range s.slope {
		s.slope[i] = float32(k.slope[i])
		s.precision[i] = float32(1 / (k.doubt[i] * k.doubt[i]))
	}
	s.vb = float32(k.spread * k.spread)
	s.wb = priorBlock
	s.vs = float32(k.allowance * k.allowance / (2 * slowNoise * slowNoise))
	s.v = float32(k.spread * k.spread)
}

// adjusted returns the value without what the covariates do.
func (s *signal) adjusted(y float64, c *covariates) float64 {
	for i, known := range c.known {
		if known {
			y -= float64(s.slope[i]) * c.x[i]
		}
	}
	return y
}

// expected returns what a throw under these covariates should show, and the
// deviation of a single throw about it.
func (s *signal) expected(c *covariates) (mid, sd float64) {
	mid = float64(s.level)
	for i, known := range c.known {
		if known {
			mid += float64(s.slope[i]) * c.x[i]
		}
	}
	return mid, math.Sqrt(float64(s.v))
}

// learned reports whether the level can be used.
func (s *signal) learned() bool { return s.n >= needed && s.settling == 0 }

// doubt reports whether the signal may be on its way to an alarm, so that
// nothing of it should be taken for normal.
func (s *signal) doubt(k *kindOf, arl float64) bool {
	return s.alarm > 0 || s.up > 0 && float64(s.up) > 0.35*s.interval(k, arl)
}

// reference is the reference value of the chart: the allowance, or what blocks
// vary by among themselves, or what the level wanders by over days, where these
// are more.
func (s *signal) reference(k *kindOf) float64 {
	slow := min(slowNoise*math.Sqrt(float64(s.vs)), 2.2*k.allowance)
	return max(k.allowance, math.Sqrt(float64(s.vb)), slow)
}

// longRun is the deviation of a block that a long sum sees: correlated blocks
// add up to more than independent ones, by (1+r)/(1-r) for a first-order process.
func (s *signal) longRun() float64 {
	r := min(max(float64(s.cb)/float64(s.vb), 0), 0.8)
	return math.Sqrt(float64(s.vb) * (1 + r) / (1 - r))
}

// interval is the decision interval of the sum; at least one allowance, so
// that a single block does not alarm unless it is far out.
func (s *signal) interval(k *kindOf, arl float64) float64 {
	return max(decision(s.reference(k), s.longRun(), arl), k.allowance)
}

// step takes the value of one throw at time at (unix s). frozen: the throw's
// signals teach nothing now, but the chart goes on.
func (s *signal) step(k *kindOf, y float64, c *covariates, at int64, arl float64, frozen bool) {
	e := s.adjusted(y, c)
	if s.n == 0 {
		s.level, s.recent, s.opened = float32(e), float32(e), at
	}
	sd := math.Sqrt(float64(s.v))
	z := (e - float64(s.level)) / sd
	switch {
	case s.settling > 0:
		s.gather(k, e, at)
		return
	case s.n < needed:
		s.learn(k, e, y, c)
		s.recent += (float32(e) - s.recent) / min(s.n, 8)
		if s.n >= needed {
			s.fixed, s.fast = s.level, s.level
			s.opened, s.closed = at, at
		}
		return
	}
	s.recent += (float32(e) - s.recent) / 8
	// Far throws in a row are a change, one is an odd throw.
	switch {
	case z > rushedZ && e-float64(s.level) > rushedFar*s.reference(k):
		s.run++
	default:
		s.run = 0
	}
	far := s.run >= rushed
	if far {
		s.run = 0
	}
	w := e
	if !far && s.alarm == 0 {
		w = float64(s.level) + sd*min(max(z, -winsor), winsor)
	}
	if s.count == 0 {
		s.opened = at
	}
	if far { // the throws of the run were cut short; the block starts with them as they are
		s.sum, s.count = float32(w*rushed), rushed
	} else {
		s.sum += float32(w)
		s.count++
	}
	if !frozen && !s.doubt(k, arl) && math.Abs(z) < winsor {
		s.covary(e, y, c)
		s.v += float32((z*z*1.03*float64(s.v) - float64(s.v)) / 200)
		s.v = max(s.v, 1e-8)
	}
	if far || s.count >= blockMost || s.count >= blockLeast && at-s.opened >= blockSpan {
		s.close(k, at, arl, frozen)
	}
	s.n++
}

// learn takes one of the first throws into the level.
func (s *signal) learn(k *kindOf, e, y float64, c *covariates) {
	s.n++
	n := float64(s.n)
	sd := math.Sqrt(float64(s.v))
	d := e - float64(s.level)
	if n > 5 { // a far throw among the first pulls no further than a usual one
		d = min(max(d, -winsor*sd), winsor*sd)
	}
	s.level += float32(d / n)
	if n > 1 {
		s.v += float32((d*d*(n-1)/n - float64(s.v)) / (n + 3))
		s.v = max(s.v, 1e-8)
	}
	s.covary(e, y, c)
}

// covary moves the slopes: a recursive ridge regression of the value on each
// covariate, both less their running means so that slow drift is not taken for
// weather. The noise is taken as three times that of a throw, as neighbouring
// throws are not independent.
func (s *signal) covary(e, y float64, c *covariates) {
	s.slowN = min(s.slowN+1, 60)
	rate := 1 / float64(s.slowN)
	dy := y - float64(s.slowY)
	s.slowY += float32(dy * rate)
	var dx [numCovariates]float64
	rest := dy
	for i, known := range c.known {
		if known {
			dx[i] = c.x[i] - float64(s.slowX[i])
			s.slowX[i] += float32(dx[i] * rate)
			rest -= float64(s.slope[i]) * dx[i]
		}
	}
	if s.slowN < 5 {
		return
	}
	noise := 3 * float64(s.v)
	sd := math.Sqrt(float64(s.v))
	rest = min(max(rest, -winsor*sd), winsor*sd)
	for i, known := range c.known {
		if !known || dx[i] == 0 {
			continue
		}
		p := float64(s.precision[i])*(1-1.0/4000) + dx[i]*dx[i]/noise
		s.precision[i] = float32(p)
		change := dx[i] * rest / noise / p
		s.slope[i] += float32(change)
		// The level is of the adjusted value: keep what is expected now unchanged.
		s.level -= float32(change * float64(s.slowX[i]))
		s.recent -= float32(change * float64(s.slowX[i]))
		s.fixed -= float32(change * float64(s.slowX[i]))
		s.fast -= float32(change * float64(s.slowX[i]))
		if s.count > 0 {
			s.sum -= float32(change*float64(s.slowX[i])) * s.count
		}
	}
}

// gather collects throws after work, then decides what the level is now.
// Cleaning and grease do not make a turnout heavier, and a visit after which it
// is as heavy as before has not helped: then the old level stays and the charts
// go on from it. Other work may set a new one.
func (s *signal) gather(k *kindOf, e float64, at int64) {
	s.sum += float32(e)
	s.count++
	s.recent = s.sum / s.count
	s.settling--
	if s.settling > 0 {
		return
	}
	now, old, before := float64(s.sum/s.count), float64(s.level), float64(s.before)
	ref := s.reference(k)
	heavier := now > old+ref
	unmoved := s.doubted && now > before-0.3*(before-old)
	if !heavier || !s.soft && !unmoved {
		s.level, s.fixed, s.fast = float32(now), float32(now), float32(now)
		s.above = 0
		s.alarm, s.up, s.down = 0, 0, 0
	} else if s.alarm == 0 {
		s.up = 0
	}
	s.sum, s.count, s.closed, s.last, s.calm = 0, 0, at, 0, 0
}

// close judges the open block.
func (s *signal) close(k *kindOf, at int64, arl float64, frozen bool) {
	mean := float64(s.sum / s.count)
	days := min(float64(at-s.closed)/86400, 5)
	s.level += s.drift * float32(days)
	d := mean - float64(s.level)
	ref, h := s.reference(k), s.interval(k, arl)

	if s.up == 0 {
		s.upSince = s.opened
	}
	// One block alone does not alarm, and the way back is no longer than three
	// decision intervals.
	s.up = float32(min(max(float64(s.up)+min(d-ref, step*h), 0), 3*h))
	s.down = float32(min(max(float64(s.down)+min(-d-ref, step*h), 0), 3*h))
	s.sum, s.count, s.closed = 0, 0, at
	if s.blocks < young {
		s.up, s.down = 0, 0
	}
	far := mean-float64(s.fixed) > beyond*max(k.allowance, ref)
	if s.blocks < young {
		s.fixed = s.level
	}
	if far {
		s.above++
	} else {
		s.above = 0
	}

	switch {
	case s.alarm > 0:
		if d < 0.5*ref && !far {
			s.calm++
		} else {
			s.calm = 0
		}
		s.peak = max(s.peak, float32(d))
		if s.calm >= 2 {
			// It went by itself: so far can this turnout wander without a fault.
			wander := 0.8 * float64(s.peak) / slowNoise
			s.vs = max(s.vs, float32(wander*wander))
			s.alarm, s.calm, s.up = 0, 0, 0
		}
	case float64(s.up) > h, s.above >= 3:
		s.alarm, s.calm, s.peak = 1, 0, float32(d)
	}
	s.low = float64(s.down) > h && d < -ref
	if s.low {
		// Better than its past, for longer than chance: nobody need go. The level
		// follows within some blocks, not at once: what passes is not believed.
		s.level += float32(0.2 * d)
		s.down = float32(h)
	}
	e := mean - float64(s.fast)
	s.fast += float32(e) / fastBlocks
	if frozen && s.blocks >= young || s.doubt(k, arl) {
		s.last = float32(e)
		return
	}
	s.blocks++
	s.wb = min(s.wb+1, memory)
	// What the mean of the last few blocks leaves is the blocks' own noise: the
	// slow course of the level is no part of it. An EWMA of weight w leaves
	// 2/(2-w) of the variance of independent blocks.
	e = min(max(e, -3*math.Sqrt(float64(s.vb))), 3*math.Sqrt(float64(s.vb)))
	s.vb += float32((e*e*(2-1/fastBlocks)/2 - float64(s.vb)) / float64(s.wb))
	s.vb = max(s.vb, 1e-7)
	s.cb += float32((e*float64(s.last) - float64(s.cb)) / float64(s.wb))
	s.last = float32(e)
	slow := min(max(float64(s.fast-s.level), -1.5*ref), 1.5*ref)
	s.vs += float32((slow*slow - float64(s.vs)) / min(float64(s.wb)*2, 120))
	// Level and drift follow as an alpha-beta filter; the drift is that of
	// ageing, not of a fault.
	cut := min(max(d, -ref), ref)
	gain := max(days/slowDays, 1/(float64(s.blocks)+4))
	if s.blocks <= young {
		cut, gain = d, 1/(float64(s.blocks)+1)
	}
	s.level += float32(gain * cut)
	if days > 0 {
		most := k.allowance / 15
		s.drift += float32(days / (2 * slowDays * slowDays) * cut)
		s.drift = float32(min(max(float64(s.drift), -most/4), most))
	}
}

// visit opens a new epoch: what is known of noise and weather stays, the level
// is gathered anew. soft: work that cannot make a turnout heavier.
func (s *signal) visit(k *kindOf, soft bool) {
	if s.n < needed {
		return
	}
	if s.settling == 0 {
		s.before = s.recent
		s.doubted = s.alarm > 0 || s.up > 0 && float64(s.recent-s.level) > k.allowance/2
	}
	s.soft = soft
	// Enough throws that their mean is known to a third of the allowance.
	n := 9 * float64(s.v) / (k.allowance * k.allowance)
	s.settling = int8(min(max(n, settle), 60))
	s.sum, s.count, s.run, s.down = 0, 0, 0, 0
}

// change returns by how much the last throws stand above the level, in the
// signal's unit, and the deviation of that.
func (s *signal) change() (d, sd float64) {
	return float64(s.recent - s.level), math.Sqrt(float64(s.vb) + float64(s.v)/8)
}
