package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"sync"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// keeper is what every store must do, whatever it keeps things in; the tests
// in this file know nothing else of it.
type keeper interface {
	Update(ctx context.Context, f func(entries) error) error
	Prune(ctx context.Context, tracesBefore, throwsBefore time.Time, most int) (int, error)
	States(ctx context.Context, f func(turnout, cabinet string, state []byte) error) error
	OpenAlerts(ctx context.Context) ([]alerting.Alert, error)
	EventsAfter(ctx context.Context, seq int64, limit int) ([]alerting.Event, int64, error)
	Receipts(ctx context.Context) (map[string]ingest.Receipt, error)
	Cabinets(ctx context.Context) ([]ingest.CabinetState, error)
	LatestConditions(ctx context.Context) ([]ingest.Conditions, error)
	Alerts(ctx context.Context, q alerting.Query) ([]alerting.Alert, string, error)
	Throws(ctx context.Context, turnout string, start, end time.Time, cursor string, limit int) ([]detect.Record, string, error)
	Throw(ctx context.Context, key string) (detect.Record, []ingest.Channel, error)
	Work(ctx context.Context, turnout string) ([]detect.Visit, error)
	Quarantine(ctx context.Context, cursor string, limit int) ([]ingest.SetAside, string, error)
	Aside(ctx context.Context, id int64) (ingest.SetAside, error)
	AsideNow() Aside
	Close() error
	peopleKeeper
}

type entries interface {
	AddThrow(r *detect.Record, t *ingest.Throw) (added bool, err error)
	SaveState(turnout, cabinet string, state []byte) error
	Transition(e alerting.Event) error
	SaveReceipt(cabinet string, r ingest.Receipt) error
	SaveCabinet(c ingest.CabinetState) error
	SaveConditions(c ingest.Conditions) error
	AddWork(w ingest.Work, arrived time.Time) (added bool, err error)
	Judge(turnout string, v detect.Verdict) error
	SetAside(a ingest.SetAside) (id int64, err error)
	Aside(id int64) (ingest.SetAside, error)
	RefuseAgain(id int64, faults []ingest.Fault) error
	DropAside(id int64) error
	peopleEntries
}

// sqliteKeeper is the store in one SQLite file.
type sqliteKeeper struct{ *Store }

func (k sqliteKeeper) Update(ctx context.Context, f func(entries) error) error {
	return k.Store.Update(ctx, func(tx *Tx) error { return f(tx) })
}

// backends open a store that keeps its things at a place, again and again.
var backends = map[string]func(ctx context.Context, dir string, o Options) (keeper, error){
	"sqlite": func(ctx context.Context, dir string, o Options) (keeper, error) {
		s, err := Open(ctx, filepath.Join(dir, "throwline.db"), o)
		if err != nil {
			return nil, err
		}
		return sqliteKeeper{s}, nil
	},
}

// suite runs a test on every backend. open opens the same store again after it was closed.
func suite(t *testing.T, o Options, test func(t *testing.T, open func() keeper)) {
	for name, open := range backends {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			test(t, func() keeper {
				k, err := open(t.Context(), dir, o)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() {
					if err := k.Close(); err != nil {
						t.Error(err)
					}
				})
				return k
			})
		})
	}
}

func keep(t testing.TB, k keeper, f func(entries) error) {
	t.Helper()
	if err := k.Update(context.Background(), f); err != nil {
		t.Fatal(err)
	}
}

func addThrows(numbers ...int) func(entries) error {
	return func(e entries) error {
		for _, n := range numbers {
			th, rec := throw("W1", n)
			if added, err := e.AddThrow(rec, th); err != nil || !added {
				return fmt.Errorf("throw %d: added %v: %w", n, added, err)
			}
		}
		return nil
	}
}

func expect(t *testing.T, what string, got, want any, err error) {
	t.Helper()
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%s: expected %+v, found %+v, %v", what, want, got, err)
	}
}

var dawn = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// throw makes a throw with counts of a converter as samples, started n minutes after dawn.
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

// same compares records as they are printed: NaN is like NaN.
func same(a, b *detect.Record) bool { return fmt.Sprintf("%+v", *a) == fmt.Sprintf("%+v", *b) }

func TestThrowIsKept(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		th, rec := throw("W1", 1)
		rec.Bands[0].Low[3], rec.Traces[0].Features[2] = float32(math.NaN()), float32(math.Inf(-1))
		rec.RailTemperature, rec.Rain = ingest.Reading{}, ingest.Known(0)
		keep(t, k, func(e entries) error {
			added, err := e.AddThrow(rec, th)
			if !added {
				t.Error("not added")
			}
			return err
		})
		got, channels, err := k.Throw(t.Context(), rec.Key)
		if err != nil {
			t.Fatal(err)
		}
		if !same(&got, rec) {
			t.Errorf("expected %+v\nfound    %+v", *rec, got)
		}
		if !reflect.DeepEqual(channels, th.Channels) {
			t.Errorf("expected %+v\nfound    %+v", th.Channels, channels)
		}
		// A repeat changes nothing, not even when it says something else: in the
		// same transaction, in a later one, after the store was opened again.
		other, otherRec := throw("W1", 1)
		otherRec.Completed = !otherRec.Completed
		other.Channels[0].Samples[0]++
		for range 2 {
			keep(t, k, func(e entries) error {
				for range 2 {
					if added, err := e.AddThrow(otherRec, other); added || err != nil {
						t.Errorf("a repeat: added %v, %v", added, err)
					}
				}
				return nil
			})
			if err := k.Close(); err != nil {
				t.Fatal(err)
			}
			k = open()
		}
		again, channels, err := k.Throw(t.Context(), rec.Key)
		if err != nil || !same(&again, rec) || !reflect.DeepEqual(channels, th.Channels) {
			t.Errorf("a repeat changed the throw: %v", err)
		}
		if items, _, err := k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 10); err != nil || len(items) != 1 {
			t.Errorf("found %d throws, %v", len(items), err)
		}
		if _, _, err := k.Throw(t.Context(), "W1~none"); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("found %v", err)
		}
	})
}

// A transaction that fails after any of its steps leaves nothing, and the store goes on.
func TestNothingIsKeptOfWhatFailed(t *testing.T) {
	boom := errors.New("boom")
	th, rec := throw("W1", 1)
	steps := []func(entries) error{
		func(e entries) error { _, err := e.AddThrow(rec, th); return err },
		func(e entries) error { return e.SaveState("W1", "cab-1", []byte{1}) },
		func(e entries) error {
			return e.Transition(alerting.Event{Kind: alerting.Raised, At: dawn, Alert: alert("a", "W1", 1)})
		},
		func(e entries) error { return e.SaveReceipt("cab-1", ingest.Receipt{Boot: "b", Through: 1}) },
		func(e entries) error { return e.SaveCabinet(ingest.CabinetState{Cabinet: "cab-1", At: dawn}) },
		func(e entries) error { return e.SaveConditions(ingest.Conditions{Cabinet: "cab-1", At: dawn}) },
		func(e entries) error {
			_, err := e.AddWork(ingest.Work{Turnout: "W1", DoneAt: dawn, Kind: ingest.Cleaned}, dawn)
			return err
		},
		func(e entries) error {
			_, err := e.SetAside(ingest.SetAside{At: dawn, Topic: "t", Payload: []byte("{")})
			return err
		},
	}
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		kept := func() string {
			states, ctx := 0, t.Context()
			err0 := k.States(ctx, func(string, string, []byte) error { states++; return nil })
			throws, _, err1 := k.Throws(ctx, "W1", time.Time{}, time.Time{}, "", 10)
			alerts, err2 := k.OpenAlerts(ctx)
			events, _, err3 := k.EventsAfter(ctx, 0, 10)
			receipts, err4 := k.Receipts(ctx)
			cabinets, err5 := k.Cabinets(ctx)
			conditions, err6 := k.LatestConditions(ctx)
			work, err7 := k.Work(ctx, "W1")
			aside, _, err8 := k.Quarantine(ctx, "", 10)
			if err := errors.Join(err0, err1, err2, err3, err4, err5, err6, err7, err8); err != nil {
				t.Fatal(err)
			}
			return fmt.Sprint(len(throws), states, len(alerts), len(events), len(receipts), len(cabinets), len(conditions), len(work), len(aside), k.AsideNow())
		}
		for n := 1; n <= len(steps); n++ {
			for _, how := range []string{"error", "cancelled", "panic"} {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				run := func() (err error) {
					defer func() {
						if recover() != nil {
							err = boom
						}
					}()
					return k.Update(ctx, func(e entries) error {
						for _, step := range steps[:n] {
							if err := step(e); err != nil {
								t.Fatal(err)
							}
						}
						switch how {
						case "cancelled":
							cancel()
							return nil
						case "panic":
							panic("boom")
						}
						return boom
					})
				}
				want := boom
				if how == "cancelled" {
					want = context.Canceled
				}
				if err := run(); !errors.Is(err, want) || Temporary(err) != (how == "cancelled") {
					t.Errorf("%d steps, %s: found %v", n, how, err)
				}
				if got := kept(); got != "0 0 0 0 0 0 0 0 0 {0 0 0}" {
					t.Errorf("%d steps, %s: kept %s", n, how, got)
				}
			}
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := k.Update(ctx, func(entries) error { t.Error("called"); return nil }); !errors.Is(err, context.Canceled) {
			t.Errorf("found %v", err)
		}
		keep(t, k, func(e entries) error {
			for _, step := range steps {
				if err := step(e); err != nil {
					return err
				}
			}
			return nil
		})
		if got := kept(); got != "1 1 1 1 1 1 1 1 1 {1 1 0}" {
			t.Errorf("kept %s", got)
		}
	})
}

// All that is kept comes back after the store was closed.
func TestReopen(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		ctx, k := t.Context(), open()
		th, rec := throw("W1", 1)
		alert := alert("a1", "W1", 0)
		receipt := ingest.Receipt{Boot: "b", Through: 9, Missing: [][2]uint64{{2, 3}, {7, 7}}}
		cab := ingest.CabinetState{Cabinet: "cab-1", Online: true, At: dawn, Agent: "x", ClockOffset: ingest.Known(0.2)}
		cond := ingest.Conditions{Cabinet: "cab-1", At: dawn, RailTemperature: ingest.Known(4), Rain: ingest.Known(1)}
		work := ingest.Work{Turnout: "W1", DoneAt: dawn, Kind: ingest.Lubricated, Note: "n", By: "b"}
		verdict := detect.Verdict{To: ingest.Normal, Drive: "main", Work: ingest.Lubricated, DoneAt: dawn, Outcome: detect.Helped, Throws: 8, Said: "s"}
		aside := ingest.SetAside{At: dawn, Topic: "t", Turnout: "W1", Faults: []ingest.Fault{{Path: "to", Expected: "x", Found: "y"}}, Payload: []byte("{")}
		empty := ingest.SetAside{At: dawn, Topic: "t/☃"} // a message without payload
		keep(t, k, func(e entries) error {
			_, err1 := e.AddThrow(rec, th)
			_, err2 := e.AddWork(work, dawn)
			again, err3 := e.AddWork(work, dawn)
			err3 = errors.Join(err3, e.Judge("W1", verdict), e.Judge("W2", verdict))
			if again {
				t.Error("the same work was added twice")
			}
			var err4, err5 error
			aside.ID, err4 = e.SetAside(aside)
			empty.ID, err5 = e.SetAside(empty)
			return errors.Join(err1, err2, err3, err4, err5, e.SaveState("W1", "cab-1", []byte("old")), e.SaveState("W1", "cab-2", []byte("state")),
				e.Transition(alerting.Event{Kind: alerting.Raised, At: dawn, Alert: alert}),
				e.SaveReceipt("cab-1", ingest.Receipt{Boot: "a", Through: 99}), e.SaveReceipt("cab-1", receipt), e.SaveCabinet(cab), e.SaveConditions(cond))
		})
		keep(t, k, func(e entries) error {
			old := cond
			old.At, old.RailTemperature = dawn.Add(-time.Hour), ingest.Known(40)
			return e.SaveConditions(old)
		})
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		k = open()
		var states []string
		err := k.States(ctx, func(turnout, cabinet string, state []byte) error {
			states = append(states, turnout+" "+cabinet+" "+string(state))
			return nil
		})
		expect(t, "states", states, []string{"W1 cab-2 state"}, err)
		list, err := k.OpenAlerts(ctx)
		expect(t, "open alerts", list, []alerting.Alert{alert}, err)
		receipts, err := k.Receipts(ctx)
		expect(t, "receipts", receipts, map[string]ingest.Receipt{"cab-1": receipt}, err)
		cabs, err := k.Cabinets(ctx)
		expect(t, "cabinets", cabs, []ingest.CabinetState{cab}, err)
		conds, err := k.LatestConditions(ctx)
		expect(t, "conditions", conds, []ingest.Conditions{cond}, err)
		visits, err := k.Work(ctx, "W1")
		expect(t, "work", visits, []detect.Visit{{Work: work, Verdicts: []detect.Verdict{verdict}}}, err)
		items, next, err := k.Quarantine(ctx, "", 1)
		expect(t, "set aside, first page", len(items), 1, err)
		expect(t, "its number", items[0].ID, empty.ID, nil)
		expect(t, "its payload", len(items[0].Payload), 0, nil)
		items, next, err = k.Quarantine(ctx, next, 1)
		expect(t, "set aside, second page", items, []ingest.SetAside{aside}, err)
		expect(t, "next", next, "", nil)
		expect(t, "count", k.AsideNow(), Aside{Messages: 2, Bytes: 1}, nil)

		// The alert is cleared: no longer open, still there.
		alert.ClearedAt = dawn.Add(time.Hour)
		keep(t, k, func(e entries) error {
			return errors.Join(e.Transition(alerting.Event{Kind: alerting.Cleared, At: alert.ClearedAt, Alert: alert}), e.RefuseAgain(aside.ID, nil))
		})
		list, err = k.OpenAlerts(ctx)
		expect(t, "open alerts", len(list), 0, err)
		all, _, err := k.Alerts(ctx, alerting.Query{Limit: 10})
		expect(t, "all alerts", all, []alerting.Alert{alert}, err)
		keep(t, k, func(e entries) error {
			a, err := e.Aside(aside.ID)
			expect(t, "retries", a.Retries, 1, err)
			return errors.Join(e.DropAside(aside.ID), e.DropAside(aside.ID))
		})
		err = k.Update(ctx, func(e entries) error { _, err := e.Aside(aside.ID); return err })
		if _, err2 := k.Aside(ctx, aside.ID); !errors.Is(err, fs.ErrNotExist) || !errors.Is(err2, fs.ErrNotExist) {
			t.Errorf("found %v, %v", err, err2)
		}
		expect(t, "count", k.AsideNow(), Aside{Messages: 1}, nil)
	})
}

func TestPrune(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k, ctx := open(), t.Context()
		keep(t, k, addThrows(0, 1, 2, 3, 4, 5, 6, 7, 8, 9))
		prune := func(traces, throws time.Time) (total int) {
			t.Helper()
			for range 100 {
				n, err := k.Prune(ctx, traces, throws, 2)
				if err != nil || n > 6 {
					t.Fatalf("met %d, %v", n, err)
				}
				if total += n; n == 0 {
					return total
				}
			}
			t.Fatal("never ends")
			return 0
		}
		check := func(first, bare int) {
			t.Helper()
			items, _, err := k.Throws(ctx, "W1", time.Time{}, time.Time{}, "", 100)
			if err != nil || len(items) != 10-first {
				t.Fatalf("found %d throws, %v", len(items), err)
			}
			for _, r := range items {
				_, channels, err := k.Throw(ctx, r.Key)
				if err != nil {
					t.Fatal(err)
				}
				if want := !r.StartedAt.Before(dawn.Add(time.Duration(bare) * time.Minute)); (channels != nil) != want {
					t.Errorf("%s: traces kept %v, expected %v", r.Key, channels != nil, want)
				}
			}
		}
		expect(t, "nothing asked", prune(time.Time{}, time.Time{}), 0, nil)
		expect(t, "longer than time goes back", prune(time.Date(-300, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(1000, 1, 1, 0, 0, 0, 0, time.UTC)), 0, nil)
		check(0, 0)
		expect(t, "traces", prune(dawn.Add(6*time.Minute), time.Time{}), 6, nil)
		check(0, 6)
		expect(t, "throws, with and without traces", prune(time.Time{}, dawn.Add(8*time.Minute)), 8, nil)
		check(8, 6)
		expect(t, "again", prune(dawn.Add(6*time.Minute), dawn.Add(8*time.Minute)), 0, nil)
		// A throw that was forgotten and comes again is filed again: its key is gone with it.
		keep(t, k, addThrows(7))
		expect(t, "come again", prune(time.Time{}, dawn.Add(8*time.Minute)), 1, nil)
	})
}

// Readers see whole transactions only, while others write.
func TestReadersSeeWholeTransactions(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		stop := make(chan struct{})
		var wg sync.WaitGroup
		for range 3 {
			wg.Go(func() {
				for {
					select {
					case <-stop:
						return
					default:
					}
					items, _, err := k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 1000)
					if err != nil || len(items)%5 != 0 {
						t.Errorf("found %d throws, %v", len(items), err)
						return
					}
				}
			})
		}
		var writers sync.WaitGroup
		for w := range 2 {
			writers.Go(func() {
				for i := range 15 {
					n := 1000*w + 5*i
					if err := k.Update(t.Context(), addThrows(n, n+1, n+2, n+3, n+4)); err != nil {
						t.Error(err)
					}
				}
			})
		}
		writers.Wait()
		close(stop)
		wg.Wait()
		items, _, err := k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 1000)
		expect(t, "throws", len(items), 150, err)
	})
}
