package wire

import (
	"fmt"
	"slices"

	"throwline/ingest"
)

// throw reads a throw into t, which keeps what could be read. withCabinet
// reads the cabinet too, as recordings carry it; on a topic it is no member.
func (r *reader) throw(t *ingest.Throw, withCabinet bool) {
	if !r.object("") {
		return
	}
	const (
		turnout seen = 1 << iota
		to
		startedAt
		completed
		channels
		id
		cabinet
		detections
		boot
		sequence
		rail
		supply
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "throw_id":
			if r.value(&s, id, "throw_id") {
				b, ok := r.bytes("throw_id", "text of 1 to 128 characters")
				if ok && len(b) == 0 {
					r.fault(r.path("throw_id"), "text of 1 to 128 characters", `""`)
				}
				t.ID = string(b)
			}
		case "turnout":
			if r.once(&s, turnout, "turnout") {
				t.Turnout = r.given("turnout", aName)
			}
		case "to":
			if r.once(&s, to, "to") {
				if b, ok := r.bytes("to", "normal or reverse"); ok {
					if t.To, ok = ingest.ParseEnd(string(b)); !ok {
						r.fault(r.path("to"), "normal or reverse", quoted(string(b)))
					}
				}
			}
		case "started_at":
			if r.once(&s, startedAt, "started_at") {
				t.StartedAt = r.moment("started_at")
			}
		case "completed":
			if r.once(&s, completed, "completed") {
				t.Completed = r.bool("completed")
			}
		case "detections":
			if r.value(&s, detections, "detections") {
				r.detections(t)
			}
		case "boot":
			if r.value(&s, boot, "boot") {
				t.Boot = r.given("boot", "text of 1 to 64 characters")
			}
		case "sequence":
			if r.value(&s, sequence, "sequence") {
				t.Sequence = r.count("sequence", 1)
			}
		case "rail_temperature_c":
			if r.value(&s, rail, "rail_temperature_c") {
				t.RailTemperature = r.reading("rail_temperature_c")
			}
		case "supply_v":
			if r.value(&s, supply, "supply_v") {
				t.Supply = r.reading("supply_v")
			}
		case "channels":
			if r.once(&s, channels, "channels") {
				r.channels(t)
			}
		case "cabinet":
			if !withCabinet {
				r.src.skip()
			} else if r.value(&s, cabinet, "cabinet") {
				t.Cabinet = r.given("cabinet", aName)
			}
		default:
			r.src.skip()
		}
	}
	r.lacking(s,
		required{turnout, "turnout", aName},
		required{to, "to", "normal or reverse"},
		required{startedAt, "started_at", aMoment},
		required{completed, "completed", aBool},
		required{channels, "channels", "a list of 1 to 16 channels"})
}

func (r *reader) channels(t *ingest.Throw) {
	if !r.elements("channels", "a list of 1 to 16 channels") {
		return
	}
	n := 0
	r.channelBuf = r.channelBuf[:0]
	for ; r.src.more(); n++ {
		if n >= ingest.MaxChannels {
			r.src.skip()
			continue
		}
		r.list, r.index = "channels", n
		c := ingest.Channel{Scale: 1}
		r.channel(&c)
		r.channelBuf = append(r.channelBuf, c)
	}
	r.list = ""
	if n > ingest.MaxChannels {
		r.fault(r.path("channels"), fmt.Sprintf("1 to %d", ingest.MaxChannels), fmt.Sprint(n))
	}
	if n > 0 {
		t.Channels = slices.Clone(r.channelBuf)
		clear(r.channelBuf) // the samples are the throw's alone
	}
}

func (r *reader) channel(c *ingest.Channel) {
	if !r.object("") {
		return
	}
	const (
		drive seen = 1 << iota
		quantity
		unit
		rate
		samples
		offset
		scale
		zero
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "drive":
			if r.once(&s, drive, "drive") {
				c.Drive = r.given("drive", "text of 1 to 64 characters")
			}
		case "quantity":
			if r.once(&s, quantity, "quantity") {
				b, _ := r.bytes("quantity", "the name of a quantity")
				c.Quantity = ingest.Quantity(r.name(b))
			}
		case "unit":
			if r.once(&s, unit, "unit") {
				b, _ := r.bytes("unit", "the name of a unit")
				c.Unit = ingest.Unit(r.name(b))
			}
		case "sample_rate_hz":
			if r.once(&s, rate, "sample_rate_hz") {
				c.SampleRate, _ = r.number("sample_rate_hz")
			}
		case "offset_s":
			if r.value(&s, offset, "offset_s") {
				c.Offset, _ = r.number("offset_s")
			}
		case "scale":
			if r.value(&s, scale, "scale") {
				c.Scale, _ = r.number("scale")
			}
		case "zero":
			if r.value(&s, zero, "zero") {
				c.Zero, _ = r.number("zero")
			}
		case "samples":
			if r.once(&s, samples, "samples") {
				r.samples(c)
			}
		default:
			r.src.skip()
		}
	}
	r.lacking(s,
		required{drive, "drive", "text of 1 to 64 characters"},
		required{quantity, "quantity", "the name of a quantity"},
		required{unit, "unit", "the name of a unit"},
		required{rate, "sample_rate_hz", aNumber},
		required{samples, "samples", aListOfNumbers})
}

func (r *reader) samples(c *ingest.Channel) {
	if k := r.src.kind(); k != kindList && k != kindOther {
		r.mismatch("samples", aListOfNumbers)
		return
	}
	most := min(ingest.MaxSamples, r.room-r.used)
	list, bad := r.src.samples(most)
	if r.src.failed() {
		return
	}
	if bad.expected != "" {
		path := r.path("samples")
		if bad.index >= 0 {
			path = fmt.Sprintf("%s[%d]", path, bad.index)
		}
		if bad.expected == tooMany(most) && most < ingest.MaxSamples {
			bad.expected = fmt.Sprintf("at most %d samples in all channels", r.room)
			bad.found = fmt.Sprintf("%s after %d", bad.found, r.used)
		}
		r.fault(path, bad.expected, bad.found)
		return
	}
	r.used += len(list)
	c.Samples = list
}

func (r *reader) detections(t *ingest.Throw) {
	if !r.elements("detections", "a list of detections") {
		return
	}
	const (
		place seen = 1 << iota
		after
	)
	n := 0
	r.detectionBuf = r.detectionBuf[:0]
	for ; r.src.more(); n++ {
		if n >= ingest.MaxDetections {
			r.src.skip()
			continue
		}
		r.list, r.index = "detections", n
		var d ingest.Detection
		if r.object("") {
			var s seen
			for {
				name, ok := r.next()
				if !ok {
					break
				}
				switch string(name) {
				case "place":
					if r.once(&s, place, "place") {
						d.Place = r.given("place", "text of 1 to 64 characters")
					}
				case "after_s":
					if r.once(&s, after, "after_s") {
						d.After = r.seconds("after_s")
					}
				default:
					r.src.skip()
				}
			}
			r.lacking(s,
				required{place, "place", "text of 1 to 64 characters"},
				required{after, "after_s", aNumber})
		}
		r.detectionBuf = append(r.detectionBuf, d)
	}
	r.list = ""
	if n > ingest.MaxDetections {
		r.fault(r.path("detections"), fmt.Sprintf("at most %d", ingest.MaxDetections), fmt.Sprint(n))
	}
	if n > 0 {
		t.Detections = slices.Clone(r.detectionBuf)
	}
}

// cabinet reads who sends; it must not contradict what is known of that.
func (r *reader) cabinet(known *string) {
	name := r.given("cabinet", aName)
	if *known == "" {
		*known = name
	} else if name != "" && name != *known {
		r.fault(r.path("cabinet"), quoted(*known)+" as in the topic", quoted(name))
	}
}

func (r *reader) state(c *ingest.CabinetState) {
	if !r.object("") {
		return
	}
	const (
		cabinet seen = 1 << iota
		state
		at
		agent
		offset
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "cabinet":
			if r.value(&s, cabinet, "cabinet") {
				r.cabinet(&c.Cabinet)
			}
		case "state":
			if r.once(&s, state, "state") {
				if b, ok := r.bytes("state", "online or offline"); ok {
					c.Online = string(b) == "online"
					if !c.Online && string(b) != "offline" {
						r.fault(r.path("state"), "online or offline", quoted(string(b)))
					}
				}
			}
		case "at":
			if r.once(&s, at, "at") {
				c.At = r.moment("at")
			}
		case "agent":
			if r.value(&s, agent, "agent") {
				c.Agent = r.text("agent", aText)
			}
		case "clock_offset_s":
			if r.value(&s, offset, "clock_offset_s") {
				c.ClockOffset = r.reading("clock_offset_s")
			}
		default:
			r.src.skip()
		}
	}
	if c.Cabinet == "" {
		r.lacking(s, required{cabinet, "cabinet", aName})
	}
	r.lacking(s, required{state, "state", "online or offline"}, required{at, "at", aMoment})
	if !r.ok() {
		r.adopt(c.Validate(noTime))
	}
}

func (r *reader) conditions(c *ingest.Conditions) {
	if !r.object("") {
		return
	}
	const (
		cabinet seen = 1 << iota
		at
		rail
		air
		supply
		rain
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "cabinet":
			if r.value(&s, cabinet, "cabinet") {
				r.cabinet(&c.Cabinet)
			}
		case "at":
			if r.once(&s, at, "at") {
				c.At = r.moment("at")
			}
		case "rail_temperature_c":
			if r.value(&s, rail, "rail_temperature_c") {
				c.RailTemperature = r.reading("rail_temperature_c")
			}
		case "air_temperature_c":
			if r.value(&s, air, "air_temperature_c") {
				c.AirTemperature = r.reading("air_temperature_c")
			}
		case "supply_v":
			if r.value(&s, supply, "supply_v") {
				c.Supply = r.reading("supply_v")
			}
		case "rain":
			if r.value(&s, rain, "rain") {
				if r.src.kind() != kindBool {
					r.mismatch("rain", aBool)
				} else if r.src.bool() {
					c.Rain = ingest.Known(1)
				} else {
					c.Rain = ingest.Known(0)
				}
			}
		default:
			r.src.skip()
		}
	}
	if c.Cabinet == "" {
		r.lacking(s, required{cabinet, "cabinet", aName})
	}
	r.lacking(s, required{at, "at", aMoment})
	if !r.ok() {
		r.adopt(c.Validate(noTime))
	}
}

func (r *reader) work(w *ingest.Work) {
	if !r.object("") {
		return
	}
	const (
		turnout seen = 1 << iota
		doneAt
		work
		note
		by
	)
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "turnout":
			if r.once(&s, turnout, "turnout") {
				w.Turnout = r.given("turnout", aName)
			}
		case "done_at":
			if r.once(&s, doneAt, "done_at") {
				w.DoneAt = r.moment("done_at")
			}
		case "work":
			if r.once(&s, work, "work") {
				b, _ := r.bytes("work", "a kind of work")
				w.Kind = ingest.WorkKind(r.name(b))
			}
		case "note":
			if r.value(&s, note, "note") {
				w.Note = r.text("note", aText)
			}
		case "by":
			if r.value(&s, by, "by") {
				w.By = r.text("by", aText)
			}
		default:
			r.src.skip()
		}
	}
	r.lacking(s,
		required{turnout, "turnout", aName},
		required{doneAt, "done_at", aMoment},
		required{work, "work", "a kind of work"})
	if !r.ok() {
		r.adopt(w.Validate(noTime))
	}
}

func (r *reader) arrival(a *ingest.Arrival) {
	if !r.object("") {
		return
	}
	const (
		at seen = 1 << iota
		throw
		work
		state
		conditions
	)
	const oneOf = "one of throw, work, state or conditions"
	var s seen
	for {
		name, ok := r.next()
		if !ok {
			break
		}
		switch string(name) {
		case "at":
			if r.once(&s, at, "at") {
				a.At = r.moment("at")
			}
		case "throw":
			if r.value(&s, throw, "throw") {
				a.Throw = new(ingest.Throw)
				r.inside("throw.", func() {
					r.throw(a.Throw, true)
					if !r.ok() {
						r.adopt(a.Throw.Validate(noTime))
					}
				})
			}
		case "work":
			if r.value(&s, work, "work") {
				a.Work = new(ingest.Work)
				r.inside("work.", func() { r.work(a.Work) })
			}
		case "state":
			if r.value(&s, state, "state") {
				a.State = new(ingest.CabinetState)
				r.inside("state.", func() { r.state(a.State) })
			}
		case "conditions":
			if r.value(&s, conditions, "conditions") {
				a.Conditions = new(ingest.Conditions)
				r.inside("conditions.", func() { r.conditions(a.Conditions) })
			}
		default:
			r.src.skip()
		}
	}
	r.lacking(s, required{at, "at", aMoment})
	if r.src.failed() {
		return
	}
	n := 0
	for _, there := range []bool{a.Throw != nil, a.Work != nil, a.State != nil, a.Conditions != nil} {
		if there {
			n++
		}
	}
	switch {
	case n == 0:
		r.fault("", oneOf, "none")
	case n > 1:
		r.fault("", oneOf, fmt.Sprint(n, " of them"))
	}
}

// inside reads what is a member of another object.
func (r *reader) inside(outer string, read func()) {
	r.outer = outer
	read()
	r.outer = ""
}
