package daemon

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
	"throwline/ingest/wire"
)

// mosquitto is a real broker of the test's own.
type mosquitto struct {
	*mosquittotest.Server
	t testing.TB
}

func startMosquitto(t testing.TB) *mosquitto {
	t.Helper()
	return &mosquitto{mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000"), t}
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
	ctx, cancel := context.WithTimeout(c.t.Context(), 60*time.Second)
	defer cancel()
	if err := c.s.Publish(ctx, topic, false, payload); err != nil {
		c.t.Fatal(err)
	}
}

func (c *cabinet) throw(name string, t *ingest.Throw) {
	c.t.Helper()
	c.publish("throwline/v1/"+name+"/throw/"+t.Turnout, wire.AppendThrow(nil, t))
}

// receipt reads the retained receipt of a cabinet, "" where there is none.
func (m *mosquitto) receipt(name string) string {
	m.t.Helper()
	path, err := exec.LookPath("mosquitto_sub")
	if err != nil {
		if os.Getenv("CI") != "" {
			m.t.Fatal("mosquitto_sub is not installed")
		}
		m.t.Skip("mosquitto_sub is not installed")
	}
	out, err := exec.Command(path, "-L", "mqtt"+strings.TrimPrefix(m.URL(), "tcp")+"/throwline/v1/"+name+"/receipt", "-C", "1", "-W", "1").Output()
	if err != nil {
		return "" // nothing within a second
	}
	return strings.TrimSpace(string(out))
}

func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("expected %s, found nothing of it in a minute", what)
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
