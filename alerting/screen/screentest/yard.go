package main

import (
	"context"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/alerting/screen"
	"throwline/detect"
	"throwline/ingest"
)

// yard is the archive and the yard in one.
type yard struct {
	hub *screen.Hub
	rng *rand.Rand

	mu       sync.Mutex
	points   []*point
	states   map[string]*detect.State
	open     map[string][]alerting.Alert
	alerts   map[string]alerting.Alert
	records  map[string][]detect.Record // by turnout, oldest first
	throws   map[string]*ingest.Throw   // by key
	work     map[string][]ingest.Work
	aside    []ingest.SetAside
	cabinets []ingest.CabinetState
}

// point draws the traces of one turnout.
type point struct {
	name, cabinet string
	quantity      ingest.Quantity
	drives        []string
	level, time   float64 // of the travel, and s of the whole
	throws        int
	fault         string
	n             int // throws so far
	next          ingest.End
}

func newYard(now time.Time, hub *screen.Hub) *yard {
	y := &yard{
		hub: hub, rng: rand.New(rand.NewPCG(1, 2)), states: map[string]*detect.State{}, open: map[string][]alerting.Alert{},
		alerts: map[string]alerting.Alert{}, records: map[string][]detect.Record{}, throws: map[string]*ingest.Throw{}, work: map[string][]ingest.Work{},
	}
	faults := []string{"", "stiff", "", "slow", "", "", "incomplete", "", "weather", "", "", "new"}
	for i, fault := range faults {
		p := &point{
			name: fmt.Sprintf("W%02d", i+1), cabinet: fmt.Sprintf("cab-%d", i/4+1), quantity: ingest.MotorCurrent, drives: []string{"main"},
			level: 2.2 + y.rng.Float64(), time: 3.5 + y.rng.Float64(), throws: 400, fault: fault, next: ingest.Normal,
		}
		switch {
		case i%4 == 2:
			p.quantity, p.level, p.time = ingest.HydraulicPressure, 42+8*y.rng.Float64(), 5+y.rng.Float64()
		case i%4 == 3:
			p.quantity, p.level = ingest.MotorPower, 380+60*y.rng.Float64()
		}
		if i == 1 || i == 5 {
			p.drives = append(p.drives, "back")
		}
		if fault == "new" {
			p.throws = 7
		}
		y.points = append(y.points, p)
	}
	for _, p := range y.points {
		for i := range p.throws {
			y.add(p.draw(y.rng, now.Add(-time.Duration(p.throws-i)*72*time.Minute)), false)
		}
	}
	y.work["W02"] = []ingest.Work{{Turnout: "W02", DoneAt: now.Add(-14 * 24 * time.Hour), Kind: ingest.Lubricated, Note: "All chairs, both sides.", By: "gang 3"}}
	y.work["W04"] = []ingest.Work{{Turnout: "W04", DoneAt: now.Add(-6 * 24 * time.Hour), Kind: ingest.Inspected, Note: "Nothing found."}}
	for i := range 3 {
		y.cabinets = append(y.cabinets, ingest.CabinetState{
			Cabinet: fmt.Sprintf("cab-%d", i+1), Online: i != 1, At: now.Add(-time.Duration(i+1) * 7 * time.Hour), Agent: "lineside 1.4", ClockOffset: ingest.Known(0.012 * float64(i)),
		})
	}
	y.aside = []ingest.SetAside{
		{ID: 3, At: now.Add(-time.Hour), Topic: "throwline/v1/cab-2/throw/W06", Turnout: "W06", Faults: []ingest.Fault{
			{Path: "channels[0].unit", Expected: "A for motor_current", Found: `"mA"`}, {Path: "started_at", Expected: "a time at most 1h0m0s after its arrival", Found: "2100-01-01T00:00:00Z"},
		}, Payload: []byte(`{"turnout":"W06","to":"normal","started_at":"2100-01-01T00:00:00Z","completed":true,"channels":[{"drive":"main","quantity":"motor_current","unit":"mA","sample_rate_hz":50,"samples":[0,1,2,3,4,5,6,7]}]}`)},
		{ID: 2, At: now.Add(-26 * time.Hour), Topic: "throwline/v1/cab-1/throw/W01", Retries: 2, Faults: []ingest.Fault{{Expected: "JSON or CBOR", Found: "bytes that are neither"}}, Payload: []byte{0x1f, 0x8b, 0x08, 0xff, 0xfe, 0}},
		{ID: 1, At: now.Add(-50 * time.Hour), Topic: "throwline/v1/cab-1/throw/W02", Turnout: "W03", Faults: []ingest.Fault{{Path: "turnout", Expected: `"W02", as the topic says`, Found: `"W03"`}}, Payload: []byte(`{"turnout":"W03"}`)},
	}
	return y
}

// draw draws the next throw of the turnout.
func (p *point) draw(rng *rand.Rand, at time.Time) *ingest.Throw {
	p.n++
	to := p.next
	p.next = ingest.Normal + ingest.Reverse - to
	age := max(float64(p.n-250)/150, 0)
	travel, length, completed := 1.0, 1.0, true
	switch p.fault {
	case "stiff":
		travel += 0.35 * age
		length += 0.06 * age
	case "slow":
		length += 0.3 * age
	case "incomplete":
		completed = p.n != p.throws-3
		if !completed {
			travel, length = 1.9, 1.6
		}
	}
	temperature := 12 + 8*math.Sin(float64(at.Unix())/86400*2*math.Pi)
	travel *= 1 - 0.004*(temperature-12) + 0.015*rng.NormFloat64()
	length *= 1 - 0.001*(temperature-12) + 0.01*rng.NormFloat64()
	if to == ingest.Reverse {
		travel, length = travel*1.08, length*1.03
	}
	t := &ingest.Throw{
		ID: fmt.Sprintf("%s-%d", p.name, p.n), Cabinet: p.cabinet, Turnout: p.name, To: to, StartedAt: at.UTC().Truncate(time.Millisecond), Completed: completed,
		RailTemperature: ingest.Known(math.Round(10*temperature) / 10), Supply: ingest.Known(136 + math.Round(10*rng.Float64())/10),
	}
	if p.name == "W05" {
		t.ID = fmt.Sprintf("set 1/throw %d ü", p.n) // a key that has to be percent-encoded
	}
	for i, drive := range p.drives {
		t.Channels = append(t.Channels, p.channel(rng, drive, travel*(1-0.2*float64(i)), length))
	}
	if completed {
		end := time.Duration(1000*length*p.time+120) * time.Millisecond
		t.Detections = []ingest.Detection{{Place: "toe", After: end}, {Place: "mid", After: end + 40*time.Millisecond}}
	}
	return t
}

// channel draws inrush, unlocking, travel, locking and a tail.
func (p *point) channel(rng *rand.Rand, drive string, travel, length float64) ingest.Channel {
	const rate, lead = 100.0, 0.1
	whole := p.time * length
	bump := func(t, at, width float64) float64 { return math.Exp(-(t - at) * (t - at) / (2 * width * width)) }
	c := ingest.Channel{Drive: drive, Quantity: p.quantity, Unit: p.quantity.Base(), SampleRate: rate, Offset: -lead, Scale: p.level / 1000}
	for i := range int((whole + 0.7 + lead) * rate) {
		t := float64(i)/rate - lead
		v := 0.0
		switch {
		case t < 0:
		case t < whole:
			ramp := 1 - math.Exp(-t/0.03)
			v = ramp * (0.95*travel + 0.05*travel*math.Sin(7*t) + 0.5*bump(t, 0.55, 0.1) + 0.6*bump(t, whole-0.35, 0.12))
			if p.quantity != ingest.HydraulicPressure {
				v += 3.2 * ramp * math.Exp(-t/0.07)
			}
		case t < whole+0.25:
			v = 0.35
		}
		c.Samples = append(c.Samples, math.Round(1000*(v+0.012*rng.NormFloat64())))
	}
	return c
}

// add files a throw as the daemon would.
func (y *yard) add(t *ingest.Throw, live bool) {
	y.mu.Lock()
	defer y.mu.Unlock()
	set := detect.DefaultSettings()
	o := detect.Measure(t)
	s := y.states[t.Turnout]
	if s == nil {
		s = &detect.State{}
	}
	next, a := s.Step(o, &set)
	y.states[t.Turnout] = next
	r := detect.Record{Observation: *o, Cabinet: t.Cabinet, ArrivedAt: t.StartedAt.Add(80 * time.Millisecond), Bands: a.Bands}
	y.records[t.Turnout] = append(y.records[t.Turnout], r)
	y.throws[r.Key] = t
	if live {
		y.hub.Throw(&r)
	}
	// A drawn shape is no turnout: what detection finds in sound ones is not shown.
	i := slices.IndexFunc(y.points, func(p *point) bool { return p.name == t.Turnout })
	if y.points[i].fault == "" {
		return
	}
	open, events := alerting.Step(y.open[t.Turnout], t.Turnout, a.Findings, t.StartedAt)
	y.open[t.Turnout] = open
	for _, e := range events {
		y.alerts[e.Alert.ID] = e.Alert
		if live {
			y.hub.Alert(e)
		}
	}
}

// live throws one turnout after the other; every 40 s an alert comes or goes, and a cabinet.
func (y *yard) live(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	show := time.NewTicker(20 * time.Second)
	defer show.Stop()
	for n := 0; ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			p := y.points[y.rng.IntN(len(y.points))]
			y.add(p.draw(y.rng, time.Now()), true)
		case <-show.C:
			n++
			y.show(n)
		}
	}
}

func (y *yard) show(n int) {
	y.mu.Lock()
	defer y.mu.Unlock()
	now := time.Now()
	id := fmt.Sprintf("shown-%d", (n+1)/2)
	e := alerting.Event{Kind: alerting.Raised, At: now, Alert: alerting.Alert{
		ID: id, Turnout: "W08", To: ingest.Reverse, Drive: "main", Condition: detect.Stiffening,
		Priority: []alerting.Priority{alerting.High, alerting.Medium, alerting.Low}[(n/2)%3], ChangePercent: 27.4,
		Since: now.Add(-30 * time.Hour), RaisedAt: now, ChangedAt: now,
		Causes: []detect.Cause{
			{Cause: detect.DrySlideChairs, Probability: 0.74, Evidence: []string{"The mean of the travel rose by 27 % in 30 hours, evenly over the whole movement."}, Checks: []string{"Look for dry or rusty slide chairs.", "Clean and lubricate as the rule book says."}},
			{Cause: detect.SeizedRoller, Probability: 0.26, Evidence: []string{"The rise is a little larger in the last third."}, Checks: []string{"Turn each roller by hand."}},
		},
		Forecast: &detect.Forecast{Limit: "the drive's usual capability", P10: 6, P50: 11, P90: 21},
	}}
	if n%2 == 0 {
		e.Kind = alerting.Cleared
		if old, ok := y.alerts[id]; ok {
			e.Alert = old
		}
		e.Alert.ClearedAt, e.Alert.ChangedAt = now, now
		y.open["W08"] = slices.DeleteFunc(y.open["W08"], func(a alerting.Alert) bool { return a.ID == id })
	} else {
		y.open["W08"] = append(y.open["W08"], e.Alert)
	}
	y.alerts[id] = e.Alert
	y.hub.Alert(e)
	c := &y.cabinets[1]
	c.Online, c.At = !c.Online, now
	y.hub.Cabinet(*c)
}

// page cuts one page out of a list; the cursor is the place of its first item.
func page[T any](list []T, cursor string, limit int) ([]T, string, error) {
	from := 0
	if cursor != "" {
		var err error
		if from, err = strconv.Atoi(cursor); err != nil || from < 0 || from > len(list) {
			return nil, "", screen.ErrCursor
		}
	}
	to := min(from+limit, len(list))
	if to == len(list) {
		return slices.Clone(list[from:to]), "", nil
	}
	return slices.Clone(list[from:to]), strconv.Itoa(to), nil
}

func (y *yard) Alerts(_ context.Context, q alerting.Query) ([]alerting.Alert, string, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	var list []alerting.Alert
	for _, a := range y.alerts {
		if (q.Turnout == "" || a.Turnout == q.Turnout) && (!q.OpenOnly || a.Open()) {
			list = append(list, a)
		}
	}
	slices.SortFunc(list, func(a, b alerting.Alert) int {
		if c := b.RaisedAt.Compare(a.RaisedAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return page(list, q.Cursor, q.Limit)
}

func (y *yard) Throws(_ context.Context, turnout string, from, to time.Time, cursor string, limit int) ([]detect.Record, string, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	all := y.records[turnout]
	a, b := 0, len(all)
	if !from.IsZero() {
		a = sort.Search(len(all), func(i int) bool { return !all[i].StartedAt.Before(from) })
	}
	if !to.IsZero() {
		b = sort.Search(len(all), func(i int) bool { return !all[i].StartedAt.Before(to) })
	}
	list := slices.Clone(all[a:max(a, b)])
	slices.Reverse(list)
	return page(list, cursor, limit)
}

func (y *yard) Throw(_ context.Context, key string) (detect.Record, []ingest.Channel, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	t := y.throws[key]
	if t == nil {
		return detect.Record{}, nil, fmt.Errorf("throw %q: %w", key, fs.ErrNotExist)
	}
	list := y.records[t.Turnout]
	i := slices.IndexFunc(list, func(r detect.Record) bool { return r.Key == key })
	return list[i], t.Channels, nil
}

func (y *yard) Work(_ context.Context, turnout string) ([]ingest.Work, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	return slices.Clone(y.work[turnout]), nil
}

func (y *yard) Quarantine(_ context.Context, cursor string, limit int) ([]ingest.SetAside, string, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	return page(y.aside, cursor, limit)
}

func (y *yard) Aside(_ context.Context, id int64) (ingest.SetAside, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, a := range y.aside {
		if a.ID == id {
			return a, nil
		}
	}
	return ingest.SetAside{}, fmt.Errorf("message %d: %w", id, fs.ErrNotExist)
}

func (y *yard) Now() time.Time { return time.Now() }

func (y *yard) Turnouts() []detect.Summary {
	y.mu.Lock()
	defer y.mu.Unlock()
	var out []detect.Summary
	for _, p := range y.points {
		out = append(out, y.states[p.name].Summary())
	}
	return out
}

func (y *yard) Turnout(name string) (detect.Summary, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	s := y.states[name]
	if s == nil {
		return detect.Summary{}, fmt.Errorf("turnout %q: %w", name, fs.ErrNotExist)
	}
	return s.Summary(), nil
}

func (y *yard) Profile(turnout string, to ingest.End, drive string, q ingest.Quantity) detect.Profile {
	y.mu.Lock()
	defer y.mu.Unlock()
	if s := y.states[turnout]; s != nil {
		return s.Profile(to, drive, q)
	}
	return detect.Profile{}
}

func (y *yard) OpenAlerts(turnout string) []alerting.Alert {
	y.mu.Lock()
	defer y.mu.Unlock()
	if turnout != "" {
		return slices.Clone(y.open[turnout])
	}
	var out []alerting.Alert
	for _, list := range y.open {
		out = append(out, list...)
	}
	return out
}

func (y *yard) Cabinets() []ingest.CabinetState {
	y.mu.Lock()
	defer y.mu.Unlock()
	return slices.Clone(y.cabinets)
}

func (y *yard) RecordWork(_ context.Context, w ingest.Work) error {
	y.mu.Lock()
	defer y.mu.Unlock()
	set := detect.DefaultSettings()
	next, a := y.states[w.Turnout].Visit(&w, &set)
	y.states[w.Turnout] = next
	y.work[w.Turnout] = append([]ingest.Work{w}, y.work[w.Turnout]...)
	open, events := alerting.Step(y.open[w.Turnout], w.Turnout, a.Findings, w.DoneAt)
	y.open[w.Turnout] = open
	for _, e := range events {
		y.alerts[e.Alert.ID] = e.Alert
		y.hub.Alert(e)
	}
	return nil
}

// Retry takes the third message and refuses the others again.
func (y *yard) Retry(_ context.Context, id int64) error {
	y.mu.Lock()
	defer y.mu.Unlock()
	i := slices.IndexFunc(y.aside, func(a ingest.SetAside) bool { return a.ID == id })
	if i < 0 {
		return fmt.Errorf("message %d: %w", id, fs.ErrNotExist)
	}
	if id == 1 {
		y.aside = slices.Delete(y.aside, i, i+1)
		return nil
	}
	y.aside[i].Retries++
	return &ingest.Refusal{Faults: y.aside[i].Faults}
}

func (y *yard) Ready(context.Context) error { return nil }
