package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/daemon/score"
	"throwline/ingest/wire"
)

// A fleet's recording can be replayed, its truth scored, and a seed gives the
// same fleet again.
func TestFleet(t *testing.T) {
	const turnouts, length = 4, 20
	write := func(seed int) (name string, recording, truth []byte) {
		t.Helper()
		name = filepath.Join(t.TempDir(), "fleet.ndjson.gz")
		args := []string{"-seed", strconv.Itoa(seed), "-turnouts", strconv.Itoa(turnouts), "-days", strconv.Itoa(length), "-out", name}
		if err := run(args, io.Discard); err != nil {
			t.Fatal(err)
		}
		return name, read(t, name), read(t, name+".truth")
	}
	_, recording, truthFile := write(8)
	truth, err := score.ReadTruth(bytes.NewReader(truthFile))
	if err != nil {
		t.Fatal(err)
	}
	if end := start.AddDate(0, 0, length); !truth.Start.Equal(start) || !truth.End.Equal(end) {
		t.Errorf("expected a recording from %s to %s, found %s to %s", start, end, truth.Start, truth.End)
	}
	if len(truth.Turnouts) != turnouts || len(truth.Faults) != turnouts/2 {
		t.Errorf("expected %d turnouts and half as many faults, found %d and %d", turnouts, len(truth.Turnouts), len(truth.Faults))
	}
	for _, f := range truth.Faults {
		if !slices.Contains(causes, f.Cause) || f.Onset.Before(truth.Start) || !f.Failure.After(f.Onset) || !f.Repaired.After(f.Failure) || f.Repaired.After(truth.End) {
			t.Errorf("expected a known cause, and onset, failure and repair within the recording, found %+v", f)
		}
	}

	seen, failed := readBack(t, recording, truth)
	if len(seen) != turnouts {
		t.Errorf("expected throws of %d turnouts, found %d", turnouts, len(seen))
	}
	for _, f := range truth.Faults {
		if f.Cause != measurement && !failed[f.Turnout] {
			t.Errorf("%s: expected a throw that does not complete at the failure of %s, found none", f.Turnout, f.Cause)
		}
	}

	if _, again, truthAgain := write(8); !bytes.Equal(recording, again) || !bytes.Equal(truthFile, truthAgain) {
		t.Error("expected the same bytes of the same seed, found others")
	}
	if _, other, _ := write(34); bytes.Equal(recording, other) {
		t.Error("expected another recording of another seed, found the same")
	}
}

func read(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// readBack reads a recording as Throwline does, and returns which turnouts
// threw, and which did not complete a throw between failure and repair.
func readBack(t *testing.T, recording []byte, truth *score.Truth) (threw, failed map[string]bool) {
	t.Helper()
	lines, err := wire.NewRecordingReader(bytes.NewReader(recording), wire.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	faults := map[string]score.Fault{}
	for _, f := range truth.Faults {
		faults[f.Turnout] = f
	}
	threw, failed = map[string]bool{}, map[string]bool{}
	d := wire.NewDecoder(wire.Limits{})
	var last time.Time
	works, conditions := 0, 0
	for {
		line, err := lines.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		a, err := d.Arrival(line.Data)
		if err != nil {
			t.Fatalf("line %d: %v", line.Number, err)
		}
		if a.At.Before(last) {
			t.Fatalf("line %d: expected an arrival not before %s, found %s", line.Number, last, a.At)
		}
		last = a.At
		switch {
		case a.Throw != nil:
			err = a.Throw.Validate(a.At)
			name := a.Throw.Turnout
			threw[name] = true
			if _, known := truth.Turnouts[name]; !known {
				t.Fatalf("line %d: expected a turnout of the truth, found %s", line.Number, name)
			}
			f, ill := faults[name]
			at := a.Throw.StartedAt
			if ill && !a.Throw.Completed && at.After(f.Failure) && at.Before(f.Repaired) {
				failed[name] = true
			}
		case a.Work != nil:
			works++
			err = a.Work.Validate(a.At)
		case a.Conditions != nil:
			conditions++
			err = a.Conditions.Validate(a.At)
		default:
			t.Fatalf("line %d: expected a throw, work or conditions, found none", line.Number)
		}
		if err != nil {
			t.Fatalf("line %d: %v", line.Number, err)
		}
	}
	if works == 0 || conditions == 0 {
		t.Errorf("expected works and conditions, found %d and %d", works, conditions)
	}
	return threw, failed
}

// Wrong use is told with what was expected and found, and writes nothing.
func TestWrongUse(t *testing.T) {
	out := filepath.Join(t.TempDir(), "fleet.ndjson.gz")
	for _, c := range []struct{ args, want string }{
		{"", "-out: expected the name of the recording to write, found none"},
		{"-turnouts 1 -out " + out, "-turnouts: expected 2 to 10000, found 1"},
		{"-days 19 -out " + out, "-days: expected 20 to 3650, found 19"},
		{"-out " + out + " more", "expected flags only, found more"},
		{"-seed -1 -out " + out, "-seed"},
	} {
		var said strings.Builder
		if err := run(strings.Fields(c.args), &said); !errors.Is(err, errUsage) || !strings.Contains(said.String(), c.want) {
			t.Errorf("%q: expected wrong use and %q, found %v and %q", c.args, c.want, err, said.String())
		}
	}
	if _, err := os.Stat(out); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("expected no file, found %v", err)
	}
}
