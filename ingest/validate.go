package ingest

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Limits of the contract.
const (
	MaxNameLen     = 64
	MaxIDLen       = 128
	MaxChannels    = 16
	MinSamples     = 8
	MaxSamples     = 200_000
	MinSampleRate  = 5.0
	MaxSampleRate  = 20_000.0
	MaxDetections  = 64
	MaxPlaceLen    = 64
	MaxNoteLen     = 4096
	MaxAgentLen    = 256
	MaxOffset      = 3600.0        // s either way; a trace belongs to its throw
	MaxClockAhead  = time.Hour     // beyond arrival, a time is a wrong clock
	MaxThrowLength = 2 * time.Hour // the longest trace that can be one movement
	MaxSequence    = 1<<53 - 1     // beyond it, JSON's readers lose count (RFC 8259, section 6)
	MaxPhysical    = 1e12          // of sample × scale, and of zero: their squares can still be summed
)

// Earliest is the oldest time that is believed: before it, a clock was never set.
var Earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// Fault is one rule that a message breaks.
type Fault struct {
	Path     string // where, e.g. "channels[1].unit"; "" for the whole
	Expected string
	Found    string
}

func (f Fault) String() string {
	where := f.Path
	if where == "" {
		where = "message"
	}
	return fmt.Sprintf("%s: expected %s, found %s", where, f.Expected, f.Found)
}

// Refusal is a message that cannot be believed, and every rule it breaks.
// What could be read of it in spite of that is kept, so that a receipt can
// count it and a screen can say whose it was.
type Refusal struct {
	Faults   []Fault
	Turnout  string
	Boot     string
	Sequence uint64
}

func (r *Refusal) Error() string {
	parts := make([]string, len(r.Faults))
	for i, f := range r.Faults {
		parts[i] = f.String()
	}
	return strings.Join(parts, "; ")
}

// AsRefusal returns the Refusal in err's chain, or nil.
func AsRefusal(err error) *Refusal {
	var r *Refusal
	if errors.As(err, &r) {
		return r
	}
	return nil
}

// faults collects what is wrong; at most maxFaults are kept, so that a message
// broken everywhere has a reason of bounded length.
type faults struct{ list []Fault }

const maxFaults = 16

func (f *faults) add(path, expected, found string) {
	if len(f.list) < maxFaults {
		f.list = append(f.list, Fault{path, expected, found})
	}
}

func (f *faults) refusal() *Refusal {
	if len(f.list) == 0 {
		return nil
	}
	return &Refusal{Faults: f.list}
}

// ValidName reports whether s can name a cabinet or a turnout:
// 1 to 64 of A-Z a-z 0-9 . _ -
func ValidName(s string) bool {
	if len(s) == 0 || len(s) > MaxNameLen {
		return false
	}
	for i := range len(s) {
		switch c := s[i]; {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= '0' && c <= '9', c == '.', c == '_', c == '-':
		default:
			return false
		}
	}
	return true
}

// AheadOfArrival is in what was expected of a time that is refused for being ahead
// of its arrival.
const AheadOfArrival = " after its arrival at "

// AheadOnly reports whether a message was refused for nothing but times ahead of its
// arrival, and until when it was ahead: a clock was wrong, the sender's or that of who
// took it.
func AheadOnly(faults []Fault) (until time.Time, only bool) {
	for _, f := range faults {
		at, err := time.Parse(time.RFC3339, f.Found)
		if err != nil || !strings.Contains(f.Expected, AheadOfArrival) {
			return time.Time{}, false
		}
		if at = at.Add(time.Second); at.After(until) { // it is told to the second
			until = at
		}
	}
	return until, len(faults) > 0
}

const nameRule = "1 to 64 of A-Z a-z 0-9 . _ -"

func (f *faults) name(path, s string) {
	if !ValidName(s) {
		f.add(path, nameRule, quoted(s))
	}
}

// text checks free text of min to most characters without control characters.
func (f *faults) text(path, s string, least, most int) {
	n := utf8.RuneCountInString(s)
	if n < least || n > most {
		f.add(path, fmt.Sprintf("%d to %d characters", least, most), fmt.Sprintf("%d", n))
		return
	}
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
		f.add(path, "text without control characters", quoted(s))
	}
}

func (f *faults) moment(path string, t, arrived time.Time) {
	switch {
	case t.IsZero():
		f.add(path, "a time after RFC 3339 with a zone", "nothing")
	case t.Before(Earliest):
		f.add(path, "a time from "+Earliest.Format(time.RFC3339)+" on (was the clock set?)", t.Format(time.RFC3339))
	case !arrived.IsZero() && t.After(arrived.Add(MaxClockAhead)):
		f.add(path, fmt.Sprintf("a time at most %s%s%s (is the clock right?)", MaxClockAhead, AheadOfArrival, arrived.UTC().Format(time.RFC3339)), t.Format(time.RFC3339))
	}
}

func (f *faults) number(path string, v, low, high float64) {
	if !(v >= low && v <= high) {
		f.add(path, fmt.Sprintf("a number from %g to %g", low, high), fmt.Sprintf("%g", v))
	}
}

func (f *faults) reading(path string, r Reading, low, high float64) {
	if r.Known {
		f.number(path, r.Value, low, high)
	}
}

func quoted(s string) string {
	if utf8.RuneCountInString(s) > 80 {
		s = string([]rune(s)[:80]) + "…"
	}
	return fmt.Sprintf("%q", s)
}

// Validate checks the throw against every rule of the contract. arrived is
// when it reached the program; the zero time leaves out the check against a
// clock that runs ahead. The error is nil or a [*Refusal] with all faults.
func (t *Throw) Validate(arrived time.Time) error {
	var f faults
	if t.ID != "" {
		f.text("throw_id", t.ID, 1, MaxIDLen)
	}
	f.name("turnout", t.Turnout)
	if t.To != Normal && t.To != Reverse {
		f.add("to", "normal or reverse", "neither")
	}
	f.moment("started_at", t.StartedAt, arrived)
	if len(t.Detections) > MaxDetections {
		f.add("detections", fmt.Sprintf("at most %d", MaxDetections), fmt.Sprint(len(t.Detections)))
	}
	for i := range t.Detections {
		t.Detections[i].validate(&f, i)
	}
	if t.Cabinet != "" {
		f.name("cabinet", t.Cabinet)
	}
	switch {
	case t.Boot == "" && t.Sequence != 0:
		f.add("boot", "boot and sequence together, or neither", "sequence alone")
	case t.Boot != "" && t.Sequence == 0:
		f.add("sequence", "a whole number from 1 beside boot", "nothing or 0")
	case t.Boot != "":
		f.text("boot", t.Boot, 1, MaxNameLen)
	}
	if t.Sequence > MaxSequence {
		f.add("sequence", fmt.Sprintf("a whole number up to %d", uint64(MaxSequence)), fmt.Sprint(t.Sequence))
	}
	f.reading("rail_temperature_c", t.RailTemperature, -90, 120)
	f.reading("supply_v", t.Supply, 0, 5000)
	if n := len(t.Channels); n < 1 || n > MaxChannels {
		f.add("channels", fmt.Sprintf("1 to %d", MaxChannels), fmt.Sprint(n))
	}
	for i := range t.Channels {
		t.Channels[i].validate(&f, i)
	}
	if r := f.refusal(); r != nil {
		return t.Refuse(r.Faults)
	}
	return nil
}

// Refuse returns the refusal of t with these faults. It names the turnout, cut
// to the length of a name, and the throw's number if it can be one.
func (t *Throw) Refuse(faults []Fault) *Refusal {
	r := &Refusal{Faults: faults, Turnout: t.Turnout}
	if len(r.Turnout) > MaxNameLen {
		r.Turnout = strings.ToValidUTF8(r.Turnout[:MaxNameLen], "")
	}
	if utf8.RuneCountInString(t.Boot) <= MaxNameLen && t.Sequence <= MaxSequence {
		r.Boot, r.Sequence = t.Boot, t.Sequence
	}
	return r
}

func (d *Detection) validate(f *faults, i int) {
	at := func(field string) string { return fmt.Sprintf("detections[%d].%s", i, field) }
	if !ValidName(d.Place) {
		f.text(at("place"), d.Place, 1, MaxPlaceLen)
	}
	if d.After < 0 || d.After > MaxThrowLength {
		f.number(at("after_s"), d.After.Seconds(), 0, MaxThrowLength.Seconds())
	}
}

func (c *Channel) validate(f *faults, i int) {
	at := func(field string) string { return fmt.Sprintf("channels[%d].%s", i, field) }
	// The paths are built only for what is wrong: this runs for every throw.
	if n := len(c.Drive); n < 1 || n > MaxNameLen || !ValidName(c.Drive) {
		f.text(at("drive"), c.Drive, 1, MaxNameLen)
	}
	units := c.Quantity.Units()
	if units == nil {
		f.add(at("quantity"), "one of "+join(Quantities[:]), quoted(string(c.Quantity)))
	} else if c.Unit != units[0] && (len(units) < 2 || c.Unit != units[1]) {
		f.add(at("unit"), join(units)+" for "+string(c.Quantity), quoted(string(c.Unit)))
	}
	if !(c.SampleRate >= MinSampleRate && c.SampleRate <= MaxSampleRate) {
		f.number(at("sample_rate_hz"), c.SampleRate, MinSampleRate, MaxSampleRate)
	}
	if !(math.Abs(c.Offset) <= MaxOffset) {
		f.number(at("offset_s"), c.Offset, -MaxOffset, MaxOffset)
	}
	if !(math.Abs(c.Scale) <= MaxPhysical) || c.Scale == 0 {
		f.add(at("scale"), "a number other than 0, at most 1e12 either way", fmt.Sprintf("%g", c.Scale))
	}
	if !(math.Abs(c.Zero) <= MaxPhysical) {
		f.number(at("zero"), c.Zero, -MaxPhysical, MaxPhysical)
	}
	n := len(c.Samples)
	if n < MinSamples || n > MaxSamples {
		f.add(at("samples"), fmt.Sprintf("%d to %d samples", MinSamples, MaxSamples), fmt.Sprint(n))
	} else if s := float64(n) / c.SampleRate; s > MaxThrowLength.Seconds() && c.SampleRate >= MinSampleRate {
		f.add(at("samples"), fmt.Sprintf("at most %s of one movement", MaxThrowLength), fmt.Sprintf("%.0f s", s))
	}
	// What is over the limit once scaled: it would make infinities of energies.
	// The comparison is false for NaN too.
	most := math.MaxFloat64
	if c.Scale != 0 {
		most = min(most, MaxPhysical/math.Abs(c.Scale))
	}
	for j, s := range c.Samples {
		if math.Abs(s) <= most {
			continue
		}
		path := fmt.Sprintf("channels[%d].samples[%d]", i, j)
		if math.IsNaN(s) || math.IsInf(s, 0) {
			f.add(path, "a finite number", fmt.Sprint(s))
			return
		} else if !math.IsNaN(c.Scale) { // else it is told above
			f.add(path, fmt.Sprintf("at most %g either way once scaled", MaxPhysical), fmt.Sprintf("%.6g", s*c.Scale))
			return
		}
	}
}

func join[S ~string](list []S) string {
	parts := make([]string, len(list))
	for i, s := range list {
		parts[i] = string(s)
	}
	return strings.Join(parts, ", ")
}

// Validate checks the state; see [Throw.Validate].
func (s *CabinetState) Validate(arrived time.Time) error {
	var f faults
	f.name("cabinet", s.Cabinet)
	f.moment("at", s.At, arrived)
	f.text("agent", s.Agent, 0, MaxAgentLen)
	f.reading("clock_offset_s", s.ClockOffset, -1e10, 1e10)
	if r := f.refusal(); r != nil {
		return r
	}
	return nil
}

// Validate checks the conditions; see [Throw.Validate].
func (c *Conditions) Validate(arrived time.Time) error {
	var f faults
	f.name("cabinet", c.Cabinet)
	f.moment("at", c.At, arrived)
	f.reading("rail_temperature_c", c.RailTemperature, -90, 120)
	f.reading("air_temperature_c", c.AirTemperature, -90, 80)
	f.reading("supply_v", c.Supply, 0, 5000)
	if r := f.refusal(); r != nil {
		return r
	}
	return nil
}

// Validate checks the work; see [Throw.Validate].
func (w *Work) Validate(arrived time.Time) error {
	var f faults
	f.name("turnout", w.Turnout)
	f.moment("done_at", w.DoneAt, arrived)
	known := w.Kind == Rebaselined && w.Note != ""
	for _, k := range WorkKinds {
		known = known || k == w.Kind
	}
	if !known {
		f.add("work", "one of "+join(WorkKinds[:]), quoted(string(w.Kind)))
	}
	f.text("note", w.Note, 0, MaxNoteLen)
	f.text("by", w.By, 0, MaxIDLen)
	if r := f.refusal(); r != nil {
		return r
	}
	return nil
}
