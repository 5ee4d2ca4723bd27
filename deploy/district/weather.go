package main

import (
	"fmt"
	"math"
)

// weather of one area, by the hour. Cold snaps, the hot spell and the fronts
// are the region's; height, cloud and showers the area's own.
type weather struct {
	air, rail []float64
	wet       []float64 // 0 dry to 1
	rain      []bool
}

// spell changes something by an amount for a while.
type spell struct{ from, to, by float64 }

// at is a spell that comes and goes over a day and a half.
func (s spell) at(t float64) float64 {
	return s.by * ramp(t, s.from-0.7, s.from+0.7) * (1 - ramp(t, s.to-0.7, s.to+0.7))
}

// region is what areas have in common.
type region struct {
	spells    []spell
	front     []float64 // warm and cold air, in kelvin
	low       []float64 // how unsettled it is
	mean, amp float64   // of the year
	first     int       // day of the year on which the recording begins
}

// newWeather draws the weather of some areas.
func newWeather(seed uint64, areas, days, first int) (out []*weather) {
	r := stream(seed, "weather")
	g := region{first: first}
	for range 1 + r.IntN(3) {
		a := r.u(0.08, 0.9) * float64(days)
		g.spells = append(g.spells, spell{a, a + r.u(3, 8), -r.u(6, 13)})
	}
	a := r.u(0.1, 0.85) * float64(days)
	g.spells = append(g.spells, spell{a, a + r.u(4, 9), r.u(6, 11)})
	hours := (days + 3) * 24 // what comes late looks past the end
	x, y := r.n(0, 2.5), r.n(0, 1)
	for range hours {
		k := math.Exp(-1.0 / (24 * 3.2))
		x = k*x + math.Sqrt(1-k*k)*r.n(0, 2.8)
		k = math.Exp(-1.0 / (24 * 2.3))
		y = k*y + math.Sqrt(1-k*k)*r.n(0, 1)
		g.front, g.low = append(g.front, x), append(g.low, y)
	}
	g.mean, g.amp = r.u(7.5, 11), r.u(7.5, 10.5)
	for i := range areas {
		out = append(out, g.area(stream(seed, fmt.Sprint("weather", i)), hours))
	}
	return out
}

func (g *region) area(r random, hours int) *weather {
	w := &weather{make([]float64, hours), make([]float64, hours), make([]float64, hours), make([]bool, hours)}
	height, own, ownCloud := r.n(0, 1.2), 0.0, 0.0
	wet, raining := 0.0, false
	swing := r.u(3, 5.5)
	for h := range hours {
		t := float64(h) / 24
		hour := math.Mod(float64(h), 24)
		own = 0.985*own + r.n(0, 0.13)
		ownCloud = 0.97*ownCloud + r.n(0, 0.12)
		cloud := clamp(0.5+0.35*g.low[h]+ownCloud, 0, 1)
		season := -math.Cos(2 * math.Pi * (float64(g.first) + t - 20) / 365)
		air := g.mean + g.amp*season + g.front[h] + height + own + swing*(1.15-0.8*cloud)*math.Cos(2*math.Pi*(hour-15)/24)
		for _, s := range g.spells {
			air += s.at(t)
		}
		p := 0.0
		if cloud > 0.55 {
			p = 0.25 * (cloud - 0.5)
		}
		if raining {
			raining = r.p(0.78)
		} else {
			raining = r.p(p)
		}
		if raining {
			wet = min(1, wet+0.45)
		} else {
			dry := 0.08 + 0.012*max(0, air)
			wet *= 1 - clamp(dry, 0.04, 0.4)
		}
		if hour < 7 && cloud < 0.35 && !raining { // dew
			wet = max(wet, 0.25)
		}
		day := max(0, math.Sin(math.Pi*(hour-6+2*season*-1)/(12+4*season)))
		if hour < 4 || hour > 21 {
			day = 0
		}
		sun := day * (1 - 0.85*cloud) * (10 + 8*season)
		rail := air + sun
		if day == 0 {
			rail -= 2 * (1 - cloud) // a clear night draws heat from the rail
		}
		w.air[h], w.rail[h], w.wet[h], w.rain[h] = air, rail, wet, raining
	}
	return w
}
