package detect

import (
	"math"
	"slices"

	"throwline/ingest"
)

// What the comparison of a picture with the patterns assumes.
const (
	blur       = 0.003 // how far they differ, in the signals' units, at least
	blurLag    = 0.001 // of a detector's time, which has no course along the movement to differ in
	blurOther  = 0.01  // how far the other drives differ from what they ought to show
	blurSecond = 0.015 // how far another quantity of the same drive goes its own way
	uneven     = 0.7   // ln: how far the amounts to both ends differ
	freedom    = 5.0   // degrees of freedom of Student's t: some dimension is always off
	tempered   = 0.8   // exponent of the likelihood: the dimensions are no independent witnesses
	elseFit    = 8.0   // likelihood units by which a known pattern must beat "something else"
	roughest   = 2.2   // ln: no drive makes its trace rougher than that, a bad contact at the sensor does
	lagOccam   = 3.0   // likelihood units that it costs a cause to leave a late detector out
	backOccam  = 2.0   // likelihood units that it costs a cause to explain whatever another drive shows
	rear       = 0.6   // how far what a supplementary drive shows counts beside the main one's
)

// roughness is how far patterns and turnouts differ in a dimension, as a share
// of the greatest change: a drive slows little and steadily under load, the
// ends of the movement take very different parts in it.
func roughness(dim int) float64 {
	switch dim {
	case sDuration:
		return 0.02
	case dLag, dLagElse, dSag, sIdle:
		return 0.04
	case sInrush, sTravel:
		return 0.1
	case sUnlock, sLock:
		return 0.15
	case sRipple:
		return 0.6
	}
	return 0.15
}

// seen is what a view and its surroundings show in all dimensions; a variance
// of 0: nothing.
type seen struct {
	x, v  [2]shown
	load  [2][numSignals]float64
	frame [2]frame
	have  [2]bool
	top   float64 // greatest change
}

func (p *picture) seen(v *view) seen {
	s := seen{load: v.load, frame: v.frame, have: v.have}
	top := 0.0
	for e := range 2 {
		if !v.have[e] {
			continue
		}
		for k := range numSignals {
			if k == sInrush && (v.q == ingest.HydraulicPressure || v.q == ingest.DriveForce) {
				continue // there it is the load's first rise, no witness of its own
			}
			s.x[e][k], s.v[e][k] = v.own[e][k], v.sd[e][k]*v.sd[e][k]
			d := math.Abs(v.change(e, k))
			switch k {
			case sRipple:
				d = max(v.change(e, k), 0) / 4
			case sInrush:
				d /= 2
			}
			top = max(top, d)
		}
		lapse := max(v.lapse[e], 0.5)
		for i, l := range p.lag[e] {
			d := dLagElse
			if i == 0 {
				d = dLag
			}
			if d == dLagElse && l.d < 0 {
				continue // earlier is no fault of its own: the movement's end is later
			}
			if x := l.d / lapse; s.v[e][d] == 0 || x > s.x[e][d] {
				s.x[e][d], s.v[e][d] = x, l.sd*l.sd/(lapse*lapse)
				top = max(top, math.Abs(x))
			}
		}
		if p.known[e] {
			s.x[e][dSag], s.v[e][dSag] = p.sag[e], p.sagSD[e]*p.sagSD[e]
			top = max(top, math.Abs(p.sag[e]))
		}
	}
	s.top = top
	for e := range 2 {
		for k := range s.v[e] {
			if s.v[e][k] > 0 {
				w := roughness(k)*top + blur
				if k == dLag || k == dLagElse {
					w = roughness(k)*top + blurLag
				}
				s.v[e][k] += w * w
			}
		}
	}
	return s
}

// beyond returns what a pattern shows beyond what its travel brings with it.
func (s *seen) beyond(p *pattern, c *course, end int) shown {
	m := s.frame[end].show(p, c)
	if p.asEver {
		return m
	}
	for k := range numSignals {
		if k != sTravel {
			m[k] -= s.load[end][k] * m[sTravel]
		}
	}
	return m
}

// lay lays a pattern over what one end shows: the amount that suits it best,
// by least squares, and the logarithm of its likelihood beside that of nothing.
func (s *seen) lay(m *shown, end int, falls bool) (amount, fit float64) {
	a, b := 0.0, 0.0
	for k := range m {
		if s.v[end][k] == 0 {
			continue
		}
		w := 1 / s.v[end][k]
		a += w * s.x[end][k] * m[k]
		b += w * m[k] * m[k]
	}
	if b == 0 {
		return 0, 0
	}
	amount = a / b
	if amount < 0 && !falls {
		amount = 0
	}
	return amount, s.score(m, end, amount)
}

func (s *seen) score(m *shown, end int, amount float64) float64 {
	if amount == 0 {
		return 0
	}
	// The product of a few and one logarithm: this is where the time goes.
	sum, left, all := 0.0, 1.0, 1.0
	for k := range m {
		v := s.v[end][k] * freedom
		if v == 0 {
			continue
		}
		x := s.x[end][k]
		r := x - amount*m[k]
		left *= v + r*r
		all *= v + x*x
		if k%6 == 5 {
			sum -= math.Log(left / all)
			left, all = 1, 1
		}
	}
	return (freedom + 1) / 2 * (sum - math.Log(left/all))
}

// fit returns the logarithm of a pattern's likelihood beside that of nothing.
func (s *seen) fit(p *pattern) float64 {
	switch {
	case s.have[0] && s.have[1]:
	case s.have[0]:
		return s.alone(p, 0)
	default:
		return s.alone(p, 1)
	}
	pair := func(here, there int) float64 {
		m := s.beyond(p, &p.here, here)
		a0, f0 := s.lay(&m, here, p.falls)
		if p.quiet {
			return f0
		}
		m = s.beyond(p, &p.there, there)
		if p.sided {
			// The other end's part belongs to the same amount.
			a := max(a0, 0)
			if a == 0 { // it shows nothing here
				_, f1 := s.lay(&m, there, p.falls)
				return f0 + f1
			}
			return f0 + max(s.score(&m, there, a), s.score(&m, there, 0.6*a), s.score(&m, there, 1.6*a))
		}
		a1, f1 := s.lay(&m, there, p.falls)
		if a0*a1 <= 0 {
			// Only one end shows it, or each the contrary.
			return max(f0, f1) - 2
		}
		z := math.Log(a0/a1) / uneven
		return f0 + f1 - z*z/2
	}
	f := pair(0, 1)
	if !p.sided && !p.mirrored {
		return f
	}
	if p.mirrored {
		return f
	}
	g := pair(1, 0)
	hi, lo := max(f, g), min(f, g)
	return hi + math.Log1p(math.Exp(lo-hi)) - math.Ln2
}

func (s *seen) alone(p *pattern, end int) float64 {
	m := s.beyond(p, &p.here, end)
	_, f := s.lay(&m, end, p.falls)
	if p.sided {
		m = s.beyond(p, &p.there, end)
		if _, g := s.lay(&m, end, p.falls); g > f {
			f = g
		}
	}
	return f
}

// causes ranks what may be behind the picture. Each pattern is laid over the
// changes with the amount that suits it best; what it leaves, against the noise
// and the roughness of the pattern, makes its likelihood, which with the prior
// makes the probability; "something else" competes with a known pattern.
func (p *picture) causes() []Cause {
	weights := map[CauseName]float64{}
	lead := p.lead()
	if lead != nil {
		p.weigh(lead, weights)
	} else {
		weights[UnknownCause] = 0.3
		for _, a := range p.alarms {
			switch a.signal {
			case sLag:
				weights[DetectionAdjustment] = 0.6
			case sSag:
				weights[SupplyVoltageCause] = 0.7
			}
		}
	}
	return p.ranked(weights)
}

// lead returns the view that stands out most, nil where none is known.
func (p *picture) lead() *view {
	var lead *view
	most := -1.0
	for i := range p.views {
		v := &p.views[i]
		size := 0.0
		for _, a := range p.alarms {
			if a.signal < 0 || a.drive != v.drive {
				continue
			}
			d := a.d
			if v.drive != "main" {
				d = rear * v.beyondWaiting(a.end, a.signal, d)
			}
			size = max(size, math.Abs(d)/kinds[a.signal].allowance)
		}
		if v.q == ingest.DriveForce {
			size *= 0.9 // shows the load alone
		}
		if size > most {
			lead, most = v, size
		}
	}
	return lead
}

// beyondWaiting returns what is left of a signal's change d where the drive
// may just wait at its end for another.
func (v *view) beyondWaiting(end, sig int, d float64) float64 {
	if sig == sDuration || v.own[end][sDuration] <= 0 {
		return d
	}
	w := v.own[end][sDuration] * v.waits[end][sig]
	if w*d <= 0 {
		return d
	}
	return math.Copysign(max(math.Abs(d)-math.Abs(w), 0), d)
}

// weigh adds the weight of every cause.
func (p *picture) weigh(lead *view, weights map[CauseName]float64) {
	s := p.seen(lead)
	list := patternsFor(lead.q)
	best := math.Inf(-1)
	fits := make([]float64, len(list))
	// Where nothing but a detector has alarmed, that is to be explained.
	only := !slices.ContainsFunc(p.alarms, func(a raised) bool { return a.signal != sLag })
	for i := range list {
		fits[i] = s.fit(&list[i])
		if list[i].cause == MotorWear {
			fits[i] -= 8 * max(min(s.x[0][sRipple], s.x[1][sRipple])-roughest, 0)
		}
		if only && !list[i].late() {
			fits[i] -= lagOccam
		}
		for j := range p.views {
			switch o := &p.views[j]; {
			case o.drive != lead.drive:
				fits[i] += p.others(o, &list[i], &s)
			case o != lead:
				fits[i] += p.second(o, lead, &list[i], &s)
			}
		}
		if math.IsNaN(fits[i]) { // the trace is made of numbers that nothing can be laid over
			fits[i] = math.Inf(-1)
		}
		best = max(best, fits[i])
	}
	if math.IsInf(best, -1) {
		weights[UnknownCause] = 1
		return
	}
	for i := range list {
		weights[list[i].cause] += list[i].prior * math.Exp(tempered*(fits[i]-best))
	}
	// Something else is as likely as a pattern that leaves much of what is seen.
	most := p.perfect(&s)
	weights[UnknownCause] += min(0.01*math.Exp(min(tempered*(most-best-elseFit), 5)), 0.06*total(weights))
	if lead.drive != "main" && !p.moved("main") {
		// The trace of a supplementary drive alone has moved.
		sum := 0.0
		for _, c := range []CauseName{DrySlideChairs, SeizedRoller, Obstruction, LockAdjustment, MotorWear, HydraulicLeak} {
			sum += 0.85 * weights[c]
			weights[c] *= 0.15
		}
		weights[BackDrive] += sum
	}
}

// moved reports whether a drive's trace shows a change of its own to both ends,
// apart from the time, which is common to all.
func (p *picture) moved(drive string) bool {
	for i := range p.views {
		v := &p.views[i]
		if v.drive != drive {
			continue
		}
		ends, moved := 0, 0
		for e := range 2 {
			if !v.have[e] {
				continue
			}
			ends++
			for _, k := range [...]int{sTravel, sUnlock, sLock, sRipple} {
				if math.Abs(v.own[e][k]) > max(kinds[k].allowance, 3*v.sd[e][k]) {
					moved++
					break
				}
			}
		}
		if moved > 0 && moved == ends {
			return true
		}
	}
	return false
}

// perfect is the fit of a pattern that leaves nothing.
func (p *picture) perfect(s *seen) float64 {
	sum := 0.0
	for e := range 2 {
		for k := range s.v[e] {
			if v := s.v[e][k]; v > 0 {
				sum += (freedom + 1) / 2 * math.Log1p(s.x[e][k]*s.x[e][k]/(v*freedom))
			}
		}
	}
	return sum
}

// others asks the other drives: what all feel is shown by them too, what one
// feels is not. The time is common to all that are thrown together, and no
// witness. What the rear part does may show in either trace.
func (p *picture) others(o *view, m *pattern, s *seen) float64 {
	sum := 0.0
	for e := range 2 {
		if !o.have[e] {
			continue
		}
		var b shown
		a := 0.0
		if m.whole && s.have[e] {
			b = s.beyond(m, &m.here, e)
			if a, _ = s.lay(&b, e, m.falls); a != 0 {
				oth := seen{frame: o.frame, load: o.load}
				b = oth.beyond(m, &m.here, e)
			}
		}
		least := 0.0
		for _, share := range [...]float64{1, 0.4, 1.6} {
			fit := 0.0
			for _, k := range [...]int{sTravel, sInrush, sUnlock, sLock, sRipple} {
				if o.sd[e][k] == 0 {
					continue
				}
				w := roughness(k)*math.Abs(a*share) + blurOther
				if k == sRipple {
					w += 0.05
				}
				v := o.sd[e][k]*o.sd[e][k] + w*w
				r := o.own[e][k] - a*share*b[k]
				fit -= (freedom + 1) / 2 * math.Log1p(r*r/(v*freedom))
			}
			if share == 1 || fit > least {
				least = fit
			}
			if a == 0 {
				break
			}
		}
		sum += least
	}
	if m.cause == BackDrive {
		return max(sum, -1) - backOccam
	}
	return sum
}

// second asks another quantity of the same drive. A load is felt by both, a
// sensor's fault by its own alone; a motor that binds takes more power for the
// pressure that it gave before.
func (p *picture) second(o, lead *view, m *pattern, s *seen) float64 {
	sum := 0.0
	for e := range 2 {
		if !o.have[e] || !s.have[e] || o.sd[e][sTravel] == 0 {
			continue
		}
		x, w := o.own[e][sTravel], blurSecond
		mean := 0.0
		switch {
		case m.cause == MeasurementCause || m.cause == HydraulicLeak || m.cause == SupplyVoltageCause || m.cause == DetectionAdjustment:
		case m.cause == MotorWear && lead.q == ingest.HydraulicPressure:
			if o.q != ingest.DriveForce && x > 0 {
				sum -= 0.7 // or it does not show
				continue
			}
		case m.cause == MotorWear && o.q == ingest.DriveForce:
		default:
			b, best := s.beyond(m, &m.here, e), 0.0
			a, fit := s.lay(&b, e, m.falls)
			mean, best = 0.8*a*b[sTravel], fit
			if !m.quiet && (m.sided || m.mirrored) {
				b = s.beyond(m, &m.there, e)
				if a, fit = s.lay(&b, e, m.falls); fit > best {
					mean = 0.8 * a * b[sTravel]
				}
			}
			w += 0.35 * math.Abs(mean)
		}
		v := o.sd[e][sTravel]*o.sd[e][sTravel] + w*w
		r := x - mean
		sum -= (freedom + 1) / 2 * math.Log1p(r*r/(v*freedom))
	}
	return sum
}

// ranked makes causes of weights.
func (p *picture) ranked(weights map[CauseName]float64) []Cause {
	if total(weights) == 0 {
		weights[UnknownCause] = 1
	}
	sum := total(weights)
	evidence := p.evidence()
	var out []Cause
	kept := 0.0
	for name, w := range weights {
		if w/sum < 0.03 {
			continue
		}
		out = append(out, Cause{Cause: name, Probability: w / sum, Evidence: evidence, Checks: checks[name]})
	}
	sortCauses(out)
	for _, c := range out {
		kept += c.Probability
	}
	rest := 1.0
	for i := range out {
		out[i].Probability = math.Round(out[i].Probability/kept*1000) / 1000
		if i > 0 {
			rest -= out[i].Probability
		}
	}
	out[0].Probability = math.Round(rest*1000) / 1000
	for i := range out {
		if s := meaning[out[i].Cause]; s != "" && len(evidence) > 0 {
			if out[i].Probability < 0.5 && out[i].Cause != UnknownCause {
				s = "perhaps " + s
			}
			e := slices.Clone(evidence)
			e[0] += ": " + s
			out[i].Evidence = e
		}
	}
	return out
}

// total adds the weights in a fixed order, so that every run rounds alike.
func total(w map[CauseName]float64) float64 {
	sum := 0.0
	for _, name := range causeOrder {
		sum += w[name]
	}
	return sum
}

var causeOrder = [...]CauseName{DrySlideChairs, SeizedRoller, Obstruction, LockAdjustment, BackDrive, HydraulicLeak, MotorWear, SupplyVoltageCause, MeasurementCause, DetectionAdjustment, ColdWeather, UnknownCause}
