package main

import (
	"bufio"
	"cmp"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"
)

// perCabinet is how many turnouts report through one cabinet.
const perCabinet = 8

// fleet is the whole of it, with what is on its way to the recording.
type fleet struct {
	seed     uint64
	days     int
	total    float64 // the same, in days
	r        *rand.Rand
	w        *weather
	turnouts []*turnout
	cabinets []*cabinet
	lubes    map[*turnout]float64 // lubricated on that day, not thrown since
	waiting  []message
	put      int // messages so far
	tally    *tally
}

// cabinet is the way of its turnouts' messages.
type cabinet struct {
	outages  []outage
	every    int     // hours from one message of conditions to the next; 0: it sends none
	nextLube float64 // day of the next round of lubrication
}

// outage is a time without a line, in days; what was to be sent comes at its end.
type outage struct{ from, to float64 }

// message is one line of the recording; those of one time keep their order.
type message struct {
	at   time.Time
	n    int
	body []byte
}

// newFleet draws weather, turnouts, faults and cabinets.
func newFleet(o options) *fleet {
	r := rand.New(rand.NewPCG(o.seed, 1))
	fl := &fleet{seed: o.seed, days: o.days, total: float64(o.days), r: r, lubes: map[*turnout]float64{}, tally: newTally(o.turnouts)}
	fl.w = newWeather(r, o.days)
	kinds := r.Perm(o.turnouts)
	for i := range o.turnouts {
		fl.turnouts = append(fl.turnouts, newTurnout(o.seed, i, kinds[i] < o.turnouts*2/5))
	}
	fl.drawFaults()
	for range (o.turnouts + perCabinet - 1) / perCabinet {
		c := &cabinet{}
		for range r.IntN(5) {
			a := uni(r, 2, fl.total-2)
			c.outages = append(c.outages, outage{a, a + uni(r, .5, 9)/24})
		}
		c.every = pick(r, 0, 0, 1, 1, 3)
		c.nextLube = uni(r, 5, 60)
		fl.cabinets = append(fl.cabinets, c)
	}
	return fl
}

// drawFaults gives half of the turnouts one fault each: most of them evenly
// over the causes, the rest by chance.
func (fl *fleet) drawFaults() {
	r, n := fl.r, len(fl.turnouts)
	order := r.Perm(n)
	for i := range n / 2 {
		c := causes[i%len(causes)]
		if i >= n*3/8 {
			c = pick(r, causes...)
		}
		ok := false
		for _, j := range order {
			if t := fl.turnouts[j]; t.fault == nil && t.eligible(c) {
				if c != backDrive && len(t.drives) > 1 && chance(r, .5) {
					continue
				}
				t.fault, ok = newFault(r, t, c, fl.total), true
				break
			}
		}
		if ok {
			continue
		}
		c = pick(r, causes[:4]...) // those that every turnout can have
		for _, j := range order {
			if t := fl.turnouts[j]; t.fault == nil {
				t.fault = newFault(r, t, c, fl.total)
				break
			}
		}
	}
}

// record lives through all days and writes the recording.
func (fl *fleet) record(w io.Writer) error {
	gz, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(gz, 1<<20)
	for d := range fl.days {
		for c := range fl.cabinets {
			fl.lubricate(c, d)
			fl.sendConditions(c, d)
		}
		for i, t := range fl.turnouts {
			fl.visit(t, d)
			for _, when := range t.schedule(d) {
				fl.throw(i, when)
			}
		}
		if err := fl.writeArrived(out, d); err != nil {
			return err
		}
	}
	return errors.Join(out.Flush(), gz.Close())
}

// throw makes a throw of turnout i and sends it.
func (fl *fleet) throw(i int, when time.Time) {
	t, x := fl.turnouts[i], days(when)
	if l, ok := fl.lubes[t]; ok && x > l {
		t.lubed = l
		delete(fl.lubes, t)
	}
	if f := t.fault; f != nil && !t.repaired && x >= f.repair-repairLead {
		t.mend(fl.r, x)
	}
	to, full := t.next, t.at0 == 0
	res := t.simulate(fl.w, when)
	fl.tally.count(i, t, x, full, res)
	fl.sendThrow(t, when, to, res)
}

// sendThrow puts a throw on its way: a few seconds after its end, some much
// later, some twice, none while the cabinet has no line.
func (fl *fleet) sendThrow(t *turnout, when time.Time, to int, res *result) {
	r := t.r
	arr := when.Add(time.Duration((float64(len(res.traces[0]))/t.rate + uni(r, .3, 4)) * 1e9))
	if chance(r, .01) {
		fl.tally.late++
		arr = arr.Add(time.Duration(math.Exp(uni(r, math.Log(20), math.Log(20000)))) * time.Second)
	}
	for _, o := range fl.cabinets[t.cabinet].outages {
		if days(arr) > o.from && days(arr) < o.to {
			arr = at(o.to).Add(time.Duration(uni(r, 1, 60)*1e3) * time.Millisecond)
		}
	}
	b := make([]byte, 0, 4*(len(res.traces[0])+len(res.traces[1]))+512)
	b = t.encode(append(b, stamp(arr)...), when, to, res)
	fl.send(arr, b)
	if chance(r, .003) {
		fl.tally.twice++
		again := arr.Add(time.Duration(uni(r, 1, 900)) * time.Second)
		c := slices.Clone(b)
		copy(c, stamp(again))
		fl.send(again, c)
	}
}

// lubricate sends a cabinet's round of lubrication, where one falls on day d. A
// round now and then leaves a turnout out, and those that are near a failure.
func (fl *fleet) lubricate(c, d int) {
	r, cab := fl.r, fl.cabinets[c]
	if cab.nextLube < float64(d) || cab.nextLube >= float64(d+1) {
		return
	}
	for i := c * perCabinet; i < min(len(fl.turnouts), (c+1)*perCabinet); i++ {
		t := fl.turnouts[i]
		x := cab.nextLube + float64(i%perCabinet)*.02
		if f := t.fault; f != nil && (f.cause == dryChairs && x > f.onset-2 && x > f.failure-12 || x > f.failure-.1 && x < f.repair+.1) || chance(r, .1) {
			continue
		}
		fl.lubes[t] = x
		fl.sendWork(t, at(x), "lubricated", "round")
	}
	cab.nextLube += uni(r, 35, 75)
}

// sendConditions sends what a cabinet measures on day d.
func (fl *fleet) sendConditions(c, d int) {
	r, w, cab := fl.r, fl.w, fl.cabinets[c]
	if cab.every == 0 {
		return
	}
	for h := 0; h < 24; h += cab.every {
		x := float64(d) + float64(h)/24
		measured := at(x).Add(time.Duration(1+c*3) * time.Second)
		arr := measured.Add(time.Second)
		b := fmt.Appendf(stamp(arr), `"conditions":{"cabinet":"cab-%02d","at":"%s","air_temperature_c":%.1f`, c, measured.Format(time.RFC3339), between(w.air, x)+.2*r.NormFloat64())
		if c%2 == 0 {
			b = fmt.Appendf(b, `,"rail_temperature_c":%.1f`, between(w.air, x)+between(w.sun, x)+.3*r.NormFloat64())
		}
		if c%3 != 2 {
			b = fmt.Appendf(b, `,"rain":%v`, w.rain[d*24+h])
		}
		for _, o := range cab.outages {
			if days(arr) > o.from && days(arr) < o.to {
				arr = at(o.to).Add(time.Second)
				copy(b, stamp(arr))
			}
		}
		fl.send(arr, append(b, "}}"...))
	}
}

// visit sends the works of day d on one turnout: some that change nothing, a
// planned adjustment, the repair of its fault.
func (fl *fleet) visit(t *turnout, d int) {
	r, f := fl.r, t.fault
	if chance(r, .006) {
		fl.sendWork(t, at(float64(d)+uni(r, .3, .6)), pick(r, "inspected", "inspected", "cleaned"), "")
	} else if chance(r, .0008) && (f == nil || float64(d) > f.repair+1 || float64(d) < f.onset-12) {
		fl.sendWork(t, at(float64(d)), "adjusted", "planned")
		t.lockShift *= uni(r, .92, 1.08)
	}
	if f != nil && int(f.repair) == d {
		fl.sendWork(t, at(f.repair), pick(r, "repaired", "repaired", "adjusted"), "fault call")
	}
}

// sendWork reports a work within three hours of its end.
func (fl *fleet) sendWork(t *turnout, done time.Time, kind, note string) {
	arr := done.Add(time.Duration(uni(fl.r, 1, 180)) * time.Minute)
	fl.send(arr, fmt.Appendf(stamp(arr), `"work":{"turnout":"%s","done_at":"%s","work":"%s","note":"%s"}}`, t.name, done.Format(time.RFC3339), kind, note))
}

// send puts a line on its way.
func (fl *fleet) send(arrives time.Time, line []byte) {
	fl.put++
	fl.waiting = append(fl.waiting, message{arrives, fl.put, line})
}

// writeArrived writes what has arrived by the end of day d; on the last day
// what is still on its way too.
func (fl *fleet) writeArrived(w *bufio.Writer, d int) error {
	slices.SortFunc(fl.waiting, func(a, b message) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.n, b.n)) })
	k := len(fl.waiting)
	if d < fl.days-1 {
		end := start.Add(time.Duration(d+1) * day)
		k = sort.Search(k, func(i int) bool { return !fl.waiting[i].at.Before(end) })
	}
	for _, m := range fl.waiting[:k] {
		fl.tally.bytes += len(m.body) + 1
		if _, err := w.Write(append(m.body, '\n')); err != nil {
			return err
		}
	}
	fl.waiting = slices.Clone(fl.waiting[k:])
	return nil
}
