package torture

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/ingest/lineside"
	"throwline/ingest/mqtt/mosquittotest"
)

// inbox keeps what a webhook was sent, by key.
type inbox struct {
	mu  sync.Mutex
	got map[string]alerting.Message
}

func (b *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	var m alerting.Message
	if json.Unmarshal(body, &m) == nil {
		b.mu.Lock()
		b.got[m.Key] = m
		b.mu.Unlock()
	}
}

// said is what a process says; it may be read while the process runs.
type said struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (s *said) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.Write(b)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.buf.Bytes()
	return string(b[max(len(b)-20_000, 0):])
}

// bench is the program as a process, its broker, and what it is measured by.
type bench struct {
	t      *testing.T
	broker *mosquittotest.Server
	dir    string
	binary string
	conf   string
	page   string
	hook   string
	told   []string // targets that get everything

	patience time.Duration // with what never comes
	c        daemon.Config
	proc     *exec.Cmd
	begun    int // how often it was started
	out      said
	inbox    inbox
}

var (
	building sync.Once
	binary   string
)

// TestMain removes the program that the tests have built.
func TestMain(m *testing.M) {
	flag.Parse()
	_ = flag.Set("test.parallel", "4") // they wait more than they work
	code := m.Run()
	if binary != "" {
		_ = os.RemoveAll(filepath.Dir(binary))
	}
	os.Exit(code)
}

// benchWith sets everything up, and starts nothing but the broker. address is
// where the program finds the broker; "": where the test does. more stands in
// the configuration beside the rest; "": one target.
func benchWith(t *testing.T, address, more string) *bench {
	t.Helper()
	if testing.Short() {
		t.Skip("breaks the program on purpose, which takes a while")
	}
	building.Do(func() {
		dir, err := os.MkdirTemp("", "throwline-torture-")
		if err != nil {
			t.Fatal(err)
		}
		binary = filepath.Join(dir, "throwline")
		if out, err := exec.Command("go", "build", "-o", binary, "throwline/daemon/cmd/throwline").CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	})
	dir := t.TempDir()
	b := &bench{t: t, dir: dir, binary: binary, conf: filepath.Join(dir, "throwline.yaml"), told: []string{"office"}, patience: 3 * time.Minute}
	b.inbox.got = map[string]alerting.Message{}
	b.broker = mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 100")
	hook := httptest.NewServer(&b.inbox)
	t.Cleanup(hook.Close)
	b.hook = hook.URL
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.page = l.Addr().String()
	_ = l.Close()
	if address == "" {
		address = b.broker.URL()
	}
	b.write("secret", "sixteen bytes and more")
	if more == "" {
		more = "targets: {" + b.office() + "}"
	}
	b.configure(address, more)
	if b.c, err = daemon.LoadConfig(b.conf, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if b.proc != nil {
			_ = b.proc.Process.Kill()
			_ = b.proc.Wait()
		}
		if t.Failed() {
			t.Log(b.out.String())
		}
	})
	return b
}

func (b *bench) write(name, text string) {
	if err := os.WriteFile(filepath.Join(b.dir, name), []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// configure writes the configuration; the program takes it at its start or a reload.
func (b *bench) configure(address, more string) {
	b.write(filepath.Base(b.conf)+".new", fmt.Sprintf(`data_dir: %s
mqtt: {brokers: [%q]}
http: {listen: %q}
routes: [{name: all, targets: [%s]}]
log: {level: warn}
%s
`, filepath.Join(b.dir, "data"), address, b.page, strings.Join(b.told, ", "), more))
	if err := os.Rename(b.conf+".new", b.conf); err != nil { // it may be read at any time
		b.t.Fatal(err)
	}
}

// office is the one target that always answers.
func (b *bench) office() string {
	return fmt.Sprintf("office: {webhook: {url: %q, secret_file: %s}}", b.hook, filepath.Join(b.dir, "secret"))
}

func (b *bench) start() {
	b.t.Helper()
	b.proc = exec.Command(b.binary, "serve", "--config", b.conf)
	b.proc.Stdout, b.proc.Stderr = io.Discard, &b.out
	if err := b.proc.Start(); err != nil {
		b.proc = nil
		b.t.Fatal(err)
	}
	b.begun++
}

func (b *bench) signal(s syscall.Signal) {
	b.t.Helper()
	if err := b.proc.Process.Signal(s); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) end(how syscall.Signal) {
	b.t.Helper()
	b.signal(how)
	err := b.proc.Wait()
	code := b.proc.ProcessState.ExitCode()
	b.proc = nil
	switch {
	case how == syscall.SIGTERM && err != nil:
		b.t.Fatalf("a polite stop: %v\n%s", err, b.out.String())
	case how == syscall.SIGKILL && code != -1:
		b.t.Fatalf("it ended by itself, with %d, before it was killed\n%s", code, b.out.String())
	}
}

// await waits for a condition; the limit is for what never comes.
func (b *bench) await(what string, ok func() bool) {
	b.t.Helper()
	within := b.patience
	for end := time.Now().Add(within); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			b.t.Fatalf("expected %s within %s, found nothing of it\n%s", what, within, b.out.String())
		}
	}
}

func (b *bench) ready() bool { return b.get("/readyz") == nil }

func (b *bench) awaitReady() {
	b.t.Helper()
	b.await("a program that is ready", b.ready)
}

// get returns nil where a page answers well.
func (b *bench) get(path string) error {
	c := http.Client{Timeout: 5 * time.Second}
	res, err := c.Get("http://" + b.page + path)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", path, res.Status)
	}
	return nil
}

// cabinet starts one that keeps all until a receipt covers it.
func (b *bench) cabinet(name, address string) *lineside.Cabinet {
	b.t.Helper()
	c, err := lineside.Open(b.t.Context(), lineside.Options{
		Broker: address, Cabinet: name, SpoolDir: filepath.Join(b.t.TempDir(), "spool"), Encoding: lineside.CBOR, Resend: 500 * time.Millisecond, NoSync: true,
	})
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c
}

// settle waits until all that cabinets have sent is promised, and all that is
// to be sent has been.
func (b *bench) settle(cabinets ...*lineside.Cabinet) {
	b.t.Helper()
	b.awaitReady()
	flush, cancel := context.WithTimeout(b.t.Context(), 5*time.Minute)
	defer cancel()
	for _, c := range cabinets {
		if err := c.Flush(flush); err != nil { // every receipt has come: all is promised
			b.t.Fatalf("%v\n%s", err, b.out.String())
		}
		if err := c.Close(flush); err != nil {
			b.t.Error(err)
		}
	}
	b.emptied()
}
