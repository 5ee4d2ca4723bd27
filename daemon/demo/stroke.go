package demo

import (
	"math"

	"throwline/ingest"
)

// cells is into how many parts the stroke is divided for its load.
const cells = 160

// cell is the load at one place of the stroke, seen at the drive's rod.
type cell struct {
	force float64 // N, whatever the speed: springs, locks, contact, rollers
	rub   float64 // N at standstill of sliding friction, falls with speed
	drag  float64 // N·s/m, viscous
}

// stroke is the load of one throw along the drive's stroke.
type stroke struct {
	table    [cells + 2]cell
	perCell  float64 // cells a metre
	length   float64 // m, the whole stroke
	mass     float64 // kg that moves with the rod
	sliding  sliding
	from     float64   // m, where the throw begins; 0 but after a failed throw
	makes    []contact // detectors, in the order of the track's places
	stopFlex float64   // share of the lock's stroke that the blade still creeps at the end
	creep    float64   // s, of that creeping
}

// contact is a detector: it makes when the rod has come to at, in m; beyond
// the stroke's length only by the creeping of the blade, or never.
type contact struct {
	place string
	at    float64 // m
	delay float64 // s, of the contact itself
}

// load returns the force in N that resists at place x (m) and speed v (m/s, not negative).
func (s *stroke) load(x, v float64) float64 {
	p := x * s.perCell
	i := int(p)
	if i > cells {
		i = cells
	}
	f := p - float64(i)
	a, b := &s.table[i], &s.table[i+1]
	q := v / s.sliding.speed
	return a.force + f*(b.force-a.force) +
		(a.rub+f*(b.rub-a.rub))*(s.sliding.kinetic+(1-s.sliding.kinetic)/(1+q*q)) +
		(a.drag+f*(b.drag-a.drag))*v
}

// track is what the drive has to move: two switch rails, coupled at the toe,
// each lying on its slide chairs and bending about its heel, and the locks.
// Its geometry is that of "to normal"; "to reverse" is its mirror image.
type track struct {
	opening   float64    // m, travel of the toe
	unlocking float64    // m of the rod before the toe moves
	locking   float64    // m of the rod after the toe stands
	length    float64    // m from toe to heel
	stiffness float64    // N/m at the toe, both rails: 2 × 3EI/l³ of a cantilever
	neutral   float64    // share of the opening, from reverse, where the rails lie without bending
	mass      float64    // kg at the toe: rods, and 33/140 of both rails (Rayleigh's cantilever)
	sliding   sliding    // at the toe
	friction  float64    // μ at standstill of a freshly greased chair
	ageing    float64    // share by which μ rises as the grease is used up
	viscous   float64    // N·s/m at the toe of all chairs at referenceTemp
	wetEase   float64    // share by which a wet chair slides easier
	greaseK   float64    // K over which its viscosity changes by e
	rolling   float64    // μ on rollers, 0: there are none
	chairs    [2]basis   // by end commanded
	tight     [2]float64 // m by which the lock presses the closed blade, by end
	contact   float64    // N/m of the closed blade against its stock rail
	wedge     float64    // N at the rod for each N at the closed blade, locking
	draw      float64    // the same, unlocking
	lockRub   float64    // N of friction in the lock itself
	closeUp   [2]float64 // N, of a blade that has to be straightened to close, by end
	back      *backRod   // supplementary drive worked by a rod, nil where there is none
	toeMakes  [2]float64 // share of the lock's stroke at which the toe detector makes
	backMakes [2]float64 // the same for the back detector, where there is one
	detectors int        // how many places are detected: 1 or 2
}

// basis is the weight that lies on chairs and rollers at each place of the
// stroke, in N at the toe for a coefficient of friction of 1.
type basis struct {
	slide  [cells + 2]float64 // all chairs
	patch  [cells + 2]float64 // the part of them that can run dry by itself
	roll   [cells + 2]float64 // on the rollers
	seized [cells + 2]float64 // on one set of rollers, and the rail's climbing on it
}

// backRod is a supplementary drive that the main drive works by a rod.
type backRod struct {
	slack    float64 // m that the toe moves before the rod pulls
	friction float64 // N at the toe
	spring   float64 // N/m at the toe of the stiffer rail behind it
	allowed  float64 // m of slack with which its detector still makes
}

func (t *track) stroke() float64 { return t.unlocking + t.opening + t.locking }

// toe returns how far the toe has moved, in m, when the rod is at x.
func (t *track) toe(x float64) float64 { return min(max(x-t.unlocking, 0), t.opening) }

// bend is the shape of a cantilever loaded at its end (Gere & Timoshenko,
// beam tables; memory): s from 0 at the heel to 1 at the toe.
func bend(s float64) float64 { return s * s * (3 - s) / 2 }

// rails describes what lies on what, for [track.lay].
type rails struct {
	perMetre float64 // kg/m of a switch rail
	spacing  float64 // m between chairs
	uneven   []float64
	rollers  []float64 // where, as share of the length from the heel
	patch    [2]float64
	seized   int // which roller may seize
}

// lay works out the weight on chairs and rollers along the stroke. By virtual
// work a chair at s counts with its share bend(s) of the toe's movement.
func (t *track) lay(r rails) {
	n := len(r.uneven)
	weight := r.perMetre * 9.81 * r.spacing
	for k := range 2 {
		b := &t.chairs[k]
		for i := range b.slide {
			x := float64(i) / cells * t.stroke()
			y := t.toe(x)
			for rail := range 2 {
				gap := y // this rail opens
				if rail == k {
					gap = t.opening - y // this one closes
				}
				for c := range n {
					s := (float64(c) + 0.5) / float64(n)
					phi := bend(s)
					w := weight * phi * r.uneven[c]
					lifted, bad := 0.0, 0.0
					for j, at := range r.rollers {
						near := math.Abs(s-at) * t.length / r.spacing
						l := smooth(2.6, 0.4, near) * smooth(0.005, 0.010, gap*phi)
						lifted = max(lifted, l)
						if j == r.seized && rail == 0 {
							bad = l
							// The rail has to climb on rollers that do not turn.
							b.seized[i] += 0.6 * w * smooth(2.6, 0.4, near) * hump(0.003, 0.018, gap*phi)
						}
					}
					b.slide[i] += w * (1 - lifted)
					b.roll[i] += w * lifted
					b.seized[i] += w * bad
					if s >= r.patch[0] && s <= r.patch[1] {
						b.patch[i] += w * (1 - lifted)
					}
				}
			}
		}
	}
}

// bump is something in the way during one throw.
type bump struct {
	from, to float64 // m of the toe's travel
	force    float64 // N
}

// around is what surrounds one throw.
type around struct {
	to       ingest.End
	rail     float64 // °C of rails, chairs and grease
	air      float64 // °C of motor and oil
	wet      float64 // 0 to 1
	friction float64 // μ as a multiple of freshly greased, dirt and age in it
	thick    float64 // grease's drag as a multiple, fresh grease in it
	rest     float64 // multiple of static friction after a rest
	unlock   float64 // multiple of the unlocking friction
	source   float64 // V as a share of nominal, before cable and motor
	pickup   float64 // s from the command to the contactor
	bumps    []bump
	from     float64 // m of the stroke where it begins
	late     float64 // s of delay of detectors' contacts
}

// build works out the load of one throw: the track as it is (h) in what
// surrounds it (a).
func (s *stroke) build(t *track, h *health, a *around) {
	k := int(a.to) - 1 // ends are 1 and 2
	other := 1 - k
	s.length = t.stroke()
	s.perCell = cells / s.length
	s.mass, s.sliding, s.from = t.mass, t.sliding, a.from

	mu := min(t.friction*a.friction*h.chairs, 1.4*dryFriction) * (1 - t.wetEase*a.wet)
	patch := h.patch * (1 - 0.5*t.wetEase*a.wet)
	thick := t.viscous * a.thick * thickening(a.rail, t.greaseK) * h.stiffGrease
	b := &t.chairs[k]

	neutral := t.neutral
	if a.to == ingest.Reverse {
		neutral = 1 - neutral
	}
	tightHere := max(t.tight[k]+h.lock[k], 0)
	tightThere := max(t.tight[other]+h.lock[other], 0)
	press := tightHere*t.contact + t.stiffness*t.opening*(1-neutral)
	held := tightThere*t.contact + t.stiffness*t.opening*neutral

	for i := range s.table {
		x := float64(i) / cells * s.length
		y := t.toe(x)
		c := cell{
			force: t.rolling*b.roll[i] + h.roller*b.seized[i],
			rub:   a.rest*(mu*b.slide[i]+patch*b.patch[i]) + h.bind,
			drag:  thick * b.slide[i] / b.slide[0],
		}
		if x > 0.8*t.unlocking && x < t.unlocking+t.opening {
			// The bent rails help to the middle and hinder from there.
			c.force += t.stiffness * (y - neutral*t.opening) * smooth(0.8*t.unlocking, t.unlocking, x)
		}
		if x < t.unlocking {
			u := x / t.unlocking
			c.force += (t.draw*held*a.unlock + t.lockRub) * hump(0.08, 1.05, u)
			c.rub *= smooth(0.6, 1, u)
			c.drag *= smooth(0.5, 1, u)
		}
		if gap := t.opening - y; gap < 0.012 {
			c.force += t.closeUp[k] * (1 - gap/0.012)
		}
		if x > t.unlocking+t.opening {
			u := (x - t.unlocking - t.opening) / t.locking
			c.force += (t.wedge*press + t.lockRub) * smooth(0, 0.7, u) * (1 - 0.5*smooth(0.75, 1, u))
			c.rub *= 1 - smooth(0, 0.3, u)
			c.drag *= 1 - smooth(0, 0.3, u)
			c.force -= t.closeUp[k] * smooth(0, 0.5, u)
		}
		if t.back != nil {
			slack := t.back.slack + h.backSlack
			on := smooth(slack, slack+0.004, y) * (1 - smooth(t.unlocking+t.opening, t.unlocking+t.opening+0.3*t.locking, x))
			c.rub += (t.back.friction*a.friction + h.backFriction) * on
			c.force += t.back.spring * max(y-slack-0.5*t.opening, 0) * on
		}
		if h.debris > 0 && k == h.debrisEnd {
			// Packed between blade and stock rail: pushes back until the lock is home.
			gap := t.opening - y
			c.force += h.debris * (1 - smooth(0, h.debrisDepth, gap))
		}
		for _, o := range a.bumps {
			c.force += o.force * hump(o.from, o.to, y)
		}
		s.table[i] = c
	}

	s.stopFlex, s.creep = 0.06*t.locking, h.creep
	s.makes = s.makes[:0]
	at := s.length - t.locking
	s.makes = append(s.makes, contact{"toe", at + t.locking*(t.toeMakes[k]+h.toeDetector[k]), a.late})
	if t.detectors > 1 {
		c := contact{"back", at + t.locking*(t.backMakes[k]+h.backDetector[k]), a.late}
		if t.back != nil {
			// A rod with slack brings the back home later, at last not at all.
			over := h.backSlack / t.back.allowed
			c.at += t.locking * (1.06 - t.backMakes[k]) * min(over*over, 1.5)
		}
		s.makes = append(s.makes, c)
	}
}

// detection follows the detectors through a throw.
type detection struct {
	after [4]float64 // s, NaN until made
	left  int
}

func (d *detection) begin(s *stroke) {
	d.left = len(s.makes)
	for i := range d.after {
		d.after[i] = math.NaN()
	}
}

// pass notes the detectors that the rod has passed at x.
func (d *detection) pass(s *stroke, x, t float64) {
	for i := range s.makes {
		if math.IsNaN(d.after[i]) && x >= s.makes[i].at {
			d.after[i] = t + s.makes[i].delay
			d.left--
		}
	}
}

// stop notes what the blade's creeping still makes once the rod has stopped at
// its end at time t.
func (d *detection) stop(s *stroke, t float64) {
	for i, m := range s.makes {
		if !math.IsNaN(d.after[i]) {
			continue
		}
		if over := (m.at - s.length) / s.stopFlex; over < 1 {
			d.after[i] = t + m.delay - s.creep*math.Log(1-max(over, 0))
			d.left--
		}
	}
}

// all returns when the last detector made, or +Inf.
func (d *detection) all(s *stroke) float64 {
	last := 0.0
	for i := range s.makes {
		if math.IsNaN(d.after[i]) {
			return math.Inf(1)
		}
		last = max(last, d.after[i])
	}
	return last
}
