package detect

import (
	"math"
	"time"

	"throwline/ingest"
)

// Weather is what is known of the surroundings of throws that do not tell it
// themselves: what their own cabinet last told, else what all tell. It is plain
// state, stepped in the order of arrival. The zero Weather knows nothing.
type Weather struct {
	all    sky
	places map[string]sky
}

// sky is the weather at one place.
type sky struct{ temperature, rain, supply spot }

// spot is a running mean over about an hour.
type spot struct {
	value float64
	at    time.Time
}

// How old a telling may be to be of use, and over how long tellings are averaged.
const (
	skyOld  = 3 * time.Hour
	skyMean = time.Hour
)

func (s *spot) take(at time.Time, r ingest.Reading) {
	if !r.Known || at.Before(s.at.Add(-skyOld)) {
		return
	}
	age := at.Sub(s.at)
	switch {
	case s.at.IsZero() || age > skyOld:
		s.value = r.Value
	default:
		// Many tellings an hour count less each.
		w := 1 - math.Exp(-max(age.Seconds(), 60)/skyMean.Seconds())
		s.value += w * (r.Value - s.value)
	}
	if at.After(s.at) {
		s.at = at
	}
}

func (s *spot) tell(at time.Time) ingest.Reading {
	if s.at.IsZero() || at.Sub(s.at).Abs() > skyOld {
		return ingest.Reading{}
	}
	return ingest.Known(s.value)
}

func (w *Weather) take(cabinet string, at time.Time, temperature, rain, supply ingest.Reading) {
	step := func(s sky) sky {
		s.temperature.take(at, temperature)
		s.rain.take(at, rain)
		s.supply.take(at, supply)
		return s
	}
	w.all = step(w.all)
	if cabinet == "" {
		return
	}
	if w.places == nil {
		w.places = map[string]sky{}
	}
	w.places[cabinet] = step(w.places[cabinet])
}

// Conditions takes what a cabinet tells.
func (w *Weather) Conditions(c *ingest.Conditions) {
	t := c.RailTemperature
	if !t.Known {
		t = c.AirTemperature
	}
	w.take(c.Cabinet, c.At, t, c.Rain, c.Supply)
}

// Fill gives the observation the rail temperature and rain that it lacks, and
// takes what it tells by itself. The supply of a cabinet is not that of a drive
// far down a cable: only a throw's own cabinet's is used, never the mean of all.
func (w *Weather) Fill(o *Observation, cabinet string) {
	if o.RailTemperature.Known {
		w.take(cabinet, o.StartedAt, o.RailTemperature, ingest.Reading{}, ingest.Reading{})
	}
	here, known := w.places[cabinet]
	if known {
		o.RailTemperature = o.RailTemperature.Or(here.temperature.tell(o.StartedAt))
		o.Rain = o.Rain.Or(here.rain.tell(o.StartedAt))
		o.Supply = o.Supply.Or(here.supply.tell(o.StartedAt))
	}
	o.RailTemperature = o.RailTemperature.Or(w.all.temperature.tell(o.StartedAt))
	o.Rain = o.Rain.Or(w.all.rain.tell(o.StartedAt))
}
