package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"throwline/ingest"
)

// jsonSource reads JSON. The grammar, the UTF-8 and the names given twice are
// jsontext's; only the numbers of a list of samples are read here, from a list
// that is known to be well formed.
type jsonSource struct {
	dec     jsontext.Decoder
	in      bytes.Buffer
	err     error
	scratch []byte
}

func (j *jsonSource) reset(body []byte) {
	// Of a bytes.Buffer the decoder reads the bytes where they are.
	j.in = *bytes.NewBuffer(body)
	j.dec.Reset(&j.in)
	j.err = nil
	if cap(j.scratch) > mostKept {
		j.scratch = nil
	}
}

func (j *jsonSource) failed() bool { return j.err != nil }

// end makes sure that nothing follows the object.
func (j *jsonSource) end() {
	if j.err != nil || j.dec.StackDepth() > 0 {
		return
	}
	if _, err := j.dec.ReadToken(); err == nil {
		j.err = errMore
	} else if err != io.EOF {
		j.err = err
	}
}

var errMore = errors.New("another value after it")

// fault says where and why the JSON is broken, if it is.
func (j *jsonSource) fault() (ingest.Fault, bool) {
	if j.err == nil {
		return ingest.Fault{}, false
	}
	f := ingest.Fault{Expected: "JSON after RFC 8259", Found: j.err.Error()}
	var bad *jsontext.SyntacticError
	switch {
	case errors.As(j.err, &bad):
		f.Path = dotted(bad.JSONPointer)
		switch {
		case errors.Is(bad, jsontext.ErrDuplicateName):
			f.Expected, f.Found = "every member once", "it again"
		case errors.Is(bad, io.ErrUnexpectedEOF):
			f.Found = fmt.Sprintf("its end after %d bytes (cut short?)", bad.ByteOffset)
		case bad.Err != nil:
			f.Found = fmt.Sprintf("%s, at byte %d", bad.Err, bad.ByteOffset)
		}
	case endOfFile(j.err):
		f.Found = "its end (cut short?)"
	case j.err == errMore:
		f.Expected = "one JSON object"
	}
	return f, true
}

// dotted writes a JSON pointer as the paths of faults are: channels[1].unit.
func dotted(p jsontext.Pointer) string {
	var b strings.Builder
	n := 0
	for token := range p.Tokens() {
		if n++; n > 8 || b.Len() > 200 {
			b.WriteString("…")
			break
		}
		if _, err := strconv.ParseUint(token, 10, 32); err == nil {
			fmt.Fprintf(&b, "[%s]", token)
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(clip(token, 64))
	}
	return b.String()
}

func (j *jsonSource) kind() kind {
	if j.err != nil {
		return kindBroken
	}
	switch j.dec.PeekKind() {
	case 'n':
		return kindNull
	case 't', 'f':
		return kindBool
	case '"':
		return kindText
	case '0':
		return kindNumber
	case '{':
		return kindObject
	case '[':
		return kindList
	}
	j.token() // says why
	return kindBroken
}

func (j *jsonSource) token() jsontext.Token {
	t, err := j.dec.ReadToken()
	if err != nil && j.err == nil {
		j.err = err
	}
	return t
}

func (j *jsonSource) value() jsontext.Value {
	if j.err != nil {
		return nil
	}
	v, err := j.dec.ReadValue()
	if err != nil {
		j.err = err
		return nil
	}
	return v
}

func (j *jsonSource) open() {
	if j.err == nil {
		j.token()
	}
}

func (j *jsonSource) next() ([]byte, bool) {
	if j.err != nil {
		return nil, false
	}
	if j.dec.PeekKind() == '}' {
		j.token()
		return nil, false
	}
	v := j.value()
	if j.err != nil {
		return nil, false
	}
	return j.unquote(v), true
}

func (j *jsonSource) more() bool {
	if j.err != nil {
		return false
	}
	switch j.dec.PeekKind() {
	case ']':
		j.token()
		return false
	case 0:
		j.token()
		return false
	}
	return true
}

func (j *jsonSource) bool() bool {
	v := j.value()
	return len(v) > 0 && v[0] == 't'
}

func (j *jsonSource) text() ([]byte, bool) { return j.unquote(j.value()), true }

func (j *jsonSource) unquote(v jsontext.Value) []byte {
	if len(v) < 2 {
		return nil
	}
	if bytes.IndexByte(v, '\\') < 0 {
		return v[1 : len(v)-1]
	}
	var err error
	if j.scratch, err = jsontext.AppendUnquote(j.scratch[:0], v); err != nil && j.err == nil {
		j.err = err
	}
	return j.scratch
}

func (j *jsonSource) number() number {
	v := j.value()
	if j.err != nil {
		return number{}
	}
	f, _, ok := parseNumber(v, 0)
	if !ok {
		return number{found: clip(string(v), 40)}
	}
	n := numberOf(f)
	if f >= mostExact {
		// Written as a whole number it is one, though float64 has rounded it.
		if u, err := strconv.ParseUint(string(v), 10, 64); err == nil {
			n.whole, n.isWhole = u, true
		}
	}
	return n
}

func (j *jsonSource) samples(most int) ([]float64, badSample) {
	v := j.value()
	if len(v) < 2 {
		return nil, badSample{}
	}
	v = v[1 : len(v)-1]
	i := blanks(v, 0)
	if i == len(v) {
		return nil, badSample{}
	}
	n := 1 + bytes.Count(v, comma)
	if n > most {
		return nil, badSample{-1, tooMany(most), fmt.Sprint(n)}
	}
	list := make([]float64, 0, n)
	for {
		i = blanks(v, i)
		if c := v[i]; c != '-' && (c < '0' || c > '9') {
			return nil, badSample{len(list), "a number", describeJSON(v[i:])}
		}
		f, end, ok := parseNumber(v, i)
		if !ok {
			return nil, badSample{len(list), finite, clip(string(v[i:end]), 40)}
		}
		list = append(list, f)
		if end < len(v) && v[end] != ',' {
			end = blanks(v, end)
		}
		if end == len(v) {
			return list, badSample{}
		}
		i = end + 1 // past the comma
	}
}

var comma = []byte{','}

func blanks(b []byte, i int) int {
	for i < len(b) && blank(b[i]) {
		i++
	}
	return i
}

// tenTo holds the powers of ten that float64 knows exactly.
var tenTo = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// parseNumber reads the JSON number that begins at b[i] and returns where it
// ends; not ok if it is beyond float64. The number is known to be well formed.
//
// A number without exponent whose digits are below 2⁵³ is one exact integer
// divided by one exact power of ten, so a single rounding gives the nearest
// float64 (Clinger, How to read floating point numbers accurately, 1990).
// Everything else is strconv's.
func parseNumber(b []byte, i int) (v float64, end int, ok bool) {
	start := i
	negative := b[i] == '-'
	if negative {
		i++
	}
	var digits uint64
	first := i
	for i < len(b) && b[i]-'0' <= 9 {
		digits = digits*10 + uint64(b[i]-'0')
		i++
	}
	count, decimals := i-first, 0
	if i < len(b) && b[i] == '.' {
		i++
		first = i
		for i < len(b) && b[i]-'0' <= 9 {
			digits = digits*10 + uint64(b[i]-'0')
			i++
		}
		decimals = i - first
		count += decimals
	}
	if count > 19 || digits >= mostExact || decimals >= len(tenTo) || i < len(b) && b[i]|0x20 == 'e' {
		for i < len(b) && (b[i]-'0' <= 9 || b[i]|0x20 == 'e' || b[i] == '+' || b[i] == '-' || b[i] == '.') {
			i++
		}
		v, err := strconv.ParseFloat(string(b[start:i]), 64)
		return v, i, err == nil
	}
	v = float64(digits)
	if decimals > 0 {
		v /= tenTo[decimals]
	}
	if negative {
		v = -v
	}
	return v, i, true
}

func (j *jsonSource) take() string {
	v := j.value()
	if j.err != nil {
		return ""
	}
	return describeJSON(v)
}

func (j *jsonSource) skip() {
	if j.err == nil {
		j.err = j.dec.SkipValue()
	}
}

// describeJSON says what stands at the beginning of v.
func describeJSON(v []byte) string {
	switch v[0] {
	case '{':
		return "an object"
	case '[':
		return "a list"
	case '"':
		end := 1
		for end < len(v) && v[end] != '"' {
			if v[end] == '\\' {
				end++
			}
			end++
		}
		text, _ := jsontext.AppendUnquote(nil, v[:min(end+1, len(v))])
		return quoted(string(text))
	}
	end := bytes.IndexAny(v, ", \t\r\n]}")
	if end < 0 {
		end = len(v)
	}
	return clip(string(v[:end]), 40)
}

// salvage looks for the turnout and the number of a throw in JSON that is
// broken, so that a cabinet is not told for ever that the throw is missing. It
// follows the outermost object only as far as brackets and quotes tell.
func salvage(body []byte, r *ingest.Refusal) {
	depth := 0
	for i := 0; i < len(body); i++ {
		switch body[i] {
		case '{', '[':
			depth++
		case '}', ']':
			depth--
		case '"':
			name, end := plainText(body, i)
			i = end - 1
			if depth != 1 {
				continue
			}
			j := blanks(body, end)
			if j >= len(body) || body[j] != ':' {
				continue
			}
			j = blanks(body, j+1)
			value := body[j:]
			switch {
			case name == "sequence" && r.Sequence == 0:
				n := 0
				for n < len(value) && value[n]-'0' <= 9 {
					n++
				}
				if n < len(value) && (value[n] == ',' || value[n] == '}' || blank(value[n])) {
					if seq, err := strconv.ParseUint(string(value[:n]), 10, 64); err == nil && seq <= ingest.MaxSequence {
						r.Sequence = seq
					}
				}
			case (name == "turnout" || name == "boot") && len(value) > 0 && value[0] == '"':
				text, end := plainText(body, j)
				i = end - 1
				if len(text) > ingest.MaxNameLen || !utf8.ValidString(text) {
					continue
				}
				if name == "boot" && r.Boot == "" {
					r.Boot = text
				}
				if name == "turnout" && r.Turnout == "" {
					r.Turnout = text
				}
			}
		}
	}
}

// plainText returns the string that begins at b[i], as it stands, and where it
// ends; "" for one that is not closed.
func plainText(b []byte, i int) (string, int) {
	for j := i + 1; j < len(b); j++ {
		switch b[j] {
		case '\\':
			j++
		case '"':
			return string(b[i+1 : j]), j + 1
		}
	}
	return "", len(b)
}
