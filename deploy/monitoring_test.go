package deploy_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/export/exporttest"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
	"throwline/ingest/wire"
)

// The rules are sound, and say what their tests expect of them.
func TestRules(t *testing.T) {
	for _, args := range [][]string{{"check", "rules", "rules.yaml"}, {"test", "rules", "rules_test.yaml"}} {
		if out, err := exporttest.Promtool(t, "prometheus", args...); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// query is one query of a dashboard.
type query struct{ where, text, kind string } // kind: promql, flux or label

// dashboard reads a dashboard and all queries in it.
func dashboard(t *testing.T, name string) (uid string, list []query) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("grafana", name))
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		UID        string
		Templating struct {
			List []struct {
				Name, Type string
				Query      any
			}
		}
		Panels []struct {
			ID         int
			Title      string
			Type       string
			Datasource struct{ UID string }
			Targets    []struct {
				Expr, Query string
				Datasource  struct{ UID string }
			}
		}
	}
	if err := json.Unmarshal(b, &d); err != nil {
		t.Fatal(err)
	}
	ids, source := map[int]bool{}, false
	for _, v := range d.Templating.List {
		source = source || v.Name == "datasource" && v.Type == "datasource"
		if v.Type != "query" {
			continue
		}
		switch text := v.Query.(type) {
		case string:
			list = append(list, query{"variable " + v.Name, text, "flux"})
		case map[string]any:
			list = append(list, query{"variable " + v.Name, text["query"].(string), "label"})
		}
	}
	if !source {
		t.Errorf("%s: expected a variable for the data source, found none", name)
	}
	for _, p := range d.Panels {
		if ids[p.ID] {
			t.Errorf("%s: panel %d stands there twice", name, p.ID)
		}
		ids[p.ID] = true
		if p.Type == "row" {
			continue
		}
		if len(p.Targets) == 0 {
			t.Errorf("%s: panel %q asks nothing", name, p.Title)
		}
		for _, q := range p.Targets {
			if p.Datasource.UID != "${datasource}" || q.Datasource.UID != "${datasource}" {
				t.Errorf("%s: panel %q: expected the variable as its data source, found %q and %q", name, p.Title, p.Datasource.UID, q.Datasource.UID)
			}
			if q.Expr != "" {
				list = append(list, query{p.Title, q.Expr, "promql"})
			} else {
				list = append(list, query{p.Title, q.Query, "flux"})
			}
		}
	}
	return d.UID, list
}

// filled puts the variables' values in, as Grafana does.
func filled(t *testing.T, q query, values ...string) string {
	t.Helper()
	text := strings.NewReplacer(values...).Replace(q.text)
	if i := strings.Index(text, "$"); i >= 0 && !strings.HasPrefix(text[i:], "$/") { // the end of a pattern
		t.Errorf("%s: a variable that nobody fills: %s", q.where, text[i:])
	}
	return text
}

// invented is a throw of an invented drive that gets stiffer.
func invented(turnout string, n int, at time.Time) *ingest.Throw {
	rng := rand.New(rand.NewPCG(uint64(n), uint64(turnout[len(turnout)-1])))
	samples := make([]float64, 350)
	for i := range samples {
		switch x := float64(i) / 350; {
		case x < 0.05 || x > 0.92:
			samples[i] = 1 + rng.Float64()
		case x < 0.1:
			samples[i] = 1100
		default:
			samples[i] = 380 + 40*math.Sin(8*x) + 3*rng.NormFloat64()
		}
		samples[i] = math.Round(samples[i])
	}
	return &ingest.Throw{
		ID: strconv.Itoa(n), Turnout: turnout, To: ingest.Ends[n%2], StartedAt: at, Completed: n != 60,
		RailTemperature: ingest.Known(10 + float64(n%9)),
		Channels:        []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 0.01, Samples: samples}},
	}
}

// program runs the whole daemon for as long as do runs.
func program(t *testing.T, c daemon.Config, do func(d *daemon.Daemon, r *prometheus.Registry)) {
	t.Helper()
	r := prometheus.NewRegistry()
	d, err := daemon.New(t.Context(), c, daemon.Options{Version: "test", Registry: r, Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := d.Stop(ctx); err != nil {
			t.Error(err)
		}
	}()
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	do(d, r)
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(90 * time.Second); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("expected %s, found nothing of it in 90 s", what)
		}
	}
}

const scrape = `
scrape_configs:
  - job_name: throwline
    scrape_interval: 1s
    scrape_timeout: 1s
    static_configs: [{targets: ["%s"]}]
`

// The dashboards' queries are run against real stores, which the program has
// filled from throws that came over a real broker; what the program says of
// itself is scraped by a real Prometheus.
func TestMonitoring(t *testing.T) {
	broker := mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0")
	c := daemon.DefaultConfig()
	c.DataDir, c.MQTT.Brokers, c.HTTP.Listen = t.TempDir(), []string{broker.URL()}, "127.0.0.1:0"

	const throws = 120
	turnouts := []string{"ORR-W1", "ORR-W2"}
	program(t, c, func(d *daemon.Daemon, _ *prometheus.Registry) {
		eventually(t, "the program to be ready", func() bool { return d.Ready(t.Context()) == nil })
		s, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{broker.URL()}, ClientID: "sender", Prefix: "elsewhere/v1"})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close(context.Background())
		eventually(t, "the sender to connect", func() bool { return s.Status().Connected })
		began := time.Now().Add(-throws * 30 * time.Minute)
		for n := range throws {
			for _, w := range turnouts {
				if err := s.Publish(t.Context(), "throwline/v1/ORR/throw/"+w, false, wire.AppendThrow(nil, invented(w, n, began.Add(time.Duration(n)*30*time.Minute)))); err != nil {
					t.Fatal(err)
				}
			}
		}
		eventually(t, "all throws to be filed", func() bool {
			total := 0
			for _, x := range d.Turnouts() {
				total += x.Learning[0].Total + x.Learning[1].Total
			}
			return total == throws*len(turnouts)
		})
	})
	// An alert with a forecast would take months of throws.
	s, err := store.Open(t.Context(), filepath.Join(c.DataDir, daemon.StoreName), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Now().Add(-time.Hour)
	a := alerting.Alert{
		ID: "stiff", Turnout: "ORR-W1", Drive: "main", Condition: detect.Stiffening, Priority: alerting.High, ChangePercent: 21.5, Since: at, RaisedAt: at, ChangedAt: at,
		Causes: []detect.Cause{{Cause: detect.DrySlideChairs, Probability: 1}}, Forecast: &detect.Forecast{Limit: "effort", P10: 4, P50: 11, P90: 30},
	}
	if err := s.Update(t.Context(), func(tx *store.Tx) error {
		return tx.Transition(alerting.Event{Kind: alerting.Raised, At: at, Alert: a})
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	c.Metrics.PerTurnout = true
	c.Export.Influx.Every = daemon.Duration(time.Second)
	t.Run("PromQL", func(t *testing.T) { promDashboard(t, c) })
	t.Run("Flux", func(t *testing.T) { fluxDashboard(t, c) })
}

// history writes what was there before the export was set up.
func history(t *testing.T, c *daemon.Config) {
	t.Helper()
	p, err := daemon.ExportHistory(t.Context(), c, slog.New(slog.DiscardHandler), time.Unix(0, 0), time.Now(), nil)
	if err != nil || p.Throws != 240 || p.Written < 240 || p.Refused != 0 {
		t.Fatalf("expected 240 throws written, found %+v, %v", p, err)
	}
}

func promDashboard(t *testing.T, c daemon.Config) {
	uid, list := dashboard(t, "throwline-prometheus.json")
	if uid != "throwline-prometheus" || len(list) < 25 {
		t.Errorf("found uid %q and %d queries", uid, len(list))
	}
	file := filepath.Join(t.TempDir(), "scrape.yml")
	if err := os.WriteFile(file, fmt.Appendf(nil, scrape, "127.0.0.1:1"), 0o600); err != nil {
		t.Fatal(err)
	}
	vm := exporttest.VictoriaMetrics(t, "-promscrape.config="+file, "-promscrape.configCheckInterval=1s")
	c.Export.Influx.URL = vm.URL
	program(t, c, func(d *daemon.Daemon, r *prometheus.Registry) {
		history(t, &c)
		if err := os.WriteFile(file, fmt.Appendf(nil, scrape, d.Addr()), 0o600); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the turnouts' points to be written", func() bool { return d.Exports()[0].Written >= 2 })
		lint(t, r)
		if own := string(vm.Get("/metrics")); !strings.Contains(own, `vm_rows_invalid_total{type="influx"}`) {
			t.Error("expected VictoriaMetrics to count what it cannot read, as a rule asks for, found no such metric")
		}
		prom := exporttest.Prometheus(t, fmt.Sprintf("rule_files: [%q]\n", absolute(t, "prometheus/rules.yaml"))+fmt.Sprintf(scrape, d.Addr()))
		scraped(t, prom)
		// A rate takes two scrapes.
		eventually(t, "two scrapes", func() bool {
			vm.Get("/internal/force_flush")
			return len(ask(t, vm, "query", `rate(throwline_throws_total[1m])`)) > 0
		})
		for _, q := range list {
			text := filled(t, q, "$area", "ORR", "$turnout", "ORR-W1", "$to", ".*", "$__interval", "1h", "$__range", "30d", "$__rate_interval", "1m")
			var n int
			switch q.kind {
			case "label":
				m := regexp.MustCompile(`^label_values\((.*), (\w+)\)$`).FindStringSubmatch(text)
				if m == nil {
					t.Fatalf("%s: expected label_values, found %s", q.where, text)
				}
				var a struct{ Data []string }
				if err := json.Unmarshal(vm.Get("/api/v1/label/"+m[2]+"/values?match[]="+url.QueryEscape(m[1])+"&start=-30d"), &a); err != nil {
					t.Fatal(err)
				}
				n = len(a.Data)
			case "promql":
				n = len(ask(t, vm, "query", text))
				if n == 0 { // what is sparse shows in a graph
					n = len(ask(t, vm, "query_range", text))
				}
				// Prometheus itself has to take it too.
				ask(t, prom, "query", text)
			}
			if n == 0 {
				t.Errorf("%s: expected data, found none for %s", q.where, text)
			}
		}
	})
}

func absolute(t *testing.T, path string) string {
	t.Helper()
	p, err := filepath.Abs(path)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// ask runs a query of PromQL and returns its series.
func ask(t *testing.T, s *exporttest.Server, how, text string) []json.RawMessage {
	t.Helper()
	v := url.Values{"query": {text}}
	now := time.Now()
	if how == "query_range" {
		v.Set("start", strconv.FormatInt(now.Add(-72*time.Hour).Unix(), 10))
		v.Set("end", strconv.FormatInt(now.Unix(), 10))
		v.Set("step", "1h")
	}
	var a struct {
		Data struct{ Result []json.RawMessage }
	}
	b := s.Get("/api/v1/" + how + "?" + v.Encode())
	if err := json.Unmarshal(b, &a); err != nil {
		t.Fatalf("%s: %v in %s", text, err, b)
	}
	return a.Data.Result
}

// scraped checks that Prometheus takes what the program says of itself, and the rules.
func scraped(t *testing.T, prom *exporttest.Server) {
	t.Helper()
	eventually(t, "Prometheus to have scraped", func() bool { return len(ask(t, prom, "query", `up{job="throwline"} == 1`)) == 1 })
	for _, name := range []string{"throwline_throws_total", "throwline_mqtt_connected", "throwline_export_behind_seconds", "throwline_data_disk_free_bytes", "throwline_open_alerts", `throwline_turnout_alerts_open{turnout="ORR-W1"}`} {
		eventually(t, name, func() bool { return len(ask(t, prom, "query", name)) > 0 })
	}
	if n := len(ask(t, prom, "query", `count by (turnout) ({turnout!=""})`)); n != 2 {
		t.Errorf("expected series of 2 turnouts, found %d", n)
	}
	eventually(t, "a rule to be recorded", func() bool { return len(ask(t, prom, "query", "instance:throwline_open_alerts:sum")) > 0 })
	// Every metric that a rule or a dashboard asks of the program is there.
	rules, err := os.ReadFile("prometheus/rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range regexp.MustCompile(`\bthrowline_\w+`).FindAllString(string(rules), -1) {
		if name == "throwline_messages_total" { // there is no target
			continue
		}
		if !strings.Contains(string(rules), ":"+name+":") && len(ask(t, prom, "query", name)) == 0 {
			t.Errorf("expected %s, which the rules ask for, found none", name)
		}
	}
}

// lint holds names, units and help to Prometheus' own rules.
func lint(t *testing.T, r *prometheus.Registry) {
	t.Helper()
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	if len(families) < 40 {
		t.Errorf("expected all metrics, found %d", len(families))
	}
	problems, err := promlint.NewWithMetricFamilies(families).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func fluxDashboard(t *testing.T, c daemon.Config) {
	uid, list := dashboard(t, "throwline-influx.json")
	if uid != "throwline-influx" || len(list) < 15 {
		t.Errorf("found uid %q and %d queries", uid, len(list))
	}
	influxd := exporttest.Influxd(t)
	c.Export.Influx.URL, c.Export.Influx.Bucket = influxd.URL, "throwline/autogen"
	program(t, c, func(d *daemon.Daemon, _ *prometheus.Registry) {
		history(t, &c)
		before := d.Exports()[0].Written
		eventually(t, "the turnouts' points to be written", func() bool {
			rows, err := influxd.Flux(`from(bucket: "throwline/autogen") |> range(start: -1h) |> filter(fn: (r) => r._measurement == "throwline_turnout" and r._field == "open_alerts")`)
			return err == nil && len(rows) >= 2 && d.Exports()[0].Written >= before
		})
		for _, q := range list {
			text := filled(t, q, "${bucket}", "throwline/autogen", "${area:regex}", "(ORR)", "${turnout}", "ORR-W1", "v.timeRangeStart", "-30d", "v.timeRangeStop", "now()", "v.windowPeriod", "1h")
			rows, err := influxd.Flux(text)
			if err != nil || len(rows) == 0 {
				t.Errorf("%s: expected data, found %d rows, %v for\n%s", q.where, len(rows), err, text)
			}
		}
	})
}
