package wire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"throwline/ingest"
)

// How a member is to look, in words.
const (
	anObject       = "an object"
	aListOfNumbers = "a list of numbers"
	aMoment        = "a time after RFC 3339 with a zone"
	aName          = "1 to 64 of A-Z a-z 0-9 . _ -"
	aText          = "text"
	aNumber        = "a number"
	aBool          = "true or false"
	aCount         = "a whole number from 1"
	finite         = "a finite number that float64 can hold"
)

func tooMany(most int) string { return fmt.Sprintf("at most %d samples", most) }

// mostFaults is how many faults are told of one payload.
const mostFaults = 16

// mostNames is how many texts that come again and again are kept, and
// mostNameLen how long one may be.
const (
	mostNames   = 4096
	mostNameLen = 64
)

// reader reads messages from a source of either syntax, and collects what is
// wrong with them.
type reader struct {
	src    source
	faults []ingest.Fault
	names  map[string]string // drives, places, boots: one string for each
	room   int               // the limit on all samples of a throw
	used   int               // samples read so far

	// Where the reader is, for the paths of faults.
	outer string // "throw." in a recording
	list  string // "channels", or "" outside a list
	index int
	last  place // of the member begun last

	channelBuf   []ingest.Channel
	detectionBuf []ingest.Detection
}

func (r *reader) reset() {
	r.faults = nil
	r.used = 0
	r.outer, r.list, r.index = "", "", 0
	r.last.member = r.last.member[:0]
	r.last.list = ""
}

func (r *reader) ok() bool { return len(r.faults) == 0 }

func (r *reader) refusal() *ingest.Refusal { return &ingest.Refusal{Faults: r.faults} }

// path is where the member is; "" for the object that is being read.
func (r *reader) path(member string) string {
	if r.list == "" {
		if member == "" {
			return strings.TrimSuffix(r.outer, ".")
		}
		return r.outer + member
	}
	if member == "" {
		return fmt.Sprintf("%s%s[%d]", r.outer, r.list, r.index)
	}
	return fmt.Sprintf("%s%s[%d].%s", r.outer, r.list, r.index, member)
}

func (r *reader) fault(path, expected, found string) {
	if len(r.faults) < mostFaults {
		r.faults = append(r.faults, ingest.Fault{Path: path, Expected: expected, Found: found})
	}
}

// broken tells that the source is, even where there are many faults already.
func (r *reader) broken(f ingest.Fault) {
	if len(r.faults) >= mostFaults {
		r.faults = r.faults[:mostFaults-1]
	}
	r.faults = append(r.faults, f)
}

// mismatch reads the next value, which is not what the member should be.
func (r *reader) mismatch(member, expected string) {
	found := r.src.take()
	if !r.src.failed() {
		r.fault(r.path(member), expected, found)
	}
}

// adopt takes over the faults that a check found in what could be read, except
// where reading has found one already.
func (r *reader) adopt(err error) {
	refusal := ingest.AsRefusal(err)
	if refusal == nil || r.src.failed() {
		return
	}
	read := len(r.faults)
	for _, f := range refusal.Faults {
		f.Path = r.outer + f.Path
		told := slices.ContainsFunc(r.faults[:read], func(had ingest.Fault) bool {
			return within(f.Path, had.Path) || within(had.Path, f.Path)
		})
		if !told {
			r.fault(f.Path, f.Expected, f.Found)
		}
	}
}

// within reports whether path is outer or a part of it.
func within(path, outer string) bool {
	rest, ok := strings.CutPrefix(path, outer)
	return ok && (rest == "" || outer == "" || rest[0] == '.' || rest[0] == '[')
}

// seen is a set of members, by bit.
type seen uint32

// required is a member that has to be there.
type required struct {
	bit    seen
	member string
	rule   string
}

// object begins to read an object; false if there is none.
func (r *reader) object(member string) bool {
	if r.src.kind() != kindObject {
		r.mismatch(member, anObject)
		return false
	}
	r.src.open()
	return true
}

// place is where a member stands. It outlives the reading of the list around it.
type place struct {
	list   string
	index  int
	member []byte // of its own bytes
}

// next reads the name of the next member, and notes where it stands.
func (r *reader) next() ([]byte, bool) {
	name, ok := r.src.next()
	if !ok && r.src.failed() {
		return nil, false
	}
	r.last.list, r.last.index = r.list, r.index
	r.last.member = append(r.last.member[:0], name[:min(len(name), mostNameLen)]...)
	return name, ok
}

// lastPath is the path of the member begun last.
func (r *reader) lastPath() string {
	r.list, r.index = r.last.list, r.last.index
	return r.path(strings.ToValidUTF8(string(r.last.member), "\ufffd"))
}

// once notes a member and reports whether it is to be read: not when it was
// there before. (JSON never comes here with the second.)
func (r *reader) once(s *seen, bit seen, member string) bool {
	if *s&bit != 0 {
		r.fault(r.path(member), "every member once", "it again")
		r.src.skip()
		return false
	}
	*s |= bit
	return true
}

// value is once for a member that may be null, and is then as if absent.
func (r *reader) value(s *seen, bit seen, member string) bool {
	if !r.once(s, bit, member) {
		return false
	}
	if r.src.kind() == kindNull {
		r.src.skip()
		return false
	}
	return true
}

// lacking tells the required members that were not there.
func (r *reader) lacking(s seen, want ...required) {
	if r.src.failed() {
		return
	}
	for _, w := range want {
		if s&w.bit == 0 {
			r.fault(r.path(w.member), w.rule, "nothing")
		}
	}
}

// name keeps one string for texts that come again and again.
func (r *reader) name(b []byte) string {
	if s, ok := r.names[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(b) <= mostNameLen && len(r.names) < mostNames {
		r.names[s] = s
	}
	return s
}

// bytes reads a text; not ok if there is none.
func (r *reader) bytes(member, expected string) ([]byte, bool) {
	if r.src.kind() != kindText {
		r.mismatch(member, expected)
		return nil, false
	}
	b, valid := r.src.text()
	if !valid && !r.src.failed() {
		r.fault(r.path(member), "text in UTF-8", fmt.Sprintf("% x", b[:min(len(b), 16)]))
	}
	return b, valid && !r.src.failed()
}

func (r *reader) text(member, expected string) string {
	b, _ := r.bytes(member, expected)
	return string(b)
}

// given reads a text of a member that must not be empty where it is there.
func (r *reader) given(member, expected string) string {
	b, ok := r.bytes(member, expected)
	if ok && len(b) == 0 {
		r.fault(r.path(member), expected, `""`)
	}
	return r.name(b)
}

func (r *reader) moment(member string) time.Time {
	if k := r.src.kind(); k != kindText && k != kindMoment {
		r.mismatch(member, aMoment)
		return time.Time{}
	}
	b, _ := r.src.text()
	if r.src.failed() {
		return time.Time{}
	}
	t, ok := parseMoment(b)
	if !ok {
		r.fault(r.path(member), aMoment, quoted(string(b)))
	}
	return t
}

func (r *reader) number(member string) (float64, bool) {
	if r.src.kind() != kindNumber {
		r.mismatch(member, aNumber)
		return 0, false
	}
	n := r.src.number()
	if n.found != "" {
		r.fault(r.path(member), finite, n.found)
	}
	return n.value, n.found == "" && !r.src.failed()
}

func (r *reader) reading(member string) ingest.Reading {
	v, ok := r.number(member)
	return ingest.Reading{Value: v, Known: ok}
}

func (r *reader) count(member string, least uint64) uint64 {
	expected := aCount
	if least == 0 {
		expected = "a whole number from 0"
	}
	if r.src.kind() != kindNumber {
		r.mismatch(member, expected)
		return 0
	}
	n := r.src.number()
	if r.src.failed() {
		return 0
	}
	if !n.isWhole || n.whole < least {
		found := n.found
		if found == "" {
			found = fmt.Sprint(n.value)
		}
		r.fault(r.path(member), expected, found)
		return 0
	}
	return n.whole
}

func (r *reader) bool(member string) bool {
	if r.src.kind() != kindBool {
		r.mismatch(member, aBool)
		return false
	}
	return r.src.bool()
}

// elements begins to read a list; false if there is none.
func (r *reader) elements(member, expected string) bool {
	if r.src.kind() != kindList {
		r.mismatch(member, expected)
		return false
	}
	r.src.open()
	return true
}

// seconds reads a duration given in seconds, to the nearest nanosecond.
func (r *reader) seconds(member string) time.Duration {
	v, ok := r.number(member)
	if !ok {
		return 0
	}
	if math.Abs(v) > 1e9 { // 30 years; a Duration ends at 292
		r.fault(r.path(member), "seconds, at most 1e9 either way", fmt.Sprint(v))
		return 0
	}
	return time.Duration(math.Round(v * 1e9))
}

func quoted(s string) string { return fmt.Sprintf("%q", clip(s, 80)) }

// clip shortens s to about most bytes, at the beginning of a character.
func clip(s string, most int) string {
	if len(s) <= most {
		return s
	}
	for most > 0 && !utf8.RuneStart(s[most]) {
		most--
	}
	return s[:most] + "…"
}
