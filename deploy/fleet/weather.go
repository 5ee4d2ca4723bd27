package main

import (
	"math"
	"math/rand/v2"
	"time"
)

const day = 24 * time.Hour

// start of every recording.
var start = time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC)

// days from the start of the recording to t.
func days(t time.Time) float64 { return t.Sub(start).Hours() / 24 }

// at is the time d days after the start of the recording, to the second.
func at(d float64) time.Time { return start.Add(time.Duration(d * 86400e9)).Truncate(time.Second) }

func uni(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }
func chance(r *rand.Rand, p float64) bool    { return r.Float64() < p }
func clamp(x, a, b float64) float64          { return math.Max(a, math.Min(b, x)) }
func pick[T any](r *rand.Rand, v ...T) T     { return v[r.IntN(len(v))] }

// smooth goes from 0 to 1 as x does, with level ends.
func smooth(x float64) float64 { x = clamp(x, 0, 1); return x * x * (3 - 2*x) }

// weather is felt by the whole fleet; one value an hour.
type weather struct {
	air  []float64 // degrees Celsius
	sun  []float64 // what the sun adds to the rail, in kelvin
	wet  []float64 // how wet the chairs are, 0 to 1
	rain []bool
	snap float64 // the day on which about a week of cold begins
}

// newWeather makes n days of weather and two more: winter turns to summer,
// fronts pass, clouds decide over the day's swing, and rain comes from clouds.
func newWeather(r *rand.Rand, n int) *weather {
	w := &weather{}
	base, swing := uni(r, -1, 4), uni(r, 14, 19)
	front, cloud, wet := 0.0, 0.5, 0.0
	w.snap = uni(r, 12, 50)
	snapLen, snapDeep := uni(r, 6, 8.5), uni(r, 9, 14)
	rainLeft := 0
	for h := 0; h < n*24+48; h++ {
		d := float64(h) / 24
		front += -front/70 + 0.55*r.NormFloat64()
		cloud = clamp(cloud+(0.5-cloud)/20+0.13*r.NormFloat64(), 0, 1)
		if rainLeft == 0 && chance(r, 0.006+0.03*cloud*cloud) {
			rainLeft = 1 + r.IntN(10)
		}
		raining := rainLeft > 0
		if raining {
			rainLeft--
			cloud = math.Max(cloud, 0.7)
			wet += (1 - wet) * 0.6
		} else {
			wet *= 0.72
		}
		season := base + swing*(1-math.Cos(2*math.Pi*(d-5)/365))/2
		daily := (1.5 + 5*(1-cloud)) * math.Sin(2*math.Pi*(float64(h%24)-9)/24)
		cold := snapDeep * smooth((d-w.snap)/1.2) * smooth((w.snap+snapLen-d)/1.5)
		w.air = append(w.air, season+front+daily-cold)
		w.sun = append(w.sun, (1-cloud)*math.Max(0, math.Sin(2*math.Pi*(float64(h%24)-6)/24))*(5+10*smooth(d/140)))
		w.wet, w.rain = append(w.wet, wet), append(w.rain, raining)
	}
	return w
}

// between reads an hourly series on day d, in a straight line from hour to hour.
func between(v []float64, d float64) float64 {
	h := clamp(d*24, 0, float64(len(v)-2))
	i := int(h)
	return v[i] + (v[i+1]-v[i])*(h-float64(i))
}
