// Package demo is the invented yard: turnouts simulated from physics, weather,
// ageing, greasing and faults, as a live yard over MQTT ([Yard]) and as
// recordings with the truth beside them ([Record]).
//
// A throw is integrated in steps of 1 ms: motor with back-EMF, gear and clutch
// (electric.go, motor.go) or motor, pump, oil and ram (hydraulic.go) against the
// load along the stroke (stroke.go: locks, bending rails, slide chairs with
// falling friction, rollers, closing blade, back rod), seen through filters,
// converters and sensors that are never quite right (recorder.go, sensor.go).
// A turnout lives by a timetable, in a weather, under a mains of its own
// (life.go, weather.go). A fault changes one physical quantity of it, see
// [health]; what that does to a trace, and when the turnout at last fails to
// throw, is left to the physics.
//
// Everything is drawn from a seed. Seeds from 1000 on are kept for reports:
// what is developed or tuned must not look at them.
//
// All names are invented.
package demo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"throwline/ingest"
)

// areas are the yard's invented areas.
var areas = [...]string{"ORR", "VAND", "KESP", "MURL", "TOLB"}

// perCabinet is how many turnouts a cabinet looks after in a drawn fleet.
const perCabinet = 8

// site is a cabinet: its weather, its mains, and how it reports.
type site struct {
	name    string
	area    int
	zone    *time.Location
	mains   *mains
	numbers bool // its throws are numbered
	reports struct{ any, rail, air, supply, rain bool }
	clock   float64 // s by which its hourly report is late
	rng     *rand.Rand
}

// world is a fleet and what surrounds it.
type world struct {
	start   time.Time
	weather []*weather
	sites   []*site
	lives   []*life
}

// source returns one of the seed's independent streams of numbers.
func source(seed, stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(seed, 0x7461626c65<<20|stream))
}

// Streams of numbers of one seed, so that drawing more of one thing changes no other.
const (
	streamWorld = iota << 16
	streamWeather
	streamSite
	streamPlant
	streamLife
	streamFault
	streamRecord
)

// newWorld lays out areas and cabinets for a fleet.
func newWorld(seed uint64, start time.Time, cabinets, nAreas int) *world {
	w := &world{start: start}
	rng := source(seed, streamWorld)
	for a := range nAreas {
		w.weather = append(w.weather, newWeather(source(seed, streamWeather+uint64(a)), float64(start.YearDay())))
	}
	zones := []*time.Location{time.UTC, time.FixedZone("", 3600), time.FixedZone("", 2*3600)}
	for c := range cabinets {
		area := c % nAreas
		s := &site{
			name: fmt.Sprintf("%s-C%d", areas[area], c/nAreas+1), area: area,
			zone: pick(rng, zones...), numbers: rng.Float64() < 0.8, clock: between(rng, 0, 60),
			mains: newMains(source(seed, streamSite+uint64(2*c))), rng: source(seed, streamSite+uint64(2*c+1)),
		}
		if rng.Float64() < 0.7 {
			s.reports.any = true
			s.reports.rail, s.reports.air = rng.Float64() < 0.8, rng.Float64() < 0.7
			s.reports.supply, s.reports.rain = rng.Float64() < 0.4, rng.Float64() < 0.5
		}
		w.sites = append(w.sites, s)
	}
	return w
}

// add puts a turnout into the world.
func (w *world) add(l *life) {
	s := w.sites[l.p.cabinet]
	l.start, l.zone, l.weather, l.mains = w.start, s.zone, w.weather[s.area], s.mains
	w.lives = append(w.lives, l)
}

// extend draws weather and mains up to t.
func (w *world) extend(t float64) {
	for _, x := range w.weather {
		x.extend(t)
	}
	for _, s := range w.sites {
		s.mains.extend(t)
	}
}

// until lives on to t, turnouts side by side, and returns what happened to
// each; dst is reused. What is returned does not depend on the number of
// processors.
func (w *world) until(ctx context.Context, t float64, dst [][]happening) ([][]happening, error) {
	w.extend(t)
	if dst == nil {
		dst = make([][]happening, len(w.lives))
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, l := range w.lives {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			dst[i] = l.until(t, dst[i][:0])
			return nil
		})
	}
	return dst, g.Wait()
}

// conditions is what a cabinet reports of its surroundings at t.
func (w *world) conditions(s *site, t float64) ingest.Conditions {
	now := w.weather[s.area].at(t)
	c := ingest.Conditions{Cabinet: s.name, At: moment(w.start.Add(seconds(t)), s.zone)}
	if s.reports.rail {
		c.RailTemperature = ingest.Known(round(now.rail+0.3*s.rng.NormFloat64(), 0.1))
	}
	if s.reports.air {
		c.AirTemperature = ingest.Known(round(now.air+0.2*s.rng.NormFloat64(), 0.1))
	}
	if s.reports.supply {
		c.Supply = ingest.Known(round(230*s.mains.at(t)+0.5*s.rng.NormFloat64(), 0.1))
	}
	if s.reports.rain {
		c.Rain = ingest.Known(now.rain)
	}
	return c
}
