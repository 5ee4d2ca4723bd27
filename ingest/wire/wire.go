// Package wire turns the bytes that cabinets send and recordings hold into the
// types of package ingest, and back.
//
// A payload is JSON (RFC 8259) or CBOR (RFC 8949, samples also as typed arrays
// of RFC 8746), plain or in gzip or zstd; which one is told from its first
// bytes. Both syntaxes are read by one description of the messages, so that
// they cannot drift apart.
//
// What cannot be read is refused with an [ingest.Refusal]: where, what was
// expected, what was found, for as many faults as can be told apart. Members
// that are not known are ignored, so that senders may grow; a null stands for
// an optional member that is absent; a member given twice is refused (in CBOR,
// one that is known). Where a whole number is wanted, 1.0 and 1e0 are 1.
package wire

import (
	"fmt"
	"io"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"throwline/ingest"
)

// Limits bound what one payload, or one line of a recording, may cost.
type Limits struct {
	Bytes        int // of a payload as it arrives
	Decompressed int // bytes of a payload once decompressed, and of a recording's line
	Samples      int // over all channels of a throw
}

// DefaultLimits returns limits that leave room for every throw of the
// contract: 16 channels of 200,000 samples, at ten bytes a sample.
func DefaultLimits() Limits {
	return Limits{
		Bytes:        16 << 20,
		Decompressed: 32 << 20,
		Samples:      ingest.MaxChannels * ingest.MaxSamples,
	}
}

// or returns the limits with the defaults in place of what is not above zero.
func (l Limits) or(defaults Limits) Limits {
	if l.Bytes <= 0 {
		l.Bytes = defaults.Bytes
	}
	if l.Decompressed <= 0 {
		l.Decompressed = defaults.Decompressed
	}
	if l.Samples <= 0 {
		l.Samples = defaults.Samples
	}
	return l
}

// Decoder reads payloads. It keeps buffers from one payload to the next, but
// nothing that it returned or was given. It is not for concurrent use.
type Decoder struct {
	limits Limits
	unpack unpacker
	json   jsonSource
	cbor   cborSource
	mode   cbor.DecMode
	reader reader
}

// NewDecoder returns a Decoder that keeps to the limits; a limit that is not
// above zero is the one of [DefaultLimits].
func NewDecoder(l Limits) *Decoder {
	l = l.or(DefaultLimits())
	d := &Decoder{limits: l, mode: newMode()}
	d.unpack.most = l.Decompressed
	d.reader.names = make(map[string]string)
	d.reader.room = l.Samples
	return d
}

// Throw reads a throw. The error is nil or an [*ingest.Refusal] with all
// faults that could be told apart, and with Turnout, Boot and Sequence as far
// as they could be read. A throw that is returned has every required member in
// its right type, but is still to be checked by [ingest.Throw.Validate]; its
// Cabinet is left to the caller, who knows the topic.
func (d *Decoder) Throw(payload []byte) (*ingest.Throw, error) {
	t := new(ingest.Throw)
	body, broken := d.read(payload, d.limits.Bytes, func(r *reader) {
		r.throw(t, false)
		if len(r.faults) > 0 {
			r.adopt(t.Validate(noTime))
		}
	})
	if d.reader.ok() {
		return t, nil
	}
	r := t.Refuse(d.reader.faults)
	if broken {
		salvage(body, r)
	}
	return nil, r
}

// State reads what a cabinet, or its broker, says of its presence. cabinet is
// the topic's; a payload that names another is refused. With "" the payload
// has to name it. Errors and checks are as for [Decoder.Throw].
func (d *Decoder) State(cabinet string, payload []byte) (*ingest.CabinetState, error) {
	s := &ingest.CabinetState{Cabinet: cabinet}
	d.read(payload, d.limits.Bytes, func(r *reader) { r.state(s) })
	if !d.reader.ok() {
		return nil, d.reader.refusal()
	}
	return s, nil
}

// Conditions reads what a cabinet measured of its surroundings; cabinet and
// errors are as for [Decoder.State].
func (d *Decoder) Conditions(cabinet string, payload []byte) (*ingest.Conditions, error) {
	c := &ingest.Conditions{Cabinet: cabinet}
	d.read(payload, d.limits.Bytes, func(r *reader) { r.conditions(c) })
	if !d.reader.ok() {
		return nil, d.reader.refusal()
	}
	return c, nil
}

// Receipt reads what Throwline answers to a cabinet that numbers its throws.
// Errors are as for [Decoder.Throw].
func (d *Decoder) Receipt(payload []byte) (ingest.Receipt, error) {
	var rec ingest.Receipt
	d.read(payload, d.limits.Bytes, func(r *reader) { r.receipt(&rec) })
	if !d.reader.ok() {
		return ingest.Receipt{}, d.reader.refusal()
	}
	return rec, nil
}

// Arrival reads one line of a recording; a throw in it may carry its cabinet.
// Errors are as for [Decoder.Throw], with the path from the line's own object
// ("throw.channels[0].unit"), and what is returned is still to be checked by
// the Validate of its content, with the arrival's At.
func (d *Decoder) Arrival(line []byte) (ingest.Arrival, error) {
	var a ingest.Arrival
	d.read(line, d.limits.Decompressed, func(r *reader) { r.arrival(&a) })
	if d.reader.ok() {
		return a, nil
	}
	// Of work, too, the turnout is what a reader wants to know.
	of := a.Throw
	if of == nil {
		of = new(ingest.Throw)
		if a.Work != nil {
			of.Turnout = a.Work.Turnout
		}
	}
	return ingest.Arrival{}, of.Refuse(d.reader.faults)
}

// read finds out what payload, of at most most bytes, is and has walk read it. It returns the payload
// decompressed, and whether its JSON is broken, so that what follows the
// break was not read.
func (d *Decoder) read(payload []byte, most int, walk func(*reader)) (body []byte, brokenJSON bool) {
	r := &d.reader
	r.reset()
	if len(payload) > most {
		r.fault("", fmt.Sprintf("at most %d bytes", most), fmt.Sprint(len(payload)))
		return nil, false
	}
	body, packed, err := d.unpack.unpack(payload)
	if err != nil {
		r.fault("", packed.String()+" that can be decompressed", err.Error())
		return nil, false
	}
	if len(body) > d.limits.Decompressed {
		r.fault("", fmt.Sprintf("at most %d bytes when decompressed", d.limits.Decompressed), "more")
		return nil, false
	}
	body, syntax := tell(body)
	switch {
	case syntax == syntaxJSON:
		d.json.reset(body)
		r.src = &d.json
		walk(r)
		d.json.end()
		if f, bad := d.json.fault(); bad {
			r.broken(f)
			brokenJSON = true
		}
		d.json.reset(nil) // keep nothing of the caller's
	case syntax == syntaxCBOR:
		// The library judges whether it is well formed at all; the walk reads
		// what it can even where it is not, for the receipt's sake.
		d.cbor.reset(body)
		malformed := d.mode.Wellformed(body)
		r.src = &d.cbor
		walk(r)
		if malformed != nil {
			where := ""
			if d.cbor.failed() {
				where = r.lastPath()
			}
			r.broken(ingest.Fault{Path: where, Expected: "CBOR after RFC 8949", Found: cborReason(malformed)})
		}
		d.cbor.reset(nil)
	case len(body) == 0:
		r.fault("", "a JSON object or a CBOR map", "nothing")
	case packed != plain && packing(body) != plain:
		r.fault("", "a JSON object or a CBOR map in the "+packed.String(), packing(body).String()+" again")
	default:
		r.fault("", "a JSON object or a CBOR map, plain or in gzip or zstd", "bytes that begin with "+sample(body))
	}
	r.src = nil
	return body, brokenJSON
}

type syntax uint8

const (
	syntaxUnknown syntax = iota
	syntaxJSON
	syntaxCBOR
)

// tell says in which syntax body is, and returns it without what may stand
// before it: blanks and a byte order mark before JSON (RFC 8259, section 8.1,
// leaves the latter to the reader).
func tell(body []byte) ([]byte, syntax) {
	if len(body) == 0 {
		return nil, syntaxUnknown
	}
	if body[0]>>5 == majorMap || len(body) > 3 && string(body[:3]) == selfDescribed {
		return body, syntaxCBOR
	}
	rest := body
	if len(rest) >= 3 && string(rest[:3]) == "\xef\xbb\xbf" {
		rest = rest[3:]
	}
	i := slices.IndexFunc(rest, func(c byte) bool { return !blank(c) })
	switch {
	case i < 0:
		return nil, syntaxUnknown
	case rest[i] == '{':
		return rest, syntaxJSON
	}
	return body, syntaxUnknown
}

func blank(c byte) bool { return c == ' ' || c == '\n' || c == '\r' || c == '\t' }

// sample shows the first bytes of something unknown.
func sample(b []byte) string {
	b = b[:min(len(b), 12)]
	for _, c := range b {
		if c < ' ' || c > '~' {
			return fmt.Sprintf("% x", b)
		}
	}
	return fmt.Sprintf("%q", b)
}

// endOfFile tells the two ways in which libraries report data cut short.
func endOfFile(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }
