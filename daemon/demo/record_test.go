package demo_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/daemon/demo"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// arrivals keeps what was recorded.
type arrivals []ingest.Arrival

func (a *arrivals) Write(x ingest.Arrival) error {
	*a = append(*a, x)
	return nil
}

// truth is what a truth file says.
type truth struct {
	fleet struct {
		Seed     uint64
		Days     int
		Turnouts int
		Start    time.Time
		End      time.Time
	}
	turnouts map[string]line
	faults   []line
	odds     []line
}

type line struct {
	Turnout    string
	DriveKind  string `json:"drive_kind"`
	Throws     int
	Incomplete int
	Cause      string
	Onset      time.Time
	Failure    time.Time
	Repaired   time.Time
	Note       string `json:"detectable_note"`
	At         time.Time
	Kind       string
	Completed  bool
}

func readTruth(t *testing.T, b []byte) truth {
	t.Helper()
	tr := truth{turnouts: map[string]line{}}
	for i, l := range bytes.Split(bytes.TrimSpace(b), []byte("\n")) {
		var x struct {
			Fleet any
			Fault *line
			Odd   *line
			line
		}
		if i == 0 {
			x.Fleet = &tr.fleet
		}
		if err := json.Unmarshal(l, &x); err != nil {
			t.Fatalf("truth, line %d: %v", i+1, err)
		}
		switch {
		case i == 0:
		case x.Fault != nil:
			tr.faults = append(tr.faults, *x.Fault)
		case x.Odd != nil:
			tr.odds = append(tr.odds, *x.Odd)
		default:
			tr.turnouts[x.Turnout] = x.line
		}
	}
	return tr
}

// small is a fleet that is recorded in a few seconds.
func small(seed uint64) demo.RecordOptions {
	return demo.RecordOptions{Seed: seed, Turnouts: 10, Days: 75, MostThrows: 10, FaultShare: 0.9}
}

func record(t *testing.T, o demo.RecordOptions) (arrivals, truth, []byte) {
	t.Helper()
	var a arrivals
	var b bytes.Buffer
	if err := demo.Record(t.Context(), &a, &b, o); err != nil {
		t.Fatal(err)
	}
	return a, readTruth(t, b.Bytes()), b.Bytes()
}

// TestRecordIsDeterministic: the same options write the same bytes, on one
// processor and on all of them.
func TestRecordIsDeterministic(t *testing.T) {
	o := small(3)
	o.Days = 32
	write := func(o demo.RecordOptions) ([]byte, []byte) {
		var b, tr bytes.Buffer
		w, err := wire.NewRecordingWriter(&b, "x.ndjson")
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(demo.Record(t.Context(), w, &tr, o), w.Close()); err != nil {
			t.Fatal(err)
		}
		return b.Bytes(), tr.Bytes()
	}
	a, at := write(o)
	before := runtime.GOMAXPROCS(1)
	b, bt := write(o)
	runtime.GOMAXPROCS(before)
	if !bytes.Equal(a, b) || !bytes.Equal(at, bt) {
		t.Error("two recordings of one seed differ")
	}
	o.Seed++
	if c, _ := write(o); bytes.Equal(a, c) {
		t.Error("two seeds give one recording")
	}
}

// TestRecordKeepsTheContract: each arrival is valid when it arrives, in order;
// numbers rise without gaps; some are late, some doubled.
func TestRecordKeepsTheContract(t *testing.T) {
	o := small(5)
	o.MostThrows = 40 // enough for what is rare
	all, tr, _ := record(t, o)
	kinds := map[string]int{}
	seen := map[string]bool{}
	sequences := map[string]map[uint64]bool{}
	var last time.Time
	throws := map[string]int{}
	incomplete := map[string]int{}
	late := 0
	for i, a := range all {
		if a.At.Before(last) {
			t.Fatalf("arrival %d came at %s, the one before at %s", i, a.At, last)
		}
		last = a.At
		var err error
		switch {
		case a.Throw != nil:
			x := a.Throw
			kinds["throw"]++
			err = x.Validate(a.At)
			if x.StartedAt.After(a.At) {
				t.Fatalf("throw %s arrived at %s, before it began", x.Key(), a.At)
			}
			if seen[x.Key()] {
				kinds["doubled"]++
				break
			}
			seen[x.Key()] = true
			throws[x.Turnout]++
			if !x.Completed {
				incomplete[x.Turnout]++
			}
			if a.At.Sub(x.StartedAt) > time.Minute {
				late++
			}
			if x.Boot != "" {
				if sequences[x.Boot] == nil {
					sequences[x.Boot] = map[uint64]bool{}
				}
				sequences[x.Boot][x.Sequence] = true
			}
		case a.Work != nil:
			kinds[string(a.Work.Kind)]++
			err = a.Work.Validate(a.At)
		case a.State != nil:
			kinds["state"]++
			err = a.State.Validate(a.At)
		case a.Conditions != nil:
			kinds["conditions"]++
			err = a.Conditions.Validate(a.At)
		}
		if err != nil {
			t.Fatalf("arrival %d: %v", i, err)
		}
	}
	if kinds["throw"] < 3000 || kinds["doubled"] == 0 || kinds["lubricated"] == 0 || kinds["state"] < 3 || late < kinds["throw"]/1000 {
		t.Errorf("arrivals by kind: %v, late %d", kinds, late)
	}
	for boot, s := range sequences {
		for n := range uint64(len(s)) {
			if !s[n+1] {
				t.Errorf("boot %s: %d numbers, %d is missing", boot, len(s), n+1)
			}
		}
	}
	if len(tr.turnouts) != 10 || tr.fleet.Turnouts != 10 || tr.fleet.Days != 75 || !tr.fleet.End.Equal(tr.fleet.Start.AddDate(0, 0, 75)) {
		t.Errorf("fleet: %+v, %d turnouts", tr.fleet, len(tr.turnouts))
	}
	for name, x := range tr.turnouts {
		if x.Throws != throws[name] || x.Incomplete != incomplete[name] {
			t.Errorf("%s: truth says %d throws, %d incomplete; recorded %d, %d", name, x.Throws, x.Incomplete, throws[name], incomplete[name])
		}
		if x.DriveKind != "electric" && x.DriveKind != "hydraulic" {
			t.Errorf("%s: drive %q", name, x.DriveKind)
		}
	}
}

// TestTruthIsTrue: a failure is a throw that did not complete, within its
// fault; and nothing fails for no reason.
func TestTruthIsTrue(t *testing.T) {
	failures := 0
	for seed := range uint64(3) {
		all, tr, _ := record(t, small(20+seed))
		bad := map[string]time.Time{}
		for _, a := range all {
			if a.Throw != nil && !a.Throw.Completed {
				bad[a.Throw.Turnout+"@"+a.Throw.StartedAt.UTC().Format(time.RFC3339Nano)] = a.Throw.StartedAt
			}
		}
		for _, f := range tr.faults {
			if !f.Repaired.IsZero() && !f.Onset.Before(f.Repaired) || !f.Failure.IsZero() && !f.Onset.Before(f.Failure) ||
				!f.Failure.IsZero() && !f.Repaired.IsZero() && !f.Failure.Before(f.Repaired) || f.Note == "" {
				t.Errorf("seed %d: %+v", 20+seed, f)
			}
			if f.Failure.IsZero() || f.Cause == "measurement" {
				continue
			}
			failures++
			if _, ok := bad[f.Turnout+"@"+f.Failure.UTC().Format(time.RFC3339Nano)]; !ok {
				t.Errorf("seed %d: %s is said to fail of %s at %s, no throw did", 20+seed, f.Turnout, f.Cause, f.Failure)
			}
		}
		for key, at := range bad {
			name, _, _ := strings.Cut(key, "@")
			told := false
			for _, f := range tr.faults {
				over := f.Repaired
				if over.IsZero() {
					over = tr.fleet.End
				}
				told = told || f.Turnout == name && !at.Before(f.Onset) && !at.After(over)
			}
			for _, o := range tr.odds {
				// A failed attempt is followed by others within minutes.
				told = told || o.Turnout == name && !o.Completed && at.Sub(o.At) < 10*time.Minute && !at.Before(o.At)
			}
			if !told {
				t.Errorf("seed %d: %s did not complete at %s, and the truth does not say why", 20+seed, name, at)
			}
		}
	}
	if failures < 6 {
		t.Errorf("only %d failures in three fleets", failures)
	}
}

func TestRecordRefuses(t *testing.T) {
	for _, o := range []demo.RecordOptions{
		{Turnouts: -1}, {Days: 5000}, {FaultShare: 2}, {MostThrows: 2}, {Start: time.Unix(0, 0)},
	} {
		if err := demo.Record(t.Context(), &arrivals{}, nil, o); err == nil || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%+v: %v", o, err)
		}
	}
}

// TestRecordEnds: with its context, and with the first error of what it writes to.
func TestRecordEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	o := small(1)
	days := 0
	o.Progress = func(time.Duration) {
		if days++; days == 3 {
			cancel()
		}
	}
	if err := demo.Record(ctx, &arrivals{}, nil, o); !errors.Is(err, context.Canceled) {
		t.Errorf("want context.Canceled, got %v", err)
	}
	if days > 8 {
		t.Errorf("it went on for %d days", days)
	}
	if err := demo.Record(t.Context(), full{}, nil, small(1)); !errors.Is(err, errFull) {
		t.Errorf("want the writer's error, got %v", err)
	}
}

var errFull = errors.New("no room left")

type full struct{}

func (full) Write(ingest.Arrival) error { return errFull }

// TestRecordFile writes a recording and its truth where YARD_RECORD says, for
// work by hand; YARD_SEED, YARD_TURNOUTS and YARD_DAYS choose what.
func TestRecordFile(t *testing.T) {
	name := os.Getenv("YARD_RECORD")
	if name == "" {
		t.Skip("YARD_RECORD names no file")
	}
	number := func(key string, otherwise int) int {
		if n, err := strconv.Atoi(os.Getenv(key)); err == nil {
			return n
		}
		return otherwise
	}
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	w, err := wire.NewRecordingWriter(f, filepath.Base(name))
	if err != nil {
		t.Fatal(err)
	}
	var truth bytes.Buffer
	err = demo.Record(t.Context(), w, &truth, demo.RecordOptions{
		Seed: uint64(number("YARD_SEED", 1)), Turnouts: number("YARD_TURNOUTS", 20), Days: number("YARD_DAYS", 90),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name+".truth", truth.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
