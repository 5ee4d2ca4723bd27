package lineside

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// A spool is a folder of segments that are only appended to, and deleted when
// nothing in them is needed any more. A segment's name is the number of its
// first record; numbers rise by 1 from record to record.
//
//	segment = magic record*
//	record  = length of body (4 bytes, little-endian), CRC-32C of body (4), body
//	body    = length of turnout (1), turnout, payload

const (
	spoolMagic    = "thrown-1"
	spoolEnding   = ".spool"
	recordHead    = 8
	segmentBytes  = 1 << 20  // after which a new one begins; what a restart may send again
	largestRecord = 64 << 20 // more is a broken length
)

// ErrFull means that the spool has no room for another throw.
var ErrFull = errors.New("the spool is full")

// spool keeps throws on disk until they are stored elsewhere. Its methods may
// be called at the same time.
type spool struct {
	dir  string
	most int64 // bytes
	lock *os.File

	mu       sync.Mutex
	segments []*segment // ascending; the last is written to
	file     *os.File   // of the last
	next     uint64     // number of the next record
	bytes    int64      // of all segments
	reading  *os.File   // of the segment that was read last
	read     *segment
	broken   error // a write that could not be taken back, or a sync that failed

	syncing sync.Mutex
	synced  uint64 // all records below it are on disk; under syncing
}

type segment struct {
	first  uint64
	path   string
	size   int64
	unread bool // something in it could not be read, and may be another time: it is not deleted
}

// place is where a record is.
type place struct {
	segment *segment
	offset  int64 // of the body
	length  int
}

// kept is a record found when a spool is opened.
type kept struct {
	number  uint64
	turnout string
	place   place
}

// openSpool opens or makes the spool in dir. It returns what is in it, in
// order, and what of it could not be read.
func openSpool(dir string, most int64) (s *spool, found []kept, damage []string, err error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, nil, nil, fmt.Errorf("spool: %w", err)
	}
	lock, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, nil, nil, fmt.Errorf("spool: %w", err)
	}
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, nil, nil, errors.Join(fmt.Errorf("spool in %s: in use by another process: %w", dir, err), lock.Close())
	}
	s = &spool{dir: dir, most: most, lock: lock, next: 1}
	names, err := filepath.Glob(filepath.Join(dir, "*"+spoolEnding))
	if err != nil {
		return nil, nil, nil, errors.Join(fmt.Errorf("spool: %w", err), lock.Close())
	}
	slices.Sort(names) // numbers have leading zeros
	for _, path := range names {
		first, err := strconv.ParseUint(strings.TrimSuffix(filepath.Base(path), spoolEnding), 16, 64)
		if err != nil {
			damage = append(damage, fmt.Sprintf("%s: not the name of a segment; left alone", path))
			continue
		}
		g := &segment{first: first, path: path}
		records, whole, err := g.scan()
		if err != nil {
			// The others must not wait for it. It stays for the next start, and what
			// may be in it keeps its numbers.
			damage = append(damage, fmt.Sprintf("%s: cannot be read beyond its first %d throws; it is left alone until the next start: %v", path, len(records), err))
			g.unread = true
			found = append(found, records...)
			s.segments = append(s.segments, g)
			s.bytes += g.size
			s.next = max(s.next, first+max(uint64(g.size), segmentBytes+largestRecord)/recordHead)
			continue
		}
		if g.size > whole {
			// A crash leaves a broken tail in the segment that was written to.
			// Nothing is appended to an old segment: it is left as it is.
			damage = append(damage, fmt.Sprintf("%s: %d bytes after the last whole record cannot be read", path, g.size-whole))
		}
		if len(records) == 0 && g.size <= whole {
			if err := os.Remove(path); err != nil {
				return nil, nil, nil, errors.Join(fmt.Errorf("spool: %w", err), lock.Close())
			}
			continue
		}
		found = append(found, records...)
		s.segments = append(s.segments, g)
		s.bytes += g.size
		s.next = max(s.next, first+uint64(len(records)), first+1) // never a name twice
	}
	s.synced = s.next
	return s, found, damage, nil
}

// scan reads all whole records and where they end.
func (g *segment) scan() (records []kept, whole int64, err error) {
	f, err := os.Open(g.path)
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return nil, 0, err
	}
	g.size = info.Size()
	in := bufio.NewReaderSize(f, 256<<10)
	head := make([]byte, max(recordHead, len(spoolMagic)))
	if _, err := io.ReadFull(in, head[:len(spoolMagic)]); err != nil || string(head[:len(spoolMagic)]) != spoolMagic {
		return nil, 0, plainEnd(err)
	}
	whole = int64(len(spoolMagic))
	var body []byte
	for {
		if _, err := io.ReadFull(in, head[:recordHead]); err != nil {
			return records, whole, plainEnd(err)
		}
		n := int64(binary.LittleEndian.Uint32(head))
		if n < 1 || n > largestRecord || n > g.size-whole-recordHead {
			return records, whole, nil
		}
		body = slices.Grow(body[:0], int(n))[:n]
		if _, err := io.ReadFull(in, body); err != nil {
			return records, whole, plainEnd(err)
		}
		name := int64(body[0])
		if crc32.Checksum(body, castagnoli()) != binary.LittleEndian.Uint32(head[4:]) || n < 1+name {
			return records, whole, nil
		}
		records = append(records, kept{
			number: g.first + uint64(len(records)), turnout: string(body[1 : 1+name]),
			place: place{segment: g, offset: whole + recordHead, length: int(n)},
		})
		whole += recordHead + n
	}
}

// castagnoli is the polynomial of CRC-32C; the library makes its table once.
func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

func plainEnd(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// append writes a record and returns its number. It is not on disk before sync.
func (s *spool) append(turnout string, payload []byte) (number uint64, where place, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return 0, place{}, s.broken
	}
	n := 1 + len(turnout) + len(payload)
	if n > largestRecord || len(turnout) > 255 {
		return 0, place{}, fmt.Errorf("spool: expected a throw of at most %d bytes, found %d", largestRecord, n)
	}
	if s.bytes+recordHead+int64(n) > s.most {
		return 0, place{}, fmt.Errorf("spool of %d bytes: %w", s.most, ErrFull)
	}
	if s.file == nil || s.last().size >= segmentBytes {
		if err := s.begin(); err != nil {
			return 0, place{}, fmt.Errorf("spool: %w", err)
		}
	}
	g := s.last()
	record := make([]byte, recordHead, recordHead+n)
	record = append(record, byte(len(turnout)))
	record = append(record, turnout...)
	record = append(record, payload...)
	binary.LittleEndian.PutUint32(record, uint32(n))
	binary.LittleEndian.PutUint32(record[4:], crc32.Checksum(record[recordHead:], castagnoli()))
	if _, err := s.file.WriteAt(record, g.size); err != nil {
		// Half a record at the end would hide those that follow.
		if undo := s.file.Truncate(g.size); undo != nil {
			s.broken = fmt.Errorf("spool: %w", errors.Join(err, undo))
			return 0, place{}, s.broken
		}
		return 0, place{}, fmt.Errorf("spool: %w", err)
	}
	number = s.next
	where = place{segment: g, offset: g.size + recordHead, length: n}
	s.next++
	g.size += int64(len(record))
	s.bytes += int64(len(record))
	return number, where, nil
}

// end returns the number that the next record will have.
func (s *spool) end() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.next
}

func (s *spool) last() *segment { return s.segments[len(s.segments)-1] }

// begin ends the last segment and makes the next.
func (s *spool) begin() error {
	if s.file != nil {
		if err := s.file.Sync(); err != nil {
			return s.unsynced(err)
		}
		if err := s.file.Close(); err != nil {
			return err
		}
		s.file = nil
	}
	g := &segment{first: s.next, path: filepath.Join(s.dir, fmt.Sprintf("%016x%s", s.next, spoolEnding)), size: int64(len(spoolMagic))}
	f, err := os.OpenFile(g.path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o640)
	if err != nil {
		return err
	}
	_, err = f.WriteString(spoolMagic)
	if err == nil {
		err = s.syncDir() // or the file's name may be gone after a crash
	}
	if err != nil {
		return errors.Join(err, f.Close(), os.Remove(g.path))
	}
	s.file = f
	s.segments = append(s.segments, g)
	s.bytes += g.size
	return nil
}

func (s *spool) syncDir() error {
	d, err := os.Open(s.dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// sync returns when the record is on disk. Records that are written meanwhile
// share one sync.
func (s *spool) sync(number uint64) error {
	s.syncing.Lock()
	defer s.syncing.Unlock()
	if number < s.synced {
		return nil
	}
	s.mu.Lock()
	f, upTo, broken := s.file, s.next, s.broken
	s.mu.Unlock()
	if broken != nil {
		return broken
	}
	if f == nil {
		return nil // ended, and synced then
	}
	if err := f.Sync(); err != nil && !errors.Is(err, os.ErrClosed) {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.unsynced(err)
	}
	s.synced = upTo
	return nil
}

// unsynced notes that a sync failed; the caller holds mu. The system tells that
// once and takes for written what was not, so that no sync after it says anything.
func (s *spool) unsynced(err error) error {
	if s.broken == nil {
		s.broken = fmt.Errorf("a sync failed, and what was written cannot be trusted to be on disk until the spool is opened again: %w", err)
	}
	return fmt.Errorf("spool: %w", s.broken)
}

// payload reads a record's payload.
func (s *spool) payload(where place) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f := s.file
	if len(s.segments) == 0 || f == nil || where.segment != s.last() {
		if s.read != where.segment {
			if s.reading != nil {
				_ = s.reading.Close()
			}
			s.reading, s.read = nil, nil
			opened, err := os.Open(where.segment.path)
			if err != nil {
				where.segment.unread = true
				return nil, fmt.Errorf("spool: %w", err)
			}
			s.reading, s.read = opened, where.segment
		}
		f = s.reading
	}
	body := make([]byte, where.length)
	if _, err := f.ReadAt(body, where.offset); err != nil {
		where.segment.unread = true
		return nil, fmt.Errorf("spool: %s at %d: %w", where.segment.path, where.offset, err)
	}
	return body[1+int(body[0]):], nil
}

// release deletes the segments in which no number from first on is needed.
func (s *spool) release(first uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var errs []error
	for len(s.segments) > 0 {
		g, end := s.segments[0], s.next
		if len(s.segments) > 1 {
			end = s.segments[1].first
		}
		if end > first || g == s.last() && s.file != nil && g.size < segmentBytes {
			break
		}
		if g == s.last() && s.file != nil {
			errs = append(errs, s.file.Close())
			s.file = nil
		}
		if s.read == g {
			errs = append(errs, s.reading.Close())
			s.reading, s.read = nil, nil
		}
		s.segments = s.segments[1:]
		if g.unread {
			continue
		}
		errs = append(errs, os.Remove(g.path))
		s.bytes -= g.size
	}
	return errors.Join(errs...)
}

// close closes the spool, and empties it if no number from first on is needed.
func (s *spool) close(first uint64) error {
	s.mu.Lock()
	var errs []error
	if s.file != nil {
		errs = append(errs, s.file.Sync(), s.file.Close())
		s.file = nil
	}
	s.mu.Unlock()
	errs = append(errs, s.release(first))
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.reading != nil {
		errs = append(errs, s.reading.Close())
		s.reading, s.read = nil, nil
	}
	return errors.Join(append(errs, s.lock.Close())...)
}
