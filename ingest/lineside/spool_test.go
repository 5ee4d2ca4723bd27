package lineside

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func open(t *testing.T, dir string, most int64) (*spool, []kept, []string) {
	t.Helper()
	s, found, damage, err := openSpool(dir, most)
	if err != nil {
		t.Fatal(err)
	}
	return s, found, damage
}

func record(n int) (turnout string, payload []byte) {
	rng := rand.New(rand.NewPCG(uint64(n), 7))
	payload = make([]byte, rng.IntN(60_000))
	for i := range payload {
		payload[i] = byte(rng.Uint32())
	}
	return fmt.Sprintf("T%d", n%5), payload
}

func appendAll(t *testing.T, s *spool, from, to int) (places []place) {
	t.Helper()
	for n := from; n < to; n++ {
		turnout, payload := record(n)
		number, where, err := s.append(turnout, payload)
		if err != nil {
			t.Fatal(err)
		}
		if number != uint64(n) {
			t.Fatalf("record %d has number %d", n, number)
		}
		places = append(places, where)
	}
	return places
}

func checkFound(t *testing.T, s *spool, found []kept, first, end int) {
	t.Helper()
	if len(found) != end-first {
		t.Fatalf("expected records %d to %d, found %d of them", first, end-1, len(found))
	}
	for i, k := range found {
		turnout, payload := record(first + i)
		got, err := s.payload(k.place)
		if err != nil {
			t.Fatal(err)
		}
		if k.number != uint64(first+i) || k.turnout != turnout || !bytes.Equal(got, payload) {
			t.Fatalf("record %d is another: number %d of %s, %d bytes", first+i, k.number, k.turnout, len(got))
		}
	}
}

func TestSpool(t *testing.T) {
	dir := t.TempDir()
	s, found, damage := open(t, dir, 1<<30)
	if len(found) != 0 || len(damage) != 0 {
		t.Fatalf("found %d, damage %v", len(found), damage)
	}
	places := appendAll(t, s, 1, 201)
	if err := s.sync(200); err != nil {
		t.Fatal(err)
	}
	if n := len(spoolFiles(t, dir)); n < 4 {
		t.Fatalf("expected several segments, found %d", n)
	}
	for n, where := range places {
		if _, want := record(n + 1); true {
			if got, err := s.payload(where); err != nil || !bytes.Equal(got, want) {
				t.Fatalf("record %d: %v", n+1, err)
			}
		}
	}
	if err := s.release(101); err != nil {
		t.Fatal(err)
	}
	if err := s.close(101); err != nil {
		t.Fatal(err)
	}
	s, found, damage = open(t, dir, 1<<30)
	if len(damage) != 0 {
		t.Fatalf("damage: %v", damage)
	}
	first := int(found[0].number)
	if first > 101 || first < 101-100 {
		t.Fatalf("the first record left is %d", first)
	}
	checkFound(t, s, found, first, 201)
	appendAll(t, s, 201, 221)
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
	s, found, _ = open(t, dir, 1<<30)
	checkFound(t, s, found, first, 221)
	if err := s.release(221); err != nil {
		t.Fatal(err)
	}
	if left := spoolFiles(t, dir); len(left) != 0 || s.bytes != 0 {
		t.Errorf("left: %v, %d bytes", left, s.bytes)
	}
	if err := s.close(221); err != nil {
		t.Error(err)
	}
}

// A crash leaves the file cut anywhere; every whole record before is found, and
// what is written afterwards too.
func TestSpoolCutAnywhere(t *testing.T) {
	dir := t.TempDir()
	s, _, _ := open(t, dir, 1<<30)
	var ends []int64
	for n := 1; n <= 5; n++ {
		_, where, err := s.append("T1", bytes.Repeat([]byte{byte(n)}, n*10))
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, where.offset+int64(where.length))
	}
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(spoolFiles(t, dir)[0])
	if err != nil {
		t.Fatal(err)
	}
	for cut := range int64(len(whole)) + 1 {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%016x%s", 1, spoolEnding)), whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		want := 0
		for want < len(ends) && ends[want] <= cut {
			want++
		}
		s, found, damage := open(t, dir, 1<<30)
		if len(found) != want {
			t.Fatalf("cut at %d: expected %d records, found %d", cut, want, len(found))
		}
		clean := cut == 0 || cut == int64(len(spoolMagic)) || want > 0 && ends[want-1] == cut
		if (len(damage) == 0) != clean {
			t.Fatalf("cut at %d: damage %v", cut, damage)
		}
		number, _, err := s.append("T2", []byte("new"))
		if err != nil || number <= uint64(want) {
			t.Fatalf("cut at %d: number %d after %d records: %v", cut, number, want, err)
		}
		if err := s.close(1); err != nil {
			t.Fatal(err)
		}
		s, found, _ = open(t, dir, 1<<30)
		if len(found) != want+1 || found[want].number != number || found[want].turnout != "T2" {
			t.Fatalf("cut at %d: found %+v after appending", cut, found)
		}
		if err := s.close(number + 1); err != nil {
			t.Fatal(err)
		}
		if left := spoolFiles(t, dir); len(left) != 0 {
			t.Fatalf("cut at %d: left %v", cut, left)
		}
	}
}

// A byte that has changed on the disk is noticed, wherever it is.
func TestSpoolChangedAnywhere(t *testing.T) {
	dir := t.TempDir()
	s, _, _ := open(t, dir, 1<<30)
	for n := 1; n <= 3; n++ {
		if _, _, err := s.append("T1", bytes.Repeat([]byte{byte(n)}, 10)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.close(1); err != nil {
		t.Fatal(err)
	}
	name := spoolFiles(t, dir)[0]
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for i := range whole {
		changed := bytes.Clone(whole)
		changed[i] ^= 0x10
		if err := os.WriteFile(name, changed, 0o600); err != nil {
			t.Fatal(err)
		}
		s, found, damage := open(t, dir, 1<<30)
		if len(damage) != 1 || len(found) > 2 {
			t.Fatalf("byte %d: %d records, damage %v", i, len(found), damage)
		}
		for n, k := range found {
			if got, err := s.payload(k.place); err != nil || !bytes.Equal(got, bytes.Repeat([]byte{byte(n + 1)}, 10)) {
				t.Fatalf("byte %d: record %d is %x, %v", i, n+1, got, err)
			}
		}
		if err := s.close(1); err != nil {
			t.Fatal(err)
		}
	}
}

func TestSpoolFull(t *testing.T) {
	s, _, _ := open(t, t.TempDir(), 3<<20)
	var n uint64
	for {
		number, _, err := s.append("T1", make([]byte, 100_000))
		if err != nil {
			if !errors.Is(err, ErrFull) {
				t.Fatal(err)
			}
			break
		}
		n = number
	}
	if n < 25 || n > 32 {
		t.Errorf("3 MiB hold %d times 100 kB", n)
	}
	if err := s.release(n); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.append("T1", make([]byte, 100_000)); err != nil {
		t.Errorf("after making room: %v", err)
	}
	if err := s.close(1); err != nil {
		t.Error(err)
	}
}

func TestSpoolStrangeFiles(t *testing.T) {
	dir := t.TempDir()
	strange := filepath.Join(dir, "letter"+spoolEnding)
	if err := os.WriteFile(strange, []byte("dear reader"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, found, damage := open(t, dir, 1<<30)
	if len(found) != 0 || len(damage) != 1 || !strings.Contains(damage[0], "letter") {
		t.Errorf("found %v, damage %v", found, damage)
	}
	if err := s.close(1); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(strange); err != nil {
		t.Error(err)
	}
}
