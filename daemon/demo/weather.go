package demo

import (
	"math"
	"math/rand/v2"
)

// sky is the weather at a moment.
type sky struct {
	air  float64 // °C
	rail float64 // °C; above the air in the sun, below it on clear nights
	rain float64 // 1 raining, 0 not
	wet  float64 // 0 to 1: how wet the chairs are, dries over hours
}

// snap is a spell of unusual cold over one area.
type snap struct {
	from, to float64 // s of the yard
	depth    float64 // K at its coldest
}

// weather is the weather of one area by the hour. It is drawn further as time
// goes on, in one order, so that a seed always gives the same weather.
type weather struct {
	rng    *rand.Rand
	season float64 // day of the year at which the yard begins
	mean   float64 // °C over a year
	swing  float64 // K of the season
	front  float64 // K of the passing weather, in memory over days
	cloud  float64 // 0 clear to 1 overcast, in memory over hours
	raining,
	wet float64
	snaps []snap
	first int // hour of the yard of the first of hours
	hours []sky
}

func newWeather(rng *rand.Rand, dayOfYear float64) *weather {
	return &weather{rng: rng, season: dayOfYear, mean: between(rng, 6, 14), swing: between(rng, 7, 12), cloud: 0.5}
}

// extend draws the weather up to and beyond time t (s of the yard).
func (w *weather) extend(t float64) {
	for n := w.first + len(w.hours); float64(n)*3600 <= t+7200; n++ {
		day := float64(n) / 24
		hour := float64(n % 24)
		w.front += -w.front/60 + 0.75*w.rng.NormFloat64() // settles within 60 h, deviates by 4 K
		w.cloud = min(max(w.cloud+0.06*(0.5-w.cloud)+0.13*w.rng.NormFloat64(), 0), 1)
		if w.raining > 0 {
			w.raining--
		} else if w.cloud > 0.6 && w.rng.Float64() < 0.06 {
			w.raining = math.Ceil(logBetween(w.rng, 1, 24))
		}
		rain := 0.0
		if w.raining > 0 {
			rain, w.cloud = 1, max(w.cloud, 0.8)
			w.wet = min(w.wet+0.5, 1)
		} else {
			w.wet *= 0.72 + 0.2*w.cloud
		}
		// Coldest about 20 January and 4 in the morning.
		year := -math.Cos(2 * math.Pi * (w.season + day - 20) / 365.25)
		daily := -math.Cos(2 * math.Pi * (hour - 4) / 24)
		air := w.mean + w.swing*year + w.front + (5.5-3.5*w.cloud)*daily
		for _, s := range w.snaps {
			u := float64(n) * 3600
			air -= s.depth * smooth(s.from, s.from+30*3600, u) * (1 - smooth(s.to-30*3600, s.to, u))
		}
		light := max(math.Sin(math.Pi*(hour-6)/13), 0)
		if hour < 6 || hour > 19 {
			light = 0
		}
		sun := light * (1 - 0.85*w.cloud) * (16 + 7*year) // up to 23 K in summer
		night := 0.0
		if light == 0 {
			night = 2 * (1 - w.cloud)
		}
		w.hours = append(w.hours, sky{air: air, rail: air + sun - night, rain: rain, wet: w.wet})
	}
}

// at returns the weather at t, which must lie within what is drawn.
func (w *weather) at(t float64) sky {
	p := t / 3600
	i := int(p) - w.first
	f := p - math.Floor(p)
	a, b := w.hours[i], w.hours[i+1]
	return sky{air: a.air + f*(b.air-a.air), rail: a.rail + f*(b.rail-a.rail), rain: a.rain, wet: a.wet + f*(b.wet-a.wet)}
}

// mains is a cabinet's supply by the hour, as a share of nominal: it wanders a
// little, sags under load at busy hours, and falls to the battery now and then.
type mains struct {
	rng     *rand.Rand
	wander  float64
	sags    float64 // share lost at busy hours
	battery float64 // hours left on the battery
	first   int     // hour of the yard of the first of hours
	hours   []float64
}

func newMains(rng *rand.Rand) *mains {
	return &mains{rng: rng, sags: between(rng, 0, 0.015)}
}

func (m *mains) extend(t float64) {
	for n := m.first + len(m.hours); float64(n)*3600 <= t+7200; n++ {
		m.wander += -m.wander/12 + 0.002*m.rng.NormFloat64()
		busy := hump(5, 21, float64(n%24))
		v := 1 + m.wander - m.sags*busy
		if m.battery > 0 {
			m.battery--
			v -= 0.05
		} else if m.rng.Float64() < 1.0/24/50 {
			m.battery = math.Ceil(logBetween(m.rng, 1, 6))
		}
		m.hours = append(m.hours, v)
	}
}

func (m *mains) at(t float64) float64 { return m.hours[int(t/3600)-m.first] }

// forget drops the hours before t.
func (m *mains) forget(t float64) { forget(&m.hours, &m.first, t) }

// forget drops the hours before t.
func (w *weather) forget(t float64) { forget(&w.hours, &w.first, t) }

func forget[T any](hours *[]T, first *int, t float64) {
	if n := min(int(t/3600)-*first, len(*hours)); n > 1000 {
		*hours = append([]T(nil), (*hours)[n:]...)
		*first += n
	}
}
