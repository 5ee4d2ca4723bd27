package store

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
)

// open finds the pages: those of the file, and over them those of the log.
func (v *salvage) open(from string) error {
	var err error
	if v.file, err = os.Open(from); err != nil {
		return err
	}
	head := make([]byte, 100)
	if _, err := io.ReadFull(v.file, head); err != nil {
		return errors.Join(fmt.Errorf("expected a database, found too few bytes: %w", err), v.file.Close())
	}
	if v.size = int(binary.BigEndian.Uint16(head[16:])); v.size == 1 {
		v.size = 65536
	}
	// The header itself may be damaged: what we make is known.
	if v.size < 512 || v.size&(v.size-1) != 0 || string(head[:16]) != "SQLite format 3\x00" {
		v.size = pageSize
	}
	bytes, err := sizeOf(from)
	if err != nil {
		return errors.Join(err, v.file.Close())
	}
	v.count = uint32((bytes + int64(v.size) - 1) / int64(v.size))
	if mark := markOf(from); mark != markClosed {
		if err := v.openLog(from); err != nil {
			return errors.Join(err, v.file.Close())
		}
	}
	v.owner, v.live = make([]uint8, v.count+1), make([]bool, v.count+1)
	return nil
}

// markOf is how a store was left, "" where nothing tells.
func markOf(path string) string {
	f, err := os.Open(path + ".lock")
	if err != nil {
		return ""
	}
	defer f.Close()
	mark, _, _ := readMark(f)
	return mark
}

// openLog finds the pages of the log, up to the last transaction that is whole.
func (v *salvage) openLog(from string) error {
	f, err := os.Open(from + "-wal")
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	v.log, v.logged = f, map[uint32]int64{}
	r := bufio.NewReaderSize(f, 1<<20)
	head := make([]byte, walHead)
	if _, err := io.ReadFull(r, head); err != nil {
		return shortLog(err)
	}
	magic := binary.BigEndian.Uint32(head)
	swap := magic&1 == 1
	sum := walSum{}.add(swap, head[:24])
	if magic&^1 != walMagic || sum != walSumAt(head[24:]) || int(binary.BigEndian.Uint32(head[8:])) != v.size {
		return nil
	}
	there := map[uint32]int64{}
	frame := make([]byte, walFrame+v.size)
	for at := int64(walHead); ; at += int64(len(frame)) {
		if _, err := io.ReadFull(r, frame); err != nil {
			return shortLog(err)
		}
		sum = sum.add(swap, frame[:8]).add(swap, frame[walFrame:])
		if [8]byte(frame[8:16]) != [8]byte(head[16:24]) || sum != walSumAt(frame[16:]) {
			return nil
		}
		there[binary.BigEndian.Uint32(frame)] = at + walFrame
		if pages := binary.BigEndian.Uint32(frame[4:]); pages != 0 {
			for n, at := range there {
				v.logged[n] = at
				v.count = max(v.count, n)
			}
			clear(there)
		}
	}
}

// page reads one page; nil for one that is not there whole.
func (v *salvage) page(number uint32) ([]byte, error) {
	if number == 0 || number > v.count {
		return nil, nil
	}
	b := make([]byte, v.size)
	f, at := v.file, int64(number-1)*int64(v.size)
	if in, ok := v.logged[number]; ok {
		f, at = v.log, in
	}
	// A file that was cut short ends in a part of a page; a disk may fail to give one.
	if _, err := f.ReadAt(b, at); err != nil {
		return nil, nil //nolint:nilerr // it is not there
	}
	return b, nil
}

// claim gives all pages of a tree to their table.
func (v *salvage) claim(root uint32, owner uint8) {
	todo := []uint32{root}
	for len(todo) > 0 {
		n := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if n == 0 || n > v.count || v.owner[n] != 0 {
			continue
		}
		b, _ := v.page(n)
		if b == nil {
			continue
		}
		v.owner[n], v.live[n] = owner, true
		t := readBtree(n, b)
		if t.kind != tableInner && t.kind != indexInner {
			continue
		}
		for i := range t.cells {
			todo = append(todo, t.cells[i].child)
		}
		todo = append(todo, t.right)
	}
}

// survey finds which pages are of tables and indexes, and as far as it can be
// told of which: what is free still holds rows that were deleted.
func (v *salvage) survey() {
	v.claim(1, ownerSchema)
	for n := uint32(1); n <= v.count; n++ {
		if v.owner[n] != ownerSchema {
			continue
		}
		b, _ := v.page(n)
		t := readBtree(n, b)
		if t.kind != tableLeaf {
			continue
		}
		for i := range t.cells {
			whole, _ := t.cells[i].whole(v.page)
			row, ok := readRecord(whole)
			if !ok || len(row) != 5 {
				continue
			}
			kind, _ := row[0].(string)
			name, _ := row[1].(string)
			root, _ := row[3].(int64)
			if at := slices.IndexFunc(tables, func(t *table) bool { return t.name == name }); kind == "table" && at >= 0 {
				v.claim(uint32(root), uint8(at+1))
			}
		}
	}
	free := map[uint32]bool{}
	head, _ := v.page(1)
	if head == nil {
		head = make([]byte, v.size)
	}
	for n, seen := binary.BigEndian.Uint32(head[32:]), 0; n != 0 && seen < int(v.count); seen++ {
		free[n] = true
		b, _ := v.page(n)
		if b == nil {
			break
		}
		for i := range min(int(binary.BigEndian.Uint32(b[4:])), v.size/4-2) {
			free[binary.BigEndian.Uint32(b[8+4*i:])] = true
		}
		n = binary.BigEndian.Uint32(b)
	}
	withMap := binary.BigEndian.Uint32(head[52:]) != 0
	for n := uint32(2); n <= v.count; n++ {
		if v.live[n] {
			continue
		}
		kind, _, _ := mapped(n, v.page, v.size)
		switch {
		case !withMap:
			v.live[n] = !free[n]
		case kind == mapRoot, kind == mapChild:
			v.live[n] = true
		default:
			b, _ := v.page(n)
			v.live[n] = kind != mapFree && kind != mapOverflow && kind != mapSpilled && !free[n] && b != nil && readBtree(n, b).flaw == ""
		}
	}
}
