package main

import (
	"bytes"
	"errors"
	"io"
	"maps"
	"math"
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

// A district's recording can be replayed, its truth scored, and a seed gives
// the same district again, whoever does the work.
func TestDistrict(t *testing.T) {
	// Of few throws, to be quick, yet with two faults that fail, a back drive
	// and a spool.
	o := options{seed: 122, turnouts: 4, days: shortest, out: filepath.Join(t.TempDir(), "district.ndjson.gz")}
	var said strings.Builder
	args := []string{"-seed", strconv.FormatUint(o.seed, 10), "-turnouts", strconv.Itoa(o.turnouts), "-days", strconv.Itoa(o.days), "-out", o.out}
	if err := run(args, &said); err != nil {
		t.Fatal(err)
	}
	recording, truthFile := read(t, o.out), read(t, o.out+".truth")

	truth, err := score.ReadTruth(bytes.NewReader(truthFile))
	if err != nil {
		t.Fatal(err)
	}
	again := newDistrict(o)
	if end := again.start.AddDate(0, 0, o.days); !truth.Start.Equal(again.start) || !truth.End.Equal(end) {
		t.Errorf("expected a recording from %s to %s, found %s to %s", again.start, end, truth.Start, truth.End)
	}
	planted := 0
	for _, x := range again.turnouts {
		planted += len(x.faults)
		if kind := truth.Turnouts[x.name]; kind != x.label {
			t.Errorf("%s: expected it in the truth as %s, found %q", x.name, x.label, kind)
		}
	}
	if len(truth.Turnouts) != o.turnouts || len(truth.Faults) != planted {
		t.Errorf("expected %d turnouts and %d faults, found %d and %d", o.turnouts, planted, len(truth.Turnouts), len(truth.Faults))
	}
	if lines := strings.Count(said.String(), "\n"); lines != 1+planted || !strings.Contains(said.String(), "0 without a reason") {
		t.Errorf("expected a summary of a line and %d faults, and no throw that failed without a reason, found %s", planted, said.String())
	}

	failed := readBack(t, recording, truth)
	for _, f := range truth.Faults {
		if !f.Failure.IsZero() && !failed[f.Turnout] {
			t.Errorf("%s: expected a throw that does not complete at the failure of %s, found none", f.Turnout, f.Cause)
		}
	}
	if len(failed) < 2 {
		t.Errorf("expected two turnouts whose fault fails throws, found %v", failed)
	}

	again.live(1)
	var recordingAgain, truthAgain bytes.Buffer
	if err := errors.Join(again.record(&recordingAgain), again.writeTruth(&truthAgain)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(recording, recordingAgain.Bytes()) || !bytes.Equal(truthFile, truthAgain.Bytes()) {
		t.Error("expected the same bytes of the same seed, found others")
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

// readBack reads a recording as Throwline does, and returns the turnouts that
// did not complete a throw at the failure of their fault or after it.
func readBack(t *testing.T, recording []byte, truth *score.Truth) map[string]bool {
	t.Helper()
	lines, err := wire.NewRecordingReader(bytes.NewReader(recording), wire.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	failures := map[string]time.Time{}
	for _, f := range truth.Faults {
		if !f.Failure.IsZero() {
			failures[f.Turnout] = f.Failure
		}
	}
	failed, threw, kinds := map[string]bool{}, map[string]bool{}, map[string]int{}
	clock := time.Minute // that a cabinet's may be wrong
	d := wire.NewDecoder(wire.Limits{})
	var last time.Time
	for {
		l, err := lines.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		a, err := d.Arrival(l.Data)
		if err != nil {
			t.Fatalf("line %d: %v", l.Number, err)
		}
		if a.At.Before(last) {
			t.Fatalf("line %d: expected an arrival not before %s, found %s", l.Number, last, a.At)
		}
		last = a.At
		switch {
		case a.Throw != nil:
			kinds["throws"]++
			err = a.Throw.Validate(a.At)
			name := a.Throw.Turnout
			threw[name] = true
			if _, known := truth.Turnouts[name]; !known {
				t.Fatalf("line %d: expected a turnout of the truth, found %s", l.Number, name)
			}
			if from, ill := failures[name]; ill && !a.Throw.Completed && a.Throw.StartedAt.After(from.Add(-clock)) {
				failed[name] = true
			}
		case a.Work != nil:
			kinds["works"]++
			err = a.Work.Validate(a.At)
		case a.State != nil:
			kinds["states"]++
			err = a.State.Validate(a.At)
		case a.Conditions != nil:
			kinds["conditions"]++
			err = a.Conditions.Validate(a.At)
		}
		if err != nil {
			t.Fatalf("line %d: %v", l.Number, err)
		}
	}
	if len(kinds) != 4 {
		t.Errorf("expected throws, works, states and conditions, found %v", kinds)
	}
	if len(threw) != len(truth.Turnouts) {
		t.Errorf("expected throws of %d turnouts, found %d", len(truth.Turnouts), len(threw))
	}
	return failed
}

// Every kind of fault occurs, as often as the mix says, and only in turnouts
// that can have it.
func TestMix(t *testing.T) {
	const turnouts, days = 60, 150 // of which nothing is simulated
	causes, laws := map[string]int{}, map[law]int{}
	for seed := range uint64(5) {
		d := newDistrict(options{seed: seed + 1, turnouts: turnouts, days: days})
		var failing, sensors, late int
		for _, x := range d.turnouts {
			for i, f := range x.faults {
				causes[f.cause]++
				laws[f.law]++
				switch {
				case f.onset < 17 || f.onset >= f.plan || f.onset >= days:
					t.Errorf("seed %d: %s: expected an onset after the first days and before failure and end, found %.1f and %.1f", seed+1, x.name, f.onset, f.plan)
				case i > 0:
					if f.onset < x.faults[0].plan {
						t.Errorf("seed %d: %s: expected a second fault after the first, found it at %.1f", seed+1, x.name, f.onset)
					}
				case f.cause == measurement:
					sensors++
				case f.plan > days:
					late++
				default:
					failing++
				}
				able := true
				switch f.cause {
				case seizedRoller:
					able = x.rollers
				case backDrive:
					able = x.back != nil || x.rod
				case hydraulicLeak:
					able = x.main.kind == pump
				case detectionAdjustment:
					able = x.sendDetections || x.byDetection
				}
				if !able || f.fails == (f.cause == measurement) {
					t.Errorf("seed %d: %s: expected a fault that the turnout can have, found %s", seed+1, x.name, f.cause)
				}
			}
		}
		// 42 to 49 %, 7.5 % and 5 % of the turnouts.
		if failing < 25 || failing > 29 || sensors != 5 || late != 3 {
			t.Errorf("seed %d: expected 25 to 29 faults that fail, 5 of sensors and 3 late ones, found %d, %d and %d", seed+1, failing, sensors, late)
		}
	}
	if found := slices.Sorted(maps.Keys(causes)); !slices.Equal(found, slices.Sorted(slices.Values(append(slices.Clone(fails), measurement)))) {
		t.Errorf("expected every cause, found %v", causes)
	}
	if len(laws) != 5 {
		t.Errorf("expected five ways to grow, found %v", laws)
	}
}

// A drive alone: it arrives against its usual load, later against a greater
// one, and never against a wall.
func TestDrives(t *testing.T) {
	var load grid
	lay := func(f float64) *grid {
		for i := range load {
			load[i] = f
		}
		return &load
	}
	for _, kind := range []motor{shunt, series, threePhase, pump} {
		d := newDrive(stream(1, "drive"), kind, 2, 3)
		throw := func(force float64) (c course) {
			d.move(&attempt{load: lay(force), volts: 1, air: 15, allowed: 7, post: 0.3}, &c)
			return c
		}
		usual, stiff, wall := throw(d.f0), throw(min(1.4*d.f0, 0.9*d.most)), throw(1.3*d.wall())
		if usual.end != 1 || usual.arrived < 2.5 || usual.arrived > 4 {
			t.Errorf("motor %d: expected a usual throw to take about 3 s, found %.2f s to %.2f", kind, usual.arrived, usual.end)
		}
		if stiff.end != 1 || stiff.arrived <= usual.arrived {
			t.Errorf("motor %d: expected a stiff throw to take more than %.2f s, found %.2f s to %.2f", kind, usual.arrived, stiff.arrived, stiff.end)
		}
		if wall.end >= 1 || wall.off < 7 || !math.IsNaN(wall.detected) {
			t.Errorf("motor %d: expected a wall to hold it until it is given up, found it at %.2f, off after %.2f s", kind, wall.end, wall.off)
		}
	}
}

// Wrong use is told with what was expected and found, and writes nothing.
func TestWrongUse(t *testing.T) {
	out := filepath.Join(t.TempDir(), "district.ndjson.gz")
	for _, c := range []struct{ args, want string }{
		{"", "-out: expected the name of the recording to write, found none"},
		{"-turnouts 1 -out " + out, "-turnouts: expected 2 to 10000, found 1"},
		{"-days 59 -out " + out, "-days: expected 60 to 3650, found 59"},
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
