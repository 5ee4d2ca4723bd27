package export_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log"
	"math"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/daemon/export"
	"throwline/daemon/export/exporttest"
	"throwline/daemon/store"
	"throwline/detect"
)

// TestMain also is the process that TestKilled kills.
func TestMain(m *testing.M) {
	if dir := os.Getenv("THROWLINE_TEST_EXPORT"); dir != "" {
		exportUntilKilled(dir)
	}
	goleak.VerifyTestMain(m)
}

// Everything that is filed stands in both stores, value for value, and what is
// written again takes its own place.
func TestValueForValue(t *testing.T) {
	y := newYard(t).atStart()
	y.throws(130, "ORR-W1", "ORR-W2")
	y.alert("ORR-W1")
	y.alert("ORR-W2")
	want := y.wanted()
	for name, c := range map[string]struct {
		server func() *exporttest.Server
		read   func(testing.TB, *exporttest.Server, string) (points, int)
		bucket string
	}{
		"VictoriaMetrics": {func() *exporttest.Server { return exporttest.VictoriaMetrics(t) }, inVictoria, "throwline"},
		"influxd":         {func() *exporttest.Server { return exporttest.Influxd(t) }, inInflux, "throwline/autogen"},
	} {
		t.Run(name, func(t *testing.T) {
			y.atStart()
			y.t = t
			s := c.server()
			conf := configOf(s.URL)
			conf.Bucket, conf.Health = c.bucket, time.Hour
			for round := range 2 {
				e := y.export(conf, nil)
				st := e.caughtUp(y)
				// The fleet comes after what is filed.
				e.until("the turnouts' points", func(s *export.State) bool { return s.Written == st.Written+2 || s.Written == int64(lines(y)+2) })
				st = e.State()
				if st.Refused != 0 || st.Missed != 0 || st.BehindThrows != 0 || st.Written != int64(lines(y)+2) {
					t.Errorf("round %d: expected %d points written, found %+v", round, lines(y)+2, st)
				}
				e.stop()
				found, twice := c.read(t, s, "throw")
				want.same(t, name, found)
				if twice > 0 {
					t.Errorf("round %d: expected what is written again to take its own place, found %d values twice", round, twice)
				}
				y.atStart()
			}
			alerts, _ := c.read(t, s, "alert")
			stood := 0
			for k, v := range alerts {
				if strings.HasPrefix(k, "alert.stood_s ") {
					stood++
					if v != 36*3600 {
						t.Errorf("%s: expected 36 hours, found %v", k, v)
					}
				}
			}
			if stood != 2 {
				t.Errorf("expected 2 alerts that cleared, found %d", stood)
			}
			// VictoriaMetrics keeps milliseconds: what was raised and changed in one is one point there.
			if name == "influxd" {
				rows, err := s.Flux(`from(bucket: "throwline/autogen") |> range(start: 2020-01-01T00:00:00Z, stop: 2030-01-01T00:00:00Z)
					|> filter(fn: (r) => r._measurement == "throwline_alert" and r._field == "open" and r._value == 1.0)`)
				if err != nil || len(rows) != 4 {
					t.Errorf("expected 4 events of alerts that are open, found %d, %v", len(rows), err)
				}
			}
			fleet, _ := c.read(t, s, "turnout")
			said := map[string]float64{}
			for k, v := range fleet {
				what, _, _ := strings.Cut(k, " ")
				for _, w := range []string{"ORR-W1", "ORR-W2"} {
					if strings.Contains(k, "turnout="+w) {
						said[w+" "+what] = v
					}
				}
			}
			for k, v := range map[string]float64{
				"ORR-W1 turnout.open_alerts": 2, "ORR-W1 turnout.open_alerts_high": 1, "ORR-W1 turnout.change_percent": 23.5, "ORR-W1 turnout.forecast_p50_days": 2.5,
				"ORR-W2 turnout.open_alerts": 0, "ORR-W2 turnout.learning": 1, "ORR-W2 turnout.baseline_throws": 7,
			} {
				if f, ok := said[k]; (!ok || f != v) && name == "influxd" { // the stores' clocks are a year apart from our invented throws
					t.Errorf("%s: expected %v, found %v (there: %v)", k, v, f, ok)
				}
			}
		})
	}
}

// lines is how many points what is filed makes.
func lines(y *yard) int {
	n := len(y.events)
	for i := range y.filed {
		n += len(y.filed[i].Traces)
	}
	return n
}

// While the other side is away nothing waits for it; then all comes in its order.
func TestOutage(t *testing.T) {
	s := exporttest.Influxd(t)
	y := newYard(t)
	conf := configOf(s.URL)
	conf.Bucket = "throwline/autogen"
	e := y.export(conf, nil)
	y.throws(30, "ORR-W1")
	e.caughtUp(y)
	s.Kill()
	y.throws(120, "ORR-W1", "ORR-W2")
	e.until("trouble, and how far behind", func(s *export.State) bool { return s.Trouble != "" && s.BehindThrows == 240 })
	st := e.State()
	if st.OldestAt.IsZero() || st.Behind(firstDay.AddDate(1, 0, 0)) < 300*24*time.Hour || st.NextTry.IsZero() || st.TroubleSince.IsZero() || st.Setup {
		t.Errorf("expected an oldest throw, a next try and since when, found %+v", st)
	}
	s.Begin()
	st = e.caughtUp(y)
	if st.Refused != 0 || st.Missed != 0 || st.Trouble != "" || !st.OldestAt.IsZero() {
		t.Errorf("expected nothing lost, found %+v", st)
	}
	found, _ := inInflux(t, s, "throw")
	y.wanted().same(t, "after the outage", found)
}

// exportUntilKilled writes a batch, says so, and never gets to keep the cursor.
func exportUntilKilled(dir string) {
	s, err := store.Open(context.Background(), filepath.Join(dir, "throwline.db"), store.Options{})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	conf := configOf(os.Getenv("THROWLINE_TEST_SERVER"))
	conf.Bucket, conf.Batch = "throwline/autogen", 40
	e, err := export.New(context.Background(), stuck{s}, conf, export.Options{Name: "influx", Enough: store.ErrEnough})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	e.Run(context.Background())
}

// stuck stands still in the middle of the third cursor.
type stuck struct{ *store.Store }

var cursors int

func (s stuck) SaveExportCursor(ctx context.Context, name string, throw, event int64, counts [3]int64) error {
	if cursors++; cursors == 3 {
		fmt.Println("written", throw)
		select {}
	}
	return s.Store.SaveExportCursor(ctx, name, throw, event, counts)
}

// Killed between a write and its cursor, it writes that batch again onto itself.
func TestKilled(t *testing.T) {
	s := exporttest.Influxd(t)
	y := newYard(t).atStart()
	y.throws(150, "ORR-W1")
	if err := y.s.Close(); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "THROWLINE_TEST_EXPORT="+y.dir, "THROWLINE_TEST_SERVER="+s.URL)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	said := make([]byte, 200)
	n, _ := out.Read(said)
	_ = cmd.Process.Kill()
	_ = cmd.Wait() // killed is an error too
	var written int64
	if _, err := fmt.Sscanf(string(said[:n]), "written %d", &written); err != nil {
		t.Fatalf("expected how far it wrote, found %q", said[:n])
	}
	if y.s, err = store.Open(t.Context(), filepath.Join(y.dir, "throwline.db"), store.Options{}); err != nil {
		t.Fatal(err)
	}
	throw, _, counts, _, err := y.s.ExportCursor(t.Context(), "influx")
	if err != nil || throw <= 0 || throw >= written || counts[0] >= int64(lines(y)) {
		t.Fatalf("expected a cursor before throw %d, found %d, counts %v, %v", written, throw, counts, err)
	}
	conf := configOf(s.URL)
	conf.Bucket, conf.Batch = "throwline/autogen", 40
	st := y.export(conf, nil).caughtUp(y)
	if st.Written != int64(lines(y)) {
		t.Errorf("expected %d points counted, found %+v", lines(y), st)
	}
	found, twice := inInflux(t, s, "throw")
	y.wanted().same(t, "after the kill", found)
	if twice > 0 {
		t.Errorf("found %d values twice", twice)
	}
}

// A point that the other side will not take is found, counted and shown; all
// others are written, however they share a batch with it.
func TestPartialWrite(t *testing.T) {
	s := exporttest.Influxd(t)
	y := newYard(t).atStart()
	y.throws(100, "ORR-W1")
	// The field of rain is a text in the shard of these days, since someone wrote one.
	s.Post("/api/v2/write?bucket=throwline/autogen", fmt.Sprintf(`throwline_throw,turnout=other rain="yes" %d`, firstDay.UnixNano()))
	conf := configOf(s.URL)
	conf.Bucket = "throwline/autogen"
	st := y.export(conf, nil).caughtUp(y)
	wet, good := int64(0), y.wanted()
	for i := range y.filed {
		r := &y.filed[i]
		if !r.Rain.Known {
			continue
		}
		wet += int64(len(r.Traces))
		for k := range good {
			if strings.HasSuffix(k, fmt.Sprint(" ", r.StartedAt.UnixMilli())) {
				delete(good, k)
			}
		}
	}
	if wet == 0 || st.Refused != wet || st.Written != int64(lines(y))-wet {
		t.Errorf("expected %d points refused and %d written, found %+v", wet, int64(lines(y))-wet, st)
	}
	if len(st.Refusals) == 0 || !strings.Contains(st.Refusals[0].Reason, "type conflict") || !strings.HasPrefix(st.Refusals[0].Line, "throwline_throw,area=ORR,") {
		t.Errorf("expected to be shown what was refused, found %+v", st.Refusals)
	}
	rows, err := s.Flux(`from(bucket: "throwline/autogen") |> range(start: 2020-01-01T00:00:00Z, stop: 2030-01-01T00:00:00Z)
		|> filter(fn: (r) => r._measurement == "throwline_throw" and r._field == "duration_s")`)
	if err != nil || len(rows) == 0 {
		t.Fatalf("found %d rows, %v", len(rows), err)
	}
	durations := 0
	for k, v := range good {
		if strings.HasPrefix(k, "throw.duration_s ") {
			durations++
			if !containsValue(rows, v) {
				t.Errorf("%s: expected %v, found it nowhere", k, v)
			}
		}
	}
	if len(rows) != durations {
		t.Errorf("expected %d durations, found %d", durations, len(rows))
	}
	// What was counted stays counted.
	if _, _, counts, _, err := y.s.ExportCursor(t.Context(), "influx"); err != nil || counts != [3]int64{st.Written, wet, 0} {
		t.Errorf("found counts %v, %v", counts, err)
	}
}

// buffered reads the body, so that its length is known.
func buffered(r *http.Request) *http.Request {
	b, _ := io.ReadAll(r.Body)
	r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(b)), int64(len(b))
	return r
}

// serve answers on a port of its own until the test ends.
func serve(t *testing.T, s *http.Server) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.ErrorLog = log.New(io.Discard, "", 0)
	ended := make(chan struct{})
	go func() { _ = s.Serve(l); close(ended) }()
	t.Cleanup(func() { _ = s.Close(); <-ended })
	return l.Addr().String()
}

func containsValue(rows []map[string]any, v float64) bool {
	for _, r := range rows {
		if float32(r["_value"].(float64)) == float32(v) {
			return true
		}
	}
	return false
}

// A store without room is waited for, not written off.
func TestFull(t *testing.T) {
	s := exporttest.Influxd(t, "INFLUXDB_DATA_INDEX_VERSION=inmem", "INFLUXDB_DATA_MAX_SERIES_PER_DATABASE=3")
	y := newYard(t).atStart()
	y.throws(40, "ORR-W1", "ORR-W2", "ORR-W3")
	conf := configOf(s.URL)
	conf.Bucket = "throwline/autogen"
	e := y.export(conf, nil)
	e.until("trouble", func(s *export.State) bool { return strings.Contains(s.Trouble, "limit exceeded") })
	if st := e.State(); st.Refused != 0 || st.Throws != 0 {
		t.Errorf("expected it to wait, found %+v", st)
	}
	s.Kill()
	s.Set("INFLUXDB_DATA_MAX_SERIES_PER_DATABASE=0")
	s.Begin()
	e.caughtUp(y)
	found, _ := inInflux(t, s, "throw")
	y.wanted().same(t, "with room again", found)
}

// What passes is waited for; too large a body is halved; all of it before a real store.
func TestAnswers(t *testing.T) {
	s := exporttest.Influxd(t)
	to, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		answer  func(w http.ResponseWriter, r *http.Request, n int64) bool // true: it has answered
		trouble string
	}{
		"too many requests": {func(w http.ResponseWriter, _ *http.Request, n int64) bool {
			if n == 1 {
				w.Header().Set("Retry-After", "1")
				w.WriteHeader(http.StatusTooManyRequests)
			}
			return n == 1
		}, "429"},
		"no storage": {func(w http.ResponseWriter, _ *http.Request, n int64) bool {
			if n == 1 {
				http.Error(w, `{"code":"internal error","message":"bucket is full"}`, http.StatusInsufficientStorage)
			}
			return n == 1
		}, "507"},
		"a proxy's page": {func(w http.ResponseWriter, _ *http.Request, n int64) bool {
			if n == 1 {
				http.Error(w, "<html>bad gateway</html>", http.StatusBadGateway)
			}
			return n == 1
		}, "502"},
		"cut off": {func(http.ResponseWriter, *http.Request, int64) bool { panic(http.ErrAbortHandler) }, "EOF"},
		"all refused for a reason unknown": {func(w http.ResponseWriter, _ *http.Request, n int64) bool {
			http.Error(w, "organisation name is required", http.StatusBadRequest)
			return true
		}, "organisation name is required"},
		"too large": {func(w http.ResponseWriter, r *http.Request, _ int64) bool {
			if r.ContentLength > 3000 || r.Header.Get("Content-Encoding") != "gzip" {
				w.WriteHeader(http.StatusRequestEntityTooLarge)
				return true
			}
			return false
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			y := newYard(t).atStart()
			y.throws(30, "ORR-W1")
			pass := httputil.NewSingleHostReverseProxy(to)
			var n atomic.Int64
			var open atomic.Bool
			proxy := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.ContentLength < 0 { // the client streams what it compresses
					r = buffered(r)
				}
				if open.Load() || !c.answer(w, r, n.Add(1)) {
					pass.ServeHTTP(w, r)
				}
			})}
			address := serve(t, proxy)
			conf := configOf("http://" + address)
			conf.Bucket = "throwline/autogen"
			e := y.export(conf, nil)
			if c.trouble != "" {
				e.until("trouble", func(s *export.State) bool { return strings.Contains(s.Trouble, c.trouble) })
				open.Store(true)
			}
			if st := e.caughtUp(y); st.Refused != 0 || st.Written != int64(lines(y)) {
				t.Errorf("expected all of it written, found %+v", st)
			}
		})
	}
}

// A wrong token is the setup's fault; the token is shown nowhere.
func TestWrongToken(t *testing.T) {
	s := exporttest.Influxd(t)
	s.Post("/query?q="+url.QueryEscape("CREATE USER admin WITH PASSWORD 'right' WITH ALL PRIVILEGES"), "")
	s.Kill()
	s.Set("INFLUXDB_HTTP_AUTH_ENABLED=true")
	s.Begin()
	y := newYard(t).atStart()
	y.throws(10, "ORR-W1")
	conf := configOf(s.URL)
	conf.Bucket, conf.Token = "throwline/autogen", "admin:sesame"
	e := y.export(conf, nil)
	e.until("trouble", func(s *export.State) bool { return s.Trouble != "" })
	if st := e.State(); !st.Setup || !strings.Contains(st.Trouble, "401") || strings.Contains(fmt.Sprintf("%+v", st), "sesame") {
		t.Errorf("expected the setup's fault without its token, found %+v", st)
	}
	e.stop()
	conf.Token = "admin:right"
	if st := y.export(conf, nil).caughtUp(y); st.Refused != 0 {
		t.Errorf("found %+v", st)
	}
}

// What was dropped for its age before it was exported is counted; a new
// exporter begins with what comes.
func TestMissed(t *testing.T) {
	s := exporttest.VictoriaMetrics(t)
	y := newYard(t)
	y.throws(20, "ORR-W1")
	e := y.export(configOf(s.URL), nil)
	e.stop()
	if st := e.State(); st.Throws != 20 || st.Written != 0 {
		t.Errorf("expected it to begin with what comes, found %+v", st)
	}
	y.throws(50, "ORR-W1")
	kept := firstDay.Add(50 * 20 * time.Minute)
	if _, err := y.s.Prune(t.Context(), time.Time{}, kept, 1000); err != nil {
		t.Fatal(err)
	}
	e = y.export(configOf(s.URL), nil)
	if st := e.caughtUp(y); st.Missed != 30 || st.Refused != 0 {
		t.Errorf("expected 30 throws missed, found %+v", st)
	}
	// All that is left goes, too, before it is seen.
	e.stop()
	y.throws(10, "ORR-W1")
	if _, err := y.s.Prune(t.Context(), time.Time{}, firstDay.AddDate(1, 0, 0), 1000); err != nil {
		t.Fatal(err)
	}
	y.throws(1, "ORR-W1")
	if st := y.export(configOf(s.URL), nil).caughtUp(y); st.Missed != 40 || st.Throws != 81 {
		t.Errorf("expected 40 throws missed, found %+v", st)
	}
}

// History is written beside the program, between two times, and moves no cursor.
func TestBackfill(t *testing.T) {
	s := exporttest.Influxd(t)
	y := newYard(t)
	y.throws(120, "ORR-W1", "ORR-W2")
	y.alert("ORR-W1")
	from, to := firstDay.Add(20*20*time.Minute), firstDay.Add(90*20*time.Minute)
	// Some have lost their traces.
	if _, err := y.s.Prune(t.Context(), firstDay.Add(50*20*time.Minute), time.Time{}, 1000); err != nil {
		t.Fatal(err)
	}
	beside, err := store.OpenReader(t.Context(), filepath.Join(y.dir, "throwline.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer beside.Close()
	var place store.Place
	h := export.History{
		Throws: func(ctx context.Context, limit int, f func(*detect.Record) error) (done bool, err error) {
			place, done, err = beside.ThrowsBetween(ctx, from, to, place, limit, f)
			return done, err
		},
		Events: beside.EventsFrom,
	}
	conf := configOf(s.URL)
	conf.Bucket, conf.Batch = "throwline/autogen", 33
	told := 0
	p, err := export.Backfill(t.Context(), h, conf, export.Options{Enough: store.ErrEnough}, from, to, func(export.Progress) { told++ })
	if err != nil || p.Throws != 140 || p.Events != 0 || told < 4 || p.Refused != 0 {
		t.Errorf("expected 140 throws and no event, found %+v, %v", p, err)
	}
	want := &yard{}
	for i := range y.filed {
		if r := y.filed[i]; !r.StartedAt.Before(from) && r.StartedAt.Before(to) {
			want.filed = append(want.filed, r)
		}
	}
	found, twice := inInflux(t, s, "throw")
	want.wanted().same(t, "history", found)
	if _, _, _, moved, err := y.s.ExportCursor(t.Context(), "influx"); moved || err != nil || twice > 0 {
		t.Errorf("expected no cursor, found one: %v, %v", moved, err)
	}
	// A setup that cannot work is an error at once.
	place = store.Place{}
	conf.Bucket = "nowhere/autogen"
	if _, err := export.Backfill(t.Context(), h, conf, export.Options{Enough: store.ErrEnough}, from, to, func(export.Progress) {}); err == nil || !strings.Contains(err.Error(), "404") {
		t.Errorf("expected the database not to be found, found %v", err)
	}
}

// What people type into the registry breaks no line.
func TestAwkwardAreas(t *testing.T) {
	s := exporttest.Influxd(t)
	for typed, want := range map[string]string{
		`South, "old" = \`: `South, "old" = _`, "two\nlines": "two_lines", " ": " ", "Süd": "Süd", "\xff": "_", `\,`: "_,", "": "",
	} {
		y := newYard(t).atStart()
		y.throws(1, "W1")
		conf := configOf(s.URL)
		conf.Bucket = "throwline/autogen"
		e, err := export.New(t.Context(), y.s, conf, export.Options{Name: "influx", Enough: store.ErrEnough, Area: func(string) string { return typed }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { e.Run(ctx); close(ended) }()
		(&running{e, t, cancel}).caughtUp(y)
		cancel()
		<-ended
		if st := e.State(); st.Refused != 0 {
			t.Errorf("%q: found %+v", typed, st)
		}
		found, _ := inInflux(t, s, "throw")
		ok := false
		for k := range found {
			ok = ok || strings.Contains(k, "area="+want+" cabinet=")
		}
		if !ok {
			t.Errorf("%q: expected area %q, found none", typed, want)
		}
	}
}

// Numbers that no store can hold are left out.
func TestNoNumber(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		th := invented("ORR-W1", 1)
		o := detect.Measure(th)
		o.Traces[0].Features[detect.Ripple] = float32(v)
		line := export.Line(&detect.Record{Observation: *o}, "a")
		if strings.Contains(line, "ripple") || strings.Contains(line, "NaN") || strings.Contains(line, "Inf") || !strings.Contains(line, "duration_s=") {
			t.Errorf("%v: found %s", v, line)
		}
	}
}
