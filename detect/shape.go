package detect

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"throwline/ingest"
)

// How unlike its past one throw's course is. Computed when somebody asks.

const (
	// ShapeLeast and ShapeMost bound the past that a course is compared with.
	// With fewer throws than that the limits would be guesses; more of them reach
	// back into another season.
	ShapeLeast, ShapeMost = 60, 200
	// shapeChance is how often a throw like its past is beyond a limit: 1 in 370,
	// as with three deviations of one value.
	shapeChance = 0.0027
	// shapeShare of the past's variance is what the components have to tell, and
	// shapeComponents are the most: each costs throws to learn.
	shapeShare, shapeComponents = 0.8, 6
	// shapeFloor is the least deviation of a part, as a share of the mean course:
	// a part that hardly ever changed would else count for more than it says.
	shapeFloor = 0.005
	// shapeFolds is into how many shares the past is cut to learn how far throws
	// are that were not learned from.
	shapeFolds = 4
	// shapeFar medians of the prediction error make a past throw odd itself: of a
	// squared normal value, the most uneven there is, 1 in 370 passes 20 of them.
	shapeFar = 20
	// shapeCells are the places of which the farthest is told: twelfths.
	shapeCells = 12
)

// Shape is the usual course of past throws of one turnout, end, drive and
// quantity: a mean and the directions in which courses vary together.
type Shape struct {
	Throws     int
	Components int
	T2Limit    float64 // of Hotelling's T² of a throw that is no part of the past
	SPELimit   float64 // of the squared prediction error
	model      shapeModel
}

// shapeModel is a principal component analysis of courses whose parts are
// centred and scaled.
type shapeModel struct {
	mean, scale [ProfileLen]float64
	vectors     mat.Dense // ProfileLen × components
	vars        []float64 // of the components kept
	rest        []float64 // of the others: the residual's
}

// LearnShape learns the usual course from profiles of past throws, all of which
// completed and are of use. ok is false with fewer than [ShapeLeast].
//
// The limits are of 1 in 370. T² has the F distribution for a throw outside of
// the past (Tracy, Young & Mason, J. Quality Technology 24, 1992: phase II).
// SPE is held against Jackson & Mudholkar, Technometrics 21, 1979, with two
// corrections, both from throws of the past left out in turn: components lean
// towards the throws that they were learned from, so that the residual's
// variance is too small for others; and where those vary more unevenly than
// normal values would, the scaled chi-square of their mean and variance
// (Nomikos & MacGregor, Technometrics 37, 1995) is the limit, as it is the higher.
func LearnShape(past [][ProfileLen]float32) (s *Shape, ok bool) {
	if len(past) < ShapeLeast {
		return nil, false
	}
	var m shapeModel
	if !m.learn(past, 0) {
		return nil, false
	}
	outside, ok := leftOut(past, &m)
	if !ok {
		return nil, false
	}
	// A throw that was odd itself is no measure of the others.
	far := shapeFar * middle(slices.Sorted(slices.Values(outside)))
	var usual [][ProfileLen]float32
	for i := range past {
		if outside[i] <= far {
			usual = append(usual, past[i])
		}
	}
	if len(usual) < len(past) {
		if !m.learn(usual, 0) {
			return nil, false
		}
		if outside, ok = leftOut(usual, &m); !ok {
			return nil, false
		}
	}
	s = &Shape{Throws: len(usual), Components: len(m.vars), model: m}
	s.T2Limit = hotellingLimit(s.Components, s.Throws, shapeChance)
	inside := 0.0
	for _, v := range m.rest {
		inside += v
	}
	mean, variance := stat.MeanVariance(outside, nil)
	rest := slices.Clone(m.rest)
	for i := range rest {
		rest[i] *= max(mean/inside, 1)
	}
	s.SPELimit = speLimit(rest, shapeChance)
	if mean > 0 && variance > 0 {
		s.SPELimit = max(s.SPELimit, variance/(2*mean)*distuv.ChiSquared{K: 2 * mean * mean / variance}.Quantile(1-shapeChance))
	}
	return s, s.SPELimit > 0 // no residual at all: throws that never differ
}

// leftOut returns the squared prediction error of each course by a model, in
// the measure of m, that was learned without it.
func leftOut(past [][ProfileLen]float32, m *shapeModel) (spe []float64, ok bool) {
	spe = make([]float64, len(past))
	for fold := range shapeFolds {
		var kept [][ProfileLen]float32
		for i := range past {
			if i%shapeFolds != fold {
				kept = append(kept, past[i])
			}
		}
		var f shapeModel
		f.centre(kept)
		f.scale = m.scale
		if !f.fit(kept, len(m.vars)) {
			return nil, false
		}
		for i := fold; i < len(past); i += shapeFolds {
			_, spe[i] = f.distance(&past[i], nil, nil)
		}
	}
	return spe, true
}

// learn fits the model; of components it keeps n, or what shapeShare asks for.
func (m *shapeModel) learn(past [][ProfileLen]float32, n int) bool {
	level := m.centre(past)
	if !(level > 0) || math.IsInf(level, 0) {
		return false
	}
	for j := range m.scale {
		m.scale[j] = max(m.scale[j], shapeFloor*level)
	}
	return m.fit(past, n)
}

// centre takes mean and deviation of each part, and returns the mean height of
// the course.
func (m *shapeModel) centre(past [][ProfileLen]float32) (level float64) {
	column := make([]float64, len(past))
	for j := range ProfileLen {
		for i := range past {
			column[i] = float64(past[i][j])
		}
		m.mean[j], m.scale[j] = stat.MeanStdDev(column, nil)
		level += math.Abs(m.mean[j]) / ProfileLen
	}
	return level
}

// fit finds the components of courses in the measure of m.scale.
func (m *shapeModel) fit(past [][ProfileLen]float32, n int) bool {
	x := mat.NewDense(len(past), ProfileLen, nil)
	for i := range past {
		for j, v := range past[i] {
			x.Set(i, j, (float64(v)-m.mean[j])/m.scale[j])
		}
	}
	var pc stat.PC
	if !pc.PrincipalComponents(x, nil) {
		return false
	}
	vars := pc.VarsTo(nil)
	total := 0.0
	for _, v := range vars {
		total += v
	}
	if total <= 0 {
		return false
	}
	if n == 0 {
		for told := 0.0; n < shapeComponents && told < shapeShare*total; n++ {
			told += vars[n]
		}
	}
	m.vars, m.rest = vars[:n], vars[n:]
	var all mat.Dense
	pc.VectorsTo(&all)
	m.vectors.Reset()
	m.vectors.CloneFrom(all.Slice(0, ProfileLen, 0, n))
	return true
}

// distance returns T² and SPE of a course and, where asked for, what each part
// adds to them. Of T² that is each component's share in proportion to how the
// part moves its score; it may be below 0, and adds up (Nomikos & MacGregor,
// Technometrics 37, 1995).
func (m *shapeModel) distance(p *[ProfileLen]float32, t2Parts, speParts *[ProfileLen]float64) (t2, spe float64) {
	var d [ProfileLen]float64
	for j, v := range p {
		d[j] = (float64(v) - m.mean[j]) / m.scale[j]
	}
	rest := d
	for c, variance := range m.vars {
		score := 0.0
		for j := range d {
			score += d[j] * m.vectors.At(j, c)
		}
		t2 += score * score / variance
		for j := range d {
			along := m.vectors.At(j, c)
			rest[j] -= score * along
			if t2Parts != nil {
				t2Parts[j] += score / variance * along * d[j]
			}
		}
	}
	for j, e := range rest {
		spe += e * e
		if speParts != nil {
			speParts[j] = e * e
		}
	}
	return t2, spe
}

// hotellingLimit is what T² of a further value passes with probability alpha:
// p components learned from n values (Tracy, Young & Mason 1992).
func hotellingLimit(p, n int, alpha float64) float64 {
	pf, nf := float64(p), float64(n)
	return pf * (nf + 1) * (nf - 1) / (nf * (nf - pf)) * distuv.F{D1: pf, D2: nf - pf}.Quantile(1-alpha)
}

// speLimit is what the squared prediction error passes with probability alpha
// (Jackson & Mudholkar 1979); vars are the variances of the components left out.
// Where one of them stands far above many small ones their power h is near or
// below 0 and its root means little: there the scaled chi-square with the same
// three moments serves (Imhof, Biometrika 48, 1961).
func speLimit(vars []float64, alpha float64) float64 {
	var t1, t2, t3 float64
	for _, v := range vars {
		t1 += v
		t2 += v * v
		t3 += v * v * v
	}
	if t1 <= 0 {
		return 0
	}
	h := 1 - 2*t1*t3/(3*t2*t2)
	if h < 0.2 {
		n := t2 * t2 * t2 / (t3 * t3)
		return t1 + (distuv.ChiSquared{K: n}.Quantile(1-alpha)-n)*math.Sqrt(t2/n)
	}
	c := distuv.UnitNormal.Quantile(1 - alpha)
	return t1 * math.Pow(c*math.Sqrt(2*t2*h*h)/t1+1+t2*h*(h-1)/(t1*t1), 1/h)
}

// Likeness is how far one throw's course stands from those of its past.
type Likeness struct {
	Throws, Components int
	T2, T2Limit        float64
	SPE, SPELimit      float64
	Beyond             bool // one of them is beyond its limit
	// From and To are the twelfth of the movement that adds most to what is
	// farther out, as shares of it, and Phase is what the throw did there.
	From, To float64
	Phase    Phase
	Share    float64 // that the twelfth adds, of all
	Said     string  // in words
}

// Compare holds a trace's course against the past.
func (s *Shape) Compare(tr *Trace) Likeness {
	l := Likeness{Throws: s.Throws, Components: s.Components, T2Limit: s.T2Limit, SPELimit: s.SPELimit}
	var t2Parts, speParts [ProfileLen]float64
	l.T2, l.SPE = s.model.distance(&tr.Profile, &t2Parts, &speParts)
	parts := &speParts
	if l.T2*l.SPELimit > l.SPE*l.T2Limit { // farther beyond its limit
		parts = &t2Parts
	}
	l.Beyond = l.T2 > l.T2Limit || l.SPE > l.SPELimit
	const width = ProfileLen / shapeCells
	best, all := 0, 0.0
	var cells [shapeCells]float64
	for j, v := range parts {
		cells[j/width] += v
		all += max(v, 0)
	}
	for i, v := range cells {
		if v > cells[best] {
			best = i
		}
	}
	l.From, l.To = float64(best)/shapeCells, float64(best+1)/shapeCells
	if all > 0 {
		l.Share = min(max(cells[best]/all, 0), 1)
	}
	l.Phase = tr.phaseAt((l.From + l.To) / 2)
	l.Said = l.words()
	return l
}

// Useful reports whether detection believes the trace: it shows a movement from
// its start. Only voltages and displacements, which have no phases, do without.
func (tr *Trace) Useful() bool {
	if tr.Quantity == ingest.SupplyVoltage || tr.Quantity == ingest.Displacement {
		return tr.Quality&Flat == 0
	}
	return usable(tr)
}

// phaseAt returns the phase at a share of the movement.
func (tr *Trace) phaseAt(share float64) Phase {
	from, to := tr.Bounds[Inrush], tr.Bounds[Tail]
	at := from + float32(share)*(to-from)
	for p := Inrush; p < Tail; p++ {
		if at < tr.Bounds[p+1] {
			return p
		}
	}
	return Locking
}

func (l *Likeness) words() string {
	if !l.Beyond {
		return fmt.Sprintf("in the shape of its course like the %d throws just before it", l.Throws)
	}
	where := "all along the movement"
	// Even shares would be a twelfth.
	if l.Share > 2.0/shapeCells {
		where = fmt.Sprintf("mostly at %.0f to %.0f %% of the movement (%s)", 100*l.From, 100*l.To, l.Phase)
	}
	return fmt.Sprintf("farther from its past than 1 in 370 throws would be, %s", where)
}
