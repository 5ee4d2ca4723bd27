package mqtt

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// mosquitto is a real broker of the test's own.
type mosquitto struct {
	t    *testing.T
	dir  string
	port int
	more string
	cmd  *exec.Cmd
}

func startMosquitto(t *testing.T, more string) *mosquitto {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, dir: t.TempDir(), port: l.Addr().(*net.TCPAddr).Port, more: more}
	l.Close()
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) url() string { return fmt.Sprintf("tcp://127.0.0.1:%d", m.port) }

func (m *mosquitto) start() {
	m.t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		if path = "/usr/sbin/mosquitto"; os.Getenv("CI") == "" {
			if _, err := os.Stat(path); err != nil {
				m.t.Skip("mosquitto is not installed")
			}
		}
	}
	conf := filepath.Join(m.dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\npersistence true\npersistence_location %s/\nmax_queued_messages 0\nmax_inflight_messages 50\n%s\n", m.port, m.dir, m.more)
	if m.more == "" {
		text += "allow_anonymous true\n"
	}
	if os.Getuid() == 0 {
		text += "user root\n"
	}
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
	m.cmd = exec.Command(path, "-c", conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	for range 200 {
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", m.port)); err == nil {
			c.Close()
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	m.t.Fatal("mosquitto does not listen")
}

// kill ends the broker as a crash would.
func (m *mosquitto) kill() {
	if m.cmd != nil {
		m.cmd.Process.Kill()
		m.cmd.Wait()
		m.cmd = nil
	}
}

func open(t *testing.T, m *mosquitto, o Options) *Session {
	t.Helper()
	o.Brokers = []string{m.url()}
	if o.ClientID == "" {
		o.ClientID = "throwline-test"
	}
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close(context.Background()) })
	return s
}

func wait(t *testing.T, what string, f func() bool) {
	t.Helper()
	for range 1000 {
		if f() {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("waited in vain: %s", what)
}

func subscribed(s *Session) func() bool { return func() bool { return s.Status().Subscribed } }

func publisher(t *testing.T, m *mosquitto) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(m.url()).SetClientID("cab-1").SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond))
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("the publisher does not connect")
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

func send(t *testing.T, c paho.Client, topic, payload string) {
	t.Helper()
	if tok := c.Publish(topic, 1, false, payload); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("publish: %v", tok.Error())
	}
}

func next(t *testing.T, s *Session) *Message {
	t.Helper()
	select {
	case m := <-s.Messages():
		return m
	case <-time.After(10 * time.Second):
		t.Fatal("no message came")
	}
	return nil
}

// What is not acknowledged comes again, also to the next process; what is, does not.
func TestRedelivery(t *testing.T) {
	m := startMosquitto(t, "")
	s := open(t, m, Options{})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	for i := range 3 {
		send(t, c, "throwline/v1/cab-1/throw/W1", fmt.Sprint(i))
	}
	for i := range 3 {
		got := next(t, s)
		if got.Kind != Throw || got.Cabinet != "cab-1" || got.Turnout != "W1" || string(got.Payload) != fmt.Sprint(i) {
			t.Errorf("found %+v", got)
		}
		if i == 1 {
			got.Ack()
			got.Ack()
		}
	}
	s.Close(t.Context())
	send(t, c, "throwline/v1/cab-1/state", "while away")
	s = open(t, m, Options{})
	for _, want := range []string{"0", "2", "while away"} {
		got := next(t, s)
		if string(got.Payload) != want {
			t.Errorf("expected %q, found %q", want, got.Payload)
		}
		got.Ack()
	}
}

// After the broker died and forgot the session the subscription stands again,
// and an acknowledgement of before does no harm.
func TestBrokerDies(t *testing.T) {
	m := startMosquitto(t, "")
	s := open(t, m, Options{})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	send(t, c, "throwline/v1/cab-1/throw/W1", "before")
	old := next(t, s)
	m.kill()
	wait(t, "connection lost", func() bool { return !s.Status().Connected })
	if s.Status().LastError == "" {
		t.Error("no error is told")
	}
	os.Remove(filepath.Join(m.dir, "mosquitto.db"))
	m.start()
	wait(t, "subscribed again", subscribed(s))
	old.Ack()
	wait(t, "publisher", c.IsConnectionOpen)
	send(t, c, "throwline/v1/cab-1/throw/W1", "after")
	for { // "before" may come again
		got := next(t, s)
		got.Ack()
		if string(got.Payload) == "after" {
			break
		}
	}
	if s.Status().Reconnects == 0 {
		t.Error("no reconnect is counted")
	}
	if err := s.Publish(t.Context(), ReceiptTopic("throwline/v1", "cab-1"), true, []byte("{}")); err != nil {
		t.Error(err)
	}
}

// The broker holds back what is beyond its window until something is acknowledged.
func TestInFlightIsBounded(t *testing.T) {
	m := startMosquitto(t, "")
	s := open(t, m, Options{})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	for i := range 80 {
		send(t, c, "throwline/v1/cab-1/throw/W1", fmt.Sprint(i))
	}
	time.Sleep(300 * time.Millisecond)
	if n := len(s.Messages()); n != 50 {
		t.Errorf("expected 50 in flight, found %d", n)
	}
	for i := range 80 {
		got := next(t, s)
		if string(got.Payload) != fmt.Sprint(i) {
			t.Fatalf("expected %d, found %s", i, got.Payload)
		}
		got.Ack()
	}
}

// A broker that refuses the session is told, not waited for in silence.
func TestUnauthorised(t *testing.T) {
	m := startMosquitto(t, "allow_anonymous false")
	s := open(t, m, Options{})
	wait(t, "refusal", func() bool { return strings.Contains(strings.ToLower(s.Status().LastError), "not author") })
	if st := s.Status(); st.Subscribed || st.Connected {
		t.Errorf("found %+v", st)
	}
}

func TestOpenRefuses(t *testing.T) {
	for _, o := range []Options{{}, {ClientID: "x"}, {ClientID: "x", Brokers: []string{"localhost"}}, {ClientID: "x", Brokers: []string{"http://localhost:1"}}} {
		if _, err := Open(t.Context(), o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	// An unreachable broker is no error, and closing does not hang.
	s, err := Open(t.Context(), Options{ClientID: "x", Brokers: []string{"tcp://127.0.0.1:1"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestParseTopic(t *testing.T) {
	for _, c := range []struct {
		topic, cabinet, turnout string
		kind                    Kind
	}{
		{"throwline/v1/cab-1/throw/W.1_a", "cab-1", "W.1_a", Throw},
		{"throwline/v1/cab-1/state", "cab-1", "", State},
		{"throwline/v1/cab-1/conditions", "cab-1", "", Conditions},
		{"throwline/v1/cab 1/throw/W1", "", "", Unknown},
		{"throwline/v1/cab-1/throw/", "", "", Unknown},
		{"throwline/v1/cab-1/throw/a/b", "", "", Unknown},
		{"throwline/v1/cab-1/receipt", "", "", Unknown},
		{"other/cab-1/state", "", "", Unknown},
		{"", "", "", Unknown},
	} {
		kind, cabinet, turnout, ok := ParseTopic("throwline/v1", c.topic)
		if kind != c.kind || cabinet != c.cabinet || turnout != c.turnout || ok != (kind != Unknown) {
			t.Errorf("%q: found %v %q %q %v", c.topic, kind, cabinet, turnout, ok)
		}
	}
}
