// Package exporttest runs the time-series stores of this machine for a test:
// real ones of the test's own, on loopback and in folders of the test's.
package exporttest

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	influx "github.com/influxdata/influxdb-client-go/v2"
)

// Server is a program that answers HTTP. It ends with its test.
type Server struct {
	URL string
	Dir string // its files

	t     testing.TB
	path  string
	ready string // the path that answers 2xx once it is up
	args  []string
	env   []string
	cmd   *exec.Cmd
	out   *output
}

type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

// Client keeps no connections: a test checks that nothing goes on after it.
var Client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 30 * time.Second}

// find returns where a program is. One that is not installed skips the test,
// or fails it if the environment has CI set.
func find(t testing.TB, names ...string) string {
	t.Helper()
	for _, n := range names {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is not installed; deploy/deps.sh installs it", names[0])
	}
	t.Skipf("%s is not installed; deploy/deps.sh installs it", names[0])
	return ""
}

func port(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// VictoriaMetrics starts one that keeps what is old and drops what is written
// twice. More flags may be given.
func VictoriaMetrics(t testing.TB, flags ...string) *Server {
	t.Helper()
	s := &Server{t: t, path: find(t, "victoria-metrics"), ready: "/health", Dir: t.TempDir()}
	address := port(t)
	s.URL = "http://" + address
	s.args = append([]string{
		"-httpListenAddr=" + address, "-storageDataPath=" + s.Dir, "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s",
		"-search.disableCache", "-memory.allowedBytes=200MB",
	}, flags...)
	s.Begin()
	return s
}

// Influxd starts an InfluxDB 1.8 with Flux and the database throwline; more of
// its settings may be given as NAME=value.
func Influxd(t testing.TB, env ...string) *Server {
	t.Helper()
	cache, _ := os.UserCacheDir() // deps.sh puts it there
	s := &Server{t: t, path: find(t, filepath.Join(cache, "throwline-tests", "influxd"), "influxd"), ready: "/ping", Dir: t.TempDir()}
	address := port(t)
	s.URL = "http://" + address
	s.args = []string{"run"}
	s.env = append([]string{
		"HOME=" + s.Dir, "INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_HTTP_BIND_ADDRESS=" + address, "INFLUXDB_BIND_ADDRESS=" + port(t), "INFLUXDB_HTTP_FLUX_ENABLED=true",
		"INFLUXDB_META_DIR=" + filepath.Join(s.Dir, "meta"), "INFLUXDB_DATA_DIR=" + filepath.Join(s.Dir, "data"), "INFLUXDB_DATA_WAL_DIR=" + filepath.Join(s.Dir, "wal"),
		"INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_HTTP_LOG_ENABLED=false",
	}, env...)
	s.Begin()
	s.Post("/query?q=CREATE+DATABASE+throwline", "")
	return s
}

// Prometheus starts one with a configuration.
func Prometheus(t testing.TB, config string) *Server {
	t.Helper()
	s := &Server{t: t, path: find(t, "prometheus"), ready: "/-/ready", Dir: t.TempDir()}
	address := port(t)
	s.URL = "http://" + address
	file := filepath.Join(s.Dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	s.args = []string{"--config.file=" + file, "--storage.tsdb.path=" + filepath.Join(s.Dir, "data"), "--web.listen-address=" + address}
	s.Begin()
	return s
}

// Promtool runs promtool in a folder and returns what it said.
func Promtool(t testing.TB, dir string, args ...string) (string, error) {
	t.Helper()
	cmd := exec.Command(find(t, "promtool"), args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// Begin starts the server, or starts it again; Set changes its settings before.
func (s *Server) Begin() {
	s.t.Helper()
	s.out = &output{}
	s.cmd = exec.Command(s.path, s.args...)
	s.cmd.Env = append(os.Environ(), s.env...)
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.out
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	cmd := s.cmd
	s.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed is an error too, and so is ended already
	})
	for range 1500 {
		if r, err := Client.Get(s.URL + s.ready); err == nil {
			_ = r.Body.Close()
			if r.StatusCode/100 == 2 {
				return
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	s.t.Fatalf("%s does not answer at %s: %s", s.path, s.URL, s.out.b.String())
}

// Kill ends the server as a power cut does.
func (s *Server) Kill() {
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
}

// Set changes a setting for the next Begin.
func (s *Server) Set(env string) { s.env = append(s.env, env) }

// Get returns what the server answers, which must be 2xx.
func (s *Server) Get(path string) []byte {
	s.t.Helper()
	b, err := s.get(path)
	if err != nil {
		s.t.Fatal(err)
	}
	return b
}

func (s *Server) get(path string) ([]byte, error) {
	r, err := Client.Get(s.URL + path)
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err == nil && r.StatusCode/100 != 2 {
		err = fmt.Errorf("%s: %s: %s", path, r.Status, b)
	}
	return b, err
}

// Post sends a body and returns the answer, which must be 2xx.
func (s *Server) Post(path, body string) []byte {
	s.t.Helper()
	r, err := Client.Post(s.URL+path, "text/plain; charset=utf-8", strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode/100 != 2 {
		s.t.Fatalf("%s: %s %v: %s", path, r.Status, err, b)
	}
	return b
}

// Flux runs a query and returns the values of its records.
func (s *Server) Flux(query string) ([]map[string]any, error) {
	c := influx.NewClientWithOptions(s.URL, "", influx.DefaultOptions().SetHTTPClient(Client))
	defer c.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	rows, err := c.QueryAPI("").Query(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []map[string]any
	for rows.Next() {
		out = append(out, rows.Record().Values())
	}
	return out, rows.Err()
}
