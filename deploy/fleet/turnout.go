package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// turnout is one switch with its drives, its habits and what has become of it.
// What it is and how it throws is drawn from random numbers of its own, what is
// done to it from those of the fleet.
type turnout struct {
	name        string
	id, cabinet int
	r           *rand.Rand
	drives      []*drive

	rate    float64 // samples a second
	limit   float64 // seconds after which a throw is given up
	tail    float64 // seconds that are recorded after the drives are off
	perDay  float64 // throws on a usual day
	weekend float64 // share of them on a Saturday or Sunday

	vnom         float64    // supply, in volts
	vbias        float64    // what it usually is, as a share of vnom
	vdaily       float64    // how it swings in a day, as a share
	vnoise       float64    // and from throw to throw
	coldK, hotK  float64    // friction, per kelvin of cold and of heat
	wetK         float64    // share of the friction that water takes away
	oilK         float64    // stiffness of the oil, per kelvin
	tOff, tBias  float64    // kelvin by which the place, and its thermometer, are off
	dirT, dirL   [2]float64 // share of the time and of the friction, by end
	ageA, ageTau float64    // what ageing grease adds to the friction, and in how many days
	lubed        float64    // day of the last lubrication
	loadSd       float64    // spread of the friction from throw to throw
	rateSd       float64    // and of the speed
	ar, arV      float64    // where slow wandering of friction and supply stands
	oddRate      float64    // chance that a throw is odd

	sendT, sendV, sendDet, sendID bool // what its messages carry
	cutByDet                      bool // detection, not a limit switch, turns the drive off
	places                        []string
	detDelay                      [3]float64 // seconds from arrival to detection, by place
	zone                          *time.Location

	fault            *fault
	shift, lockShift float64 // what works left behind, in friction and in locking
	next             int     // the end of the next throw: 0 normal, 1 reverse
	at0              float64 // where the blades stand, as a stroke towards next
	lastEnd          time.Time
	repaired         bool
	forced           bool // the failure has failed a throw
	n                int  // throws made
}

func newTurnout(seed uint64, id int, hydraulic bool) *turnout {
	r := rand.New(rand.NewPCG(seed, uint64(id)*7919+101))
	t := &turnout{id: id, cabinet: id / perCabinet, r: r}
	t.name = fmt.Sprintf("%s-%d%s", pick(r, "AL", "BR", "CT", "DN", "EK"), 100+id, pick(r, "", "", "A", "B"))
	kind := hy
	if !hydraulic {
		kind = pick(r, dc, dc, dc, ac)
	}
	m := newDrive(r, "main", kind)
	t.drives = []*drive{m}
	t.places = []string{"toe"}
	if chance(r, .38) { // a supplementary drive of the same make
		b := newDrive(r, "back", kind)
		b.quantity, b.unit = m.quantity, m.unit
		f := uni(r, .6, 1.1)
		b.level, b.step, b.decimals, b.zero = m.level*f, m.step, m.decimals, m.zero
		b.lmax = math.Max(b.lmax, 2.2)
		b.t0, b.startDelay = m.t0*uni(r, .85, 1.02), pick(r, 0, 0, uni(r, .1, .5))
		t.drives = append(t.drives, b)
		if chance(r, .7) {
			t.places = append(t.places, "back")
		}
	} else if chance(r, .3) {
		t.places = append(t.places, pick(r, "heel", "mid"))
	}
	t.rate = pick(r, 25., 25., 40., 50., 50., 100.)
	t.limit = clamp(2.6*m.t0, 9, 16) + float64(r.IntN(3))
	t.tail = uni(r, .15, .7)
	t.perDay, t.weekend = math.Exp(uni(r, math.Log(8), math.Log(40))), uni(r, .5, 1.05)
	t.vnom = pick(r, 110., 120., 136., 160.)
	if kind != dc {
		t.vnom = pick(r, 230., 400.)
	}
	t.vbias, t.vdaily, t.vnoise = uni(r, .97, 1.03), uni(r, 0, .02), uni(r, .002, .01)
	t.coldK, t.hotK, t.wetK, t.oilK = math.Exp(uni(r, math.Log(.0015), math.Log(.025))), uni(r, 0, .006), uni(r, 0, .14), uni(r, .001, .007)
	t.tOff, t.tBias = uni(r, -2, 2), uni(r, -1.5, 1.5)
	for k := range 2 {
		t.dirT[k], t.dirL[k] = 1+.03*r.NormFloat64(), 1+.05*r.NormFloat64()
	}
	t.ageA, t.ageTau, t.lubed = uni(r, .02, .3), uni(r, 25, 80), -uni(r, 0, 80)
	t.loadSd, t.rateSd = uni(r, .006, .03), uni(r, .003, .012)
	t.oddRate = pick(r, 0, .0005, .0015, .004)
	t.sendT, t.sendV, t.sendDet, t.sendID, t.cutByDet = chance(r, .45), chance(r, .4), chance(r, .6), chance(r, .6), chance(r, .35)
	for i := range t.detDelay {
		t.detDelay[i] = uni(r, .02, .2)
	}
	t.zone = pick(r, time.UTC, time.UTC, time.UTC, time.FixedZone("", 3600))
	t.shift, t.lockShift = 1, 1
	return t
}

// traffic is how much of the day's traffic each hour has; the sum is 29.6.
var traffic = []float64{.3, .2, .2, .3, .6, 1.2, 1.8, 2, 1.8, 1.4, 1.2, 1.2, 1.3, 1.3, 1.4, 1.6, 1.9, 2, 1.7, 1.4, 1, .8, .6, .4}

// schedule gives the times of the throws of day d, in order. A day's last throw
// may be moved into the next day by the ones before it.
func (t *turnout) schedule(d int) []time.Time {
	r := t.r
	base := start.Add(time.Duration(d) * day)
	n := t.perDay * uni(r, .85, 1.15)
	if wd := base.Weekday(); wd == time.Saturday || wd == time.Sunday {
		n *= t.weekend
	}
	var out []time.Time
	f := t.fault
	for range int(n + r.Float64()) {
		h := 0
		for x := r.Float64() * 29.6; h < 23 && x > traffic[h]; h++ {
			x -= traffic[h]
		}
		w := base.Add(time.Duration((float64(h) + r.Float64()) * 3600e9))
		if f != nil {
			if x := days(w); x > f.failure && x < f.repair && chance(r, .5) || x > f.repair-80./1440 && x < f.repair {
				continue // traffic is kept away from a failed turnout; it is blocked for the repair
			}
		}
		out = append(out, w)
	}
	if f != nil && int(f.repair-20./1440) == d {
		for i := range 3 + r.IntN(4) { // tried out after the repair
			out = append(out, at(f.repair-20./1440).Add(time.Duration(i)*100*time.Second))
		}
	}
	if f != nil && int(f.failure) == d { // the throw that fails, and what is tried then
		for i := range 3 + r.IntN(3) {
			out = append(out, at(f.failure).Add(time.Second+time.Duration(i)*90*time.Second))
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	for i := range out {
		if e := t.lastEnd.Add(40 * time.Second); out[i].Before(e) {
			out[i] = e.Add(time.Duration(r.IntN(30000)) * time.Millisecond)
		}
		out[i] = out[i].Truncate(time.Millisecond)
		t.lastEnd = out[i]
	}
	return out
}

// mend is what the repair of its fault does to the turnout on day d; r is the
// fleet's.
func (t *turnout) mend(r *rand.Rand, d float64) {
	t.repaired = true
	t.at0 = 0
	t.shift *= uni(r, .96, 1.03)
	switch t.fault.cause {
	case dryChairs:
		t.lubed = d
	case lockAdjustment:
		t.lockShift *= uni(r, .92, 1.06)
	}
}
