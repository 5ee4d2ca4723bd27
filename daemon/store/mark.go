package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// The lock file also says how the store was left, so that the next start knows
// what must lie beside it. It is one block, overwritten in place: that needs no
// room on a full disk.
const (
	markMaking  = "making"  // a new store is being made: anything may be missing
	markOpening = "opening" // nothing was promised since: its log may be there or not
	markOpen    = "open"    // its log is there
	markClosed  = "closed"  // all is in the one file, and no log is there
	markLeft    = "left"    // closed well, but the log stayed because another program read
	markDamaged = "damaged" // damage of the file was met
	// After each, what damage was met may follow: of the file, or of a row, with
	// which the program goes on.

	markSize = 512
)

// readMark returns how the store was left, "" where nothing tells, and of
// damage what it was.
func readMark(f io.ReaderAt) (mark, why string, err error) {
	b := make([]byte, markSize)
	n, err := f.ReadAt(b, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return "", "", err
	}
	mark, why, _ = strings.Cut(string(bytes.TrimSpace(bytes.Trim(b[:n], "\x00"))), ": ")
	return mark, why, nil
}

// setMark has the mark on disk.
func setMark(f *os.File, mark, why string) error {
	text := mark
	if why != "" {
		text += ": " + strings.ToValidUTF8(strings.ReplaceAll(why, "\n", " ")[:min(len(why), markSize-len(mark)-3)], "")
	}
	b := append(bytes.Repeat([]byte{' '}, markSize-1), '\n')
	copy(b, text)
	if _, err := f.WriteAt(b, 0); err != nil {
		return fmt.Errorf("note in %s that the store is %s: %w", f.Name(), mark, err)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("note in %s that the store is %s: %w", f.Name(), mark, err)
	}
	return nil
}

// sizeOf is -1 where there is no such file.
func sizeOf(name string) (int64, error) {
	info, err := os.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return -1, nil
	}
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

// left holds what lies there against how the store was left, before SQLite
// sees it: SQLite takes an empty file for a new database, takes any log beside
// it for its own, and drops without a word what follows a flaw in the log.
// fresh: there is no store yet.
func (s *Store) left() (fresh bool, err error) {
	const back = "bring the store back from a backup (throwline restore)"
	var sizes [3]int64
	for i, end := range []string{"", "-wal", "-journal"} {
		if sizes[i], err = sizeOf(s.path + end); err != nil {
			return false, fmt.Errorf("store %s: %w", s.path, err)
		}
	}
	size, log, journal := sizes[0], sizes[1], sizes[2]
	known := s.was != "" && s.was != markMaking
	switch {
	case size <= 0 && known:
		return false, fmt.Errorf("store %s: expected the store that was there before (%s says so), found %s; %s, or, to begin anew with nothing, remove %s too", s.path, s.lock.Name(), nothing(size), back, s.lock.Name())
	case size <= 0 && log > 0:
		return false, fmt.Errorf("store %s: expected a store beside its log %s-wal, found %s; %s, or move the log away", s.path, s.path, nothing(size), back)
	case size <= 0:
		return true, nil
	}
	// A store that was being made may have half a first page, and the journal that
	// takes it back.
	if s.was != markMaking || journal <= 0 {
		if err := s.header(); err != nil {
			return false, err
		}
	}
	switch {
	case known && journal > 0:
		return false, fmt.Errorf("store %s: expected no rollback journal beside it, found %s-journal, which is from elsewhere and would be played into the store; move it away", s.path, s.path)
	case s.was == markClosed && log > 0:
		return false, fmt.Errorf("store %s: it was closed well and left no log; %s-wal is from elsewhere and would be played into the store: move it away", s.path, s.path)
	case s.was == markOpen && log < 0:
		return false, fmt.Errorf("store %s: it was not closed, and its log %s-wal, which held what was committed last, is gone; bring the log back, or %s; if a program like sqlite3 was used on the store, which merges the log into it, remove %s and start again", s.path, s.path, back, s.lock.Name())
	case log > 0:
		if err := checkLog(s.path); err != nil {
			return false, fmt.Errorf("store %s: %w; keep both files and %s", s.path, err, back)
		}
	}
	return false, nil
}

func nothing(size int64) string {
	if size < 0 {
		return "no file"
	}
	return "an empty file"
}

// Unclean reports whether the store had not been closed when it was opened:
// the program before this one was killed, or stopped because the store failed.
func (s *Store) Unclean() bool { return s.unclean }

// mark has on disk how the store would be found.
func (s *Store) mark(mark string) error {
	s.noted.Lock()
	defer s.noted.Unlock()
	return s.setMark(mark)
}

// setMark is mark for who holds noted. Damage that was noted stays so.
func (s *Store) setMark(mark string) error {
	err := setMark(s.lock, mark, s.why)
	if err == nil {
		s.now = mark
	}
	return err
}

// marked is how the store would be found.
func (s *Store) marked() string {
	s.noted.Lock()
	defer s.noted.Unlock()
	return s.now
}

// closeMark notes that the store was closed, once the database is: what was
// opened, or what was found closed and then could not be opened.
func (s *Store) closeMark() error {
	if s.marked() != markOpening || s.broken.Load() != nil || !s.opened && (s.unclean || s.was == "") {
		return nil
	}
	log, err := sizeOf(s.path + "-wal")
	if err != nil {
		return err
	}
	if log > 0 {
		return s.mark(markLeft)
	}
	// That the log is gone must be on disk before it is said.
	if err := toDisk(filepath.Dir(s.path)); err != nil {
		return err
	}
	return s.mark(markClosed)
}
