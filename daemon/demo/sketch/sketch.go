// Package sketch draws a second invented fleet that shares no physics with the
// yard: its traces are sketched from levels and shapes, not integrated from
// equations, its noise has heavy tails and memory from day to day. What
// detection achieves on one must hold on the other.
package sketch

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"throwline/daemon/score"
	"throwline/ingest"
)

// Options of a fleet. Seeds from 1000 on are kept for reports.
type Options struct {
	Seed     uint64
	Turnouts int
	Days     int
	Start    time.Time
	Faults   float64 // share of turnouts with a fault
}

// Fleet is a drawn fleet.
type Fleet struct {
	Truth    score.Truth
	turnouts []*turnout
	weather  *weather
	o        Options
}

// weather of the whole fleet, by the hour.
type weather struct{ temp, rain []float64 }

type turnout struct {
	name     string
	rng      *rand.Rand
	quantity ingest.Quantity
	unit     ingest.Unit
	rate     float64
	perDay   float64
	base     float64 // travel level
	idle     float64
	inrush   float64 // share of base
	unlock   float64
	lock     [2]float64 // by end
	slope    [2]float64
	wave     [2][4]float64
	length   [2]float64 // s
	noise    float64
	single   float64 // deviation of a throw
	daily    float64 // deviation of a day
	memory   float64
	cold     float64 // effort a kelvin
	coldTime float64
	wet      float64
	volts    float64
	tells    struct{ temp, supply, detect bool }
	lube     float64 // days between rounds
	ageing   float64 // rise between rounds
	counts   float64 // quantum
	glitch   float64
	lead     float64
	tail     float64

	fault   *score.Fault
	power   float64 // exponent of growth
	size    float64
	place   float64
	side    int
	coupled float64
}

var causes = []string{"dry-slide-chairs", "seized-roller", "obstruction", "lock-adjustment", "back-drive", "hydraulic-leak", "motor-wear", "supply-voltage", "measurement", "detection-adjustment"}

// New draws a fleet.
func New(o Options) *Fleet {
	f := &Fleet{o: o}
	rng := rand.New(rand.NewPCG(o.Seed, 77))
	f.Truth = score.Truth{Start: o.Start, End: o.Start.AddDate(0, 0, o.Days), Turnouts: map[string]string{}}
	w := &weather{}
	mean, front, wet := 5+10*rng.Float64(), 0.0, 0.0
	phase := 2 * math.Pi * rng.Float64()
	for h := range o.Days*24 + 48 {
		day := float64(h) / 24
		if h%6 == 0 {
			front += -0.06*front + 1.2*rng.NormFloat64()
			if rng.Float64() < 0.03 {
				wet = 6 + 20*rng.Float64()
			}
		}
		wet = math.Max(wet-1, 0)
		t := mean + 9*math.Sin(2*math.Pi*day/365+phase) + front + (5-3*math.Min(wet, 1))*math.Sin(2*math.Pi*(day-0.4))
		w.temp = append(w.temp, t)
		w.rain = append(w.rain, math.Min(wet, 1))
	}
	f.weather = w
	for i := range o.Turnouts {
		t := draw(rand.New(rand.NewPCG(o.Seed, uint64(1000+i))), fmt.Sprintf("SK-%03d", i+1))
		kind := "electric"
		if t.quantity == ingest.HydraulicPressure {
			kind = "hydraulic"
		}
		f.Truth.Turnouts[t.name] = kind
		if t.rng.Float64() < o.Faults {
			t.breakDown(o, kind)
			f.Truth.Faults = append(f.Truth.Faults, *t.fault)
		}
		f.turnouts = append(f.turnouts, t)
	}
	return f
}

func between(r *rand.Rand, a, b float64) float64    { return a + (b-a)*r.Float64() }
func logBetween(r *rand.Rand, a, b float64) float64 { return a * math.Pow(b/a, r.Float64()) }

func draw(r *rand.Rand, name string) *turnout {
	t := &turnout{name: name, rng: r}
	switch x := r.Float64(); {
	case x < 0.4:
		t.quantity, t.unit, t.base = ingest.MotorCurrent, ingest.Ampere, between(r, 1.2, 5)
		t.inrush = between(r, 2, 6)
		t.counts = 0.01
	case x < 0.65:
		t.quantity, t.unit, t.base = ingest.MotorPower, ingest.Watt, between(r, 300, 1500)
		t.inrush = between(r, 2, 5)
		t.counts = 1
	default:
		t.quantity, t.unit, t.base = ingest.HydraulicPressure, ingest.Bar, between(r, 20, 60)
		t.counts = 0.1
		t.idle = between(r, 0.5, 4)
	}
	t.rate = []float64{25, 40, 50, 100}[r.IntN(4)]
	t.perDay = logBetween(r, 4, 150)
	t.unlock = between(r, 1, 1.7)
	l := between(r, 2, 7)
	for e := range 2 {
		t.lock[e] = between(r, 1, 2)
		t.slope[e] = between(r, -0.2, 0.3)
		t.length[e] = l * between(r, 0.93, 1.07)
		for k := range t.wave[e] {
			t.wave[e][k] = 0.06 * r.NormFloat64()
		}
	}
	t.noise = logBetween(r, 0.003, 0.03)
	t.single = logBetween(r, 0.006, 0.03)
	t.daily = logBetween(r, 0.003, 0.02)
	t.memory = between(r, 0.3, 0.9)
	t.cold = -between(r, 0.0005, 0.005)
	t.coldTime = t.cold * between(r, 0.05, 0.4)
	t.wet = -between(r, 0, 0.06)
	t.volts = []float64{110, 120, 136, 230}[r.IntN(4)]
	t.tells.temp, t.tells.supply, t.tells.detect = r.Float64() < 0.6, r.Float64() < 0.4, r.Float64() < 0.5
	t.lube = between(r, 25, 70)
	t.ageing = between(r, 0.02, 0.14)
	t.glitch = logBetween(r, 0.0003, 0.004)
	t.lead, t.tail = between(r, 0, 0.3), between(r, 0.1, 0.6)
	return t
}

func (t *turnout) breakDown(o Options, kind string) {
	r := t.rng
	c := causes[r.IntN(len(causes))]
	for c == "hydraulic-leak" && kind != "hydraulic" || c == "detection-adjustment" && !t.tells.detect {
		c = causes[r.IntN(len(causes))]
	}
	on := between(r, 0.2, 0.75) * float64(o.Days)
	span := logBetween(r, 5, 40)
	at := func(d float64) time.Time {
		return o.Start.Add(time.Duration(d * 24 * float64(time.Hour))).Truncate(time.Second)
	}
	f := &score.Fault{Turnout: t.name, Cause: c, Onset: at(on)}
	if on+span < float64(o.Days) {
		f.Failure = at(on + span)
		if rep := on + span + between(r, 0.1, 1.2); rep < float64(o.Days) {
			f.Repaired = at(rep)
		}
	}
	t.fault = f
	t.power = between(r, 0.8, 2)
	t.size = between(r, 0.4, 1.2)
	t.place = between(r, 0.15, 0.85)
	t.side = r.IntN(2)
	t.coupled = between(r, 0, 0.5)
}

// Run gives every arrival in the order of its time.
func (f *Fleet) Run(give func(ingest.Arrival)) {
	type stream struct {
		head ingest.Arrival
		next func() (ingest.Arrival, bool)
	}
	var streams []*stream
	for _, t := range f.turnouts {
		next, stop := iter.Pull(func(yield func(ingest.Arrival) bool) { f.life(t, func(a ingest.Arrival) { yield(a) }) })
		defer stop()
		if head, ok := next(); ok {
			streams = append(streams, &stream{head, next})
		}
	}
	for len(streams) > 0 {
		first := 0
		for i, s := range streams {
			if s.head.At.Before(streams[first].head.At) {
				first = i
			}
		}
		s := streams[first]
		give(s.head)
		var ok bool
		if s.head, ok = s.next(); !ok {
			streams = slices.Delete(streams, first, first+1)
		}
	}
}

func (f *Fleet) life(t *turnout, give func(ingest.Arrival)) {
	r := t.rng
	start, end := f.o.Start, f.Truth.End
	day := -1
	level, lubed, next := 0.0, 0.0, t.lube*r.Float64()
	to := ingest.Normal
	pace := 86400 / t.perDay
	for at := start; ; {
		at = at.Add(time.Duration(pace * (0.3 + 1.4*r.Float64()) * float64(time.Second))).Truncate(time.Millisecond)
		if !at.Before(end) {
			return
		}
		d := at.Sub(start).Hours() / 24
		if int(d) != day {
			day = int(d)
			level = t.memory*level + math.Sqrt(1-t.memory*t.memory)*t.daily*r.NormFloat64()
		}
		if d > next {
			lubed, next = d, d+t.lube*between(r, 0.8, 1.2)
			give(ingest.Arrival{At: at, Work: &ingest.Work{Turnout: t.name, DoneAt: at.Add(-10 * time.Minute), Kind: ingest.Lubricated}})
		}
		if t.fault != nil && !t.fault.Repaired.IsZero() && at.After(t.fault.Repaired) && at.Add(-time.Duration(2*pace)*time.Second).Before(t.fault.Repaired) {
			give(ingest.Arrival{At: at, Work: &ingest.Work{Turnout: t.name, DoneAt: t.fault.Repaired, Kind: ingest.Repaired}})
			t.fault.Onset = f.Truth.End.AddDate(1, 0, 0)
		}
		to = 3 - to
		th := f.throw(t, at, to, level+t.ageing*(1-math.Exp(-(d-lubed)/t.lube*1.5))/0.78)
		give(ingest.Arrival{At: at.Add(10 * time.Second), Throw: th})
	}
}

func (f *Fleet) throw(t *turnout, at time.Time, to ingest.End, level float64) *ingest.Throw {
	r := t.rng
	h := at.Sub(f.o.Start).Hours()
	i := min(int(h), len(f.weather.temp)-2)
	temp := f.weather.temp[i] + (h-float64(i))*(f.weather.temp[i+1]-f.weather.temp[i])
	rain := f.weather.rain[i]
	e := int(to) - 1
	g := 0.0
	failed := false
	cause := ""
	if t.fault != nil && at.After(t.fault.Onset) {
		end := t.fault.Failure
		if end.IsZero() {
			end = t.fault.Onset.AddDate(0, 0, 40)
		}
		share := math.Min(at.Sub(t.fault.Onset).Hours()/end.Sub(t.fault.Onset).Hours(), 1.1)
		g = t.size * math.Pow(share, t.power)
		cause = t.fault.Cause
		failed = share >= 1 && r.Float64() < 0.7
	}
	tail := r.NormFloat64()
	if r.Float64() < 0.05 {
		tail *= 2.5
	}
	effort := 1 + level + t.cold*(temp-15) + t.wet*rain + t.single*tail
	length := t.length[e] * (1 + t.coldTime*(temp-15) + 0.2*level + 0.3*t.single*r.NormFloat64() + 0.1*t.single*tail)
	unlock, lock, inrush := t.unlock, t.lock[e], t.inrush
	bumpAt, bump := t.place, 0.0
	rear := 0.0
	gain, zero := 1.0, 0.0
	lag := 0.08
	volts := t.volts * (1 + 0.008*r.NormFloat64())
	noise := t.noise
	hydraulic := t.quantity == ingest.HydraulicPressure
	switch cause {
	case "dry-slide-chairs":
		effort += g
		length *= 1 + 0.12*g
	case "seized-roller":
		bump = 1.1 * g
		effort += 0.12 * g
		length *= 1 + 0.05*g
		if e == 1 {
			bumpAt = 1 - bumpAt
		}
	case "obstruction":
		if e == t.side {
			bumpAt, bump = 0.6+0.4*t.place, 1.3*g
			length *= 1 + 0.2*g
		}
	case "lock-adjustment":
		x := g
		if e != t.side {
			x = g * t.coupled
			unlock *= 1 + 0.4*g
		}
		lock *= 1 + 1.2*x
		length *= 1 + 0.12*x
	case "back-drive":
		rear = g
		length *= 1 + 0.15*g
	case "hydraulic-leak":
		length *= 1 + 0.7*g
		effort -= 0.03 * g
	case "motor-wear":
		length *= 1 + 0.5*g
		if hydraulic {
			noise *= 1 + g
		} else {
			inrush *= 1 - 0.25*g
			effort += 0.12 * g
			noise *= 1 + 1.5*g
		}
	case "supply-voltage":
		volts *= 1 - 0.3*g
		length *= 1 + 0.35*g
		inrush *= 1 - 0.3*g
		if t.quantity == ingest.MotorPower {
			effort *= 1 - 0.15*g
		}
	case "measurement":
		gain = 1 + 0.6*g
		if t.side == 1 {
			gain = 1 + 0.1*g
			zero = 0.3 * g
		}
	case "detection-adjustment":
		lag += 0.8 * g
	}
	odd := r.Float64() < t.glitch
	oddAt, oddSize := r.Float64(), between(r, 0.3, 1.5)
	n := int((t.lead + length*1.0 + t.tail) * t.rate)
	if failed && cause != "measurement" && cause != "detection-adjustment" {
		n = int((t.lead + 9) * t.rate)
	}
	v := make([]float64, 0, n)
	for k := range n {
		s := float64(k)/t.rate - t.lead
		x := s / length
		y := t.idle
		switch {
		case s < 0:
		case x <= 1 || failed && n == int((t.lead+9)*t.rate) && s < 8.5:
			p := effort * (1 + t.slope[e]*(x-0.5))
			for m, a := range t.wave[e] {
				p += a * math.Sin(math.Pi*float64(m+2)*x)
			}
			if x > 0.6 {
				p += rear * math.Min((x-0.6)/0.15, 1)
			}
			if bump > 0 {
				w := (x - bumpAt) / 0.06
				p += bump * math.Exp(-0.5*w*w)
			}
			if odd {
				w := (x - oddAt) / 0.05
				p += oddSize * math.Exp(-0.5*w*w)
			}
			if x < 0.14 {
				p *= unlock
			}
			if x > 0.86 {
				p *= lock
			}
			if x > 1 {
				p = 2.5
			}
			y = t.idle + t.base*p
			if hydraulic {
				y = t.idle + t.base*p*math.Min(s/0.15, 1)
			} else {
				y += t.base * inrush * math.Exp(-s/0.06)
			}
		default:
			y = t.idle
			if hydraulic {
				y += t.base * math.Exp(-(s-length)/0.1)
			}
		}
		y = gain*y + zero*t.base + noise*t.base*r.NormFloat64()
		v = append(v, math.Round(y/t.counts))
	}
	th := &ingest.Throw{Turnout: t.name, To: to, StartedAt: at, Completed: !(failed && cause != "measurement"), ID: fmt.Sprintf("t%d", at.UnixMilli())}
	th.Channels = []ingest.Channel{{Drive: "main", Quantity: t.quantity, Unit: t.unit, SampleRate: t.rate, Offset: -t.lead, Scale: t.counts, Samples: v}}
	if t.tells.temp {
		th.RailTemperature = ingest.Known(math.Round(temp*10) / 10)
	}
	if t.tells.supply {
		th.Supply = ingest.Known(math.Round(volts*10) / 10)
	}
	if t.tells.detect && th.Completed {
		toe := length + lag*(1+0.1*r.NormFloat64())
		th.Detections = []ingest.Detection{{Place: "toe", After: time.Duration(toe * float64(time.Second))}}
	}
	return th
}
