package main

import (
	"bufio"
	"cmp"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"
)

// district is the whole of it.
type district struct {
	seed     uint64
	days     float64
	start    time.Time
	areas    []*weather
	cabinets []*cabinet
	turnouts []*turnout
	lives    []*life // of the turnouts
	lines    []*line // in the order of arrival
}

// line is one of the recording; sequence and end of a throw are added when all
// are known.
type line struct {
	at, t  float64 // arrival, true start
	cab    *cabinet
	throw  bool
	body   []byte
	seq    []byte
	copyOf *line
}

func byStart(a, b *line) int   { return cmp.Compare(a.t, b.t) }
func byArrival(a, b *line) int { return cmp.Compare(a.at, b.at) }

// day is a time of the simulation on the calendar.
func day(start time.Time, t float64) time.Time {
	return start.Add(time.Duration(t * 86400e9)).UTC()
}

// newDistrict draws weather, cabinets, turnouts, their timetable and their faults.
func newDistrict(o options) *district {
	days := float64(o.days)
	r := stream(o.seed, "fleet")
	d := &district{seed: o.seed, days: days, start: time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, r.IntN(400))}
	d.areas = newWeather(o.seed, len(codes), o.days, d.start.YearDay())
	var rounds [][]float64 // of lubrication, by area
	for range codes {
		every := r.u(24, 60)
		var x []float64
		for t := r.u(0, every); t < days; t += every * r.u(0.85, 1.2) {
			x = append(x, math.Floor(t))
		}
		rounds = append(rounds, x)
	}
	makes := []float64{38, 30, 32}
	for len(d.turnouts) < o.turnouts {
		c := newCabinet(o.seed, len(d.cabinets), days)
		d.cabinets = append(d.cabinets, c)
		n := min(2+r.IntN(5), o.turnouts-len(d.turnouts))
		kind := r.weighted(makes) // a yard has mostly one make
		for j := range n {
			k := kind
			if r.p(0.2) {
				k = r.weighted(makes)
			}
			t := newTurnout(o.seed, len(d.turnouts), c, d.areas[c.area], k, days, rounds[c.area])
			if j%2 == 1 && r.p(0.45) {
				t.partner = d.turnouts[t.i-1]
			}
			c.turnouts = append(c.turnouts, t)
			d.turnouts = append(d.turnouts, t)
		}
	}
	for _, t := range d.turnouts {
		t.schedule(stream(o.seed, "times"+t.name), days)
	}
	for _, c := range d.cabinets {
		c.meet()
	}
	plant(o.seed, d.turnouts, days)
	return d
}

// live lets every turnout live through all days, so many side by side.
func (d *district) live(workers int) {
	d.lives = make([]*life, len(d.turnouts))
	var wg sync.WaitGroup
	jobs := make(chan int)
	for range workers {
		wg.Go(func() {
			for i := range jobs {
				d.lives[i] = newLife(d.seed, d.turnouts[i], d.start, d.days)
				d.lives[i].live()
			}
		})
	}
	for i := range d.turnouts {
		jobs <- i
	}
	close(jobs)
	wg.Wait()
	d.gather()
}

// gather puts the lines of turnouts and cabinets in the order of arrival.
func (d *district) gather() {
	throws := map[*cabinet][]*line{}
	for _, s := range d.lives {
		d.lines = append(d.lines, s.out...)
		for _, l := range s.out {
			if l.throw && l.copyOf == nil {
				throws[l.cab] = append(throws[l.cab], l)
			}
		}
	}
	for i, c := range d.cabinets {
		if c.numbered {
			c.number(throws[c])
		}
		r := stream(d.seed, fmt.Sprint("lines", i))
		d.lines = append(d.lines, c.lines(r, d.areas[c.area], d.start, d.days)...)
	}
	slices.SortStableFunc(d.lines, byArrival)
}

// record writes the recording.
func (d *district) record(w io.Writer) error {
	gz, err := gzip.NewWriterLevel(w, 5)
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(gz, 1<<20) // keeps its first error for Flush
	for _, l := range d.lines {
		src := l
		if l.copyOf != nil {
			src = l.copyOf
		}
		out.WriteString(day(d.start, l.at).Format(`{"at":"2006-01-02T15:04:05.000Z",`))
		out.Write(src.body)
		out.Write(src.seq)
		if l.throw {
			out.WriteByte('}')
		}
		out.WriteString("}\n")
	}
	return errors.Join(out.Flush(), gz.Close())
}
