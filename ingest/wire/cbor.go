package wire

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"
	"github.com/x448/float16"
)

// The major types of CBOR (RFC 8949, section 3.1).
const (
	majorUint byte = iota
	majorNegative
	majorBytes
	majorText
	majorList
	majorMap
	majorTag
	majorSimple
)

const (
	selfDescribed = "\xd9\xd9\xf7" // tag 55799, RFC 8949 section 3.4.6
	indefinite    = 31             // additional information of what ends with a break
	breakByte     = 0xff
	mostNested    = 32
)

// newMode returns the library's judge of what is well formed. It knows no limit
// on the length of lists but the payload's own: every element is at least a
// byte.
func newMode() cbor.DecMode {
	mode, err := cbor.DecOptions{
		MaxNestedLevels:  mostNested,
		MaxArrayElements: math.MaxInt32,
		MaxMapPairs:      math.MaxInt32,
	}.DecMode()
	if err != nil {
		panic(fmt.Sprintf("wire: options of CBOR: %v", err)) // they are constant: a mistake in this line
	}
	return mode
}

// cborReason words the library's error as what was found.
func cborReason(err error) string {
	if endOfFile(err) {
		return "its end in the middle (cut short?)"
	}
	return strings.TrimPrefix(err.Error(), "cbor: ")
}

// cborSource reads CBOR. Every step is checked against the end of the bytes,
// so that what is not well formed is read as far as it goes.
type cborSource struct {
	b       []byte
	i       int
	bad     bool
	levels  []int64 // what is left of every open list and map; -1: until a break
	scratch []byte
}

func (c *cborSource) reset(body []byte) {
	c.b, c.i, c.bad = body, 0, false
	c.levels = c.levels[:0]
	if len(body) > 3 && string(body[:3]) == selfDescribed {
		c.i = 3
	}
	if cap(c.scratch) > mostKept {
		c.scratch = nil
	}
}

func (c *cborSource) failed() bool { return c.bad }

// head reads the beginning of an item: its major type, its additional
// information, and its argument. It is not ok, and c is broken, where there is
// none.
func (c *cborSource) head() (major, info byte, arg uint64, ok bool) {
	if c.bad || c.i >= len(c.b) {
		c.bad = true
		return 0, 0, 0, false
	}
	first := c.b[c.i]
	major, info = first>>5, first&31
	rest := c.b[c.i+1:]
	switch {
	case info < 24:
		c.i++
		return major, info, uint64(info), true
	case info == 24 && len(rest) >= 1:
		c.i += 2
		return major, info, uint64(rest[0]), true
	case info == 25 && len(rest) >= 2:
		c.i += 3
		return major, info, uint64(binary.BigEndian.Uint16(rest)), true
	case info == 26 && len(rest) >= 4:
		c.i += 5
		return major, info, uint64(binary.BigEndian.Uint32(rest)), true
	case info == 27 && len(rest) >= 8:
		c.i += 9
		return major, info, binary.BigEndian.Uint64(rest), true
	case info == indefinite && (major >= majorBytes && major <= majorMap || major == majorSimple):
		c.i++
		return major, info, 0, true
	}
	c.bad = true
	return 0, 0, 0, false
}

func (c *cborSource) kind() kind {
	if c.bad || c.i >= len(c.b) {
		c.bad = true
		return kindBroken
	}
	switch first := c.b[c.i]; first >> 5 {
	case majorUint, majorNegative:
		return kindNumber
	case majorText:
		return kindText
	case majorList:
		return kindList
	case majorMap:
		return kindObject
	case majorTag:
		if first == 0xc0 && c.i+1 < len(c.b) && c.b[c.i+1]>>5 == majorText {
			return kindMoment
		}
		return kindOther
	case majorSimple:
		switch first {
		case 0xf4, 0xf5:
			return kindBool
		case 0xf6, 0xf7: // null, undefined
			return kindNull
		case 0xf9, 0xfa, 0xfb:
			return kindNumber
		case breakByte:
			c.bad = true
			return kindBroken
		}
	}
	return kindOther
}

func (c *cborSource) open() {
	_, info, arg, ok := c.head()
	if !ok {
		return
	}
	left := int64(-1)
	if info != indefinite {
		left = int64(min(arg, math.MaxInt64))
	}
	c.levels = append(c.levels, left)
}

func (c *cborSource) more() bool {
	if c.bad || len(c.levels) == 0 {
		return false
	}
	last := len(c.levels) - 1
	switch left := c.levels[last]; {
	case left > 0:
		c.levels[last]--
		return true
	case left < 0:
		if c.i >= len(c.b) {
			c.bad = true
			return false
		}
		if c.b[c.i] != breakByte {
			return true
		}
		c.i++
	}
	c.levels = c.levels[:last]
	return false
}

func (c *cborSource) next() ([]byte, bool) {
	if !c.more() {
		return nil, false
	}
	if c.kind() != kindText {
		c.skip()
		return nil, !c.bad
	}
	name, _ := c.text()
	return name, !c.bad
}

func (c *cborSource) bool() bool {
	_, info, _, _ := c.head()
	return info == 21
}

func (c *cborSource) text() ([]byte, bool) {
	if !c.bad && c.i < len(c.b) && c.b[c.i] == 0xc0 {
		c.i++
	}
	b := c.str(majorText)
	return b, utf8.Valid(b)
}

// str reads a string of the major type, whole or in chunks; the bytes are
// valid until the next call.
func (c *cborSource) str(want byte) []byte {
	major, info, arg, ok := c.head()
	if !ok || major != want {
		c.bad = true
		return nil
	}
	if info != indefinite {
		return c.cut(arg)
	}
	c.scratch = c.scratch[:0]
	for {
		if c.i < len(c.b) && c.b[c.i] == breakByte {
			c.i++
			return c.scratch
		}
		major, info, arg, ok = c.head()
		if !ok || major != want || info == indefinite {
			c.bad = true
			return nil
		}
		c.scratch = append(c.scratch, c.cut(arg)...)
	}
}

func (c *cborSource) cut(n uint64) []byte {
	if c.bad || n > uint64(len(c.b)-c.i) {
		c.bad = true
		return nil
	}
	b := c.b[c.i : c.i+int(n)]
	c.i += int(n)
	return b
}

func (c *cborSource) number() number {
	major, info, arg, ok := c.head()
	if !ok {
		return number{}
	}
	switch major {
	case majorUint:
		return number{value: float64(arg), whole: arg, isWhole: true}
	case majorNegative:
		return number{value: -1 - float64(arg)}
	}
	v := floatOf(info, arg)
	if v*0 != 0 { // not finite
		return number{found: fmt.Sprint(v)}
	}
	return numberOf(v)
}

// floatOf is the float of 2, 4 or 8 bytes with these bits.
func floatOf(info byte, bits uint64) float64 {
	switch info {
	case 25:
		return float64(float16.Frombits(uint16(bits)).Float32())
	case 26:
		return float64(math.Float32frombits(uint32(bits)))
	}
	return math.Float64frombits(bits)
}

func (c *cborSource) samples(most int) ([]float64, badSample) {
	if c.bad || c.i >= len(c.b) {
		c.bad = true
		return nil, badSample{}
	}
	if c.b[c.i]>>5 == majorList {
		return c.numbers(most)
	}
	start := c.i
	major, _, tag, _ := c.head()
	if major != majorTag || tag < 64 || tag > 87 || c.i < len(c.b) && c.b[c.i]>>5 != majorBytes {
		c.i = start
		return nil, badSample{-1, aListOfNumbers, c.take()}
	}
	return typedArray(tag, c.str(majorBytes), most)
}

// numbers reads a plain list.
func (c *cborSource) numbers(most int) ([]float64, badSample) {
	start := c.i
	_, info, arg, ok := c.head()
	if !ok {
		return nil, badSample{}
	}
	// A list in pieces does not say its length, nor can a false one be
	// believed: an element is at least a byte.
	room := min(arg, uint64(len(c.b)-c.i))
	if info == indefinite {
		room = 64
	}
	if info != indefinite && arg > uint64(most) {
		c.i = start
		c.skip()
		return nil, badSample{-1, tooMany(most), fmt.Sprint(arg)}
	}
	list := make([]float64, 0, room)
	bad := badSample{}
	for n := uint64(0); info == indefinite || n < arg; n++ {
		if info == indefinite && c.i < len(c.b) && c.b[c.i] == breakByte {
			c.i++
			break
		}
		switch k := c.kind(); {
		case k == kindBroken:
			return nil, badSample{}
		case bad.expected != "":
			c.skip()
		case k != kindNumber:
			bad = badSample{int(n), "a number", c.take()}
		case len(list) == most:
			bad = badSample{-1, tooMany(most), "more"}
			c.skip()
		default:
			v := c.number()
			if v.found != "" {
				bad = badSample{int(n), finite, v.found}
			}
			list = append(list, v.value)
		}
	}
	if bad.expected != "" {
		return nil, bad
	}
	return list, badSample{}
}

// typedArray reads the elements of a typed array. The bits of its tag are
// 0b010_f_s_e_ll: float, signed, little endian, and the length of an element,
// 1 << (f + ll) bytes (RFC 8746, section 2.1).
func typedArray(tag uint64, b []byte, most int) ([]float64, badSample) {
	size := 1 << (tag>>4&1 + tag&3)
	switch {
	case tag == 76 || size == 16:
		return nil, badSample{-1, "a typed array of integers of 1, 2, 4 or 8 bytes or of floats of 2, 4 or 8", fmt.Sprintf("tag %d", tag)}
	case len(b)%size != 0:
		return nil, badSample{-1, fmt.Sprintf("a typed array of %d bytes an element", size), fmt.Sprintf("%d bytes", len(b))}
	}
	n := len(b) / size
	if n > most {
		return nil, badSample{-1, tooMany(most), fmt.Sprint(n)}
	}
	list := make([]float64, n)
	le, be := binary.LittleEndian, binary.BigEndian
	switch tag {
	case 64, 68: // 68: clamped, which concerns who computes with it
		for i := range list {
			list[i] = float64(b[i])
		}
	case 65:
		for i := range list {
			list[i] = float64(be.Uint16(b[2*i:]))
		}
	case 66:
		for i := range list {
			list[i] = float64(be.Uint32(b[4*i:]))
		}
	case 67:
		for i := range list {
			list[i] = float64(be.Uint64(b[8*i:]))
		}
	case 69:
		for i := range list {
			list[i] = float64(le.Uint16(b[2*i:]))
		}
	case 70:
		for i := range list {
			list[i] = float64(le.Uint32(b[4*i:]))
		}
	case 71:
		for i := range list {
			list[i] = float64(le.Uint64(b[8*i:]))
		}
	case 72:
		for i := range list {
			list[i] = float64(int8(b[i]))
		}
	case 73:
		for i := range list {
			list[i] = float64(int16(be.Uint16(b[2*i:])))
		}
	case 74:
		for i := range list {
			list[i] = float64(int32(be.Uint32(b[4*i:])))
		}
	case 75:
		for i := range list {
			list[i] = float64(int64(be.Uint64(b[8*i:])))
		}
	case 77:
		for i := range list {
			list[i] = float64(int16(le.Uint16(b[2*i:])))
		}
	case 78:
		for i := range list {
			list[i] = float64(int32(le.Uint32(b[4*i:])))
		}
	case 79:
		for i := range list {
			list[i] = float64(int64(le.Uint64(b[8*i:])))
		}
	case 80:
		for i := range list {
			list[i] = float64(float16.Frombits(be.Uint16(b[2*i:])).Float32())
		}
	case 81:
		for i := range list {
			list[i] = float64(math.Float32frombits(be.Uint32(b[4*i:])))
		}
	case 82:
		for i := range list {
			list[i] = math.Float64frombits(be.Uint64(b[8*i:]))
		}
	case 84:
		for i := range list {
			list[i] = float64(float16.Frombits(le.Uint16(b[2*i:])).Float32())
		}
	case 85:
		for i := range list {
			list[i] = float64(math.Float32frombits(le.Uint32(b[4*i:])))
		}
	case 86:
		for i := range list {
			list[i] = math.Float64frombits(le.Uint64(b[8*i:]))
		}
	}
	if tag >= 80 {
		for i, v := range list {
			if v*0 != 0 {
				return nil, badSample{i, finite, fmt.Sprint(v)}
			}
		}
	}
	return list, badSample{}
}

func (c *cborSource) skip() { c.skipItem(0) }

func (c *cborSource) skipItem(depth int) {
	if depth > mostNested {
		c.bad = true
		return
	}
	start := c.i
	major, info, arg, ok := c.head()
	if !ok {
		return
	}
	switch major {
	case majorBytes, majorText:
		c.i = start
		c.str(major)
	case majorTag:
		c.skipItem(depth + 1)
	case majorSimple:
		if info == indefinite {
			c.bad = true
		}
	case majorList, majorMap:
		if info == indefinite {
			for c.i < len(c.b) && c.b[c.i] != breakByte && !c.bad {
				c.skipItem(depth + 1)
			}
			if c.i >= len(c.b) {
				c.bad = true
			}
			c.i++
			return
		}
		for range arg {
			if major == majorMap {
				c.skipItem(depth + 1)
			}
			if c.skipItem(depth + 1); c.bad {
				return
			}
		}
	}
}

func (c *cborSource) take() string {
	start := c.i
	k := c.kind()
	switch k {
	case kindBroken:
		return ""
	case kindNumber:
		n := c.number()
		if n.found != "" {
			return n.found
		}
		if n.isWhole {
			return fmt.Sprint(n.whole)
		}
		return fmt.Sprint(n.value)
	case kindText:
		b, ok := c.text()
		if !ok {
			return "text that is not UTF-8"
		}
		return quoted(string(b))
	}
	major, info, arg, _ := c.head()
	c.i = start
	c.skip()
	switch k {
	case kindNull:
		if info == 23 {
			return "undefined"
		}
		return "null"
	case kindBool:
		return fmt.Sprint(info == 21)
	case kindObject:
		return "an object"
	case kindList:
		return "a list"
	}
	switch major {
	case majorBytes:
		return "bytes"
	case majorTag:
		return fmt.Sprintf("tag %d", arg)
	}
	return fmt.Sprintf("simple value %d", arg)
}
