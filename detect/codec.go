package detect

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"throwline/ingest"
)

// stateVersion is the first byte of a written state. A change to what visit
// walks over needs a new number and the old walk kept for reading.
const stateVersion = 9

// unseenVersion is the last whose tracks did not tell when they were last seen.
const unseenVersion = 8

// errState is the cause of every failure to read a state.
var errState = errors.New("state cut short or of another make")

// coder writes or reads a state: the same walk does both, so that they cannot
// disagree. Numbers are little-endian.
type coder struct {
	b       []byte
	at      int
	reading bool
	bad     bool
	version uint8 // that is written, 0 for the latest; or was read
}

func (c *coder) room(n int) []byte {
	if c.reading {
		if c.bad || len(c.b)-c.at < n {
			c.bad = true
			return nil
		}
		p := c.b[c.at : c.at+n]
		c.at += n
		return p
	}
	c.b = append(c.b, make([]byte, n)...)
	return c.b[len(c.b)-n:]
}

func (c *coder) f32(x *float32) {
	p := c.room(4)
	switch {
	case p == nil:
	case c.reading:
		*x = math.Float32frombits(binary.LittleEndian.Uint32(p))
	default:
		binary.LittleEndian.PutUint32(p, math.Float32bits(*x))
	}
}

func (c *coder) f32s(x []float32) {
	p := c.room(4 * len(x))
	if p == nil {
		return
	}
	for i := range x {
		if c.reading {
			x[i] = math.Float32frombits(binary.LittleEndian.Uint32(p[4*i:]))
		} else {
			binary.LittleEndian.PutUint32(p[4*i:], math.Float32bits(x[i]))
		}
	}
}

func (c *coder) i64(x *int64) {
	p := c.room(8)
	switch {
	case p == nil:
	case c.reading:
		*x = int64(binary.LittleEndian.Uint64(p))
	default:
		binary.LittleEndian.PutUint64(p, uint64(*x))
	}
}

// near walks a number that is mostly near another, in few bytes.
func (c *coder) near(x *int64, to int64) {
	if !c.reading {
		c.b = binary.AppendVarint(c.b, *x-to)
		return
	}
	if c.bad {
		return
	}
	d, n := binary.Varint(c.b[c.at:])
	if n <= 0 {
		c.bad = true
		return
	}
	c.at += n
	*x = to + d
}

func (c *coder) u32(x *uint32) {
	p := c.room(4)
	switch {
	case p == nil:
	case c.reading:
		*x = binary.LittleEndian.Uint32(p)
	default:
		binary.LittleEndian.PutUint32(p, *x)
	}
}

func (c *coder) u8(x *uint8) {
	p := c.room(1)
	switch {
	case p == nil:
	case c.reading:
		*x = p[0]
	default:
		p[0] = *x
	}
}

func (c *coder) i8(x *int8) {
	u := uint8(*x)
	c.u8(&u)
	if c.reading { // others may be reading a state that is written
		*x = int8(u)
	}
}

func (c *coder) flag(x *bool) {
	var u uint8
	if *x {
		u = 1
	}
	c.u8(&u)
	if c.reading {
		*x = u == 1
	}
}

// text walks a string of at most 65535 bytes.
func (c *coder) text(x *string) {
	n := len(*x)
	p := c.room(2)
	if p == nil {
		return
	}
	if c.reading {
		n = int(binary.LittleEndian.Uint16(p))
		if q := c.room(n); q != nil {
			*x = string(q)
		}
		return
	}
	binary.LittleEndian.PutUint16(p, uint16(n))
	copy(c.room(n), *x)
}

// count walks the length of a list of at most most.
func (c *coder) count(n, most int) int {
	u := uint8(n)
	c.u8(&u)
	if int(u) > most {
		c.bad = true
		return 0
	}
	if c.bad {
		return 0
	}
	return int(u)
}

// signal walks a signal of kind k. What has no effect on it is not learned and
// not written.
func (c *coder) signal(s *signal, k *kindOf) {
	c.f32s2(&s.n, &s.level, &s.fixed, &s.v, &s.recent)
	for i, doubt := range k.doubt {
		if doubt > 0 {
			c.f32s2(&s.slope[i], &s.precision[i], &s.slowX[i])
		}
	}
	c.f32s2(&s.slowY, &s.slowN, &s.sum, &s.count, &s.strange, &s.size, &s.epoch, &s.blocks, &s.vb, &s.wb, &s.cb, &s.last, &s.fast, &s.drift, &s.vs, &s.peak, &s.wander, &s.up, &s.down)
	c.i64(&s.closed)
	c.near(&s.opened, s.closed)
	c.near(&s.upSince, s.closed)
	c.i8(&s.run)
	c.i8(&s.alarm)
	c.i8(&s.above)
	c.i8(&s.calm)
	c.i8(&s.settling)
	if s.settling != 0 {
		c.i8(&s.group)
		c.f32(&s.before)
		g := new([groupCount]float32)
		if s.groups != nil {
			*g = *s.groups
		}
		c.f32s(g[:])
		if c.reading {
			s.groups = g
		}
		if s.group < 1 || s.settling > groupCount*s.group {
			c.bad = true
		}
	}
	c.flag(&s.low)
	c.flag(&s.fallen)
}

func (c *coder) f32s2(list ...*float32) {
	p := c.room(4 * len(list))
	if p == nil {
		return
	}
	for i, x := range list {
		if c.reading {
			*x = math.Float32frombits(binary.LittleEndian.Uint32(p[4*i:]))
		} else {
			binary.LittleEndian.PutUint32(p[4*i:], math.Float32bits(*x))
		}
	}
}

func (c *coder) spell(p *spell) {
	c.i64(&p.since)
	c.u8(&p.good)
	c.u8(&p.need)
	c.text(&p.throw)
	c.f32s2(&p.z, &p.pct)
	c.u8(&p.which)
	if p.which >= numSignals {
		c.bad = true
	}
	c.text(&p.drive)
}

// standing walks a spell that is nothing while it does not stand.
func (c *coder) standing(p *spell) bool {
	stands := p.since != 0
	c.flag(&stands)
	if stands {
		c.spell(p)
	}
	return stands
}

// track walks a track of an end whose latest throw was at last.
func (c *coder) track(t *track, last int64) {
	c.text(&t.drive)
	q := string(t.quantity)
	c.text(&q)
	if c.reading {
		t.quantity = ingest.Quantity(q)
	}
	if c.version == unseenVersion {
		t.seen = last
	} else {
		c.near(&t.seen, last)
	}
	c.f32s2(&t.n, &t.unlock, &t.lock, &t.inrush, &t.idle, &t.running, &t.duration, &t.far)
	c.u8(&t.clips)
	c.i8(&t.side)
	c.u8(&t.useless)
	if t.useless > 0 {
		why := uint8(t.why)
		c.u8(&why)
		c.i64(&t.since)
		if c.reading {
			t.why = Quality(why)
		}
		c.f32(&t.pace)
	}
	c.i8(&t.settling)
	if t.settling > 0 {
		kind := string(t.work.kind)
		c.text(&kind)
		c.i64(&t.work.done)
		if c.reading {
			t.work.kind = ingest.WorkKind(kind)
		}
	}
	for i := range t.signals {
		c.signal(&t.signals[i], &kinds[i])
	}
	c.f32s(t.mid[:])
	c.f32s(t.spread[:])
	for i := range t.usual {
		c.f32s2(&t.usual[i].mean, &t.usual[i].v)
	}
}

func (c *coder) state(s *State) {
	if c.version == 0 {
		c.version = stateVersion
	}
	c.u8(&c.version)
	if c.version != stateVersion && c.version != unseenVersion {
		c.bad = true
		return
	}
	c.text(&s.turnout)
	c.u8(&s.called)
	c.u8(&s.told)
	c.f32s2(&s.arl, &s.grown)
	for i := range s.ends {
		e := &s.ends[i]
		c.i64(&e.last)
		c.u32(&e.total)
		c.flag(&e.completed)
		c.f32(&e.supply)
		c.signal(&e.sag, &sagKind)
		c.standing(&e.incomplete)
		c.spell(&e.odd)
		if c.standing(&e.slow.spell) {
			c.f32s2(&e.slow.took, &e.slow.allowed)
		}
		c.f32s2(&e.often, &e.rate)
		c.flag(&e.out)
		c.f32s(e.felt[:])
		c.flag(&e.feels)
		c.f32(&e.allowed)
		c.f32s(e.raw[:])
		c.f32s2(&e.cold, &e.wet)
		c.f32s2(&e.less, &e.lessUsual, &e.shared)
		n := c.count(len(e.tracks), maxTracks)
		if c.reading {
			e.tracks = make([]track, n)
		}
		for j := range n {
			c.track(&e.tracks[j], e.last)
		}
		n = c.count(len(e.places), maxPlaces)
		if c.reading {
			e.places = make([]place, n)
		}
		for j := range n {
			c.text(&e.places[j].name)
			c.signal(&e.places[j].lag, &lagKind)
			c.flag(&e.places[j].soft)
			c.flag(&e.places[j].anew)
		}
	}
}

// AppendBinary appends the state for the store to b. The error is always nil.
func (s *State) AppendBinary(b []byte) ([]byte, error) {
	c := coder{b: b}
	copied := *s // the walk writes back what it read; the state itself stays
	c.state(&copied)
	return c.b, nil
}

// MarshalBinary writes the state for the store.
func (s *State) MarshalBinary() ([]byte, error) { return s.AppendBinary(nil) }

// UnmarshalBinary reads what MarshalBinary wrote, of this or any earlier release.
func (s *State) UnmarshalBinary(b []byte) error {
	c := coder{b: b, reading: true}
	var read State
	c.state(&read)
	if c.bad || c.at != len(b) {
		return fmt.Errorf("turnout %q: expected a state of version %d, found %d bytes: %w", read.turnout, stateVersion, len(b), errState)
	}
	*s = read
	return nil
}
