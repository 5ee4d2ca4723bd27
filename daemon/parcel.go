package daemon

import (
	"fmt"
	"runtime/debug"
	"time"

	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// kind is what a parcel's payload should be.
type kind uint8

const (
	aThrow kind = iota
	aState
	someConditions
	someWork    // recorded by hand; there is no payload
	aLine       // of a recording: any of the others
	aMapped     // a throw of a cabinet that cannot be changed
	aSpark      // of an edge node of Sparkplug: a throw's parts, or presence; there may be no payload
	aStrayTopic // a topic that names no cabinet or turnout
	aDeed       // of people, or in their place; there is no payload
)

// parcel is one thing on its way from where it arrived to the ledger.
type parcel struct {
	kind    kind
	topic   string
	cabinet string // of the topic
	turnout string // of the topic
	payload []byte
	mapping *wire.Map // of aMapped
	spark   *sparkParcel
	arrived time.Time
	ack     func() // nil where nobody waits for it

	// Set by reading. Exactly one of the five is not nil afterwards.
	throw      *ingest.Throw
	presence   *ingest.CabinetState
	conditions *ingest.Conditions
	work       *ingest.Work
	refusal    *ingest.Refusal
	observed   *detect.Observation // of throw
	faulty     error               // a fault of ours that made the refusal, to be logged

	// deed enters what people do; refused is the answer to them.
	deed func(f *filer, tx entries, d *draft) (refused, err error)

	// Set by filing.
	weathered bool  // the observation has what the weather knows
	answer    error // to who asked

	counted int64 // of size, in the pipeline's room

	aside int64      // the set-aside message that is sent through again; 0: none
	done  chan error // told the answer once it is filed; nil: nobody asks
}

// reader turns payloads into what they say and measures throws. It is not for
// concurrent use.
type reader struct {
	limits   wire.Limits
	decoder  *wire.Decoder
	measurer detect.Measurer
}

func newReader(l wire.Limits) *reader { return &reader{limits: l, decoder: wire.NewDecoder(l)} }

// read reads the parcel. It never fails: what cannot be read is refused.
func (r *reader) read(p *parcel) {
	if p.refusal != nil {
		return // refused before it could be read
	}
	defer func() {
		// A payload that trips a fault of ours would come again after a restart
		// and trip it for ever: it is set aside like any that cannot be taken.
		if x := recover(); x != nil {
			*r = *newReader(r.limits)
			p.fail(fmt.Errorf("reading: %v\n%s", x, debug.Stack()))
		}
	}()
	if err := r.decode(p); err != nil {
		if p.maybe() {
			p.throw = nil
			return
		}
		p.refuse(err)
		return
	}
	if p.throw != nil {
		p.observed = r.measurer.Measure(p.throw)
	}
}

func (r *reader) decode(p *parcel) (err error) {
	switch p.kind {
	case aThrow:
		if p.throw, err = r.decoder.Throw(p.payload); err != nil {
			return err
		}
		p.throw.Cabinet = p.cabinet
		if err = p.throw.Validate(p.arrived); err != nil {
			return err
		}
		if p.turnout != p.throw.Turnout {
			return &ingest.Refusal{
				Faults:  []ingest.Fault{{Path: "turnout", Expected: fmt.Sprintf("%q, as the topic says", p.turnout), Found: fmt.Sprintf("%q", p.throw.Turnout)}},
				Turnout: p.turnout, Boot: p.throw.Boot, Sequence: p.throw.Sequence,
			}
		}
	case aMapped:
		if p.throw, err = r.decoder.Mapped(p.mapping, p.cabinet, p.turnout, p.payload, p.arrived); err == nil {
			p.cabinet, p.turnout = p.throw.Cabinet, p.throw.Turnout
		}
	case aSpark:
		if p.presence != nil {
			return p.presence.Validate(p.arrived)
		}
		if p.throw, err = r.spark(p.spark, p.arrived); err == nil {
			p.cabinet, p.turnout = p.throw.Cabinet, p.throw.Turnout
		}
	case aState:
		if p.presence, err = r.decoder.State(p.cabinet, p.payload); err == nil {
			err = p.presence.Validate(p.arrived)
		}
	case someConditions:
		if p.conditions, err = r.decoder.Conditions(p.cabinet, p.payload); err == nil {
			err = p.conditions.Validate(p.arrived)
		}
	case someWork:
		err = p.work.Validate(p.arrived)
	case aLine:
		return r.line(p)
	default:
		err = &ingest.Refusal{Faults: []ingest.Fault{{
			Path: "topic", Expected: "a cabinet and a turnout of 1 to 64 of A-Z a-z 0-9 . _ -", Found: fmt.Sprintf("%.200q", p.topic),
		}}}
	}
	return err
}

// line reads one line of a recording.
func (r *reader) line(p *parcel) error {
	a, err := r.decoder.Arrival(p.payload)
	if err != nil {
		return err
	}
	p.arrived = a.At
	p.throw, p.presence, p.conditions, p.work = a.Throw, a.State, a.Conditions, a.Work
	switch {
	case p.throw != nil:
		p.cabinet, p.turnout = p.throw.Cabinet, p.throw.Turnout
		return p.throw.Validate(a.At)
	case p.work != nil:
		return p.work.Validate(a.At)
	case p.presence != nil:
		return p.presence.Validate(a.At)
	}
	return p.conditions.Validate(a.At)
}

// refuse keeps the reasons and nothing else of what was read.
func (p *parcel) refuse(err error) {
	p.refusal = ingest.AsRefusal(err)
	if p.refusal == nil {
		p.fail(err)
		return
	}
	p.throw, p.presence, p.conditions, p.work, p.observed = nil, nil, nil, nil, nil
	if p.refusal.Turnout == "" {
		p.refusal.Turnout = p.turnout
	}
}

// fail refuses the parcel for a fault of ours.
func (p *parcel) fail(err error) {
	p.faulty = err
	p.refuse(ourFault(p.throw))
}
