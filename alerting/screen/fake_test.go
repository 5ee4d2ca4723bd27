package screen

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"go.uber.org/goleak"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// fake is the archive and the yard, in memory: the seam between the screen and
// the daemon.
type fake struct {
	notices  []detect.Notice
	mu       sync.Mutex
	fail     error // of every call that can fail
	notReady error
	alerts   []alerting.Alert
	turnouts []detect.Summary
	records  map[string][]detect.Record // newest first
	channels map[string][]ingest.Channel
	profile  detect.Profile
	work     []ingest.Work
	refuse   *ingest.Refusal // by RecordWork and Retry
	aside    []ingest.SetAside
	retried  []int64
	cabinets []ingest.CabinetState
	asked    []alerting.Query
	calls    int // of Turnouts
	read     int // records read
}

// cut cuts a page out of a list; the cursor is the place of its first item.
func cut[T any](list []T, cursor string, limit int) ([]T, string, error) {
	from := 0
	if cursor != "" {
		var err error
		if from, err = strconv.Atoi(cursor); err != nil {
			return nil, "", fmt.Errorf("fake: %w", ErrCursor)
		}
	}
	to := min(from+limit, len(list))
	next := ""
	if to < len(list) {
		next = strconv.Itoa(to)
	}
	return list[from:to], next, nil
}

func (f *fake) Alerts(_ context.Context, q alerting.Query) ([]alerting.Alert, string, error) {
	f.asked = append(f.asked, q)
	if f.fail != nil {
		return nil, "", f.fail
	}
	var list []alerting.Alert
	for _, a := range f.alerts {
		if (q.Turnout == "" || q.Turnout == a.Turnout) && (!q.OpenOnly || a.Open()) {
			list = append(list, a)
		}
	}
	return cut(list, q.Cursor, q.Limit)
}

func (f *fake) Throws(_ context.Context, turnout string, from, to time.Time, cursor string, limit int) ([]detect.Record, string, error) {
	if f.fail != nil {
		return nil, "", f.fail
	}
	var list []detect.Record
	for _, r := range f.records[turnout] {
		if (from.IsZero() || !r.StartedAt.Before(from)) && (to.IsZero() || r.StartedAt.Before(to)) {
			list = append(list, r)
		}
	}
	list, next, err := cut(list, cursor, limit)
	f.read += len(list)
	return list, next, err
}

func (f *fake) Throw(_ context.Context, key string) (detect.Record, []ingest.Channel, error) {
	if f.fail != nil {
		return detect.Record{}, nil, f.fail
	}
	for _, list := range f.records {
		for _, r := range list {
			if r.Key == key {
				return r, f.channels[key], nil
			}
		}
	}
	return detect.Record{}, nil, fmt.Errorf("throw %q: %w", key, fs.ErrNotExist)
}

func (f *fake) Work(context.Context, string) (list []detect.Visit, err error) {
	for _, w := range f.work {
		list = append(list, detect.Visit{Work: w})
	}
	return list, f.fail
}

func (f *fake) Quarantine(_ context.Context, cursor string, limit int) ([]ingest.SetAside, string, error) {
	if f.fail != nil {
		return nil, "", f.fail
	}
	return cut(f.aside, cursor, limit)
}

func (f *fake) Aside(_ context.Context, id int64) (ingest.SetAside, error) {
	for _, a := range f.aside {
		if a.ID == id {
			return a, f.fail
		}
	}
	return ingest.SetAside{}, fmt.Errorf("message %d: %w", id, fs.ErrNotExist)
}

func (f *fake) Now() time.Time { return noon }

func (f *fake) Turnouts() []detect.Summary {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls++
	return f.turnouts
}

func (f *fake) Turnout(name string) (detect.Summary, error) {
	for _, t := range f.turnouts {
		if t.Turnout == name {
			return t, nil
		}
	}
	return detect.Summary{}, fmt.Errorf("turnout %q: %w", name, fs.ErrNotExist)
}

func (f *fake) Profile(string, ingest.End, string, ingest.Quantity) detect.Profile { return f.profile }

func (f *fake) OpenAlerts(turnout string) []alerting.Alert {
	return slices.DeleteFunc(slices.Clone(f.alerts), func(a alerting.Alert) bool { return !a.Open() || turnout != "" && a.Turnout != turnout })
}

func (f *fake) Notices() []detect.Notice { return f.notices }

func (f *fake) Cabinets() []ingest.CabinetState { return f.cabinets }

func (f *fake) RecordWork(_ context.Context, w ingest.Work) error {
	if f.refuse != nil {
		return fmt.Errorf("fake: %w", f.refuse)
	}
	if f.fail == nil {
		f.work = append([]ingest.Work{w}, f.work...)
	}
	return f.fail
}

func (f *fake) Retry(_ context.Context, id int64) error {
	if _, err := f.Aside(context.Background(), id); err != nil {
		return err
	}
	if f.refuse != nil {
		return fmt.Errorf("fake: %w", f.refuse)
	}
	f.retried = append(f.retried, id)
	return nil
}

func (f *fake) Ready(context.Context) error { return f.notReady }

// record is a throw of one trace whose duration is d, all else of it unknown.
func record(turnout string, to ingest.End, at time.Time, d float32) detect.Record {
	nan := float32(math.NaN())
	var t detect.Trace
	var b detect.Band
	for f := range detect.NumFeatures {
		t.Features[f], b.Expected[f], b.Low[f], b.High[f] = nan, nan, nan, nan
	}
	t.Drive, t.Quantity = "main", ingest.MotorCurrent
	t.Features[detect.Duration] = d
	return detect.Record{
		Observation: detect.Observation{
			Key: turnout + "@" + to.String() + "@" + at.Format(time.RFC3339Nano), Turnout: turnout, To: to, StartedAt: at, Completed: true, Traces: []detect.Trace{t},
		},
		ArrivedAt: at.Add(time.Second), Bands: []detect.Band{b},
	}
}

// fullRecord knows everything a record can know.
func fullRecord() detect.Record {
	r := record("W1", ingest.Reverse, noon.Add(-time.Hour), 4.2)
	r.Key, r.ThrowID, r.Cabinet, r.Completed = "W1~a/b", "a/b", "cab-1", false
	r.RailTemperature, r.Supply = ingest.Known(-3.5), ingest.Known(131)
	r.Detections = []ingest.Detection{{Place: "toe", After: 4300 * time.Millisecond}}
	t, b := &r.Traces[0], &r.Bands[0]
	t.Quality = detect.Clipped | detect.MissingStart
	t.Bounds = [detect.NumPhases + 1]float32{0, 0.2, 0.2, 3.5, 4.2, 4.4} // no unlocking
	t.Features[detect.Effort] = 12.3456789
	b.Expected[detect.Effort], b.Low[detect.Effort], b.High[detect.Effort] = 10, 9.5, 10.5
	return r
}

func newFake() *fake {
	full := fullRecord()
	high := alerting.Alert{
		ID: "a1", Turnout: "W1", To: ingest.Reverse, Drive: "main", Condition: detect.Stiffening, Priority: alerting.High, ChangePercent: 31.5,
		Causes: []detect.Cause{{Cause: detect.DrySlideChairs, Probability: 1, Evidence: []string{"heavier"}, Checks: []string{"look"}}},
		Since:  noon.Add(-48 * time.Hour), RaisedAt: noon.Add(-time.Hour), ChangedAt: noon.Add(-time.Hour),
		Forecast: &detect.Forecast{Limit: "the drive's capability", P10: 3, P50: 8, P90: 20},
	}
	low := high
	low.ID, low.To, low.Priority, low.Causes, low.Forecast, low.RaisedAt = "a2", 0, alerting.Low, nil, nil, noon.Add(-time.Minute)
	cleared := high
	cleared.ID, cleared.Turnout, cleared.RaisedAt, cleared.ClearedAt = "a3", "W2", noon.Add(-3*time.Hour), noon.Add(-2*time.Hour)
	learnt := [2]detect.Learning{{To: ingest.Normal, Throws: 40, Needed: 30, Total: 60}, {To: ingest.Reverse, Throws: 30, Needed: 30, Total: 59}}
	half := learnt
	half[1].Throws = 29
	f := &fake{
		alerts: []alerting.Alert{low, high, cleared},
		turnouts: []detect.Summary{
			{Turnout: "W1", Quantities: []ingest.Quantity{ingest.MotorCurrent}, Drives: []string{"main"}, Last: full.StartedAt, LastTo: ingest.Reverse, Learning: learnt},
			{Turnout: "W2", Last: noon.Add(-time.Minute), LastTo: ingest.Normal, Completed: true, Learning: learnt},
			{Turnout: "w3-x", Learning: half},
		},
		records: map[string][]detect.Record{"W1": {
			record("W1", ingest.Normal, noon, 4), full,
			record("W1", ingest.Normal, noon.Add(-2*time.Hour), 4.1), record("W1", ingest.Reverse, noon.Add(-72*time.Hour), 4.1),
		}},
		channels: map[string][]ingest.Channel{"W1~a/b": {{
			Drive: "main", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 50, Offset: -0.1, Scale: 0.1, Zero: 0, Samples: []float64{0, 1, 3, 70001, -1},
		}}},
		work: []ingest.Work{{Turnout: "W1", DoneAt: noon.Add(-24 * time.Hour), Kind: ingest.Lubricated, Note: "all chairs", By: "gang 3"}},
		aside: []ingest.SetAside{
			{ID: 7, At: noon, Topic: "throwline/v1/c/throw/W1", Turnout: "W1", Faults: []ingest.Fault{{Path: "to", Expected: "normal or reverse", Found: `"up"`}}, Payload: []byte("{\"to\":\"up\"}\n"), Retries: 1},
			{ID: 6, At: noon, Topic: "t\xff", Faults: []ingest.Fault{{Expected: "JSON", Found: "\xfe"}}, Payload: []byte{0x1f, 0x8b, 0}},
		},
		cabinets: []ingest.CabinetState{{Cabinet: "z", At: noon}, {Cabinet: "a", Online: true, At: noon, Agent: "lineside 1", ClockOffset: ingest.Known(0.25)}},
	}
	f.profile = detect.Profile{Throws: 12, Duration: 4.1}
	for i := range detect.ProfileLen {
		f.profile.Low[i], f.profile.Mid[i], f.profile.High[i] = 1, 2, 3
	}
	f.profile.Low[0] = float32(math.NaN())
	return f
}

var dist = fstest.MapFS{
	"index.html":              {Data: []byte("<!doctype html><title>pages</title>")},
	"assets/main-AB12CD34.js": {Data: []byte("console.log(" + strings.Repeat("1+", 2000) + "1)")},
	"favicon.svg":             {Data: []byte("<svg/>")},
	".keep":                   {},
}

// rig is the screen over a fake, without a socket.
type rig struct {
	*fake
	t   *testing.T
	s   *server
	h   http.Handler
	hub *Hub
	log *bytes.Buffer
}

func newRig(t *testing.T, change ...func(*fake)) *rig {
	f := newFake()
	for _, c := range change {
		c(f)
	}
	return rigOf(t, f, nil)
}

// newDeskRig is a rig at which people do something about alerts.
func newDeskRig(t *testing.T, change ...func(*fakeDesk)) (*rig, *fakeDesk) {
	d := newDesk(newFake())
	for _, c := range change {
		c(d)
	}
	return rigOf(t, d.fake, d), d
}

func rigOf(t *testing.T, f *fake, desk Desk) *rig {
	var log bytes.Buffer
	hub := NewHub(HubOptions{Now: f.Now})
	t.Cleanup(hub.Close)
	metrics := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "metric 1\n") })
	s := newServer(Options{
		Archive: f, Yard: f, Hub: hub, Desk: desk, Metrics: metrics, Version: "v1", Demo: true, Log: slog.New(slog.NewTextHandler(&log, nil)),
		CabinetOf: func(turnout string) string { return map[string]string{"W1": "a", "W2": "z"}[turnout] },
	}, dist)
	return &rig{f, t, s, s.handler(), hub, &log}
}

func (r *rig) do(method, target, body string, headers ...string) *httptest.ResponseRecorder {
	r.t.Helper()
	req := httptest.NewRequest(method, target, strings.NewReader(body))
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	r.h.ServeHTTP(w, req)
	return w
}
