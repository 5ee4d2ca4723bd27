package store

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"os"
)

// Of SQLite's log, after its file format. Each transaction is synced before the
// next is written, and the checksum of a frame goes on from that of the frame
// before it. So a flaw that is followed by the end of one transaction and the
// beginning of the next is no write that a power cut tore: what was on disk
// already has changed. SQLite would drop it and all that follows.

const (
	walHead  = 32
	walFrame = 24 // before each page
	walMagic = 0x377f0682
)

type walSum [2]uint32

// add goes on with a checksum over b, of a multiple of 8 bytes.
func (s walSum) add(swap bool, b []byte) walSum {
	for ; len(b) >= 8; b = b[8:] {
		x, y := binary.LittleEndian.Uint32(b), binary.LittleEndian.Uint32(b[4:])
		if swap {
			x, y = bits.ReverseBytes32(x), bits.ReverseBytes32(y)
		}
		s[0] += x + s[1]
		s[1] += y + s[0]
	}
	return s
}

func walSumAt(b []byte) walSum {
	return walSum{binary.BigEndian.Uint32(b), binary.BigEndian.Uint32(b[4:])}
}

// checkLog reads the log beside a database from end to end and says whether it
// is damaged, or the database shorter than it must be with this log. What it
// cannot tell from a power cut is a flaw in the very last transaction, and a log
// cut off at its end.
func checkLog(path string) error {
	f, err := os.Open(path + "-wal")
	if err != nil {
		return err
	}
	defer f.Close()
	r := bufio.NewReaderSize(f, 1<<20)
	head := make([]byte, walHead)
	if _, err := io.ReadFull(r, head); err != nil {
		return shortLog(err) // too short for a frame: nothing was ever in it
	}
	magic, page := binary.BigEndian.Uint32(head), int(binary.BigEndian.Uint32(head[8:]))
	swap := magic&1 == 1
	sum := walSum{}.add(swap, head[:24])
	if magic&^1 != walMagic || sum != walSumAt(head[24:]) || page < 512 || page > 65536 {
		if _, err := r.Peek(walFrame + 512); err != nil {
			return shortLog(err)
		}
		return errors.New("its log is damaged: the first bytes are no log's, and more follows")
	}
	salts := [8]byte(head[16:24])
	var there []uint32 // pages of the transaction that is being read
	kept := map[uint32]struct{}{}
	var pages uint32 // of the database after the last whole transaction
	frame := make([]byte, walFrame+page)
	flaw, ended, before := 0, false, walSum{}
	for n := 1; ; n++ {
		if _, err := io.ReadFull(r, frame); err != nil {
			if err := shortLog(err); err != nil {
				return err
			}
			break
		}
		number, commit, own := binary.BigEndian.Uint32(frame), binary.BigEndian.Uint32(frame[4:]), [8]byte(frame[8:16]) == salts
		said := walSumAt(frame[16:])
		if flaw == 0 {
			if sum = sum.add(swap, frame[:8]).add(swap, frame[walFrame:]); own && number != 0 && sum == said {
				if there = append(there, number); commit != 0 {
					for _, p := range there {
						kept[p] = struct{}{}
					}
					there, pages = there[:0], commit
				}
				continue
			}
			flaw = n
		} else if ended && own && before.add(swap, frame[:8]).add(swap, frame[walFrame:]) == said {
			return fmt.Errorf("its log is damaged: frame %d has changed, and what was committed after it is still there", flaw)
		}
		ended, before = own && commit != 0, said
	}
	size, err := sizeOf(path)
	if err != nil {
		return err
	}
	locks := uint32(1<<30/int64(page)) + 1 // the page that SQLite never writes, as its locks lie there
	for p := uint32(size/int64(page)) + 1; p <= pages; p++ {
		if p == locks {
			continue
		}
		if _, ok := kept[p]; !ok {
			return fmt.Errorf("it is cut short: expected %d pages of %d bytes, found %d, and page %d is not in the log either", pages, page, size/int64(page), p)
		}
	}
	return nil
}

// shortLog is nil for the end of a file.
func shortLog(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return fmt.Errorf("read its log: %w", err)
}
