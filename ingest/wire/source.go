package wire

// kind is what a value is, in JSON as in CBOR.
type kind uint8

const (
	kindBroken kind = iota // no value can be read here
	kindNull
	kindBool
	kindNumber
	kindText
	kindMoment // CBOR's tag 0: a text that is a time
	kindObject
	kindList
	kindOther // what JSON does not have: bytes, tags, simple values
)

// source is a payload being read from its start to its end. Once it is broken
// it stays so: kind is kindBroken, and next and more end every loop.
type source interface {
	// kind tells what the next value is, without reading it.
	kind() kind
	// open reads the beginning of the object or list that is next.
	open()
	// next reads the name of the next member; at the object's end it returns
	// false. The name is valid until the next call of any method. A name that
	// is no text is nil.
	next() ([]byte, bool)
	// more tells whether the list has another element; if not, it is closed.
	more() bool
	// bool reads a kindBool.
	bool() bool
	// text reads a kindText or kindMoment, valid until the next call of any
	// method; not ok if it is no UTF-8.
	text() (b []byte, ok bool)
	// number reads a kindNumber.
	number() number
	// samples reads a list of numbers, whatever its form, in one go. most is
	// how many may be read; found says what stands where no number does, at
	// is its index, or -1 for the list as a whole.
	samples(most int) (list []float64, bad badSample)
	// take reads the next value, whatever it is, and describes it.
	take() string
	// skip reads the next value, whatever it is.
	skip()
	// failed tells whether the source is broken.
	failed() bool
}

// number is a number as it was sent.
type number struct {
	value float64
	whole uint64 // the number, where isWhole
	// isWhole: it is a whole number from 0 that is known exactly. JSON does not
	// tell 1 from 1.0 or 1e0, so neither do we.
	isWhole bool
	// found describes a number that is not finite or beyond float64; else "".
	found string
}

// Below mostExact, every whole number is a float64.
const mostExact = 1 << 53

func numberOf(v float64) number {
	n := number{value: v}
	if v >= 0 && v < mostExact && v == float64(uint64(v)) {
		n.whole, n.isWhole = uint64(v), true
	}
	return n
}

// badSample is the first sample that is none; the zero badSample is none.
type badSample struct {
	index    int // -1: the list as a whole
	expected string
	found    string
}
