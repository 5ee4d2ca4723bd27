package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// yardOf are the arrivals of a few turnouts, of which one gets stiff, one stops
// half way, one is lubricated; with late ones, doubled ones and weather.
func yardOf(throws int) (list []ingest.Arrival) {
	for n := range throws {
		at := firstDay.Add(time.Duration(n)*30*time.Minute + 10*time.Second)
		for i := range 4 {
			stiff := 0.0
			if i == 1 && n > throws/2 {
				stiff = 0.5 * float64(n-throws/2) / float64(throws/2)
			}
			t := invented(fmt.Sprintf("ORR-W%d", i+1), n, stiff)
			t.Cabinet = "ORR"
			t.Completed = i != 2 || n != throws-10
			switch {
			case n%50 == 20: // comes after the next to the same end
				continue
			case n%50 == 24:
				old := invented(t.Turnout, n-4, stiff)
				list = append(list, ingest.Arrival{At: at, Throw: old})
			case n%50 == 30:
				list = append(list, ingest.Arrival{At: at, Throw: t})
			}
			list = append(list, ingest.Arrival{At: at, Throw: t})
		}
		if n%3 == 0 {
			list = append(list, ingest.Arrival{At: at, Conditions: &ingest.Conditions{Cabinet: "ORR", At: at, RailTemperature: ingest.Known(float64(n % 20))}})
		}
		if n == throws*3/4 {
			list = append(list, ingest.Arrival{At: at, Work: &ingest.Work{Turnout: "ORR-W4", DoneAt: at.Add(-time.Hour), Kind: ingest.Lubricated}})
		}
	}
	return list
}

func recordingOf(t testing.TB, dir, name string, list []ingest.Arrival) string {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	w, err := wire.NewRecordingWriter(f, name)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		if err := w.Write(a); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	return f.Name()
}

func replayed(t testing.TB, workers int, files ...string) (string, Replayed) {
	t.Helper()
	var out bytes.Buffer
	sum, err := Replay(t.Context(), DefaultConfig(), files, ReplayOptions{
		Workers: workers, Event: func(e alerting.Event) error { return WriteEvent(&out, &e) },
		Refused: func(file string, line int, reason error) { t.Errorf("%s:%d: %v", file, line, reason) },
	})
	if err != nil {
		t.Fatal(err)
	}
	return out.String(), sum
}

func TestReplayIsTheSameEveryTime(t *testing.T) {
	dir := t.TempDir()
	list := yardOf(600)
	plain := recordingOf(t, dir, "a.ndjson", list)
	want, sum := replayed(t, 1, plain)
	if sum.Throws != 4*600 || sum.Late != 4*12 || sum.Duplicates != 4*12 || sum.Turnouts != 4 || sum.Lines != len(list) {
		t.Errorf("expected 2400 throws of 4 turnouts, 48 late, 48 doubled, found %+v", sum)
	}
	for _, c := range []detect.Condition{detect.Stiffening, detect.IncompleteThrow} {
		if !strings.Contains(want, `"event":"raised"`) || !strings.Contains(want, `"condition":"`+string(c)+`"`) {
			t.Errorf("expected %s to be raised, found\n%s", c, want)
		}
	}
	zipped, packed := recordingOf(t, dir, "a.ndjson.gz", list), recordingOf(t, dir, "a.ndjson.zst", list)
	half := len(list) / 2
	first, second := recordingOf(t, dir, "1.ndjson", list[:half]), recordingOf(t, dir, "2.ndjson.zst", list[half:])
	for workers := 1; workers <= 4; workers++ {
		for _, files := range [][]string{{plain}, {zipped}, {packed}, {first, second}} {
			if got, _ := replayed(t, workers, files...); got != want {
				t.Errorf("%d workers, %v: expected\n%s\nfound\n%s", workers, files, want, got)
			}
		}
	}
}

// What replay says is what the pipeline over a store says of the same throws.
func TestReplaySaysWhatServeSays(t *testing.T) {
	list := yardOf(400)
	said, _ := replayed(t, 2, recordingOf(t, t.TempDir(), "a.ndjson", list))
	b := newBench(t, 64)
	r := newReader(wire.DefaultLimits())
	var batch []*parcel
	for i := range list {
		a := &list[i]
		p := &parcel{arrived: a.At, cabinet: "ORR"}
		switch {
		case a.Throw != nil:
			p = messageOf(a.Throw.Cabinet, a.Throw)
			p.arrived = a.At
		case a.Conditions != nil:
			p.kind, p.payload = someConditions, wire.AppendConditions(nil, a.Conditions)
		default:
			p.kind, p.work = someWork, a.Work
		}
		r.read(p)
		if batch = append(batch, p); len(batch) == 64 || i == len(list)-1 {
			if err := b.settle(t.Context(), batch); err != nil {
				t.Fatal(err)
			}
			batch = nil
		}
	}
	var out bytes.Buffer
	for _, d := range b.made {
		for _, e := range d.events {
			if err := WriteEvent(&out, &e); err != nil {
				t.Fatal(err)
			}
		}
	}
	if out.String() != said || said == "" {
		t.Errorf("expected\n%s\nfound\n%s", said, out.String())
	}
}

// Every throw that is filed and all work is told, before what it says; what is
// there already is not.
func TestReplayTellsThrowsAndWork(t *testing.T) {
	name := recordingOf(t, t.TempDir(), "a.ndjson", yardOf(400))
	throws, late, work := map[string]int{}, 0, 0
	sum, err := Replay(t.Context(), DefaultConfig(), []string{name}, ReplayOptions{
		Throw: func(r *detect.Record) {
			throws[r.Turnout+" "+r.ThrowID]++
			if len(r.Traces) != 1 || r.StartedAt.IsZero() {
				t.Errorf("expected a measured throw, found %+v", r.Observation)
			}
			if r.ArrivedAt.Sub(r.StartedAt) > time.Hour {
				late++
			}
		},
		Work: func(w *ingest.Work) {
			if work++; w.Turnout != "ORR-W4" || w.Kind != ingest.Lubricated {
				t.Errorf("expected ORR-W4 lubricated, found %+v", w)
			}
		},
		Event: func(e alerting.Event) error {
			if id := e.Alert.ThrowID; id != "" && throws[e.Alert.Turnout+" "+id] == 0 {
				t.Errorf("%s is alerted of before it is told", id)
			}
			return nil
		},
	})
	if err != nil || len(throws) != sum.Throws || sum.Throws != 1600 || late != sum.Late || work != 1 {
		t.Errorf("expected 1600 throws told once each, %d of them late, and one visit, found %d, %d, %d, %v", sum.Late, len(throws), late, work, err)
	}
	for key, n := range throws {
		if n != 1 {
			t.Errorf("%s was told %d times", key, n)
		}
	}
}

func TestReplayPassesOverBrokenLines(t *testing.T) {
	dir := t.TempDir()
	name := recordingOf(t, dir, "a.ndjson", yardOf(3))
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(strings.TrimSpace(string(data)), "\n")
	lines[3] = "{\"at\":\"2026-03-01T05:30:10Z\",\"throw\":{\"turnout\":\n"
	lines[6] = "\n" + strings.Replace(lines[6], `"A"`, `"bar"`, 1)
	if err := os.WriteFile(name, []byte(strings.Join(lines, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	refused := map[int]string{}
	sum, err := Replay(t.Context(), DefaultConfig(), []string{name}, ReplayOptions{
		Refused: func(_ string, line int, reason error) { refused[line] = reason.Error() },
	})
	if err != nil || sum.Refused != 2 || sum.Lines != len(lines) || sum.Throws != 10 {
		t.Errorf("expected 2 of %d lines refused and 10 throws, found %+v, %v", len(lines), sum, err)
	}
	if len(refused) != 2 || refused[4] == "" || !strings.Contains(refused[8], "channels[0].unit: expected A for motor_current") {
		t.Errorf("expected lines 4 and 8 refused, found %v", refused)
	}
}

func TestReplayOfWhatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	good := recordingOf(t, dir, "a.ndjson.gz", yardOf(30))
	data, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	cut := filepath.Join(dir, "cut.ndjson.gz")
	if err := os.WriteFile(cut, data[:len(data)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{
		filepath.Join(dir, "nowhere"): "no such file",
		dir:                           "is a directory",
		cut:                           "cut.ndjson.gz: recording",
	} {
		sum, err := Replay(t.Context(), DefaultConfig(), []string{good, name}, ReplayOptions{})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: expected %q, found %v", name, want, err)
		}
		if sum.Throws < 120 {
			t.Errorf("%s: expected the file before it to be told, found %+v", name, sum)
		}
	}
}

func TestReplayStops(t *testing.T) {
	name := recordingOf(t, t.TempDir(), "a.ndjson", yardOf(600))
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Replay(ctx, DefaultConfig(), []string{name}, ReplayOptions{Event: func(alerting.Event) error { cancel(); return nil }})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("expected it canceled, found %v", err)
	}
	full := errors.New("the disk is full")
	_, err = Replay(t.Context(), DefaultConfig(), []string{name}, ReplayOptions{Event: func(alerting.Event) error { return full }})
	if !errors.Is(err, full) {
		t.Errorf("expected the failure to tell, found %v", err)
	}
}

func BenchmarkReplay(b *testing.B) {
	list := yardOf(1500)
	name := recordingOf(b, b.TempDir(), "a.ndjson", list)
	info, err := os.Stat(name)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(info.Size())
	b.ReportAllocs()
	throws := 0
	for b.Loop() {
		sum, err := Replay(b.Context(), DefaultConfig(), []string{name}, ReplayOptions{})
		if err != nil || sum.Throws != 6000 {
			b.Fatal(sum, err)
		}
		throws += sum.Throws
	}
	b.ReportMetric(float64(throws)/b.Elapsed().Seconds(), "throws/s")
}
