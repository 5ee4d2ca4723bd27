package store

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"math/bits"
)

// errCodec is the cause of every failure to read a blob.
var errCodec = errors.New("stored blob cut short or of another make")

// errChanged is the cause where what is read is not what was written: SQLite
// does not look at the bits of a row.
var errChanged = errors.New("its bits have changed on the disk since it was written; bring the store back from a backup (throwline restore)")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sum is the checksum of a blob. It finds every change of up to three bits, and
// of anything else all but one in four thousand million.
func sum(b []byte) uint32 { return crc32.Checksum(b, castagnoli) }

// writer appends little-endian numbers to a blob.
type writer struct{ b []byte }

func (w *writer) byte(x byte)      { w.b = append(w.b, x) }
func (w *writer) uvarint(x uint64) { w.b = binary.AppendUvarint(w.b, x) }
func (w *writer) varint(x int64)   { w.b = binary.AppendVarint(w.b, x) }
func (w *writer) f64(x float64) {
	w.b = binary.LittleEndian.AppendUint64(w.b, math.Float64bits(x))
}
func (w *writer) f32s(x []float32) {
	for _, v := range x {
		w.b = binary.LittleEndian.AppendUint32(w.b, math.Float32bits(v))
	}
}

// seal appends the checksum of what was written from start on, and of what
// stands beside it.
func (w *writer) seal(start int, beside []byte) {
	w.b = binary.LittleEndian.AppendUint32(w.b, crc32.Update(sum(w.b[start:]), castagnoli, beside))
}
func (w *writer) text(s string) {
	w.uvarint(uint64(len(s)))
	w.b = append(w.b, s...)
}

// reader consumes what a writer wrote; after the first failure it gives zeros.
type reader struct {
	b   []byte
	bad bool
}

// unseal takes the checksum off the end of a blob of which nothing was read yet.
func (r *reader) unseal(beside []byte) error {
	n := len(r.b) - 4
	if n < 0 {
		return errCodec
	}
	if binary.LittleEndian.Uint32(r.b[n:]) != crc32.Update(sum(r.b[:n]), castagnoli, beside) {
		return errChanged
	}
	r.b = r.b[:n]
	return nil
}

func (r *reader) take(n int) []byte {
	if r.bad || n < 0 || n > len(r.b) {
		r.bad = true
		return nil
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *reader) byte() byte {
	if p := r.take(1); p != nil {
		return p[0]
	}
	return 0
}

func (r *reader) uvarint() uint64 {
	x, n := binary.Uvarint(r.b)
	if r.bad || n <= 0 {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return x
}

func (r *reader) varint() int64 {
	x, n := binary.Varint(r.b)
	if r.bad || n <= 0 {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return x
}

func (r *reader) f64() float64 {
	if p := r.take(8); p != nil {
		return math.Float64frombits(binary.LittleEndian.Uint64(p))
	}
	return 0
}

func (r *reader) f32s(x []float32) {
	p := r.take(4 * len(x))
	if p == nil {
		return
	}
	for i := range x {
		x[i] = math.Float32frombits(binary.LittleEndian.Uint32(p[4*i:]))
	}
}

func (r *reader) text() string { return string(r.take(int(min(r.uvarint(), math.MaxInt32)))) }

// count reads the length of a list whose elements take at least size bytes each.
func (r *reader) count(size int) int {
	n := r.uvarint()
	if r.bad || n > uint64(len(r.b)/size) {
		r.bad = true
		return 0
	}
	return int(n)
}

func zigzag(x int64) uint64   { return uint64(x<<1) ^ uint64(x>>63) }
func unzigzag(x uint64) int64 { return int64(x>>1) ^ -int64(x&1) }

// block is how many differences share one width.
const block = 32

// packed appends the numbers as differences, zigzag, in blocks of one width
// each: a byte with the width in bits, then the block's bits, low bits first.
func (w *writer) packed(x []int64) {
	prev := int64(0)
	var d [block]uint64
	for len(x) > 0 {
		n := min(block, len(x))
		var or uint64
		for i, v := range x[:n] {
			d[i] = zigzag(v - prev)
			prev = v
			or |= d[i]
		}
		width := bits.Len64(or)
		w.byte(byte(width))
		var acc uint64
		fill := 0
		for _, v := range d[:n] {
			acc |= v << fill
			fill += width
			if fill >= 64 {
				w.b = binary.LittleEndian.AppendUint64(w.b, acc)
				fill -= 64
				acc = 0
				if fill > 0 {
					acc = v >> (width - fill)
				}
			}
		}
		for fill > 0 {
			w.byte(byte(acc))
			acc >>= 8
			fill -= 8
		}
		x = x[n:]
	}
}

// unpack reads len(x) numbers that packed wrote.
func (r *reader) unpack(x []int64) {
	prev := int64(0)
	for len(x) > 0 {
		n := min(block, len(x))
		width := int(r.byte())
		if width > 64 {
			r.bad = true
		}
		p := r.take((n*width + 7) / 8)
		if r.bad {
			return
		}
		var mask uint64 = math.MaxUint64
		if width < 64 {
			mask = 1<<width - 1
		}
		bit := 0
		for i := range n {
			var v uint64
			if width > 0 {
				at, off := bit>>3, bit&7
				v = word(p[at:]) >> off
				if got := 64 - off; got < width {
					v |= word(p[at+8:]) << got
				}
				v &= mask
			}
			prev += unzigzag(v)
			x[i] = prev
			bit += width
		}
		x = x[n:]
	}
}

// word reads up to eight bytes.
func word(p []byte) uint64 {
	if len(p) >= 8 {
		return binary.LittleEndian.Uint64(p)
	}
	var v uint64
	for i, b := range p {
		v |= uint64(b) << (8 * i)
	}
	return v
}
