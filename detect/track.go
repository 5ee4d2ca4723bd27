package detect

import (
	"math"

	"throwline/ingest"
)

// track is what is remembered of one channel for one end.
type track struct {
	drive    string
	quantity ingest.Quantity
	n        float32 // throws whose trace could be used
	unlock   float32 // usual share of the movement at which unlocking ends
	lock     float32 // usual share at which locking begins
	inrush   float32 // usual share at which the inrush ends
	idle     float32 // usual idle level, V
	running  float32 // usual travel mean above idle, V
	duration float32 // usual, s
	signals  [numSignals]signal
	mid      [ProfileLen]float32 // usual course, V
	spread   [ProfileLen]float32 // mean absolute deviation of a throw's course from it, V
	usual    [NumFeatures]moment // of each feature, for the eye
	useless  uint8               // traces in a row that cannot be trusted
	why      Quality             // of the latest of them
	since    int64               // unix s of the first of them
	pace     float32             // ln, by which the clock of the latest of them is wrong; 0: it is not
	clips    uint8               // of the first traces, those that were cut off at the top; later, times that some were
	settling int8                // throws until the work is judged
	work     work                // that is to be judged
	side     int8                // traces that read more than nothing, less those that read less; at most sure
	seen     int64               // unix ns, start of the latest throw that the channel was in
	far      float32             // how far the farthest single throw stood out, in deviations; falls slowly
}

// moment is a running mean and variance.
type moment struct{ mean, v float32 }

// boundsThrows is over how many throws the usual bounds of the phases settle.
const boundsThrows = 10

func newTrack(drive string, q ingest.Quantity) track {
	t := track{drive: drive, quantity: q}
	for i := range t.signals {
		t.signals[i].start(&kinds[i])
	}
	for i := range t.usual {
		t.usual[i].mean = float32(math.NaN())
	}
	return t
}

// watched reports whether traces of the quantity show the drive's effort.
func watched(q ingest.Quantity) bool {
	switch q {
	case ingest.MotorCurrent, ingest.MotorPower, ingest.HydraulicPressure, ingest.DriveForce:
		return true
	}
	return false
}

// reading is what one trace gives to the signals; NaN where it gives nothing.
type reading [numSignals]float64

// read takes the signals' values from a trace, with the phases where they
// usually are: the bounds found in a single trace jump more than the effort does.
func (t *track) read(tr *Trace) reading {
	var r reading
	f := &tr.Features
	idle := float64(t.idle)
	run := float64(t.running)
	floor := 0.02 * run
	above := func(x float64) float64 { return math.Log(max(x-idle, floor)) }
	r[sDuration] = math.Log(float64(f[Duration]))
	r[sInrush] = above(float64(f[InrushPeak]))
	if tr.Quality&Clipped != 0 && spiked(tr.Quantity) {
		r[sInrush] = math.NaN() // as high as the sensor goes, whatever it was
	}
	b0, b1, b2 := float64(t.inrush)*ProfileLen, float64(t.unlock)*ProfileLen, float64(t.lock)*ProfileLen
	// A part away from each bound: where the course is steep, a slightly
	// longer throw would look like a heavier one.
	b0 += edge
	// Not the plain logarithm: where the drive hardly works, a little more is much.
	soft := func(x float64) float64 { return math.Log(max(x-idle+softly*run, floor)) }
	r[sUnlock] = soft(part(&tr.Profile, b0, b1-edge))
	r[sLock] = soft(part(&tr.Profile, b2+edge, ProfileLen-edge))
	b1, b2 = b1+edge, b2-edge
	sum, step := 0.0, (b2-b1)/cells
	for i := range cells {
		p := part(&tr.Profile, b1+float64(i)*step, b1+float64(i+1)*step)
		sum += p
		r[sCell+i] = bounded((p - idle) / max(run, 1e-9))
	}
	r[sTravel] = above(sum / cells)
	if run > 0 {
		r[sIdle] = bounded((float64(f[Idle]) - idle) / run)
	}
	r[sRipple] = math.Log(float64(f[Ripple]) + 0.01*run)
	return r
}

// mostShare is the largest share of the running level that is told apart: a
// level of next to nothing would make shares whose squares are no numbers any more.
const mostShare = 1e3

// bounded bounds a share, so that a float32 holds what is made of it. NaN stays.
func bounded(x float64) float64 { return min(max(x, -mostShare), mostShare) }

// loaded returns the covariates with the travel effort of the throw: what the
// other signals do with a heavier or lighter travel is no news of theirs.
func (t *track) loaded(r *reading, c *covariates) covariates {
	l := *c
	if t.running > 0 && !math.IsNaN(r[sTravel]) {
		l.x[covLoad], l.known[covLoad] = r[sTravel]-math.Log(float64(t.running)), true
	}
	return l
}

// softly is the share of the running level that is added to the effort of
// unlocking and locking before its logarithm is taken.
const softly = 0.25

// edge is how many parts of the profile beside a bound are left out.
const edge = 1

// part returns the mean of the profile from bin b0 to b1, both fractional.
func part(p *[ProfileLen]float32, b0, b1 float64) float64 {
	if b1-b0 < 0.5 {
		b1 = b0 + 0.5
	}
	b0, b1 = max(b0, 0), min(b1, ProfileLen)
	i, j := int(b0), int(b1)
	if i >= ProfileLen {
		return float64(p[ProfileLen-1])
	}
	sum := -(b0 - float64(i)) * float64(p[i])
	for k := i; k < j; k++ {
		sum += float64(p[k])
	}
	if j < ProfileLen {
		sum += (b1 - float64(j)) * float64(p[j])
	}
	return sum / (b1 - b0)
}

// outlier returns by how many deviations the farthest of the signals that tell
// an odd throw stands from what is expected, and which.
func (t *track) outlier(r *reading, c *covariates) (z float64, which int) {
	for i := range numSignals {
		if !alarms(i) {
			continue
		}
		s := &t.signals[i]
		if s.n < needed || math.IsNaN(r[i]) {
			continue
		}
		mid, sd := s.expected(c)
		// A change too small to matter is not odd, however even the throws were.
		d := math.Abs(r[i]-mid) / max(sd, kinds[i].allowance/4)
		if d > z {
			z, which = d, i
		}
	}
	return z, which
}

// settle takes the trace into what is usual. only where nothing is in doubt.
func (t *track) settle(tr *Trace, doubt bool) {
	f := &tr.Features
	n := t.n
	if n >= boundsThrows && doubt {
		return
	}
	t.n++
	move := func(to *float32, x float32, slow float32) {
		if x == x { // not NaN
			*to += (x - *to) / min(t.n, slow)
		}
	}
	if n < boundsThrows {
		if tr.Quality&(Clipped|ClippedTravel) != 0 {
			t.clips++
		}
		idle := f[Idle]
		if idle != idle {
			idle = 0
		}
		move(&t.idle, idle, boundsThrows)
		move(&t.running, f[TravelMean]-idle, boundsThrows)
	}
	for i := range t.usual {
		t.usual[i].take(f[i], min(t.n, 60))
	}
	move(&t.duration, f[Duration], 50)
	for i := range t.mid {
		p := tr.Profile[i]
		d := p - t.mid[i]
		if n > 0 {
			w := d
			if w < 0 {
				w = -w
			}
			if n > 3 && t.spread[i] > 0 {
				w = min(w, 5*t.spread[i])
				d = max(-w, min(d, w))
			}
			t.spread[i] += (w - t.spread[i]) / min(t.n, 60)
		}
		t.mid[i] += d / min(t.n, 60)
	}
	if n < boundsThrows {
		on, off := tr.Bounds[Inrush], tr.Bounds[Tail]
		move(&t.inrush, (tr.Bounds[Unlocking]-on)/(off-on), boundsThrows)
		if t.n == boundsThrows {
			// The bounds of the mean course: those of single throws jump.
			usual := Trace{Profile: t.mid}
			u, l := usual.breaks(0, 1, float64(t.inrush))
			t.unlock, t.lock = float32(u), float32(l)
		}
	}
}

// dwarfing is how many times the effort of a throw the running level of one that
// is still learned may be: where it is 50, the throw is below all that is told apart.
const dwarfing = 20

// dwarfs reports whether the first throws gave a running level beside which this
// one is next to nothing: one of them was odd, sent in another unit maybe.
func (t *track) dwarfs(tr *Trace) bool {
	if t.n == 0 || t.signals[sTravel].known() {
		return false
	}
	x := tr.Features[TravelMean]
	if idle := tr.Features[Idle]; idle == idle {
		x -= idle
	}
	return x > 0 && t.running > dwarfing*x
}

// restart forgets what was learned of the first throws.
func (t *track) restart() {
	now := newTrack(t.drive, t.quantity)
	now.useless, now.why, now.since, now.pace, now.side = t.useless, t.why, t.since, t.pace, t.side
	*t = now
}

// profile returns the course of past traces: the usual one and three usual
// deviations about it.
func (t *track) profile() Profile {
	p := Profile{Throws: int(t.n), Duration: t.duration, Mid: t.mid}
	for i := range t.mid {
		w := 3 * 1.2533 * t.spread[i] // mean absolute deviation to standard deviation, of a normal distribution
		p.Low[i], p.High[i] = t.mid[i]-w, t.mid[i]+w
	}
	return p
}

// take moves the moments by a value, NaN by nothing; a far value counts as near.
func (m *moment) take(x, n float32) {
	if x != x {
		return
	}
	if m.mean != m.mean || n <= 1 {
		m.mean, m.v = x, 0
		return
	}
	d := x - m.mean
	if n > 10 {
		w := float32(winsor) * float32(math.Sqrt(float64(m.v)))
		d = max(-w, min(d, w))
	}
	m.mean += d / n
	m.v += (d*d*(n-1)/n - m.v) / n
}

// judged says which signal judges a feature, so that the band moves with the
// weather as the signal does.
var judged = [NumFeatures]int{
	Duration: sDuration, InrushPeak: sInrush, UnlockTime: sDuration, UnlockPeak: sUnlock, TravelTime: sDuration, TravelMean: sTravel, TravelPeak: sTravel,
	TravelRise: -1, LockTime: sDuration, LockMean: sLock, LockPeak: sLock, TailTime: -1, TailMean: -1, Effort: sTravel, Ripple: sRipple, Idle: -1,
}

// band returns what the trace's features were expected to be: the usual value
// under this weather, and three deviations about it.
func (t *track) band(c *covariates) Band {
	var b Band
	nan := float32(math.NaN())
	for i := range b.Expected {
		m := &t.usual[i]
		b.Expected[i], b.Low[i], b.High[i] = nan, nan, nan
		if t.n < needed || m.mean != m.mean {
			continue
		}
		mid, sd := float64(m.mean), math.Sqrt(float64(m.v))
		if j := judged[i]; j >= 0 && t.signals[j].n >= needed {
			s := &t.signals[j]
			w := 0.0
			for k, known := range c.known {
				if known {
					w += float64(s.slope[k]) * (c.x[k] - float64(s.slowX[k]))
				}
			}
			mid *= math.Exp(w)
			// Throws of other days vary more than those of one day.
			sd = max(sd, math.Abs(mid)*math.Sqrt(float64(s.vb)))
		}
		b.Expected[i], b.Low[i], b.High[i] = float32(mid), float32(mid-3*sd), float32(mid+3*sd)
	}
	return b
}
