package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// day is a day in s, as the yard counts time from its start.
const day = 86400.0

// happening is something that a turnout's life brought about.
type happening struct {
	at    float64 // s of the yard: when the throw was over, the work done
	throw *ingest.Throw
	work  *ingest.Work
}

// odd is a single throw that was unlike others although nothing is wrong.
type odd struct {
	at        float64
	to        ingest.End
	kind      string
	completed bool
}

// life is a turnout through the seasons: it is thrown by the timetable, ages,
// is greased, breaks and is mended. It is not for concurrent use; what it has
// in common with others (weather, mains) it only reads.
type life struct {
	p       *plant
	start   time.Time
	zone    *time.Location
	weather *weather
	mains   *mains
	rng     *rand.Rand
	w       workshop

	perDay float64
	quiet  float64    // share of its traffic that does not run, 0 to 1
	dwell  [2]float64 // s that it lies at an end, mean
	next   float64    // s of the next throw
	lies   ingest.End
	from   float64 // m of the next throw's stroke already done: the last one failed
	rest   float64 // s of the last throw
	tries  int     // attempts still to make at once
	gaps   []float64

	film    float64 // of grease, 1 fresh to 0 used up
	fresh   float64 // 1 just greased, goes as it is worked in
	wander  float64 // slow deviation of friction
	every   float64 // s between rounds of greasing
	round   float64 // s of the next
	habits  habits
	well    float64  // s from which the yard may give it the next fault
	faults  []*fault // in the order of their onsets, one at a time
	done    []*fault
	count   int
	odds    []odd
	chill   float64 // s of the first throw that failed although nothing but the cold is wrong
	counter int
}

// habits are how much things vary at a turnout although nothing is wrong.
type habits struct {
	wander  float64 // deviation of friction over days
	memory  float64 // s of that
	jitter  float64 // deviation of friction from throw to throw
	unlock  float64 // the same of unlocking
	resting float64 // rise of static friction with ln(1 + hours at rest)
	odd     float64 // chance of an odd throw
	rail    float64 // K by which its thermometer is wrong
	poll    float64 // s between looks at the detectors
	shade   float64 // share of the sun's warmth that does not reach it
	records float64 // chance that work is recorded
}

// newLife begins the life of a plant at time 0 of the yard.
func newLife(p *plant, perDay float64, rng *rand.Rand) *life {
	l := &life{
		p: p, rng: rng, perDay: perDay, lies: ingest.Normal, rest: -3600, chill: -1,
		film: rng.Float64(), every: between(rng, 4*7, 10*7) * day,
		habits: habits{
			wander: between(rng, 0.004, 0.025), memory: between(rng, 1, 6) * day,
			jitter: between(rng, 0.003, 0.02), unlock: between(rng, 0.01, 0.05),
			resting: between(rng, 0.005, 0.05), odd: logBetween(rng, 0.001, 0.005),
			rail: 0.8 * rng.NormFloat64(), poll: pick(rng, 0.005, 0.01, 0.02, 0.05),
			shade: rng.Float64(), records: 0.9,
		},
	}
	l.round = rng.Float64() * l.every
	// Most turnouts lie at normal for longer than at reverse.
	cycle := 2 * day / perDay
	share := between(rng, 0.1, 0.5)
	l.dwell = [2]float64{(1 - share) * cycle, share * cycle}
	l.next = l.gap()
	return l
}

// busy is how much of the mean traffic runs at time t: little at night, peaks
// in the morning and the evening, less on Sundays.
func (l *life) busy(t float64) float64 {
	at := l.start.Add(seconds(t))
	h := float64(at.Hour()) + float64(at.Minute())/60
	b := 0.2 + 1.15*smooth(4, 6.5, h)*(1-smooth(20.5, 23.5, h)) + 0.5*hump(6, 9, h) + 0.4*hump(15, 19, h)
	if at.Weekday() == time.Sunday {
		b *= 0.7
	}
	return b
}

// gap draws how long the blades lie where they are.
func (l *life) gap() float64 {
	mean := l.dwell[l.lies-1] / l.busy(l.next) / (1 - l.quiet)
	// A train has to run over it first: 40 s at least.
	return 40 + max(mean-40, 5)*l.rng.ExpFloat64()
}

// until lives on to time t and returns what happened, in the order of time.
func (l *life) until(t float64, dst []happening) []happening {
	for {
		f := l.fault()
		switch {
		case f != nil && f.visit > 0 && f.visit < l.next && f.visit <= t:
			dst = l.mend(f, dst)
		case l.round < l.next && l.round <= t:
			dst = l.grease(dst)
		case l.next <= t:
			dst = l.act(dst)
		default:
			return dst
		}
	}
}

// fault returns the fault that is there or comes next, or nil.
func (l *life) fault() *fault {
	if len(l.faults) == 0 {
		return nil
	}
	f := l.faults[0]
	if f.visit == 0 {
		switch {
		case f.stops < 1:
			f.visit = f.onset + f.stops*f.life
		case f.failed == 0 && l.next > f.onset+1.9*f.life:
			f.visit = l.next // whatever did not fail by then is found by an inspection
		}
	}
	return f
}

// grease is a round of greasing.
func (l *life) grease(dst []happening) []happening {
	at := l.round
	l.round += l.every * between(l.rng, 0.75, 1.3)
	if f := l.fault(); f != nil && f.cause == detect.DrySlideChairs && at > f.onset {
		return dst // chairs run dry where nobody comes
	}
	l.film, l.fresh = 1, 1
	return l.record(at, ingest.Lubricated, "round of greasing", dst)
}

// record notes work, if the gang does.
func (l *life) record(at float64, kind ingest.WorkKind, note string, dst []happening) []happening {
	if l.rng.Float64() >= l.habits.records {
		return dst
	}
	return append(dst, happening{at: at, work: &ingest.Work{
		Turnout: l.p.name, DoneAt: l.time(at), Kind: kind, Note: note,
	}})
}

func (l *life) time(t float64) time.Time { return moment(l.start.Add(seconds(t)), l.zone) }

func seconds(t float64) time.Duration { return time.Duration(t * float64(time.Second)) }

// mend ends a fault. What was mended is never quite what it was before.
func (l *life) mend(f *fault, dst []happening) []happening {
	at := f.visit
	f.mended = at
	l.well = at + 20*day
	l.faults, l.done = l.faults[1:], append(l.done, f)
	if len(l.faults) > 0 {
		l.faults[0].onset = max(l.faults[0].onset, at+15*day)
	}
	rng, t := l.rng, &l.p.track
	near := func(v *float64, by float64) { *v *= 1 + by*rng.NormFloat64() }
	switch f.cause {
	case detect.DrySlideChairs:
		l.film, l.fresh = 1, 1
		near(&t.friction, 0.03)
		l.round = at + l.every*between(rng, 0.75, 1.3)
	case detect.SeizedRoller:
		near(&t.rolling, 0.1)
	case detect.LockAdjustment:
		near(&t.tight[0], 0.1)
		near(&t.tight[1], 0.1)
	case detect.HydraulicLeak:
		near(&l.p.hydraulic.leakage, 0.15)
	case detect.MotorWear:
		m := l.p.motor()
		near(&m.drag, 0.1)
		near(&m.k, 0.01)
		near(&m.resistance, 0.02)
	case detect.MeasurementCause:
		near(&l.p.sensors[0].gain, 0.01)
	case detect.DetectionAdjustment:
		near(&t.toeMakes[0], 0.03)
		near(&t.toeMakes[1], 0.03)
	}
	l.tries, l.from = 0, 0
	// The gang throws it to and fro to see that it is right.
	l.next = at + between(rng, 30, 120)
	l.gaps = l.gaps[:0]
	for range 2 * rng.IntN(3) {
		l.gaps = append(l.gaps, between(rng, 20, 60))
	}
	return l.record(at, f.work, f.mode, dst)
}

// act throws the turnout once.
func (l *life) act(dst []happening) []happening {
	rng, at := l.rng, l.next
	to := ingest.Normal
	if l.lies == ingest.Normal {
		to = ingest.Reverse
	}
	now := l.weather.at(at)
	since := max(at-l.rest, 0)
	l.rest = at

	// Grease is used up by time, throws and rain; dirt comes and goes.
	l.film *= math.Exp(-since / l.every * (1 + 2*now.wet))
	l.fresh *= 0.93
	keep := math.Exp(-since / l.habits.memory)
	l.wander = l.wander*keep + l.habits.wander*math.Sqrt(1-keep*keep)*rng.NormFloat64()

	h := l.p.sound()
	f := l.fault()
	if f != nil && at >= f.onset {
		f.apply(&h, f.size*f.severity(at, rng.Float64()))
		if f.cause == detect.MeasurementCause && f.failed == 0 && at > f.onset+f.life {
			f.failed = at
			f.visit = at + logBetween(rng, 0.1, 3)*day
		}
	} else {
		f = nil
	}
	a := around{
		to:       to,
		rail:     now.rail - l.habits.shade*max(now.rail-now.air, 0),
		air:      now.air,
		wet:      now.wet,
		friction: (1 + l.p.track.ageing*(1-l.film)) * math.Exp(l.wander+l.habits.jitter*rng.NormFloat64()),
		thick:    1 + l.fresh,
		rest:     1 + l.habits.resting*math.Log1p(since/3600), // static friction ages with the logarithm of rest (Dieterich 1972, memory)
		unlock:   math.Exp(l.habits.unlock * rng.NormFloat64()),
		source:   l.mains.at(at) * (1 + 0.002*rng.NormFloat64()),
		pickup:   0.03 + 0.02*rng.Float64(),
		from:     l.from,
		late:     0.004 * rng.ExpFloat64(),
	}
	if rng.Float64() < 0.01 {
		a.pickup += 0.15 * rng.Float64() // a contactor that was slow once
	}
	kind := ""
	if l.from == 0 && rng.Float64() < l.habits.odd {
		kind = l.happen(&a, now)
	}
	r := l.p.throw(&l.w, &h, &a, rng)
	if kind == "glitch" {
		glitch(rng, &r.channels[0])
	}
	if kind != "" {
		l.odds = append(l.odds, odd{at: at, to: to, kind: kind, completed: r.completed})
	}
	dst = append(dst, happening{at: at + r.off + 0.5, throw: l.report(at, to, &r, now)})
	l.count++
	l.after(at, to, f, kind, &r)
	return dst
}

// after settles what comes after a throw: the next one, or another attempt.
func (l *life) after(at float64, to ingest.End, f *fault, kind string, r *result) {
	rng := l.rng
	tried := l.from > 0 || l.tries > 0
	if r.completed {
		l.lies, l.from = to, 0
		if l.tries > 0 {
			// Back where it came from: now once more to where it should go.
			l.tries--
			l.next = at + r.off + between(rng, 20, 90)
			return
		}
		if len(l.gaps) > 0 {
			l.next = at + r.off + l.gaps[0]
			l.gaps = l.gaps[1:]
			return
		}
		l.next = at + r.off + l.gap()
		return
	}
	if f != nil && f.failed == 0 && kind == "" && !tried && f.cause != detect.MeasurementCause {
		f.failed = at
		f.visit = at + logBetween(rng, 0.8, 14)*3600
	}
	if f == nil && kind == "" && !tried {
		l.odds = append(l.odds, odd{at: at, to: to, kind: "failed in this weather", completed: false})
		if l.chill < 0 {
			l.chill = at
		}
	}
	// The blades stand somewhere; they are driven back and once more. lies is
	// the end they are driven from, so it becomes the one they did not reach.
	l.lies = to
	l.from = 0
	if r.arrived == 0 {
		l.from = l.p.track.stroke() - r.reached
	}
	switch {
	case l.tries > 1 || (f != nil && f.retries >= 4):
		// Nobody tries on: it waits for the gang, thrown now and then all the same.
		l.tries = 0
		l.next = at + r.off + logBetween(rng, 600, 3*3600)
	default:
		l.tries++
		if f != nil {
			f.retries++
		}
		l.next = at + r.off + between(rng, 15, 90)
	}
}

// happen draws what is odd about one throw.
func (l *life) happen(a *around, now sky) string {
	rng, t := l.rng, &l.p.track
	place := func(wide float64, from, to float64) (x, y float64) {
		x = between(rng, from, to) * t.opening
		return x, x + wide
	}
	_, peak := t.loads(0.05)
	switch u := rng.Float64(); {
	case u < 0.08:
		// Something in the gap that the first attempt does not crush.
		from, to := place(0.03, 0.5, 0.8)
		a.bumps = append(a.bumps, bump{from, to, 12 * peak})
		return "partial obstruction, gone at the second attempt"
	case now.air < 1 && u < 0.4:
		from, to := place(between(rng, 0.004, 0.012), 0.88, 0.92)
		a.bumps = append(a.bumps, bump{from, to, peak * between(rng, 0.3, 1.2)})
		return "ice crumb"
	case u < 0.7:
		from, to := place(between(rng, 0.005, 0.02), 0.05, 0.9)
		a.bumps = append(a.bumps, bump{from, to, peak * between(rng, 0.3, 1.3)})
		return "pebble"
	case u < 0.85:
		a.source *= between(rng, 0.82, 0.93)
		return "sag of the supply"
	}
	return "glitch"
}

// glitch spoils a few samples, as a disturbed input does.
func glitch(rng *rand.Rand, c *ingest.Channel) {
	n := len(c.Samples)
	at, long := rng.IntN(max(n-8, 1)), 1+rng.IntN(6)
	v := c.Samples[at]
	switch rng.IntN(3) {
	case 0:
		v = -c.Zero / c.Scale
	case 1:
		for _, s := range c.Samples {
			v = max(v, s)
		}
		v *= 1.3
		long = min(long, 2)
	}
	for i := at; i < min(at+long, n); i++ {
		c.Samples[i] = v
	}
}

// report writes the throw as the cabinet tells it.
func (l *life) report(at float64, to ingest.End, r *result, now sky) *ingest.Throw {
	p := l.p
	l.counter++
	t := &ingest.Throw{
		Turnout: p.name, To: to, StartedAt: l.time(at), Completed: r.completed, Channels: r.channels,
	}
	if p.tells.id {
		t.ID = fmt.Sprintf("%s-%07d", p.name, l.counter)
	}
	if p.tells.rail {
		t.RailTemperature = ingest.Known(round(now.rail+l.habits.rail+0.2*l.rng.NormFloat64(), 0.1))
	}
	if p.tells.supply {
		t.Supply = ingest.Known(round(r.supply, 0.1))
	}
	if p.tells.detections {
		for i, place := range r.places {
			s := math.Ceil(r.after[i]/l.habits.poll) * l.habits.poll
			t.Detections = append(t.Detections, ingest.Detection{Place: place, After: time.Duration(math.Round(s*1000)) * time.Millisecond})
		}
	}
	return t
}

func round(v, to float64) float64 { return math.Round(v/to) / math.Round(1/to) }
