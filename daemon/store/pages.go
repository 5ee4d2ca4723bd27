package store

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// Of SQLite's file format, what it takes to look at one page by itself: whether
// it can be what SQLite wrote, and which rows stand in it. SQLite's own
// integrity_check reads the whole file in one go, which on a large store would
// keep the log from being emptied; and it reads nothing where a page above is
// damaged.

// What a page is, after its first byte.
const (
	indexInner = 0x02
	tableInner = 0x05
	indexLeaf  = 0x0a
	tableLeaf  = 0x0d
)

// What a page is for, after the map of the pages that such a file has.
const (
	mapRoot     = 1
	mapFree     = 2
	mapOverflow = 3 // the first of what spills over from the page named with it
	mapSpilled  = 4 // goes on from the page named with it
	mapChild    = 5 // of the page named with it
)

// cell is one entry of a page.
type cell struct {
	row    int64 // number of the row, in a table
	local  []byte
	total  int    // bytes of the row; more than local holds where it spills over
	spill  uint32 // page where it goes on; 0: nowhere
	child  uint32
	at, to int // in the page
}

// btree is a page of a table or an index.
type btree struct {
	kind  byte
	cells []cell // those that can be read
	right uint32 // the last child of an inner page
	flaw  string // what SQLite did not write so; "" for nothing
}

// varint reads a number as SQLite writes it; n is 0 where it is cut off.
func varint(b []byte) (v uint64, n int) {
	for i, c := range b {
		if i == 8 {
			return v<<8 | uint64(c), 9
		}
		v = v<<7 | uint64(c&0x7f)
		if c < 0x80 {
			return v, i + 1
		}
	}
	return 0, 0
}

// localOf is how much of a row stands in the page itself.
func localOf(leafOfTable bool, total, size int) int {
	most := (size-12)*64/255 - 23
	if leafOfTable {
		most = size - 35
	}
	if total <= most {
		return total
	}
	least := (size-12)*32/255 - 23
	if k := least + (total-least)%(size-4); k <= most {
		return k
	}
	return least
}

// readBtree reads a page, number 1 with the file's header before it.
func readBtree(number uint32, b []byte) *btree {
	head := 0
	if number == 1 {
		head = 100
	}
	t := &btree{kind: b[head]}
	flaw := func(format string, a ...any) {
		if t.flaw == "" {
			t.flaw = fmt.Sprintf("page %d: "+format, append([]any{number}, a...)...)
		}
	}
	first := head + 8
	switch t.kind {
	case indexInner, tableInner:
		first += 4
		t.right = binary.BigEndian.Uint32(b[head+8:])
	case indexLeaf, tableLeaf:
	default:
		flaw("expected a page of a table or an index, found kind %d", t.kind)
		return t
	}
	begin := int(binary.BigEndian.Uint16(b[head+5:]))
	if begin == 0 {
		begin = 65536
	}
	count := int(binary.BigEndian.Uint16(b[head+3:]))
	if first+2*count > min(begin, len(b)) || begin > len(b) {
		flaw("%d entries do not fit before byte %d", count, begin)
		count = min(count, (len(b)-first)/2)
	}
	type span struct{ at, to int }
	var taken []span
	last := int64(math.MinInt64)
	for i := range count {
		at := int(binary.BigEndian.Uint16(b[first+2*i:]))
		if at < first || at > len(b)-4 || at < begin {
			flaw("entry %d lies outside", i)
			if at < first || at > len(b)-4 {
				continue
			}
		}
		c, ok := readCell(t.kind, b, at)
		if !ok {
			flaw("entry %d cannot be read", i)
			continue
		}
		if t.kind == tableLeaf || t.kind == tableInner {
			if c.row <= last && i > 0 {
				flaw("entry %d is out of order", i)
			}
			last = c.row
		}
		t.cells = append(t.cells, c)
		taken = append(taken, span{c.at, c.to})
	}
	// What no entry takes is free, in a list, or too small for one and counted.
	for free, before := int(binary.BigEndian.Uint16(b[head+1:])), 0; free != 0; {
		if free <= before || free > len(b)-4 || free < begin {
			flaw("its list of free places is damaged")
			break
		}
		size := int(binary.BigEndian.Uint16(b[free+2:]))
		taken = append(taken, span{free, free + size})
		before, free = free+size-1, int(binary.BigEndian.Uint16(b[free:]))
	}
	slices.SortFunc(taken, func(x, y span) int { return x.at - y.at })
	end, gaps := min(begin, len(b)), 0
	for _, s := range taken {
		if s.at < end || s.to > len(b) {
			flaw("two entries take the same place")
		}
		gaps += max(0, s.at-end)
		end = max(end, s.to)
	}
	if gaps += len(b) - end; gaps != int(b[head+7]) {
		flaw("expected %d bytes that nothing takes, found %d", b[head+7], gaps)
	}
	return t
}

func readCell(kind byte, b []byte, at int) (c cell, ok bool) {
	c.at = at
	if kind == indexInner || kind == tableInner {
		c.child = binary.BigEndian.Uint32(b[at:])
		at += 4
	}
	if kind != tableInner {
		total, n := varint(b[at:])
		if n == 0 || total > math.MaxInt32 {
			return c, false
		}
		at += n
		c.total = int(total)
	}
	if kind == tableLeaf || kind == tableInner {
		row, n := varint(b[at:])
		if n == 0 {
			return c, false
		}
		at += n
		c.row = int64(row)
	}
	if kind != tableInner {
		local := localOf(kind == tableLeaf, c.total, len(b))
		if local > len(b)-at {
			return c, false
		}
		c.local = b[at : at+local]
		at += local
		if local < c.total {
			if at > len(b)-4 {
				return c, false
			}
			c.spill = binary.BigEndian.Uint32(b[at:])
			at += 4
		}
	}
	c.to = max(at, c.at+4)
	return c, c.to <= len(b)
}

// pages reads pages of one moment by their numbers; it gives nil for one that is not there.
type pages func(number uint32) ([]byte, error)

// whole is all of a cell's row; nil where what it spills into cannot be found.
func (c *cell) whole(read pages) ([]byte, error) {
	if c.spill == 0 {
		return c.local, nil
	}
	out := append(make([]byte, 0, min(c.total, 1<<20)), c.local...)
	for next := c.spill; len(out) < c.total; {
		b, err := read(next)
		if err != nil || b == nil {
			return nil, err
		}
		out = append(out, b[4:min(len(b), 4+c.total-len(out))]...)
		next = binary.BigEndian.Uint32(b)
	}
	return out, nil
}

// mapPage is where the map of the pages speaks of a page, and at which byte.
// Page 1 and the maps themselves stand in none: then the place is 0.
func mapPage(number uint32, size int) (page uint32, at int) {
	if number < 2 {
		return 0, 0
	}
	each := uint32(size/5) + 1
	page = (number-2)/each*each + 2
	if page == lockPage(size) {
		page++
	}
	if number <= page {
		return 0, 0
	}
	return page, 5 * int(number-page-1)
}

// lockPage is the page that SQLite never writes, as its locks lie there.
func lockPage(size int) uint32 { return uint32(1<<30/size) + 1 }

// mapped is what the map says of a page; kind 0 where it says nothing.
func mapped(number uint32, read pages, size int) (kind byte, of uint32, err error) {
	page, at := mapPage(number, size)
	if page == 0 {
		return 0, 0, nil
	}
	b, err := read(page)
	if err != nil || b == nil || at+5 > len(b) {
		return 0, 0, err
	}
	return b[at], binary.BigEndian.Uint32(b[at+1:]), nil
}

// checkPage says what is wrong with a page, "" for nothing: by itself, and held
// against what the map says of those that it names.
func checkPage(number uint32, read pages) (flaw string, err error) {
	b, err := read(number)
	if err != nil || b == nil { // the page of SQLite's locks, for one
		return "", err
	}
	size := len(b)
	kind, of, err := mapped(number, read, size)
	if err != nil {
		return "", err
	}
	if (kind == mapRoot || kind == mapFree) && of != 0 {
		flaw = fmt.Sprintf("page %d: the map of the pages says that it is of page %d", number, of)
	}
	if page, _ := mapPage(number, size); number == lockPage(size) || number > 1 && page == 0 {
		return "", nil // a map: it is held against what it speaks of
	}
	names := func(other uint32, as byte) bool {
		if flaw != "" || err != nil {
			return false
		}
		var found byte
		var of uint32
		if found, of, err = mapped(other, read, size); err == nil && (found != as || of != number) {
			flaw = fmt.Sprintf("page %d names page %d, of which the map says that it is %d of page %d, expected %d", number, other, found, of, as)
		}
		return true
	}
	switch {
	case number == 1, kind == mapRoot, kind == mapChild:
		t := readBtree(number, b)
		flaw = cmp.Or(flaw, t.flaw)
		for i := range t.cells {
			if c := &t.cells[i]; c.child != 0 {
				names(c.child, mapChild)
			}
			if c := &t.cells[i]; c.spill != 0 {
				names(c.spill, mapOverflow)
			}
		}
		if t.right != 0 {
			names(t.right, mapChild)
		}
	case kind == mapOverflow, kind == mapSpilled:
		if next := binary.BigEndian.Uint32(b); next != 0 {
			names(next, mapSpilled)
		}
	case kind != mapFree:
		flaw = fmt.Sprintf("page %d: the map of the pages says %d of it", number, kind)
	}
	return flaw, err
}

// readRecord reads the values of a row as they stand in the file: nil, int64,
// float64, string or []byte.
func readRecord(b []byte) (values []any, ok bool) {
	size, n := varint(b)
	if n == 0 || size > uint64(len(b)) || size < uint64(n) {
		return nil, false
	}
	head, body := b[n:size], b[size:]
	for len(head) > 0 {
		kind, n := varint(head)
		if n == 0 {
			return nil, false
		}
		head = head[n:]
		length := 0
		switch {
		case kind <= 4:
			length = int(kind)
		case kind == 5:
			length = 6
		case kind == 6, kind == 7:
			length = 8
		case kind == 8, kind == 9:
		case kind < 12, kind > 2*uint64(len(body))+13:
			return nil, false
		default:
			length = int(kind-12) / 2
		}
		if length > len(body) {
			return nil, false
		}
		p := body[:length]
		body = body[length:]
		switch {
		case kind == 0:
			values = append(values, nil)
		case kind == 7:
			values = append(values, math.Float64frombits(binary.BigEndian.Uint64(p)))
		case kind == 8, kind == 9:
			values = append(values, int64(kind-8))
		case kind <= 6:
			v := int64(int8(p[0]))
			for _, c := range p[1:] {
				v = v<<8 | int64(c)
			}
			values = append(values, v)
		case kind%2 == 0:
			values = append(values, p)
		default:
			values = append(values, string(p))
		}
	}
	return values, len(body) == 0
}
