package detect

import "math"

// Shares by which the edges of a movement are found. They are fractions of the
// usual running level above idle, chosen far from both so that neither noise
// nor a heavier throw moves the edge by much.
const (
	edgeShare   = 0.35 // on and off
	tailShare   = 0.08 // end of the tail
	inrushShare = 0.25 // of what the inrush stands above the running level
	longInrush  = 0.5  // s; common practice: an inrush lasts up to 0.2 s
)

// rests reports whether the trace stands near its lowest level before and after:
// a force that is locked in, a pressure that is kept or an offset, and not a
// trace that was cut to the movement.
func (m *Measurer) rests(s survey) bool {
	k := max(3, s.n/50)
	near := s.rest + 0.12*(s.high-s.rest)
	mean := func(v []float64) float64 {
		sum := 0.0
		for _, y := range v {
			sum += y
		}
		return sum / float64(len(v))
	}
	return mean(m.v[:k]) < near && mean(m.v[s.n-k:]) < near
}

// span is when the drive works, and between which levels.
type span struct {
	on, off, end  float64 // s: switched on, done, at rest again
	k, e          int     // the first and the last sample between on and off
	idle, running float64 // V; running is above idle
	seen          bool    // idle can be seen in the trace
}

// span finds when the drive works; not ok where nothing moves.
func (m *Measurer) span(tr *Trace, s survey) (sp span, ok bool) {
	v := m.v
	idle := s.rest
	mean := m.sum[s.n-1] / float64(s.n-1)
	seen := true // idle can be seen in the trace
	if idle > 0.5*mean && s.low > 0 && !m.rests(s) {
		idle, seen = 0, false // cut to the movement: a drive at rest takes nothing
	}
	// A first, low threshold finds about where the drive runs; the level it
	// runs at then sets the threshold proper.
	low := idle + max(0.04*(s.high-idle), 3*s.noise)
	i, j := 0, s.n-1
	for i < j && v[i] < low {
		i++
	}
	for j > i && v[j] < low {
		j--
	}
	if j-i < 4 {
		return sp, false
	}
	ti, tj := s.first+float64(i)*s.dt, s.first+float64(j)*s.dt
	running := m.mean(s, ti+0.35*(tj-ti), ti+0.7*(tj-ti)) - idle
	if running <= 0 {
		running = mean - idle
	}
	edge := idle + edgeShare*running
	on, off := s.first, s.last
	k := 0
	for k < s.n-1 && (v[k] < edge || v[k+1] < edge) {
		k++ // two in a row: one bad sample is not a start
	}
	if k > 0 {
		on = s.first + s.dt*(float64(k-1)+share(v[k-1], v[k], edge))
	} else if s.first > 0.3 {
		tr.Quality |= MissingStart
	}
	e := s.n - 1
	for e > k+1 && (v[e] < edge || v[e-1] < edge) {
		e--
	}
	if e < s.n-1 {
		off = s.first + s.dt*(float64(e)+share(v[e], v[e+1], edge))
	} else {
		tr.Quality |= MissingEnd
	}
	if off-on < 3*s.dt {
		return sp, false
	}
	end := off
	if e < s.n-1 {
		quiet := idle + max(tailShare*running, 2*s.noise)
		q := e + 1
		for q < s.n-1 && v[q] > quiet {
			q++
		}
		end = max(off, s.first+s.dt*float64(q))
	}
	return span{on, off, end, k, e, idle, running, seen}, true
}

// lent takes the time at which the drive works from its mover's trace; not ok
// where the trace does not reach over it.
func (m *Measurer) lent(s survey, mover *Trace) (sp span, ok bool) {
	sp.on, sp.off, sp.end = float64(mover.Bounds[Inrush]), float64(mover.Bounds[Tail]), float64(mover.Bounds[NumPhases])
	if sp.on < s.first-s.dt || sp.off > s.last+s.dt || sp.off-sp.on < 8*s.dt {
		return sp, false
	}
	sp.k, sp.e = s.sample(sp.on), min(s.sample(sp.off), s.n-1)
	sp.end = min(max(sp.end, sp.off), s.last)
	middle := m.mean(s, sp.on+0.35*(sp.off-sp.on), sp.on+0.7*(sp.off-sp.on))
	// What is locked in at rest is no zero of the sensor: the force counts whole,
	// but where the blades' own spring nearly bears it.
	if middle < 0.25*s.high {
		sp.idle = min(s.rest, 0)
	}
	sp.running = middle - sp.idle
	return sp, sp.running > 0
}

// effort finds the phases of a trace that shows the drive's effort (current,
// power, pressure, force) and measures its features. mover is the trace that
// shows when the drive works, nil where the trace itself has to.
func (m *Measurer) effort(tr *Trace, s survey, mover *Trace) {
	var sp span
	ok := false
	if mover != nil {
		sp, ok = m.lent(s, mover)
	}
	if !ok {
		if sp, ok = m.span(tr, s); !ok {
			tr.Quality |= Flat
			tr.level(s)
			return
		}
	}
	on, off, end, idle, running := sp.on, sp.off, sp.end, sp.idle, sp.running
	if s.noise > 0.25*running {
		tr.Quality |= Noisy
	}
	tr.course(m, s, on, off)

	inrush, peak := m.inrush(s, sp.k, sp.e, idle, running, off-on)
	unlock, lock := tr.breaks(on, off, inrush)
	least := s.long()
	if s.pressure {
		least = max(least, s.n/8) // the relief valve holds a pressure for a while
	}
	if s.plateau >= least && m.plateau(s, s.sample(unlock), s.sample(lock)) >= least {
		tr.Quality |= ClippedTravel
	}
	tr.Bounds = [NumPhases + 1]float32{float32(on), float32(inrush), float32(unlock), float32(lock), float32(off), float32(end)}
	f := &tr.Features
	set := func(at Feature, x float64) { f[at] = float32(x) }
	set(Duration, off-on)
	set(InrushPeak, peak)
	set(UnlockTime, unlock-inrush)
	set(UnlockPeak, m.highest(s, inrush, unlock))
	set(TravelTime, lock-unlock)
	set(TravelMean, m.mean(s, unlock, lock))
	set(TravelPeak, m.highest(s, unlock, lock))
	third := (lock - unlock) / 3
	set(TravelRise, m.mean(s, lock-third, lock)-m.mean(s, unlock, unlock+third))
	set(LockTime, off-lock)
	set(LockMean, m.mean(s, lock, off))
	set(LockPeak, m.highest(s, lock, off))
	set(TailTime, end-off)
	set(TailMean, m.mean(s, off, end))
	set(Effort, m.at(s, off)-m.at(s, on)-idle*(off-on))
	// Away from the breaks, whose corners are no ripple.
	set(Ripple, m.ripple(s, unlock+0.15*(lock-unlock), lock-0.15*(lock-unlock)))
	if sp.seen {
		set(Idle, idle)
	} else {
		f[Idle] = float32(math.NaN())
	}
}

// share returns where between two samples a and b the level is crossed, 0 to 1.
func share(a, b, level float64) float64 {
	if a == b {
		return 0
	}
	return min(max((level-a)/(b-a), 0), 1)
}

// inrush returns when the inrush ends, and its peak. k and e are the first and
// last samples of the movement.
func (m *Measurer) inrush(s survey, k, e int, idle, running, duration float64) (end, peak float64) {
	v := m.v
	window := min(longInrush, 0.3*duration)
	last := min(k+max(2, int(window/s.dt)), e)
	top := k
	for i := k; i <= last; i++ {
		if v[i] > v[top] {
			top = i
		}
	}
	peak = v[top]
	if s.pressure || peak < idle+1.2*running {
		// No spike: the inrush is the rise to the running level.
		level := idle + 0.85*min(peak-idle, running)
		i := k
		for i < last && v[i] < level {
			i++
		}
		return s.first + s.dt*float64(i), peak
	}
	level := idle + running + inrushShare*(peak-idle-running)
	i := top
	for i < last && v[i] > level {
		i++
	}
	return s.first + s.dt*float64(i), peak
}

// breaks finds where unlocking ends and locking begins: the two breaks of the
// course that, with a level before, a straight line between and a level after,
// leave the least sum of squares (after the regimes of Chamroukhi and others).
// Unlocking lies in the first half, locking in the second.
func (tr *Trace) breaks(on, off, inrush float64) (unlock, lock float64) {
	step := (off - on) / ProfileLen
	first := min(int(math.Ceil((inrush-on)/step)), ProfileLen/3)
	// Running sums of y, y², x·y for the parts' sums of squares.
	var sy, syy, sxy [ProfileLen + 1]float64
	for i := range ProfileLen {
		y := float64(tr.Profile[i])
		sy[i+1] = sy[i] + y
		syy[i+1] = syy[i] + y*y
		sxy[i+1] = sxy[i] + float64(i)*y
	}
	flat := func(a, b int) float64 {
		n := float64(b - a)
		d := sy[b] - sy[a]
		return syy[b] - syy[a] - d*d/n
	}
	line := func(a, b int) float64 {
		n := float64(b - a)
		mx := 0.5 * float64(a+b-1)
		my := (sy[b] - sy[a]) / n
		cxy := sxy[b] - sxy[a] - n*mx*my
		cxx := n * (n*n - 1) / 12
		return syy[b] - syy[a] - n*my*my - cxy*cxy/cxx
	}
	const (
		middle = ProfileLen / 2
		least  = 4 // parts of unlocking and of locking: fewer would be an edge, not a phase
	)
	b1, b2 := min(first+5, middle-4), ProfileLen-6
	for range 2 {
		best := math.Inf(1)
		for b := first + least; b <= middle-4; b++ {
			if c := flat(first, b) + line(b, b2); c < best {
				best, b1 = c, b
			}
		}
		best = math.Inf(1)
		for b := middle + 4; b <= ProfileLen-least; b++ {
			if c := line(b1, b) + flat(b, ProfileLen); c < best {
				best, b2 = c, b
			}
		}
	}
	return max(on+float64(b1)*step, inrush), on + float64(b2)*step
}

// highest returns the highest level that two samples in a row reach from t0 to
// t1, so that one bad sample is no peak.
func (m *Measurer) highest(s survey, t0, t1 float64) float64 {
	i := max(int(math.Ceil((t0-s.first)/s.dt)), 0)
	j := min(int((t1-s.first)/s.dt), s.n-1)
	if j <= i {
		return m.mean(s, t0, t1)
	}
	a, top := m.v[i], math.Inf(-1)
	for _, b := range m.v[i+1 : j+1] {
		lower := a
		if b < a {
			lower = b
		}
		if lower > top {
			top = lower
		}
		a = b
	}
	return top
}

// ripple returns the root mean square of the trace about the chord of its
// neighbours from t0 to t1, scaled so that white noise gives its deviation.
func (m *Measurer) ripple(s survey, t0, t1 float64) float64 {
	i := max(int(math.Ceil((t0-s.first)/s.dt)), 0)
	j := min(int((t1-s.first)/s.dt), s.n-1)
	if j-i < 2 {
		return math.NaN()
	}
	sum := 0.0
	a, b := m.v[i], m.v[i+1]
	for _, c := range m.v[i+2 : j+1] {
		d := a - 2*b + c
		sum += d * d
		a, b = b, c
	}
	return math.Sqrt(sum / float64(j-i-1) / 6)
}
