package detect

import (
	"fmt"
	"math"
)

// A signal is one number that every throw gives and that is watched: the
// logarithm of a feature, or a feature as a share of the usual running level.
//
// Its model: value = level + what temperature, supply, rain, the neighbours and
// the throw's own travel effort do + noise, where the level moves slowly (lubrication ages). The noise of a throw is
// heavy-tailed, and what the model leaves out makes it correlated; both are met
// by judging means of blocks of throws, whose variance and correlation are
// themselves measured.
type signal struct {
	// The widest first and the narrowest last: there are many of them.
	opened  int64                // unix s of the block's first throw
	closed  int64                // unix s, end of the last block
	upSince int64                // unix s since which up is above 0
	groups  *[groupCount]float32 // means of the throws gathered after work, nil while there are none; never changed in place

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

	sum   float32 // of the adjusted values in the open block
	count float32

	strange float32 // sum over the open block of how unsure the weather makes the value
	size    float32 // usual count of a block

	epoch float32 // blocks closed since the level was set

	blocks float32 // learned from
	vb     float32 // variance of a block mean about the level, with its prior
	wb     float32 // weight of vb in blocks
	cb     float32 // covariance of neighbouring blocks
	last   float32 // the last block's deviation from fast
	fast   float32 // mean of the last few blocks, weights falling by 1/fastBlocks
	drift  float32 // of the level, a day: ageing
	vs     float32 // variance of fast about the level: slow noise that is no change

	up, down float32 // sums
	peak     float32 // highest deviation of a block during the alarm
	wander   float32 // how far it has stood out and gone back by itself; falls slowly
	before   float32 // recent before the work

	run      int8 // throws in a row far above the level; below 0: far below it
	alarm    int8 // 1: up has passed its decision interval
	above    int8 // blocks in a row far above the fixed level
	calm     int8 // blocks in a row back near the level
	low      bool // stands below the level for longer than chance
	fallen   bool // has stood so in this epoch
	group    int8 // throws whose mean is one of the groups
	settling int8 // throws still to be gathered after work; below 0: gathered, and not yet judged
}

// Covariates of a throw.
const (
	covTemperature = iota // K from 15 °C
	covSupply             // ln of the supply over the usual supply
	covRain               // 1 raining, 0 dry
	covCommon             // what the neighbours feel in common of effort, ln
	covPace               // what they feel in common of the duration, ln
	covLoad               // travel effort of the same throw against the first ones, ln
	numCovariates
)

// effects are slopes, one a covariate.
type effects [numCovariates]float64

type covariates struct {
	x     [numCovariates]float64
	known [numCovariates]bool
	hold  bool // the load teaches nothing: the travel is in doubt
}

// kindOf says how a signal is watched.
type kindOf struct {
	name string
	// allowance is the change that is not worth a visit, in the signal's own
	// unit: what lubrication, weather left unexplained and a season do.
	allowance float64
	// least is the share of it that stays once the signal is well known.
	least float64
	// spread is the deviation of a block expected before it is measured.
	spread float64
	// prior of the slopes: mean and deviation.
	slope, doubt effects // a doubt of 0: the covariate has no effect
	share        bool    // a share of the running level, not a logarithm
}

// percent gives a change in the signal's unit in per cent of what is usual.
func (k *kindOf) percent(d float64) float64 {
	if k.share {
		return 100 * d
	}
	return 100 * (math.Exp(d) - 1)
}

// The signals of a track. The cells are equal parts of the travel, in the order
// in which they are gone through.
const (
	sDuration = iota
	sInrush
	sUnlock
	sTravel
	sLock
	sIdle
	sRipple
	sCell
	numSignals = sCell + cells
)

// cells is into how many parts the travel is divided: a heavy place shows as one
// or two of them.
const cells = 12

// Priors of the slopes are common practice: grease stiffens in the cold by some
// tenths of a per cent a kelvin, a wet chair slides easier, a DC drive's speed
// and inrush follow its voltage. What the neighbours feel is felt about alike;
// a part of the movement goes with the whole, one for one or a little less.
var kinds = func() (k [numSignals]kindOf) {
	k[sDuration] = kindOf{"duration", 0.03, 0.6, 0.008, effects{-0.001, -0.6, -0.005, 0, 1, 0.1}, effects{0.002, 0.5, 0.02, 0, 0.5, 0.15}, false}
	k[sInrush] = kindOf{"inrush peak", 0.05, 0.5, 0.02, effects{-0.001, 0.7}, effects{0.002, 0.5, 0.02}, false}
	k[sUnlock] = kindOf{"unlocking effort", 0.04, 0.55, 0.015, effects{covLoad: 0.8}, effects{0.002, 0.1, 0.03, 0.3, 0, 0.15}, false}
	k[sTravel] = kindOf{"travel effort", 0.06, 0.7, 0.02, effects{-0.003, 0, -0.03, 1}, effects{0.004, 0.4, 0.06, 0.5}, false}
	k[sLock] = kindOf{"locking effort", 0.04, 0.55, 0.015, effects{covLoad: 0.8}, effects{0.002, 0.1, 0.03, 0.3, 0, 0.15}, false}
	k[sIdle] = kindOf{"zero", 0.03, 0.5, 0.01, effects{}, effects{0.001, 0.1, 0.01}, true}
	k[sRipple] = kindOf{"ripple", 0.40, 0.7, 0.15, effects{covLoad: 0.3}, effects{0.01, 0.5, 0.1, 0, 0, 0.5}, false}
	for i := range cells {
		k[sCell+i] = kindOf{fmt.Sprintf("effort at %d %% of the travel, of the usual,", (100*i+50)/cells), 0.04, 0.55, 0.012, effects{covLoad: 1}, effects{0.002, 0.1, 0.03, 0.3, 0, 0.15}, true}
	}
	return k
}()

// Times and counts of the model. A block is long enough to hold what a
// day's hours have in common, short enough to see a fault within days.
const (
	needed     = 20       // throws before the level is used
	blockMost  = 200      // throws that close a block
	blockLeast = 2        // throws a block holds at least
	blockSpan  = 8 * 3600 // s after which a block of blockLeast closes
	slowDays   = 25.0     // d, time constant of the rolling level
	winsor     = 3.5      // deviations beyond which a throw counts as that far
	rushed     = 4        // throws in a row beyond rushedZ and rushedFar that close the block at once
	rushedZ    = 5.0
	cutFar     = 2.5  // reference values beyond which a throw counts as that far
	rushedFar  = 3.0  // reference values
	patience   = 60.0 // blocks in which the allowance shrinks to its least
	young      = 8    // blocks within which the level settles and nothing is called
	step       = 0.6  // of the decision interval: what one block adds at most, so that one never alarms
	priorBlock = 12.0 // blocks that the prior of vb weighs
	slowNoise  = 3.5  // deviations of the slow noise that are no change
	slowCap    = 2.2  // allowances: the most of it
	wandered   = 0.8  // of the way that it has been and come back from by itself: no change
	unsureOnce = 1.0
	freshly    = 2.0
	fastBlocks = 6.0
	beyond     = 4.0   // allowances above the fixed level that alarm however slowly they came
	crooked    = 0.35  // share by which an effect may differ far from where it was learned
	memory     = 240.0 // blocks after which vb and cb forget
)

func (s *signal) start(k *kindOf) {
	for i := range s.slope {
		s.slope[i] = float32(k.slope[i])
		if k.doubt[i] > 0 {
			s.precision[i] = float32(1 / (k.doubt[i] * k.doubt[i]))
		}
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

// unsure returns by how much the surroundings may move the value beyond what
// their slopes say: the slopes are known so well, and hold so far only.
func (s *signal) unsure(c *covariates) float64 {
	sum := 0.0
	for i, known := range c.known {
		if !known || s.precision[i] == 0 || i == covLoad {
			continue
		}
		dx := c.x[i] - float64(s.slowX[i])
		bent := crooked * float64(s.slope[i]) * dx
		sum += dx*dx/float64(s.precision[i]) + bent*bent
	}
	return math.Sqrt(sum)
}

// learned reports whether the level can be used.
func (s *signal) learned() bool { return s.n >= needed && s.settling == 0 }

// known reports whether there is a level, though it may be in question after work.
func (s *signal) known() bool { return s.n >= needed }

// doubt reports whether the signal may be on its way to an alarm, so that
// nothing of it should be taken for normal.
func (s *signal) doubt(k *kindOf, arl float64) bool {
	return s.alarm > 0 || s.up > 0 && float64(s.up) > 0.35*s.interval(k, arl)
}

// reference is the reference value of the chart: the allowance, or what blocks
// vary by among themselves, or what the level wanders by over days, or most of
// how far it has been without a fault, where these are more.
func (s *signal) reference(k *kindOf) float64 {
	slow := min(slowNoise*math.Sqrt(float64(s.vs)), slowCap*k.allowance)
	return max(s.allowance(k), math.Sqrt(float64(s.vb)), slow, float64(s.wander))
}

// allowance is the change that calls nobody: less, the longer the signal has
// been seen to keep still.
func (s *signal) allowance(k *kindOf) float64 {
	known := min(max(float64(s.blocks)-young, 0)/patience, 1)
	return k.allowance * (1 - (1-k.least)*known)
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
	return max(decision(s.reference(k), s.longRun(), arl), s.allowance(k))
}

// step takes the value of one throw at time at (unix s). frozen: the throw's
// signals teach nothing now, but the chart goes on.
func (s *signal) step(k *kindOf, y float64, c *covariates, at int64, arl float64, frozen bool) {
	e := s.adjusted(y, c)
	if s.n == 0 {
		if k.share && k.slope[covLoad] != 0 {
			// What a part of the movement takes of the effort, it takes of its changes.
			s.slope[covLoad] = float32(min(max(y, 0.2), 2.5))
			e = s.adjusted(y, c)
		}
		s.level, s.recent, s.opened = float32(e), float32(e), at
	}
	sd := math.Sqrt(float64(s.v))
	z := (e - float64(s.level)) / sd
	switch {
	case s.settling != 0:
		s.gather(e)
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
	ref := s.reference(k)
	d := e - float64(s.level)
	switch {
	case z > rushedZ && d > rushedFar*ref:
		s.run = max(s.run, 0) + 1
	case z < -rushedZ && d < -rushedFar*ref:
		s.run = min(s.run, 0) - 1
	default:
		s.run = 0
	}
	far := s.run >= rushed || s.run <= -rushed
	if far {
		s.run = 0
	}
	w := e
	if !far && s.alarm == 0 && !s.low {
		most := max(winsor*sd, cutFar*ref)
		w = float64(s.level) + min(max(d, -most), most)
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
	s.strange += float32(s.unsure(c))
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
	noise := 3*float64(s.v) + 2*float64(s.vb*s.size)
	sd := math.Sqrt(float64(s.v))
	rest = min(max(rest, -winsor*sd), winsor*sd)
	for i, known := range c.known {
		if !known || dx[i] == 0 || s.precision[i] == 0 || i == covLoad && c.hold {
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

// close judges the open block.
func (s *signal) close(k *kindOf, at int64, arl float64, frozen bool) {
	mean := float64(s.sum / s.count)
	days := min(float64(at-s.closed)/86400, 5)
	s.level += s.drift * float32(days)
	d := mean - float64(s.level)
	ref, h := s.reference(k), s.interval(k, arl)
	ref += unsureOnce * float64(s.strange/s.count)
	ref *= math.Sqrt(1 + freshly/(float64(s.epoch)+1)) // the level of a new epoch is not known so well yet
	s.epoch++
	s.strange = 0
	s.wander *= 1 - 1/memory
	if s.size == 0 {
		s.size = s.count
	}
	s.size += (s.count - s.size) / 30

	if s.up == 0 {
		s.upSince = s.opened
	}
	// One block alone does not alarm, and the way back is no longer than three
	// decision intervals.
	s.up = float32(climb(float64(s.up), d, ref, step*h, 3*h))
	s.down = float32(climb(float64(s.down), -d, ref, step*h, 3*h))
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
			s.wander = max(s.wander, wandered*s.peak)
			s.alarm, s.calm, s.up = 0, 0, 0
		}
	case s.fallen && float64(s.up) > h && mean < float64(s.fixed)+ref:
		// Back where it was before it fell: what had fallen was what was odd.
		s.level, s.up, s.fallen = float32(mean), 0, false
	case float64(s.up) > h, s.above >= 3:
		s.alarm, s.calm, s.peak = 1, 0, float32(d)
	}
	if float64(s.down) > h && d < -ref {
		s.low, s.fallen = true, true
	} else if d > -0.5*ref {
		s.low = false
	}
	e := mean - float64(s.fast)
	s.fast += float32(e) / fastBlocks
	strange := frozen && s.blocks >= young
	if s.alarm == 0 && !strange {
		// Of blocks in doubt as well: left out, the widest would be missing and the
		// noise be taken for too small.
		s.wb = min(s.wb+1, memory)
		s.noise(e)
	}
	s.last = float32(e)
	if strange || s.doubt(k, arl) {
		return
	}
	s.blocks++
	slow := min(max(float64(s.fast-s.level), -1.5*ref), 1.5*ref)
	s.vs += float32((slow*slow - float64(s.vs)) / min(float64(s.wb)*2, 120))
	// Level and drift follow as an alpha-beta filter; the drift is that of
	// ageing, not of a fault.
	cut := min(max(d, -ref), ref)
	gain := max(days/slowDays, 1/(float64(s.epoch)+4))
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

// noise takes a block's deviation e from the mean of the last few into the
// variance of blocks and the covariance of neighbours. What that mean leaves is
// the blocks' own noise: the slow course of the level is no part of it. An EWMA
// of weight w leaves 2/(2-w) of the variance of independent blocks.
func (s *signal) noise(e float64) {
	most := 3 * math.Sqrt(float64(s.vb))
	e = min(max(e, -most), most)
	s.vb += float32((e*e*(2-1/fastBlocks)/2 - float64(s.vb)) / float64(s.wb))
	s.vb = max(s.vb, 1e-7)
	s.cb += float32((e*float64(s.last) - float64(s.cb)) / float64(s.wb))
}

// change returns by how much the last throws stand above the level, in the
// signal's unit, and the deviation of that; while throws are gathered after
// work, what it was before.
func (s *signal) change() (d, sd float64) {
	last := s.recent
	if s.settling != 0 {
		last = s.before
	}
	return float64(last - s.level), math.Sqrt(float64(s.vb) + float64(s.v)/8)
}
