package detect

import (
	"fmt"
	"math"
	"strings"
	"time"

	"throwline/ingest"
)

// Traces that cannot be trusted. Some of it a trace shows by itself ([Quality]),
// some only beside the turnout's past: an inrush that is cut off today and was
// not before, a start that is missing though nobody says so, a clock that runs
// at another rate. Of a throw that arrived they speak of the sensor, and teach nothing.

// stretched stands among the reasons to doubt a trace for a wrong sampling rate.
const stretched Quality = 1 << 7

const (
	// hopeless traces are not looked at any further; of others the charts go on.
	hopeless = Flat | NegativeSign | MissingStart | ClippedTravel

	// spoilt is how many doubtful traces in a row are the sensor's fault, not chance.
	spoilt = 3

	sure = 8 // traces of one sign after which the other one is the sensor's fault

	clipsUsual = 2   // of the first boundsThrows traces, or times since, that make a cut inrush the installation's own
	quiet      = 0.1 // ripple, of the running level, above which noise is a turnout's own
)

// blind returns what makes a trace unreadable. One that is turned upside down is not.
func (tr *Trace) blind() Quality {
	q := tr.Quality & (Flat | NegativeSign | MissingStart)
	if tr.Turned() {
		q &^= NegativeSign
	}
	return q
}

// usable reports whether a trace can be read at all.
func usable(tr *Trace) bool {
	return tr.blind() == 0 && !math.IsNaN(float64(tr.Features[Duration]))
}

// spiked reports whether a quantity shows a motor's inrush, which lasts as long
// whatever the blades do.
func spiked(q ingest.Quantity) bool { return q == ingest.MotorCurrent || q == ingest.MotorPower }

// faults returns the reasons to doubt a trace of a throw that arrived, and by
// how much (ln) its clock is wrong. other is the same channel at the other
// end, nil where there is none, and last when it was thrown (unix s).
func (e *endState) faults(o *Observation, tr *Trace, t, other *track, last int64) (why Quality, pace float64) {
	why = tr.blind()
	if why == 0 && math.IsNaN(float64(tr.Features[Duration])) {
		why = Flat
	}
	if tr.Turned() && t.side == sure || !tr.Turned() && t.side == -sure {
		why |= NegativeSign // it never read this way before
	}
	settled := t.n >= boundsThrows
	fresh := settled && t.clips < clipsUsual
	switch {
	case tr.Quality&ClippedTravel != 0 && (fresh || tr.Quality&Clipped != 0 && spiked(tr.Quantity)):
		why |= Clipped | ClippedTravel
	case tr.Quality&Clipped != 0 && fresh && spiked(tr.Quantity): // oil may stand at its relief valve
		why |= Clipped
	}
	if why&hopeless != 0 || !settled {
		return why, 0
	}
	if why == 0 && t.beheaded(tr) {
		return why | MissingStart, 0
	}
	if tr.Quality&Noisy != 0 && t.usual[Ripple].mean < quiet*t.running {
		why |= Noisy
	}
	if pace = e.pace(o, tr, t); pace != 0 {
		since := t.since
		if t.useless > 0 && other != nil && other.n >= boundsThrows && last > since && (other.useless == 0 || other.why&stretched == 0) {
			return why, 0 // one clock times both ends
		}
		why |= stretched
	}
	return why, pace
}

// beheaded reports whether a motor's trace lacks the inrush that all had
// before: it begins in the middle of the movement, though it says otherwise.
func (t *track) beheaded(tr *Trace) bool {
	level := t.idle + t.running
	usual := &t.usual[InrushPeak]
	above, now := usual.mean-level, tr.Features[InrushPeak]-level
	return spiked(tr.Quantity) && above > 0.5*t.running && now < 0.4*above &&
		float64(usual.mean-tr.Features[InrushPeak]) > 6*math.Sqrt(float64(usual.v)) &&
		tr.Features[Duration] < t.duration*(1-t.inrush)
}

// sided notes the sign of a trace that is not in doubt.
func (t *track) sided(tr *Trace) {
	if tr.Turned() {
		t.side = max(t.side-1, -sure)
	} else {
		t.side = min(t.side+1, sure)
	}
}

// doubt counts doubtful traces.
func (t *track) doubt(why Quality, pace float64, at int64) {
	if why == 0 {
		if t.useless > 0 && t.why&Clipped != 0 {
			// A range that is now and then too small will be so again: that is told
			// clipsUsual times at most.
			t.clips = min(t.clips+1, clipsUsual)
		}
		t.useless, t.pace = 0, 0
		return
	}
	if t.useless == 0 {
		t.since = at
	}
	switch {
	case why&stretched == 0:
		t.pace = 0
	case t.pace == 0:
		t.pace = float32(pace)
	default:
		t.pace += (float32(pace) - t.pace) / 8
	}
	t.why = why
	t.useless = min(t.useless+1, 200)
}

// Of a wrong clock.
const (
	leastPace = 0.09 // ln: from which a duration can be the clock's
	samePace  = 0.06 // ln: how even a wrong clock is
	paceOdds  = 3.0  // ln of the odds that the course asks for
	paceRough = 2.0  // deviations that the course may be off, root of the mean square
)

// pace returns by how much (ln) the times of a trace look like another
// sampling rate's, 0 where they do not. A clock stretches everything alike: the
// course along the movement stays as it was. A slow throw does not stretch the
// motor's inrush, its detectors make later, and what else is measured of the
// drive lasts longer too.
func (e *endState) pace(o *Observation, tr *Trace, t *track) float64 {
	if t.duration <= 0 {
		return 0
	}
	r := math.Log(float64(tr.Features[Duration] / t.duration))
	if math.Abs(r) < max(leastPace, 5*math.Sqrt(float64(t.signals[sDuration].v))) {
		return 0
	}
	witness := e.witnesses(o, tr, t, r)
	if witness < 0 {
		return 0
	}
	if t.useless > 0 && t.pace != 0 && math.Abs(r-float64(t.pace)) < samePace {
		return r
	}
	odds, same := t.sameCourse(tr, math.Exp(r))
	if same && (witness > 0 || spiked(tr.Quantity) && odds > paceOdds) {
		return r
	}
	return 0
}

// witnesses asks what has a clock of its own: +1 where it speaks of a wrong
// rate, -1 where of a throw that lasted so long, 0 where it says nothing. One
// detector that made later is enough: another one may make before the drive is done.
func (e *endState) witnesses(o *Observation, tr *Trace, t *track, r float64) (says int) {
	end, usual := 0.0, 0.0 // of all channels: the longest tells when the movement ended
	for i := range o.Traces {
		x := &o.Traces[i]
		if !watched(x.Quantity) || !usable(x) {
			continue
		}
		k := e.find(x.Drive, x.Quantity)
		if k == nil || k.n < boundsThrows || k.duration <= 0 {
			continue
		}
		end = max(end, float64(x.Bounds[Tail]))
		usual = max(usual, float64(k.duration))
		if k != t && x.Drive == tr.Drive {
			if rx := math.Log(float64(x.Features[Duration] / k.duration)); math.Abs(rx) < 0.25*math.Abs(r) {
				says = +1
			}
		}
	}
	for _, d := range o.Detections {
		for i := range e.places {
			p := &e.places[i]
			if p.name != d.Place || !p.lag.learned() {
				continue
			}
			made := d.After.Seconds() - float64(p.lag.level)
			then := usual + float64(tr.Bounds[Inrush])
			if math.Abs(end-then) < max(0.15, 5*math.Sqrt(float64(p.lag.v))) {
				continue
			}
			if math.Abs(made-then) < 0.35*math.Abs(end-then) {
				says = +1
			}
			if math.Abs(made-end) < 0.35*math.Abs(end-then) {
				return -1
			}
		}
	}
	return says
}

// sameCourse reports whether the course of a trace that lasts f times the usual
// is the usual one, and the logarithm of the odds for that, inrush and all, against
// one whose inrush has kept its time and whose rest alone is stretched.
func (t *track) sameCourse(tr *Trace, f float64) (odds float64, same bool) {
	in := float64(t.inrush)
	if f <= in || in <= 0 {
		return 0, false
	}
	from := func(share float64) float64 { // where a slow throw would have been usually
		x := share * f
		if x > in {
			x = in + (x-in)*(1-in)/(f-in)
		}
		return x * ProfileLen
	}
	rough := 0.0
	course := newIntegral(&t.mid)
	a, ya := 0.0, 0.0
	for i := range ProfileLen {
		b := from(float64(i+1) / ProfileLen)
		yb := course.at(b)
		// Where the course is steep, it is known less well.
		steep := math.Abs(float64(t.mid[min(i+1, ProfileLen-1)]-t.mid[max(i-1, 0)])) / 2
		sd := float64(1.2533*t.spread[i]+0.02*t.running) + 0.05*steep
		clock := float64(tr.Profile[i]-t.mid[i]) / sd
		slow := (float64(tr.Profile[i]) - (yb-ya)/(b-a)) / sd
		a, ya = b, yb
		clock, slow = min(clock*clock, 25), min(slow*slow, 25)
		odds += (slow - clock) / 2
		rough += clock
	}
	return odds, rough < paceRough*paceRough*ProfileLen
}

// integral is the sum of a profile up to a place between its parts: of parts
// as steep as an inrush a straight line would be too coarse.
type integral struct {
	y, slope [ProfileLen + 1]float64
}

func newIntegral(p *[ProfileLen]float32) (f integral) {
	for i := range p {
		f.y[i+1] = f.y[i] + float64(p[i])
	}
	f.slope[0] = 1.5*float64(p[0]) - 0.5*float64(p[1])
	for i := 1; i < ProfileLen; i++ {
		f.slope[i] = 0.5 * float64(p[i-1]+p[i])
	}
	f.slope[ProfileLen] = float64(p[ProfileLen-1])
	return f
}

// at returns the integral up to x parts, by Hermite's cubic.
func (f *integral) at(x float64) float64 {
	i := min(max(int(x), 0), ProfileLen-1)
	u := x - float64(i)
	d := f.y[i+1] - f.y[i]
	return f.y[i] + u*(f.slope[i]+u*(3*d-2*f.slope[i]-f.slope[i+1]+u*(f.slope[i]+f.slope[i+1]-2*d)))
}

// outOfTime reports whether the throw just looked at has a channel whose clock is wrong.
func (e *endState) outOfTime(tr *Trace) bool {
	t := e.find(tr.Drive, tr.Quantity)
	return t != nil && t.useless > 0 && t.why&stretched != 0
}

// useless returns a finding where traces cannot be used, though the throws arrived.
func (s *State) useless() (f Finding, ok bool) {
	var said []string
	f = Finding{Condition: DoubtfulMeasurement, Urgency: 0.3}
	for i := range s.ends {
		for j := range s.ends[i].tracks {
			t := &s.ends[i].tracks[j]
			if t.useless < spoilt {
				continue
			}
			said = append(said, fmt.Sprintf("the last %d traces of %s of the %s drive to %s cannot be trusted: %s", t.useless,
				strings.ReplaceAll(string(t.quantity), "_", " "), t.drive, ingest.Ends[i], t.faultInWords()))
			f.Drive = t.drive
			if at := time.Unix(t.since, 0).UTC(); f.Since.IsZero() || at.Before(f.Since) {
				f.Since = at
			}
		}
	}
	f.Causes = []Cause{
		{Cause: MeasurementCause, Probability: 0.95, Evidence: said, Checks: checks[MeasurementCause]},
		{Cause: UnknownCause, Probability: 0.05, Evidence: said, Checks: checks[UnknownCause]},
	}
	return f, len(said) > 0
}

// faultInWords says what is wrong with the latest traces.
func (t *track) faultInWords() string {
	switch q := t.why; {
	case q&NegativeSign != 0:
		return "they have another sign than all before, or show a pressure below nothing"
	case q&Flat != 0:
		return "they do not move"
	case q&MissingStart != 0:
		return "they begin in the middle of the movement"
	case q&ClippedTravel != 0:
		return "they are cut off at the sensor's highest value while the blades move"
	case q&stretched != 0:
		return fmt.Sprintf("they last %.2f times the usual with all their parts alike, while the effort is as ever: the sampling rate is not what it is said to be", math.Exp(float64(t.pace)))
	case q&Clipped != 0:
		return "their peak is cut off at the sensor's highest value, which it was not before"
	case q&Noisy != 0:
		return "noise hides the movement"
	}
	return "no movement is found in them"
}
