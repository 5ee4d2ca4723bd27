package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"throwline/ingest"
)

// yardTime is the clock of the daemons of these tests: their throws are of March.
func yardTime() time.Time { return firstDay.Add(300 * 24 * time.Hour) }

type running struct {
	*Daemon
	t        *testing.T
	log      *logged
	registry *prometheus.Registry
}

func configOf(m *mosquitto, dir string) Config {
	c := DefaultConfig()
	c.DataDir, c.MQTT.Brokers, c.HTTP.Listen = dir, []string{m.URL()}, "127.0.0.1:0"
	return c
}

// serving starts a daemon and waits until it is ready.
func serving(t *testing.T, c Config) *running {
	t.Helper()
	r := &running{t: t, log: &logged{}, registry: prometheus.NewRegistry()}
	var err error
	r.Daemon, err = New(t.Context(), c, Options{Log: slog.New(slog.NewTextHandler(r.log, nil)), Registry: r.registry, Now: yardTime, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.halt)
	if err := r.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon to be ready", func() bool { return r.Ready(t.Context()) == nil })
	return r
}

func (r *running) halt() {
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	if err := r.Stop(ctx); err != nil {
		r.t.Error(err)
	}
}

func (r *running) get(path string, into any) int {
	r.t.Helper()
	return r.call("GET", path, "", into)
}

func (r *running) call(method, path, body string, into any) int {
	r.t.Helper()
	req, err := http.NewRequest(method, "http://"+r.Addr()+path, strings.NewReader(body))
	if err != nil {
		r.t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	req.Close = true
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	switch into := into.(type) {
	case nil:
	case *string:
		*into = string(data)
	default:
		if err := json.Unmarshal(data, into); err != nil {
			r.t.Fatalf("%s: %v in %.200s", path, err, data)
		}
	}
	return res.StatusCode
}

func (r *running) count(o outcome) float64 {
	return testutil.ToFloat64(r.metrics.throws.WithLabelValues(o.String()))
}

func TestServe(t *testing.T) {
	m := startMosquitto(t)
	d := serving(t, configOf(m, t.TempDir()))
	c := newCabinet(t, m.URL())
	c.publish("throwline/v1/ORR/state", []byte(`{"state":"online","at":"2026-03-01T05:00:00Z","agent":"test"}`))

	// The event stream tells what happens from here on.
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "GET", "http://"+d.Addr()+"/api/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	stream, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Body.Close()
	events := make(chan string, 1000)
	go func() {
		defer close(events)
		for s := bufio.NewScanner(stream.Body); s.Scan(); {
			if kind, ok := strings.CutPrefix(s.Text(), "event: "); ok {
				events <- kind
			}
		}
	}()

	const throws = 60
	for n := range throws {
		c.throw("ORR", numbered(invented("ORR-W1", n, 0), "b1", uint64(n+1)))
	}
	stuck := numbered(invented("ORR-W1", throws, 0), "b1", throws+1)
	stuck.Completed, stuck.Detections = false, nil
	c.throw("ORR", stuck)
	c.publish("throwline/v1/ORR/throw/ORR-W1", []byte(`{"turnout":"ORR-W1"}`))
	c.publish("throwline/v1/ORR/throw/not~a~name", []byte(`{}`))
	c.throw("ORR", numbered(invented("ORR-W1", 3, 0), "b1", 4)) // again
	eventually(t, "everything to be taken", func() bool { return d.count(duplicate) == 1 })

	if s, r := d.count(stored), d.count(refused); s != throws+1 || r != 1 {
		t.Errorf("expected %d throws stored and 1 refused, found %v and %v", throws+1, s, r)
	}
	var turnout struct {
		State  string
		Alerts []struct{ Condition, Priority string }
		Total  []struct{ Total int } `json:"learning"`
	}
	if code := d.get("/api/v1/turnouts/ORR-W1", &turnout); code != 200 || len(turnout.Alerts) != 1 || turnout.Alerts[0].Condition != "incomplete-throw" || turnout.Total[0].Total+turnout.Total[1].Total != throws+1 {
		t.Errorf("expected the turnout with its alert, found %d, %+v", code, turnout)
	}
	var throw struct{ Channels []struct{ Samples []float64 } }
	if code := d.get("/api/v1/throws/"+url.PathEscape("ORR-W1~ORR-W1-3"), &throw); code != 200 || len(throw.Channels) != 1 || len(throw.Channels[0].Samples) != 350 {
		t.Errorf("expected a throw of 350 samples, found %d, %+.100v", code, throw)
	}
	var aside struct{ Items []struct{ ID int64 } }
	if code := d.get("/api/v1/quarantine", &aside); code != 200 || len(aside.Items) != 2 {
		t.Errorf("expected two messages set aside, found %d, %+v", code, aside)
	}
	eventually(t, "the receipt of all", func() bool {
		return strings.Contains(m.receipt("ORR"), fmt.Sprintf(`"boot":"b1","through":%d,"missing":[]`, throws+1))
	})
	seen := map[string]int{}
	eventually(t, "hello, throw and alert in the event stream", func() bool {
		select {
		case kind := <-events:
			seen[kind]++
		default:
		}
		return seen["hello"] == 1 && seen["throw"] > 0 && seen["alert"] > 0
	})

	// People.
	if code := d.call("POST", "/api/v1/turnouts/ORR-W1/work", `{"done_at":"2026-03-03T10:00:00Z","work":"repaired"}`, nil); code >= 300 {
		t.Errorf("expected the visit recorded, found %d", code)
	}
	if n := len(d.OpenAlerts("")); n != 0 {
		t.Errorf("expected no open alert after the repair, found %d", n)
	}
	if code := d.call("POST", "/api/v1/turnouts/NOBODY/work", `{"done_at":"2026-03-03T10:00:00Z","work":"repaired"}`, nil); code != 404 {
		t.Errorf("expected 404 for a turnout that nobody knows, found %d", code)
	}
	if code := d.call("POST", "/api/v1/turnouts/ORR-W1/work", `{"done_at":"2099-03-03T10:00:00Z","work":"repaired"}`, nil); code != 422 {
		t.Errorf("expected 422 for a visit in the future, found %d", code)
	}
	if code := d.call("POST", fmt.Sprintf("/api/v1/quarantine/%d/retry", aside.Items[0].ID), "", nil); code != 422 {
		t.Errorf("expected 422 for a message that is refused again, found %d", code)
	}
	if code := d.call("POST", "/api/v1/quarantine/99/retry", "", nil); code != 404 {
		t.Errorf("expected 404 for a message that is not there, found %d", code)
	}

	// Machines.
	var text string
	if code := d.get("/readyz", &text); code != 200 {
		t.Errorf("expected ready, found %d, %s", code, text)
	}
	d.get("/metrics", &text)
	for _, want := range []string{
		`throwline_throws_total{outcome="stored"} 61`, `throwline_throws_total{outcome="late"} 0`, "throwline_turnouts 1", "throwline_turnouts_learning 1",
		`throwline_alert_transitions_total{condition="incomplete-throw",event="raised"} 1`, "throwline_mqtt_connected 1", "throwline_in_flight_messages 0",
		`throwline_open_alerts{condition="incomplete-throw"} 0`, "throwline_messages_set_aside_total 2", `throwline_build_info{go="go1.`, "go_goroutines", "process_open_fds",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("expected %s among the metrics, found\n%s", want, text)
		}
	}
	if problems, err := testutil.GatherAndLint(d.registry); err != nil || len(problems) > 0 {
		t.Errorf("expected clean names of metrics, found %v, %v", problems, err)
	}
	began := time.Now()
	d.halt() // with the event stream still open
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("expected to stop while an event stream is open, found it took %s", took)
	}
	d.halt() // again
	if err := d.Start(t.Context()); err == nil {
		t.Error("expected no start after a stop")
	}
}

// What arrives while the program is away waits at the broker; what was learned
// is there after a restart, and nothing is taken twice.
func TestRestart(t *testing.T) {
	m := startMosquitto(t)
	c, conf := newCabinet(t, m.URL()), configOf(m, t.TempDir())
	first := serving(t, conf)
	for n := range 50 {
		c.throw("ORR", numbered(invented("ORR-W1", n, 0), "b1", uint64(n+1)))
	}
	stuck := numbered(invented("ORR-W2", 1, 0), "b1", 51)
	stuck.Completed = false
	c.throw("ORR", stuck)
	eventually(t, "51 throws", func() bool { return first.count(stored) == 51 })
	open := first.OpenAlerts("")
	first.halt()
	for n := 50; n < 90; n++ {
		c.throw("ORR", numbered(invented("ORR-W1", n, 0), "b1", uint64(n+2)))
	}
	second := serving(t, conf)
	if now := second.OpenAlerts("ORR-W2"); len(now) != 1 || now[0].ID != open[0].ID {
		t.Errorf("expected the alert still open, found %+v", now)
	}
	eventually(t, "the 40 throws that waited", func() bool { return second.count(stored) == 40 })
	if n := second.count(duplicate); n != 0 {
		t.Errorf("expected nothing twice, found %v", n)
	}
	s, err := second.Turnout("ORR-W1")
	if err != nil || s.Learning[0].Total+s.Learning[1].Total != 90 {
		t.Errorf("expected 90 throws seen in all, found %+v, %v", s, err)
	}
	// The state is that of one run without a restart.
	once := newBench(t, 8)
	r := newReader(conf.Limits.wireLimits())
	for n := range 90 {
		p := messageOf("ORR", invented("ORR-W1", n, 0))
		r.read(p)
		if err := once.settle(t.Context(), []*parcel{p}); err != nil {
			t.Fatal(err)
		}
	}
	want, _ := once.filer.yard.find("ORR-W1").state.MarshalBinary()
	got, _ := second.find("ORR-W1").state.MarshalBinary()
	if string(want) != string(got) {
		t.Error("expected the state of a single run, found another")
	}
	eventually(t, "the receipt of all", func() bool { return strings.Contains(m.receipt("ORR"), `"through":91,"missing":[]`) })
}

// A broker that crashed and forgot everything gets the receipts again.
func TestBrokerGoneAndBack(t *testing.T) {
	m := startMosquitto(t)
	d := serving(t, configOf(m, t.TempDir()))
	c := newCabinet(t, m.URL())
	c.throw("ORR", numbered(invented("ORR-W1", 1, 0), "b1", 1))
	eventually(t, "the receipt", func() bool { return m.receipt("ORR") != "" })
	m.Kill()
	eventually(t, "not ready", func() bool { return d.Ready(t.Context()) != nil })
	var why string
	if code := d.get("/readyz", &why); code != 503 || !strings.Contains(why, "no connection to the broker") {
		t.Errorf("expected 503 with the reason, found %d, %s", code, why)
	}
	if code := d.get("/livez", nil); code != 200 {
		t.Errorf("expected alive, found %d", code)
	}
	m.Begin()
	eventually(t, "ready again", func() bool { return d.Ready(t.Context()) == nil })
	eventually(t, "the receipt again", func() bool { return strings.Contains(m.receipt("ORR"), `"through":1`) })
	c.await()
	c.throw("ORR", numbered(invented("ORR-W1", 2, 0), "b1", 2))
	eventually(t, "a throw after it", func() bool { return d.count(stored) == 2 })
}

// Throws sent while the program starts and stops again and again: all are
// there in the end, each once.
func TestNothingIsLostOverRestarts(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	m := startMosquitto(t)
	c, conf := newCabinet(t, m.URL()), configOf(m, t.TempDir())
	serving(t, conf).halt() // so that the broker keeps a session
	const throws = 1500
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for n := range throws {
			c.throw("ORR", numbered(invented(fmt.Sprintf("ORR-W%d", n%7), n, 0), "b1", uint64(n+1)))
		}
	}()
	var d *running
	for range 4 {
		d = serving(t, conf)
		time.Sleep(100 * time.Millisecond)
		d.halt()
	}
	d = serving(t, conf)
	<-sent
	eventually(t, "all throws", func() bool {
		r, _ := d.receipt("ORR")
		return r.Through == throws && len(r.Missing) == 0
	})
	total := 0
	for _, s := range d.Turnouts() {
		total += s.Learning[0].Total + s.Learning[1].Total
	}
	if total != throws {
		t.Errorf("expected %d throws, each once, found %d", throws, total)
	}
}

func TestNewFailsClearly(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("this is no database, but long enough to be looked at as one ................"), 0o600); err != nil {
		t.Fatal(err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	torn := filepath.Join(dir, "torn")
	if err := errors.Join(os.Mkdir(torn, 0o750), os.Link(file, filepath.Join(torn, StoreName))); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Config)
		want   string
	}{
		"data folder is a file": {func(c *Config) { c.DataDir = file }, "data folder (data_dir): mkdir " + file},
		"port in use":           {func(c *Config) { c.HTTP.Listen = taken.Addr().String() }, "listen for browsers (http.listen): listen tcp " + taken.Addr().String() + ": bind: address already in use"},
		"no database":           {func(c *Config) { c.DataDir = torn }, "store in the data folder (data_dir): "},
		"no broker":             {func(c *Config) { c.MQTT.Brokers = nil }, "mqtt.brokers: expected at least 1"},
		"no ca file":            {func(c *Config) { c.MQTT.TLS.CAFile = "/nowhere" }, "mqtt.tls.ca_file: expected a file that can be read"},
	} {
		t.Run(name, func(t *testing.T) {
			conf := DefaultConfig()
			conf.DataDir, conf.HTTP.Listen, conf.MQTT.Brokers = t.TempDir(), "127.0.0.1:0", []string{"tcp://127.0.0.1:1"}
			c.change(&conf)
			d, err := New(t.Context(), conf, Options{})
			if d != nil || err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("expected %q, found %v", c.want, err)
			}
		})
	}
	// What failed has let go of everything: the same folder can be opened.
	conf := DefaultConfig()
	conf.DataDir, conf.MQTT.Brokers, conf.HTTP.Listen = t.TempDir(), []string{"tcp://127.0.0.1:1"}, taken.Addr().String()
	if _, err := New(t.Context(), conf, Options{}); err == nil {
		t.Fatal("expected the port to be in use")
	}
	conf.HTTP.Listen = "127.0.0.1:0"
	d, err := New(t.Context(), conf, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := New(t.Context(), conf, Options{}); err == nil || !strings.Contains(err.Error(), "another process") {
		t.Errorf("expected a second daemon on the folder to be refused, found %v", err)
	}
	// Without a broker it starts, waits for one, says so, and stops.
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := d.Ready(t.Context()); err == nil || !strings.Contains(err.Error(), "no connection to the broker") {
		t.Errorf("expected not ready for want of a broker, found %v", err)
	}
	if err := d.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	if err := d.RecordWork(t.Context(), ingest.Work{Turnout: "W1", DoneAt: time.Now(), Kind: ingest.Repaired}); err == nil {
		t.Error("expected no visit to a turnout that nobody knows")
	}
}

// A state that cannot be read costs what that turnout has learned, not the rest.
func TestTornState(t *testing.T) {
	m := startMosquitto(t)
	conf := configOf(m, t.TempDir())
	d := serving(t, conf)
	for _, name := range []string{"W1", "W2"} {
		p := messageOf("ORR", invented(name, 1, 0))
		newReader(conf.Limits.wireLimits()).read(p)
		if err := d.pipeline.ask(t.Context(), d.stopping, p); err != nil {
			t.Fatal(err)
		}
	}
	err := d.pipeline.ledger.Update(t.Context(), func(e entries) error {
		return e.(storeEntries).Tx.SaveState("W1", "ORR", []byte{1, 2, 3})
	})
	if err != nil {
		t.Fatal(err)
	}
	d.halt()
	d = serving(t, conf)
	for name, want := range map[string]int{"W1": 0, "W2": 1} {
		s, err := d.Turnout(name)
		if got := s.Learning[0].Total + s.Learning[1].Total; err != nil || got != want {
			t.Errorf("%s: expected %d throws seen, found %d, %v", name, want, got, err)
		}
	}
	if !strings.Contains(d.log.String(), "learns anew") {
		t.Errorf("expected it logged, found %s", d.log.String())
	}
}
