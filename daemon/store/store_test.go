package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

var dawn = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

func opened(t testing.TB) *Store {
	t.Helper()
	s, err := Open(context.Background(), filepath.Join(t.TempDir(), "throwline.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func update(t testing.TB, s *Store, f func(*Tx) error) {
	t.Helper()
	if err := s.Update(context.Background(), f); err != nil {
		t.Fatal(err)
	}
}

// throw makes a throw with counts of a converter as samples.
func throw(turnout string, n int) (*ingest.Throw, *detect.Record) {
	rng := rand.New(rand.NewPCG(uint64(n), 3))
	t := &ingest.Throw{
		ID: fmt.Sprintf("t%d", n), Cabinet: "cab-1", Turnout: turnout, To: ingest.Normal, StartedAt: dawn.Add(time.Duration(n) * time.Minute), Completed: n%7 != 0,
		Detections:      []ingest.Detection{{Place: "toe", After: 3210 * time.Millisecond}},
		RailTemperature: ingest.Known(-3.5), Boot: "b", Sequence: uint64(n + 1),
	}
	samples := make([]float64, 350)
	for i := range samples {
		samples[i] = math.Round(200 + 40*math.Sin(float64(i)/30) + 2*rng.NormFloat64())
	}
	t.Channels = []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 0.01, Samples: samples}}
	o := detect.Measure(t)
	r := &detect.Record{Observation: *o, Cabinet: t.Cabinet, ArrivedAt: t.StartedAt.Add(3 * time.Second), Bands: make([]detect.Band, 1)}
	r.Bands[0].Expected[detect.Duration] = 3.5
	return t, r
}

func same(a, b *detect.Record) bool { return fmt.Sprintf("%+v", *a) == fmt.Sprintf("%+v", *b) }

func TestThrowIsKept(t *testing.T) {
	s := opened(t)
	th, rec := throw("W1", 1)
	update(t, s, func(tx *Tx) error {
		added, err := tx.AddThrow(rec, th)
		if !added {
			t.Error("not added")
		}
		return err
	})
	got, channels, err := s.Throw(context.Background(), rec.Key)
	if err != nil {
		t.Fatal(err)
	}
	if !same(&got, rec) {
		t.Errorf("expected %+v\nfound    %+v", *rec, got)
	}
	if !reflect.DeepEqual(channels, th.Channels) {
		t.Errorf("expected %+v\nfound    %+v", th.Channels, channels)
	}
	// A repeat changes nothing, not even when it says something else.
	other, otherRec := throw("W1", 1)
	otherRec.Completed = !otherRec.Completed
	update(t, s, func(tx *Tx) error {
		added, err := tx.AddThrow(otherRec, other)
		if added {
			t.Error("a repeat was added")
		}
		return err
	})
	if again, _, _ := s.Throw(context.Background(), rec.Key); !same(&again, rec) {
		t.Error("a repeat changed the throw")
	}
	if _, _, err := s.Throw(context.Background(), "W1~none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("found %v", err)
	}
}

func TestThrowsPageByPage(t *testing.T) {
	s := opened(t)
	update(t, s, func(tx *Tx) error {
		// Late ones come last; two start at the same time.
		for _, n := range []int{5, 9, 1, 7, 3, 30, 2} {
			th, rec := throw("W1", n)
			if _, err := tx.AddThrow(rec, th); err != nil {
				return err
			}
		}
		th, rec := throw("W1", 7)
		th.ID, rec.Key = "other", "W1~other"
		if _, err := tx.AddThrow(rec, th); err != nil {
			return err
		}
		th, rec = throw("W2", 8)
		_, err := tx.AddThrow(rec, th)
		return err
	})
	var got []string
	cursor := ""
	for {
		items, next, err := s.Throws(context.Background(), "W1", dawn.Add(2*time.Minute), dawn.Add(30*time.Minute), cursor, 2)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range items {
			got = append(got, strings.TrimPrefix(r.Key, "W1~"))
		}
		if cursor = next; cursor == "" {
			break
		}
	}
	if want := []string{"t9", "other", "t7", "t5", "t3", "t2"}; !reflect.DeepEqual(got, want) {
		t.Errorf("expected %v, found %v", want, got)
	}
	_, _, err := s.Throws(context.Background(), "W1", time.Time{}, time.Time{}, "§", 2)
	var bad interface{ BadCursor() bool }
	if !errors.As(err, &bad) {
		t.Errorf("found %v", err)
	}
}

// What a transaction did is gone when it fails, turnouts' numbers too.
func TestRollback(t *testing.T) {
	s := opened(t)
	boom := errors.New("boom")
	err := s.Update(context.Background(), func(tx *Tx) error {
		th, rec := throw("W1", 1)
		if _, err := tx.AddThrow(rec, th); err != nil {
			return err
		}
		if err := tx.SaveState("W1", "cab-1", []byte{1}); err != nil {
			return err
		}
		return boom
	})
	if !errors.Is(err, boom) || Temporary(err) {
		t.Errorf("found %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	err = s.Update(ctx, func(tx *Tx) error {
		th, rec := throw("W1", 2)
		_, err := tx.AddThrow(rec, th)
		cancel()
		return err
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("found %v", err)
	}
	for i := range 2 { // the store goes on, with a number of its own for the turnout
		update(t, s, func(tx *Tx) error {
			th, rec := throw("W1", 3+i)
			_, err := tx.AddThrow(rec, th)
			return err
		})
	}
	items, _, err := s.Throws(context.Background(), "W1", time.Time{}, time.Time{}, "", 10)
	if err != nil || len(items) != 2 {
		t.Errorf("found %d throws, %v", len(items), err)
	}
}

// All that is kept comes back after the store was closed.
func TestReopen(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "data", "throwline.db")
	s, err := Open(ctx, path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(ctx, path, Options{}); err == nil || !strings.Contains(err.Error(), "another process") {
		t.Errorf("opened twice: %v", err)
	}
	th, rec := throw("W1", 1)
	alert := alerting.Alert{ID: "a1", Turnout: "W1", Condition: detect.Stiffening, Priority: alerting.High, RaisedAt: dawn, ChangedAt: dawn, Since: dawn}
	receipt := ingest.Receipt{Boot: "b", Through: 9, Missing: [][2]uint64{{2, 3}, {7, 7}}}
	cab := ingest.CabinetState{Cabinet: "cab-1", Online: true, At: dawn, Agent: "x", ClockOffset: ingest.Known(0.2)}
	cond := ingest.Conditions{Cabinet: "cab-1", At: dawn, RailTemperature: ingest.Known(4), Rain: ingest.Known(1)}
	work := ingest.Work{Turnout: "W1", DoneAt: dawn, Kind: ingest.Lubricated, Note: "n", By: "b"}
	aside := ingest.SetAside{At: dawn, Topic: "t", Turnout: "W1", Faults: []ingest.Fault{{Path: "to", Expected: "x", Found: "y"}}, Payload: []byte("{")}
	update(t, s, func(tx *Tx) error {
		_, err1 := tx.AddThrow(rec, th)
		_, err2 := tx.AddWork(work, dawn)
		again, err3 := tx.AddWork(work, dawn)
		if again {
			t.Error("the same work was added twice")
		}
		id, err4 := tx.SetAside(aside)
		aside.ID = id
		return errors.Join(err1, err2, err3, err4, tx.SaveState("W1", "cab-1", []byte("state")), tx.Transition(alerting.Event{Kind: alerting.Raised, At: dawn, Alert: alert}),
			tx.SaveReceipt("cab-1", receipt), tx.SaveCabinet(cab), tx.SaveConditions(cond))
	})
	update(t, s, func(tx *Tx) error {
		old := cond
		old.At, old.RailTemperature = dawn.Add(-time.Hour), ingest.Known(40)
		return tx.SaveConditions(old)
	})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(ctx, path, Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	check := func(what string, got, want any, err error) {
		t.Helper()
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: expected %+v, found %+v, %v", what, want, got, err)
		}
	}
	var states []string
	err = s.States(ctx, func(turnout, cabinet string, state []byte) error {
		states = append(states, turnout+" "+cabinet+" "+string(state))
		return nil
	})
	check("states", states, []string{"W1 cab-1 state"}, err)
	open, err := s.OpenAlerts(ctx)
	check("open alerts", open, []alerting.Alert{alert}, err)
	receipts, err := s.Receipts(ctx)
	check("receipts", receipts, map[string]ingest.Receipt{"cab-1": receipt}, err)
	cabs, err := s.Cabinets(ctx)
	check("cabinets", cabs, []ingest.CabinetState{cab}, err)
	conds, err := s.LatestConditions(ctx)
	check("conditions", conds, []ingest.Conditions{cond}, err)
	visits, err := s.Work(ctx, "W1")
	check("work", visits, []ingest.Work{work}, err)
	items, next, err := s.Quarantine(ctx, "", 10)
	check("set aside", items, []ingest.SetAside{aside}, err)
	check("next", next, "", nil)
	events, last, err := s.EventsAfter(ctx, 0, 10)
	check("events", len(events), 1, err)
	check("last", last, int64(1), nil)

	// The alert is cleared: no longer open, still there.
	alert.ClearedAt = dawn.Add(time.Hour)
	update(t, s, func(tx *Tx) error {
		return errors.Join(tx.Transition(alerting.Event{Kind: alerting.Cleared, At: alert.ClearedAt, Alert: alert}), tx.RefuseAgain(aside.ID, aside.Faults))
	})
	open, err = s.OpenAlerts(ctx)
	check("open alerts", len(open), 0, err)
	all, _, err := s.Alerts(ctx, alerting.Query{Limit: 10})
	check("all alerts", all, []alerting.Alert{alert}, err)
	update(t, s, func(tx *Tx) error {
		a, err := tx.Aside(aside.ID)
		check("retries", a.Retries, 1, err)
		return tx.DropAside(aside.ID)
	})
	err = s.Update(ctx, func(tx *Tx) error { _, err := tx.Aside(aside.ID); return err })
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("found %v", err)
	}
}

func TestPrune(t *testing.T) {
	s := opened(t)
	ctx := context.Background()
	update(t, s, func(tx *Tx) error {
		for n := range 10 {
			th, rec := throw("W1", n)
			if _, err := tx.AddThrow(rec, th); err != nil {
				return err
			}
		}
		return nil
	})
	total := 0
	for {
		n, err := s.Prune(ctx, dawn.Add(6*time.Minute), dawn.Add(3*time.Minute), 2)
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			break
		}
		total += n
	}
	items, _, err := s.Throws(ctx, "W1", time.Time{}, time.Time{}, "", 100)
	if err != nil || len(items) != 7 {
		t.Fatalf("found %d throws, %v", len(items), err)
	}
	for _, r := range items {
		_, channels, err := s.Throw(ctx, r.Key)
		if err != nil {
			t.Fatal(err)
		}
		if want := !r.StartedAt.Before(dawn.Add(6 * time.Minute)); (channels != nil) != want {
			t.Errorf("%s: traces kept %v, expected %v", r.Key, channels != nil, want)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	text := filepath.Join(dir, "text.db")
	if err := os.WriteFile(text, []byte(strings.Repeat("no database ", 500)), 0o600); err != nil {
		t.Fatal(err)
	}
	future := filepath.Join(dir, "future.db")
	s, err := Open(ctx, future, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec("PRAGMA user_version = 999"); err != nil {
		t.Fatal(err)
	}
	s.Close()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, want string }{
		{text, "expected a SQLite database"},
		{future, "version 999"},
		{filepath.Join(file, "x.db"), "make its folder"},
	} {
		before, _ := os.ReadFile(c.path)
		s, err := Open(ctx, c.path, Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), c.path) {
			t.Errorf("%s: expected %q, found %v", c.path, c.want, err)
		}
		if s != nil {
			t.Errorf("%s: a store was returned", c.path)
		}
		if after, _ := os.ReadFile(c.path); c.path == text && string(before) != string(after) {
			t.Errorf("%s was changed", c.path)
		}
	}
}

func TestPackedIsExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var scratch []int64
	for i := range 3000 {
		n := rng.IntN(200)
		v := make([]float64, n)
		for j := range v {
			switch i % 5 {
			case 0:
				v[j] = float64(rng.IntN(1 << rng.IntN(30)))
			case 1:
				v[j] = math.Round(rng.NormFloat64()*1000) / 1000
			case 2:
				v[j] = rng.NormFloat64() * math.Pow(10, float64(rng.IntN(40)-20))
			case 3:
				v[j] = -float64(rng.Int64N(1 << 53))
			default:
				v[j] = math.Copysign(0, float64(rng.IntN(2))-0.5)
			}
		}
		in := []ingest.Channel{{Drive: "d", Quantity: "q", Unit: "u", SampleRate: 1, Offset: -2, Scale: 3, Zero: 4, Samples: v}}
		out, err := consumeTraces(appendTraces(nil, in, &scratch))
		if err != nil {
			t.Fatal(err)
		}
		for j := range v {
			if math.Float64bits(out[0].Samples[j]) != math.Float64bits(v[j]) {
				t.Fatalf("case %d: expected %v, found %v", i%5, v[j], out[0].Samples[j])
			}
		}
	}
}

func FuzzConsume(f *testing.F) {
	var scratch []int64
	th, rec := throw("W1", 1)
	f.Add(appendTraces(nil, th.Channels, &scratch))
	f.Add(appendRecord(nil, rec))
	f.Fuzz(func(t *testing.T, b []byte) {
		var scratch []int64
		if list, err := consumeTraces(b); err == nil {
			again, err := consumeTraces(appendTraces(nil, list, &scratch))
			if err != nil || len(again) != len(list) {
				t.Fatalf("what was read cannot be written: %v", err)
			}
		}
		var r detect.Record
		_ = consumeRecord(b, &r)
	})
}

func BenchmarkTraces(b *testing.B) {
	var scratch []int64
	th, _ := throw("W1", 1)
	n := len(th.Channels[0].Samples)
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = appendTraces(buf[:0], th.Channels, &scratch)
	}
	b.ReportMetric(float64(len(buf))/float64(n), "B/sample")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sample")
}

// BenchmarkUpdate files batches of 256 throws of 128 turnouts with their states.
func BenchmarkUpdate(b *testing.B) {
	s := opened(b)
	const batch = 256
	throws := make([]*ingest.Throw, batch)
	records := make([]*detect.Record, batch)
	for i := range batch {
		throws[i], records[i] = throw(fmt.Sprintf("W%d", i%128), i)
	}
	state := make([]byte, 3200)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		update(b, s, func(tx *Tx) error {
			for i := range batch {
				n++
				records[i].Key = fmt.Sprintf("W%d~%d", i%128, n)
				if added, err := tx.AddThrow(records[i], throws[i]); err != nil || !added {
					return fmt.Errorf("added %v: %w", added, err)
				}
			}
			for i := range 128 {
				if err := tx.SaveState(fmt.Sprintf("W%d", i), "c", state); err != nil {
					return err
				}
			}
			return nil
		})
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "throws/s")
}
