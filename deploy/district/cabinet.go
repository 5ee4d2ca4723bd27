package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
)

// codes of the areas; each has its own weather and its own rounds of lubrication.
var codes = []string{"QM", "TV", "EB", "HK"}

type span struct{ from, to float64 }

// inside is the span that holds a time, or nil.
func inside(s []span, t float64) *span {
	for i := range s {
		if t >= s[i].from && t < s[i].to {
			return &s[i]
		}
	}
	return nil
}

// cabinet is the lineside box: clock, spool, supply.
type cabinet struct {
	name                         string
	area                         int
	offset                       float64 // of its clock, in seconds
	drift                        float64 // seconds a day until the clock is set
	setEvery                     float64 // days
	off, held                    []span  // recording nothing; sending nothing
	numbered, ids                bool    // its messages carry sequences, throw_ids
	spools                       bool    // it keeps what it cannot send
	hasTemp, hasSupply           bool    // its throws carry them
	every                        int     // minutes between conditions, 0: none
	sendRain, sendAir, sendVolts bool    // in its conditions
	tempBias                     float64
	supply                       []float64 // of nominal, by the hour
	low                          []span    // the supply is lower for days, and nothing is broken
	lowBy                        float64
	sag                          float64 // of the supply, for every other throw at the same time
	recorded                     float64 // share of work that is written down
	boots                        []float64
	turnouts                     []*turnout
	firmware                     string
}

func newCabinet(seed uint64, i int, days float64) *cabinet {
	r := stream(seed, fmt.Sprint("cabinet", i))
	a := i % len(codes)
	c := &cabinet{name: fmt.Sprintf("%s-C%02d", codes[a], i/len(codes)+1), area: a}
	c.offset = r.n(0, 0.6)
	if r.p(0.15) {
		c.offset = r.n(0, 20)
	}
	c.setEvery = r.u(8, 40)
	if r.p(0.25) {
		c.drift = r.n(0, 0.8)
	}
	c.numbered, c.ids, c.spools = r.p(0.6), r.p(0.6), r.p(0.8)
	c.hasTemp, c.hasSupply = r.p(0.5), r.p(0.45)
	if r.p(0.6) {
		c.every = pick(r, 15, 20, 30, 60, 60)
		c.sendRain, c.sendAir, c.sendVolts = r.p(0.4), r.p(0.6), r.p(0.35)
	}
	c.tempBias = r.n(0, 0.8)
	c.recorded = pick(r, 1, 0.95, 0.9, 0.75, 0.5, 0.25)
	c.sag = r.u(0.003, 0.025)
	c.firmware = fmt.Sprintf("cab %d.%d.%d", 1+r.IntN(3), r.IntN(8), r.IntN(10))
	if r.p(0.5) {
		for range 1 + r.IntN(2) {
			f := r.u(5, days-5)
			c.off = append(c.off, span{f, f + r.lu(0.15, 5)})
		}
	}
	for range r.poisson(3.5) {
		f := r.u(2, days-3)
		c.held = append(c.held, span{f, f + r.lu(0.02, 1.4)})
	}
	c.boots = []float64{-1}
	for _, s := range c.off {
		c.boots = append(c.boots, s.to)
	}
	for range r.poisson(1) {
		c.boots = append(c.boots, r.u(0, days))
	}
	slices.Sort(c.boots)
	if r.p(0.2) {
		f := r.u(20, days-12)
		c.low, c.lowBy = []span{{f, f + r.u(5, 9)}}, r.u(0.03, 0.075)
	}
	x, sd, day := 0.0, r.u(0.003, 0.012), r.u(0, 0.008)
	for h := range int(days+3) * 24 {
		x = 0.985*x + r.n(0, sd*0.17)
		c.supply = append(c.supply, 1+x+day*math.Cos(2*math.Pi*(float64(h%24)-3)/24))
	}
	return c
}

// clock is how many seconds the cabinet's clock is ahead.
func (c *cabinet) clock(t float64) float64 {
	return c.offset + c.drift*math.Mod(t+3, c.setEvery)
}

// volts is the supply, of nominal.
func (c *cabinet) volts(t float64) float64 {
	v := between(c.supply, t)
	for _, s := range c.low {
		v -= c.lowBy * ramp(t, s.from, s.from+0.4) * (1 - ramp(t, s.to-0.4, s.to))
	}
	return v
}

// meet counts for every throw how many others of the cabinet run with it.
func (c *cabinet) meet() {
	var all []float64
	for _, t := range c.turnouts {
		all = append(all, t.times...)
	}
	slices.Sort(all)
	for _, t := range c.turnouts {
		for _, x := range t.times {
			i, _ := slices.BinarySearch(all, x-2.5/86400)
			j, _ := slices.BinarySearch(all, x+2.5/86400)
			t.others = append(t.others, j-i-1)
		}
	}
}

// number gives the cabinet's throws boot and sequence, by the time of the throw.
func (c *cabinet) number(throws []*line) {
	slices.SortStableFunc(throws, byStart)
	b, k := 0, 0
	for _, l := range throws {
		for b+1 < len(c.boots) && l.t >= c.boots[b+1] {
			b++
			k = 0
		}
		k++
		l.seq = fmt.Appendf(nil, `,"boot":"%s-%d","sequence":%d`, c.name, b+1, k)
	}
}

// lines are what the cabinet says of itself and of what it measures.
func (c *cabinet) lines(r random, w *weather, start time.Time, days float64) (out []*line) {
	stamp := func(t float64) string {
		return day(start, t+c.clock(t)/86400).Format("2006-01-02T15:04:05Z")
	}
	state := func(t, at float64, s string) {
		b := fmt.Appendf(nil, `"state":{"cabinet":%q,"state":%q,"at":%q,"agent":%q`, c.name, s, stamp(t), c.firmware)
		if s == "online" {
			b = fmt.Appendf(b, `,"clock_offset_s":%s`, strconv.FormatFloat(math.Round(c.clock(t)*100)/100, 'f', -1, 64))
		}
		out = append(out, &line{at: at, t: t, cab: c, body: append(b, '}')})
	}
	state(0, 0.00002, "online")
	for t := c.setEvery - 3; t < days; t += c.setEvery {
		if c.drift != 0 && t > 0 && inside(c.off, t) == nil && inside(c.held, t) == nil {
			state(t, t+0.00003, "online")
		}
	}
	for _, s := range append(slices.Clone(c.off), c.held...) {
		if s.to > days {
			continue
		}
		state(s.from, s.from+r.u(30, 120)/86400, "offline") // the broker takes a while to miss it
		state(s.to, s.to+0.3/86400, "online")
	}
	if c.every == 0 {
		return out
	}
	step := float64(c.every) / 1440
	for t := r.u(0, step); t < days; t += step {
		if inside(c.off, t) != nil || inside(c.held, t) != nil {
			continue
		}
		b := fmt.Appendf(nil, `"conditions":{"cabinet":%q,"at":%q,"rail_temperature_c":%s`, c.name, stamp(t), tenth(between(w.rail, t)+c.tempBias+r.n(0, 0.2)))
		if c.sendAir {
			b = fmt.Appendf(b, `,"air_temperature_c":%s`, tenth(between(w.air, t)+r.n(0, 0.3)))
		}
		if c.sendVolts {
			b = fmt.Appendf(b, `,"supply_v":%s`, tenth(c.turnouts[0].main.nominal*c.volts(t)*(1+r.n(0, 0.002))))
		}
		if c.sendRain {
			b = fmt.Appendf(b, `,"rain":%t`, w.rain[int(t*24)])
		}
		out = append(out, &line{at: t + r.u(0.5, 3)/86400, t: t, cab: c, body: append(b, '}')})
	}
	return out
}

func tenth(x float64) string { return strconv.FormatFloat(math.Round(x*10)/10, 'f', -1, 64) }
