package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/alerting/screen"
	"throwline/daemon"
	"throwline/ingest/mqtt/mosquittotest"
)

// said keeps what a command prints, for reading while it runs.
type said struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// throwline runs a command line to its end.
func throwline(t *testing.T, in string, args ...string) (code int, out, err string) {
	t.Helper()
	var o, e said
	code = run(t.Context(), args, terminal{strings.NewReader(in), &o, &e, func(string) (string, bool) { return "", false }})
	return code, o.String(), e.String()
}

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	p := filepath.Join(dir, name)
	if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestExitCodes(t *testing.T) {
	dir := t.TempDir()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	five := write(t, dir, "five.yaml", "data_dir: ''\nmqtt: {brokers: [], port: 1}\nlog: {level: loud}\nretention: {traces: long}\n")
	busy := write(t, dir, "busy.yaml", fmt.Sprintf("data_dir: %s\nhttp: {listen: '%s'}\n", filepath.Join(dir, "data"), taken.Addr()))
	file := write(t, dir, "file", "x")
	blocked := write(t, dir, "blocked.yaml", "data_dir: "+filepath.Join(file, "data")+"\nhttp: {listen: '127.0.0.1:0'}\n")
	empty := write(t, dir, "empty.ndjson", "")
	for _, c := range []struct {
		args []string
		code int
		out  string // a part of standard output
		err  string // a part of standard error
	}{
		{[]string{}, 0, "demo", ""},
		{[]string{"--help"}, 0, "never says that a turnout is safe", ""},
		{[]string{"--version"}, 0, "throwline dev (go1.", ""},
		{[]string{"version"}, 0, "throwline dev (go1.", ""},
		{[]string{"version", "x"}, 2, "", "unknown command"},
		{[]string{"sreve"}, 2, "", `unknown command "sreve"`},
		{[]string{"--fast"}, 2, "", "unknown flag: --fast"},
		{[]string{"serve"}, 2, "", `required flag(s) "config" not set`},
		{[]string{"serve", "--conf", "x"}, 2, "", "unknown flag: --conf"},
		{[]string{"serve", "--config", five, "more"}, 2, "", "unknown command"},
		{[]string{"serve", "--config", filepath.Join(dir, "nowhere.yaml")}, 78, "", "nowhere.yaml: expected a file that can be read"},
		{[]string{"serve", "--config", five}, 78, "", five + ": line 1: data_dir: expected a value, found nothing\n" +
			five + ": line 2: mqtt.port: expected one of brokers, client_id, prefix, username, password_file, tls, in_flight, mapped, sparkplug, found an unknown key\n" +
			five + ": line 2: mqtt.brokers: expected at least 1 in the list, found 0\n" +
			five + ": line 3: log.level: expected one of debug, info, warn, error, found \"loud\"\n" +
			five + ": line 4: retention.traces: expected a time with units, like 90d or 1h30m, found \"long\"\n"},
		{[]string{"serve", "--config", busy}, 1, "", "throwline: listen for browsers (http.listen): listen tcp " + taken.Addr().String() + ": bind: address already in use"},
		{[]string{"serve", "--config", blocked}, 1, "", "throwline: data folder (data_dir): mkdir " + file + ": not a directory"},
		{[]string{"replay"}, 2, "", "requires at least 1 arg"},
		{[]string{"replay", "--workers", "-1", empty}, 2, "", "--workers: expected at least 0, found -1"},
		{[]string{"replay", "--workers", "x", empty}, 2, "", `invalid argument "x" for "--workers"`},
		{[]string{"replay", empty}, 0, "0 throws of 0 turnouts", ""},
		{[]string{"replay", "--json", empty}, 0, "", ""},
		{[]string{"replay", filepath.Join(dir, "nowhere")}, 1, "", "throwline: recording: open " + filepath.Join(dir, "nowhere") + ": no such file"},
		{[]string{"replay", "--config", five, empty}, 78, "", "five.yaml: line 1"},
		{[]string{"demo", "more"}, 2, "", "unknown command"},
		{[]string{"demo", "--turnouts", "0"}, 2, "", "--turnouts: expected 1 to 10000, found 0"},
		{[]string{"demo", "--days", "5"}, 2, "", "--days: expected together with --record, found alone"},
		{[]string{"demo", "--speed", "0"}, 2, "", "--speed: expected a number above 0, at most 10, found 0"},
		{[]string{"demo", "--record", filepath.Join(file, "x")}, 1, "", "throwline: recording: open "},
		{[]string{"demo", "--listen", taken.Addr().String()}, 1, "", "address already in use"},
	} {
		code, out, err := throwline(t, "", c.args...)
		if code != c.code || !strings.Contains(out, c.out) || !strings.Contains(err, c.err) || (c.code == 0) != (err == "") {
			t.Errorf("throwline %s: expected %d with %q and %q, found %d with\n%s\n%s", strings.Join(c.args, " "), c.code, c.out, c.err, code, out, err)
		}
	}
}

// A recording of the invented yard, made and replayed: the same bytes at every
// run, from a file or from standard input, packed or not.
func TestRecordAndReplay(t *testing.T) {
	dir := t.TempDir()
	plain, packed := filepath.Join(dir, "yard.ndjson"), filepath.Join(dir, "yard.ndjson.zst")
	for _, name := range []string{plain, packed} {
		if code, out, err := throwline(t, "", "demo", "--record", name, "--days", "12", "--turnouts", "4", "--seed", "3"); code != 0 || !strings.Contains(out, "4 turnouts, 12 days, seed 3") {
			t.Fatalf("expected a recording, found %d, %s, %s", code, out, err)
		}
	}
	a, err1 := os.ReadFile(plain + ".truth")
	b, err2 := os.ReadFile(packed + ".truth")
	if err := errors.Join(err1, err2); err != nil || !bytes.Equal(a, b) || len(a) == 0 {
		t.Errorf("expected the same truth for the same seed, found %d and %d bytes, %v", len(a), len(b), err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.part-*")); left != nil {
		t.Errorf("expected nothing else beside them, found %v", left)
	}
	code, want, errs := throwline(t, "", "replay", "--json", plain)
	if code != 0 || errs != "" {
		t.Fatalf("expected a replay, found %d, %s", code, errs)
	}
	for line := range strings.Lines(want) {
		var e struct {
			Event string
			At    time.Time
			Alert struct{ ID, Turnout, Condition string }
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil || e.Event == "" || e.At.IsZero() || e.Alert.ID == "" || e.Alert.Turnout == "" || e.Alert.Condition == "" {
			t.Errorf("expected an event of the contract, found %s, %v", line, err)
		}
	}
	data, err := os.ReadFile(plain)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		in   string
		args []string
	}{
		{"", []string{"replay", "--json", packed}},
		{string(data), []string{"replay", "--json", "-"}},
		{"", []string{"replay", "--json", "--workers", "1", plain}},
		{"", []string{"replay", "--json", "--workers", "4", plain}},
	} {
		if code, got, errs := throwline(t, c.in, c.args...); code != 0 || got != want {
			t.Errorf("%v: expected the same again, found %d, %d bytes, %s", c.args, code, len(got), errs)
		}
	}
	// A broken line is told with its place, and reading goes on.
	at := bytes.IndexByte(data, '\n') + 1
	broken := write(t, dir, "broken.ndjson", string(data[:at])+"{\"at\":\n"+string(data[at:]))
	code, got, errs := throwline(t, "", "replay", "--json", broken)
	if code != 0 || got != want || !strings.Contains(errs, broken+":2: ") || !strings.Contains(errs, "1 of ") {
		t.Errorf("expected line 2 told and the rest the same, found %d, %s", code, errs)
	}
	code, out, _ := throwline(t, "", "replay", plain)
	if code != 0 || !regexp.MustCompile(`(?m)^\d+ throws of 4 turnouts, 2026-`).MatchString(out) {
		t.Errorf("expected a summary, found %d, %s", code, out)
	}
}

func TestReplayInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	defer w.Close()
	var o, e said
	ended := make(chan int)
	go func() { ended <- run(ctx, []string{"replay", "-"}, terminal{r, &o, &e, nil}) }()
	if _, err := io.WriteString(w, "{}\n"); err != nil {
		t.Fatal(err)
	}
	cancel()
	w.Close() // a reader of a terminal ends with its process
	if code := <-ended; code != exitFailed || !strings.Contains(e.String(), "stopped after") {
		t.Errorf("expected it stopped, found %d, %s", code, e.String())
	}
}

// started runs a command in the background; the returned function asks it to
// end, and fails the test where it does not end well.
func started(t *testing.T, args ...string) (out *said, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var o, e said
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, args, terminal{strings.NewReader(""), &o, &e, func(string) (string, bool) { return "", false }})
	}()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			select {
			case code := <-ended:
				if code != 0 {
					t.Errorf("expected exit code 0, found %d, %s", code, e.String())
				}
			case <-time.After(60 * time.Second):
				t.Error("expected it to end within a minute")
			}
		})
	}
	t.Cleanup(stop)
	return &o, stop
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(30 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("expected %s, found nothing of it in 30 s", what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// pageIn waits for the page's address in what a command prints.
func pageIn(t *testing.T, out *said) (page string) {
	t.Helper()
	eventually(t, "the page's address", func() bool {
		m := regexp.MustCompile(`http://\S+/`).FindString(out.String())
		page = strings.TrimSuffix(m, "/")
		return m != ""
	})
	return page
}

func get(t *testing.T, address string) string {
	t.Helper()
	req, err := http.NewRequest("GET", address, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Close = true
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// recommended returns our configuration for Mosquitto, but for where it listens
// and keeps things.
func recommended(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../../deploy/mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	return regexp.MustCompile(`(?m)^(listener|persistence|persistence_location) .*$`).ReplaceAllString(string(b), "")
}

// The line that serve prints works when it is pasted into a shell, at the
// broker that we recommend.
func TestTheLineToPaste(t *testing.T) {
	if _, err := exec.LookPath("mosquitto_pub"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("mosquitto_pub is not installed")
		}
		t.Skip("mosquitto_pub is not installed")
	}
	broker, dir := mosquittotest.Start(t, recommended(t)), t.TempDir()
	yaml := write(t, dir, "throwline.yaml", fmt.Sprintf("data_dir: %s\nhttp: {listen: '127.0.0.1:0'}\nmqtt: {brokers: ['%s']}\n", filepath.Join(dir, "data"), broker.URL()))
	out, stop := started(t, "serve", "--config", yaml)
	page := pageIn(t, out)
	eventually(t, "readiness", func() bool { return strings.HasPrefix(get(t, page+"/readyz"), "ready") })
	_, line, ok := strings.Cut(out.String(), "Try it:  ")
	line, _, _ = strings.Cut(line, "\n")
	if !ok || !strings.Contains(out.String(), "never says that a turnout is safe") {
		t.Fatalf("expected the line and the advisory, found %s", out.String())
	}
	sh := exec.Command("sh", "-c", line)
	if msg, err := sh.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v, %s", line, err, msg)
	}
	eventually(t, "the throw on the screen", func() bool { return strings.Contains(get(t, page+"/api/v1/turnouts"), `"TRY-1"`) })
	throws := get(t, page+"/api/v1/turnouts/TRY-1/throws")
	if !strings.Contains(throws, `"duration"`) || !strings.Contains(get(t, page+"/api/v1/quarantine"), `"items":[]`) {
		t.Errorf("expected it taken and measured, found %s", throws)
	}
	stop()
}

func TestTryLineWithSecrets(t *testing.T) {
	m := daemon.DefaultConfig().MQTT
	m.Brokers, m.Username, m.Password = []string{"mqtts://broker.example:8883"}, "the yard's", "sesame"
	m.TLS.CAFile = "/etc/a file.pem"
	line := tryLine(&m)
	for _, want := range []string{"-h broker.example -p 8883", "--cafile '/etc/a file.pem'", `-u 'the yard'\''s' -P PASSWORD`} {
		if !strings.Contains(line, want) {
			t.Errorf("expected %s in it, found %s", want, line)
		}
	}
	if strings.Contains(line, "sesame") {
		t.Error("expected no secret in it")
	}
}

// The demo shows its yard within seconds, and leaves nothing behind.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	out, stop := started(t, "demo", "--listen", "127.0.0.1:0")
	page := pageIn(t, out)
	if !strings.Contains(out.String(), "never says that a turnout is safe") || screen.Built() == strings.Contains(out.String(), "make pages") {
		t.Errorf("expected the advisory, and how to build the pages where they are not, found %s", out.String())
	}
	var status struct {
		Demo, Ready bool
		Turnouts    int
		LastThrowAt time.Time `json:"last_throw_at"`
	}
	eventually(t, "ten turnouts or more that throw", func() bool {
		if err := json.Unmarshal([]byte(get(t, page+"/api/v1/status")), &status); err != nil {
			t.Fatal(err)
		}
		return status.Demo && status.Ready && status.Turnouts >= 10
	})
	first := status.LastThrowAt
	eventually(t, "more throws", func() bool {
		if err := json.Unmarshal([]byte(get(t, page+"/api/v1/status")), &status); err != nil {
			t.Fatal(err)
		}
		return status.LastThrowAt.After(first)
	})
	stop()
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("expected nothing left behind, found %v, %v", left, err)
	}
}
