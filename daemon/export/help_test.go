package export_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/export"
	"throwline/daemon/export/exporttest"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
)

var firstDay = time.Date(2026, 3, 2, 5, 0, 0, 123456789, time.UTC)

// yard files invented throws as the program does: measured, and judged by the
// turnout's own past.
type yard struct {
	t      testing.TB
	s      *store.Store
	dir    string
	states map[string]*detect.State
	n      int
	filed  []detect.Record
	events []alerting.Event
}

func newYard(t testing.TB) *yard {
	t.Helper()
	y := &yard{t: t, dir: t.TempDir(), states: map[string]*detect.State{}}
	var err error
	if y.s, err = store.Open(t.Context(), filepath.Join(y.dir, "throwline.db"), store.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = y.s.Close() })
	return y
}

func invented(turnout string, n int) *ingest.Throw {
	rng := rand.New(rand.NewPCG(uint64(n), uint64(len(turnout))))
	t := &ingest.Throw{
		ID: strconv.Itoa(n), Cabinet: "c", Turnout: turnout, To: ingest.Ends[n%2], StartedAt: firstDay.Add(time.Duration(n) * 20 * time.Minute), Completed: n%17 != 5,
		Detections:      []ingest.Detection{{Place: "toe", After: 3412345 * time.Microsecond}},
		RailTemperature: ingest.Known(math.Round(100*rng.NormFloat64()) / 10),
	}
	samples := make([]float64, 350)
	for i := range samples {
		switch x := float64(i) / 350; {
		case x < 0.05 || x > 0.92:
			samples[i] = 1 + rng.Float64()
		case x < 0.1:
			samples[i] = 1100
		default:
			samples[i] = 380 + 0.3*float64(n%40) + 40*math.Sin(8*x) + 3*rng.NormFloat64()
		}
		samples[i] = math.Round(samples[i])
	}
	t.Channels = []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 0.01, Samples: samples}}
	if n%3 == 0 {
		t.Channels = append(t.Channels, ingest.Channel{Drive: "back", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 100, Samples: samples, Scale: 1})
	}
	return t
}

// throws files n throws of each turnout.
func (y *yard) throws(n int, turnouts ...string) {
	y.t.Helper()
	set := detect.DefaultSettings()
	var m detect.Measurer
	for ; n > 0; n -= 500 {
		if err := y.s.Update(context.Background(), func(tx *store.Tx) error {
			for range min(n, 500) {
				for _, name := range turnouts {
					t := invented(name, y.n)
					if y.states[name] == nil {
						y.states[name] = new(detect.State)
					}
					o := m.Measure(t)
					if y.n%10 == 9 {
						o.Rain = ingest.Known(1)
					}
					next, a := y.states[name].Step(o, &set)
					y.states[name] = next
					r := detect.Record{Observation: *o, Cabinet: "c", ArrivedAt: t.StartedAt.Add(time.Second), Bands: a.Bands}
					if _, err := tx.AddThrow(&r, t); err != nil {
						return err
					}
					y.filed = append(y.filed, r)
				}
				y.n++
			}
			return nil
		}); err != nil {
			y.t.Fatal(err)
		}
	}
}

// alert files what becomes of one alert: raised and changed in one moment, and cleared.
func (y *yard) alert(turnout string) {
	y.t.Helper()
	at := firstDay.Add(time.Duration(y.n) * 20 * time.Minute)
	a := alerting.Alert{
		ID: fmt.Sprint(turnout, y.n), Turnout: turnout, To: ingest.Normal, Drive: "main", Condition: detect.Stiffening, Priority: alerting.Medium,
		Causes:        []detect.Cause{{Cause: detect.DrySlideChairs, Probability: 0.7}, {Cause: detect.UnknownCause, Probability: 0.3}},
		ChangePercent: 23.7, Since: at, RaisedAt: at, ChangedAt: at, Forecast: &detect.Forecast{Limit: "time", P10: 3.25, P50: 8.5, P90: 31},
	}
	list := []alerting.Event{{Kind: alerting.Raised, At: at, Alert: a}, {Kind: alerting.Changed, At: at, Alert: a}}
	a.ClearedAt = at.Add(36 * time.Hour)
	list = append(list, alerting.Event{Kind: alerting.Cleared, At: a.ClearedAt, Alert: a})
	if err := y.s.Update(context.Background(), func(tx *store.Tx) error {
		for _, e := range list {
			if err := tx.Transition(e); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		y.t.Fatal(err)
	}
	y.events = append(y.events, list...)
}

func (y *yard) health() []export.Turnout {
	return []export.Turnout{
		{Name: "ORR-W1", Open: 2, Pressing: 1, ChangePercent: 23.5, Forecast: &detect.Forecast{P10: 1, P50: 2.5, P90: 9}, Last: firstDay},
		{Name: "ORR-W2", Learning: [2]detect.Learning{{Throws: 7, Needed: 30}, {Throws: 40, Needed: 30}}},
	}
}

// atStart makes the exporter begin with the first throw.
func (y *yard) atStart() *yard {
	if err := y.s.SaveExportCursor(context.Background(), "influx", 0, 0, [3]int64{}); err != nil {
		y.t.Fatal(err)
	}
	return y
}

func configOf(server string) export.Config {
	return export.Config{URL: server, Bucket: "throwline", Prefix: "throwline_", Batch: 500, Every: 20 * time.Millisecond}
}

// running is an exporter at work.
type running struct {
	*export.Exporter
	t    testing.TB
	stop func()
}

func (y *yard) export(c export.Config, src export.Source) *running {
	y.t.Helper()
	o := export.Options{Name: "influx", Log: slog.New(slog.NewTextHandler(y.t.Output(), nil)), Enough: store.ErrEnough}
	if c.Health > 0 {
		o.Health = y.health
	}
	if src == nil {
		src = y.s
	}
	e, err := export.New(context.Background(), src, c, o)
	if err != nil {
		y.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { e.Run(ctx); close(ended) }()
	r := &running{Exporter: e, t: y.t, stop: func() { cancel(); <-ended }}
	y.t.Cleanup(r.stop)
	return r
}

// caughtUp waits until all that is filed is written.
func (r *running) caughtUp(y *yard) export.State {
	r.t.Helper()
	throw, event, err := y.s.ExportEnds(context.Background())
	if err != nil {
		r.t.Fatal(err)
	}
	r.until("everything to be written", func(s *export.State) bool { return s.Throws == throw && s.Events == event && s.Trouble == "" })
	return r.State()
}

func (r *running) until(what string, ok func(*export.State) bool) {
	r.t.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for {
		s := r.State()
		if ok(&s) {
			return
		}
		if time.Now().After(deadline) {
			r.t.Fatalf("expected %s, found %+v after a minute", what, s)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// point is a value of a field of a series at a time: "throw duration_s turnout=W1 …" at unix ms.
type points map[string]float64

func at(series map[string]string, measurement, field string, t time.Time) string {
	return fmt.Sprintf("%s.%s area=%s cabinet=%s condition=%s drive=%s priority=%s quantity=%s to=%s turnout=%s %d", measurement, field,
		series["area"], series["cabinet"], series["condition"], series["drive"], series["priority"], series["quantity"], series["to"], series["turnout"], t.UnixMilli())
}

// wanted is what must stand in the other store, by what was filed. It is told
// from the records by itself, not by what the exporter makes of them.
func (y *yard) wanted() points {
	out := points{}
	for i := range y.filed {
		r := &y.filed[i]
		for j := range r.Traces {
			t := &r.Traces[j]
			tags := map[string]string{"area": "ORR", "drive": t.Drive, "quantity": string(t.Quantity), "to": r.To.String(), "turnout": r.Turnout}
			put := func(field string, v float64) {
				if !math.IsNaN(v) {
					out[at(tags, "throw", field, r.StartedAt)] = v
				}
			}
			unit := string(t.Quantity.Base())
			names := map[detect.Feature]string{
				detect.Duration: "duration_s", detect.InrushPeak: "inrush_peak_" + unit, detect.UnlockTime: "unlock_time_s", detect.UnlockPeak: "unlock_peak_" + unit,
				detect.TravelTime: "travel_time_s", detect.TravelMean: "travel_mean_" + unit, detect.TravelPeak: "travel_peak_" + unit, detect.TravelRise: "travel_rise_" + unit,
				detect.LockTime: "lock_time_s", detect.LockMean: "lock_mean_" + unit, detect.LockPeak: "lock_peak_" + unit, detect.TailTime: "tail_time_s",
				detect.TailMean: "tail_mean_" + unit, detect.Effort: "effort_" + unit + "_s", detect.Ripple: "ripple_" + unit, detect.Idle: "idle_" + unit,
			}
			for f, name := range names {
				put(name, float64(t.Features[f]))
				put("expected_"+name, float64(r.Bands[j].Expected[f]))
			}
			for _, f := range []detect.Feature{detect.Duration, detect.Effort} {
				put("expected_low_"+names[f], float64(r.Bands[j].Low[f]))
				put("expected_high_"+names[f], float64(r.Bands[j].High[f]))
				put(f.String()+"_change_percent", 100*(float64(t.Features[f])/float64(r.Bands[j].Expected[f])-1))
			}
			put("completed", map[bool]float64{true: 1}[r.Completed])
			put("doubtful", map[bool]float64{true: 1}[t.Quality != 0])
			put("detection_s", 3.412345)
			put("rail_temperature_C", r.RailTemperature.Value)
			if r.Rain.Known {
				put("rain", 1)
			}
		}
	}
	return out
}

// same compares in single precision, in which measurements are kept.
func (want points) same(t testing.TB, where string, found points) {
	t.Helper()
	bad := 0
	for k, v := range want {
		f, ok := found[k]
		if near := math.Abs(f-v) <= 1e-6*math.Max(math.Abs(v), 1e-3); !ok || float32(f) != float32(v) && !near {
			if bad++; bad < 5 {
				t.Errorf("%s: %s: expected %v, found %v (there: %v)", where, k, v, f, ok)
			}
		}
	}
	for k := range found {
		if _, ok := want[k]; !ok {
			if bad++; bad < 10 {
				t.Errorf("%s: %s: expected nothing, found %v", where, k, found[k])
			}
		}
	}
	if len(want) == 0 || bad > 0 {
		t.Errorf("%s: of %d values, %d are not as filed", where, len(want), bad)
	}
}

// measurement splits what VictoriaMetrics calls a metric.
func split(t testing.TB, name string) (measurement, field string) {
	t.Helper()
	name, ok := strings.CutPrefix(name, "throwline_")
	measurement, field, found := strings.Cut(name, "_")
	if !ok || !found {
		t.Fatalf("expected a metric of ours, found %q", name)
	}
	return measurement, field
}

// inVictoria reads everything of a measurement back by PromQL. The samples of
// a moment that stand there twice are counted.
func inVictoria(t testing.TB, s *exporttest.Server, measurement string) (out points, twice int) {
	t.Helper()
	s.Get("/internal/force_flush")
	var a struct {
		Data struct {
			Result []struct {
				Metric map[string]string
				Values [][2]any
			}
		}
	}
	q := url.Values{"query": {`{__name__=~"throwline_` + measurement + `_.*"}[10y]`}, "time": {strconv.FormatInt(firstDay.AddDate(1, 0, 0).Unix(), 10)}}
	if err := json.Unmarshal(s.Get("/api/v1/query?"+q.Encode()), &a); err != nil {
		t.Fatal(err)
	}
	out = points{}
	for _, r := range a.Data.Result {
		m, field := split(t, r.Metric["__name__"])
		for _, v := range r.Values {
			x, err := strconv.ParseFloat(v[1].(string), 64)
			if err != nil {
				t.Fatal(err)
			}
			k := at(r.Metric, m, field, time.UnixMilli(int64(math.Round(v[0].(float64)*1000))))
			if _, there := out[k]; there {
				twice++
			}
			out[k] = x
		}
	}
	return out, twice
}

// inInflux reads everything of a measurement back by Flux.
func inInflux(t testing.TB, s *exporttest.Server, measurement string) (out points, twice int) {
	t.Helper()
	rows, err := s.Flux(fmt.Sprintf(`from(bucket: "throwline/autogen") |> range(start: 2020-01-01T00:00:00Z, stop: 2030-01-01T00:00:00Z) |> filter(fn: (r) => r._measurement == "throwline_%s")`, measurement))
	if err != nil {
		t.Fatal(err)
	}
	out = points{}
	for _, r := range rows {
		tags := map[string]string{}
		for k, v := range r {
			if text, ok := v.(string); ok {
				tags[k] = text
			}
		}
		k := at(tags, measurement, r["_field"].(string), r["_time"].(time.Time))
		if _, there := out[k]; there {
			twice++
		}
		out[k] = r["_value"].(float64)
	}
	return out, twice
}
