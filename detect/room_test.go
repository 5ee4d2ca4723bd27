package detect

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

// withDrives is a throw whose one channel has these drives instead.
func withDrives(th *ingest.Throw, drives ...string) *ingest.Throw {
	c := th.Channels[0]
	th.Channels = nil
	for _, d := range drives {
		c.Drive = d
		th.Channels = append(th.Channels, c)
	}
	return th
}

func drivesOf(s *State, end int) (list []string) {
	for i := range s.ends[end].tracks {
		list = append(list, s.ends[end].tracks[i].drive)
	}
	return list
}

// Names that never come again leave no channel unwatched for good: neither those of
// a few odd throws, nor those of drives that were watched and renamed, all of them, twice.
func TestRoomForNewNames(t *testing.T) {
	odd := strings.Fields("a b c d e f g")
	for name, c := range map[string]struct {
		drives func(n int) []string
		rise   int // from this throw on it is stiff
	}{
		"odd first throws": {func(n int) []string {
			if n < 4 {
				return odd
			}
			return []string{"main"}
		}, 500},
		"renamed twice": {func(n int) []string {
			list := [][]string{{"main", "back", "third"}, {"x1", "x2", "x3"}, {"y1", "y2", "y3"}}
			return list[min(n/250, 2)]
		}, 1800},
	} {
		t.Run(name, func(t *testing.T) {
			w, set, s := newBench(1), DefaultSettings(), new(State)
			var a Assessment
			for n := range c.rise + 150 {
				if n == c.rise {
					w.travel = 0.6
				}
				s, a = s.Step(Measure(withDrives(w.made(), c.drives(n)...)), &set)
			}
			if !slices.ContainsFunc(a.Findings, func(f Finding) bool { return f.Condition == Stiffening }) {
				t.Errorf("expected the stiffening to be seen, found %+v with tracks %v and %v", a.Findings, drivesOf(s, 0), drivesOf(s, 1))
			}
		})
	}
}

// More channels than are watched, all of them live, take no room from each other,
// nor does a channel that was away for weeks lose its past to one that is new.
func TestRoomIsNotFoughtFor(t *testing.T) {
	w, set, s := newBench(1), DefaultSettings(), new(State)
	all := strings.Fields("a b c d e f g h")
	var first [2][]string
	for n := range 400 {
		turn := n / 2 % len(all) // one of them is left out in turn
		left := slices.Delete(slices.Clone(all), turn, turn+1)
		s, _ = s.Step(Measure(withDrives(w.made(), left...)), &set)
		for end := range first {
			if got := drivesOf(s, end); n > 3 && !slices.Equal(got, first[end]) {
				t.Fatalf("throw %d: expected the tracks %v, found %v", n, first[end], got)
			}
			first[end] = drivesOf(s, end)
		}
	}
	w.at = w.at.Add(20 * 24 * time.Hour)
	for range 50 { // a few days more
		s, _ = s.Step(Measure(withDrives(w.made(), "new")), &set)
	}
	if got := drivesOf(s, 0); !slices.Equal(got, first[0]) {
		t.Errorf("expected the tracks %v, found %v", first[0], got)
	}
}

// A state that does not tell when its channels were last seen is read: they were seen
// at the latest throw.
func TestStateThatTellsNotWhenSeen(t *testing.T) {
	w, set, s := newBench(1), DefaultSettings(), new(State)
	for range 100 {
		s, _ = s.Step(w.throw(), &set)
	}
	c, copied := coder{version: unseenVersion}, *s
	c.state(&copied)
	again := new(State)
	if err := again.UnmarshalBinary(c.b); err != nil {
		t.Fatal(err)
	}
	want, _ := s.MarshalBinary()
	if got, _ := again.MarshalBinary(); !bytes.Equal(got, want) || c.b[0] == want[0] {
		t.Error("expected the same state")
	}
}
