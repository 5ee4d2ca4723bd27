package detect

import (
	"math"
	"slices"

	"throwline/ingest"
)

// Measurer measures throws and keeps its working memory between them. It is
// not for concurrent use. The zero Measurer is ready.
type Measurer struct {
	v   []float64 // the trace in the base unit of its quantity
	sum []float64 // sum[i] is the trapezoid integral of v up to sample i, in V·samples
}

// Measure extracts what is kept of a throw. The throw stays untouched and no
// reference to its samples is kept.
func Measure(t *ingest.Throw) *Observation {
	var m Measurer
	return m.Measure(t)
}

// Measure is like the function [Measure].
func (m *Measurer) Measure(t *ingest.Throw) *Observation {
	o := &Observation{
		Key:             t.Key(),
		ThrowID:         t.ID,
		Turnout:         t.Turnout,
		To:              t.To,
		StartedAt:       t.StartedAt,
		Completed:       t.Completed,
		Detections:      t.Detections,
		RailTemperature: t.RailTemperature,
		Supply:          t.Supply,
		Traces:          make([]Trace, len(t.Channels)),
	}
	for i := range t.Channels {
		if t.Channels[i].Quantity != ingest.DriveForce {
			m.trace(&o.Traces[i], &t.Channels[i], nil)
		}
	}
	for i := range t.Channels {
		if c := &t.Channels[i]; c.Quantity == ingest.DriveForce {
			m.trace(&o.Traces[i], c, o.mover(c.Drive))
		}
	}
	// A supply measured during the movement is the supply of the movement.
	if !o.Supply.Known {
		for i := range o.Traces {
			if tr := &o.Traces[i]; tr.Quantity == ingest.SupplyVoltage && tr.Quality&Flat == 0 {
				o.Supply = ingest.Known(float64(tr.Features[TravelMean]))
				break
			}
		}
	}
	return o
}

// trace measures one channel.
func (m *Measurer) trace(tr *Trace, c *ingest.Channel, mover *Trace) {
	tr.Drive, tr.Quantity = c.Drive, c.Quantity
	nan := float32(math.NaN())
	for i := range tr.Features {
		tr.Features[i] = nan
	}
	s := m.survey(c)
	if s.spread <= 0 {
		tr.Quality |= Flat
		tr.level(s)
		return
	}
	if s.clipped {
		tr.Quality |= Clipped
	}
	switch c.Quantity {
	case ingest.MotorCurrent, ingest.MotorPower, ingest.DriveForce:
		// A sensor with a sign reads one direction of movement, or of mounting,
		// as less than nothing; the effort is the same.
		if -s.low > s.high && s.total < 0 {
			tr.Quality |= NegativeSign
			m.turn(&s)
		}
	case ingest.HydraulicPressure:
		if s.high <= 0 {
			tr.Quality |= NegativeSign
		}
	}
	switch c.Quantity {
	case ingest.SupplyVoltage, ingest.Displacement:
		// Neither is an effort: a voltage sags while the drive runs, a
		// displacement goes from one end to the other.
		tr.level(s)
		tr.course(m, s, s.first, s.last)
		if c.Quantity == ingest.Displacement {
			m.stroke(tr, s)
		}
		return
	}
	m.effort(tr, s, mover)
}

// mover returns the trace that shows when the drive ran, nil where there is
// none. A force does not tell: some of it is locked in before and after.
func (o *Observation) mover(drive string) *Trace {
	for _, q := range []ingest.Quantity{ingest.MotorCurrent, ingest.MotorPower, ingest.HydraulicPressure} {
		for i := range o.Traces {
			if tr := &o.Traces[i]; tr.Drive == drive && tr.Quantity == q && tr.Quality&(Flat|MissingStart|MissingEnd|NegativeSign) == 0 {
				return tr
			}
		}
	}
	return nil
}

// survey is what one pass over a trace tells.
type survey struct {
	n           int
	first, last float64 // s, times of the first and last sample
	dt          float64 // s
	low, high   float64 // V, extremes
	spread      float64 // V
	rest        float64 // V, lowest mean of three samples in a row
	total       float64 // V, sum of the samples, those at the ends half
	noise       float64 // V, standard deviation of the sensor's noise
	plateau     int     // samples in a row at the highest value
	clipped     bool
	pressure    bool
}

// survey fills m.v and m.sum.
func (m *Measurer) survey(c *ingest.Channel) survey {
	n := len(c.Samples)
	m.v = slices.Grow(m.v[:0], n)[:n]
	m.sum = slices.Grow(m.sum[:0], n)[:n]
	a, b := c.Factors()
	v, sum := m.v, m.sum
	s := survey{n: n, dt: 1 / c.SampleRate, first: c.Offset, pressure: c.Quantity == ingest.HydraulicPressure}
	s.last = s.first + float64(n-1)*s.dt
	// Comparisons rather than min and max: those take care of NaN, which is not
	// here, and the branches are foreseeable.
	prev := a*c.Samples[0] + b
	low, high, total := prev, prev, 0.0
	for i, x := range c.Samples {
		y := a*x + b
		v[i] = y
		total += prev + y
		sum[i] = total
		if y < low {
			low = y
		} else if y > high {
			high = y
		}
		prev = y
	}
	first := sum[0]
	for i := range sum {
		sum[i] = 0.5 * (sum[i] - first)
	}
	s.low, s.high, s.spread, s.total = low, high, high-low, sum[n-1]
	p2, p1 := v[0], v[1]
	rest := math.Inf(1)
	for _, y := range v[2:] {
		if t := p2 + p1 + y; t < rest {
			rest = t
		}
		p2, p1 = p1, y
	}
	s.rest = rest / 3
	// Of the middle half, where a course is smooth: the second difference of
	// white noise of deviation d has the mean square 6·d².
	rough := 0.0
	p2, p1 = v[n/4], v[n/4+1]
	for _, y := range v[n/4+2 : n-n/4] {
		d := y - 2*p1 + p2
		rough += d * d
		p2, p1 = p1, y
	}
	s.noise = math.Sqrt(rough / 6 / float64(n-2*(n/4)-2))
	// A peak touches its highest value once or twice; a sensor at its end stays
	// there. Quantised plateaus also repeat their value; they last longer.
	if s.spread > 0 {
		s.plateau = m.plateau(s, 0, n)
		s.clipped = s.plateau >= s.long() && s.plateau < n/2
	}
	return s
}

// turn turns the trace upside down. The noise stays as it is.
func (m *Measurer) turn(s *survey) {
	for i := range m.v {
		m.v[i], m.sum[i] = -m.v[i], -m.sum[i]
	}
	s.low, s.high, s.total = -s.high, -s.low, -s.total
	s.rest = math.Inf(1)
	for i := range s.n - 2 {
		s.rest = min(s.rest, (m.v[i]+m.v[i+1]+m.v[i+2])/3)
	}
	s.plateau = m.plateau(*s, 0, s.n)
	s.clipped = s.plateau >= s.long() && s.plateau < s.n/2
}

// long is how many samples at the highest value are a cut.
func (s *survey) long() int { return max(4, s.n/40) }

// sample returns the first sample at time t or later, within the trace.
func (s *survey) sample(t float64) int { return min(max(int(math.Ceil((t-s.first)/s.dt)), 0), s.n) }

// plateau returns how many of the samples i to j stand in a row at the highest value.
func (m *Measurer) plateau(s survey, i, j int) (longest int) {
	if j < i {
		return 0
	}
	top := s.high - 1e-9*s.spread
	run := 0
	for _, y := range m.v[i:j] {
		if y < top {
			run = 0
			continue
		}
		run++
		longest = max(longest, run)
	}
	return longest
}

// at returns the trapezoid integral of the trace from its first sample to time
// t, in V·s; the trace stands still before its first and after its last sample.
func (m *Measurer) at(s survey, t float64) float64 {
	x := (t - s.first) / s.dt
	if x <= 0 {
		return x * s.dt * m.v[0]
	}
	i := int(x)
	if i >= s.n-1 {
		return s.dt * (m.sum[s.n-1] + (x-float64(s.n-1))*m.v[s.n-1])
	}
	f := x - float64(i)
	v0, v1 := m.v[i], m.v[i+1]
	return s.dt * (m.sum[i] + f*(v0+0.5*f*(v1-v0)))
}

// mean returns the mean of the trace from t0 to t1.
func (m *Measurer) mean(s survey, t0, t1 float64) float64 {
	if !(t1 > t0) {
		return math.NaN()
	}
	return (m.at(s, t1) - m.at(s, t0)) / (t1 - t0)
}

// level gives the features of a trace that has no movement in it.
func (tr *Trace) level(s survey) {
	for i := range tr.Bounds {
		tr.Bounds[i] = float32(s.first)
	}
	for p := Tail; p <= NumPhases; p++ {
		tr.Bounds[p] = float32(s.last)
	}
}

// course fills the profile from t0 to t1, and the mean over it.
func (tr *Trace) course(m *Measurer, s survey, t0, t1 float64) {
	prev := m.at(s, t0)
	step := (t1 - t0) / ProfileLen
	if !(step > 0) {
		return
	}
	for i := range tr.Profile {
		next := m.at(s, t0+float64(i+1)*step)
		tr.Profile[i] = float32((next - prev) / step)
		prev = next
	}
	tr.Features[TravelMean] = float32(m.mean(s, t0, t1))
	tr.Features[Idle] = float32(s.rest)
}

// stroke measures a displacement: from 5 to 95 % of its way.
func (m *Measurer) stroke(tr *Trace, s survey) {
	from, to := m.v[0], m.v[s.n-1]
	way := to - from
	if math.Abs(way) < 0.2*s.spread || way == 0 {
		return // came back, or never went
	}
	cross := func(share float64) float64 {
		level := from + share*way
		for i := 1; i < s.n; i++ {
			d0, d1 := (m.v[i-1]-level)/way, (m.v[i]-level)/way
			if d0 < 0 && d1 >= 0 {
				return s.first + s.dt*(float64(i-1)+d0/(d0-d1))
			}
		}
		return s.last
	}
	t0, t1 := cross(0.05), cross(0.95)
	tr.Bounds = [NumPhases + 1]float32{float32(s.first), float32(s.first), float32(t0), float32(t1), float32(t1), float32(s.last)}
	tr.Features[Duration] = float32(t1 - t0)
	tr.Features[TravelTime] = float32(t1 - t0)
	tr.Features[TravelMean] = float32(math.Abs(way))
}
