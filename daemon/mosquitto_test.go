package daemon

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// mosquitto is a real broker of the test's own, on a free port.
type mosquitto struct {
	t    testing.TB
	port int
	dir  string
	cmd  *exec.Cmd
}

// startMosquitto skips the test where there is no Mosquitto, but for CI.
func startMosquitto(t testing.TB) *mosquitto {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, port: l.Addr().(*net.TCPAddr).Port, dir: t.TempDir()}
	l.Close()
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) url() string { return fmt.Sprintf("tcp://127.0.0.1:%d", m.port) }

func (m *mosquitto) start() {
	m.t.Helper()
	path := tool(m.t, "mosquitto")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000\n", m.port)
	if os.Getuid() == 0 {
		text += "user root\n"
	}
	conf := filepath.Join(m.dir, "mosquitto.conf")
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
	m.cmd = exec.Command(path, "-c", conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	for range 250 {
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", m.port)); err == nil {
			c.Close()
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	m.t.Fatal("mosquitto does not listen")
}

// kill ends the broker as a crash would: what it had in memory is gone.
func (m *mosquitto) kill() {
	if m.cmd != nil {
		_ = m.cmd.Process.Kill() // it may have ended by itself
		_ = m.cmd.Wait()
		m.cmd = nil
	}
}

// tool finds a program that the tests run for real.
func tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		path = filepath.Join("/usr/sbin", name)
		if _, err := os.Stat(path); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatalf("%s is not installed", name)
			}
			t.Skipf("%s is not installed", name)
		}
	}
	return path
}

// cabinet is a client that sends, and reads its receipts.
type cabinet struct {
	t testing.TB
	s *mqtt.Session
}

func newCabinet(t testing.TB, broker string) *cabinet {
	t.Helper()
	// A prefix of its own, so that it receives nothing.
	s, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{broker}, ClientID: "sender", Prefix: "elsewhere/v1"})
	if err != nil {
		t.Fatal(err)
	}
	c := &cabinet{t, s}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	c.await()
	return c
}

func (c *cabinet) await() {
	c.t.Helper()
	eventually(c.t, "the sender to connect", func() bool { return c.s.Status().Connected })
}

func (c *cabinet) publish(topic string, payload []byte) {
	c.t.Helper()
	ctx, cancel := context.WithTimeout(c.t.Context(), 10*time.Second)
	defer cancel()
	if err := c.s.Publish(ctx, topic, false, payload); err != nil {
		c.t.Fatal(err)
	}
}

func (c *cabinet) throw(name string, t *ingest.Throw) {
	c.t.Helper()
	c.publish("throwline/v1/"+name+"/throw/"+t.Turnout, wire.AppendThrow(nil, t))
}

// receipt reads the retained receipt of a cabinet.
func (m *mosquitto) receipt(name string) string {
	m.t.Helper()
	out, err := exec.Command(tool(m.t, "mosquitto_sub"), "-p", fmt.Sprint(m.port), "-h", "127.0.0.1", "-t", "throwline/v1/"+name+"/receipt", "-C", "1", "-W", "1").Output()
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(out))
}

func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("expected %s, found nothing of it in 20 s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// logged keeps what is logged, for reading at any time.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
