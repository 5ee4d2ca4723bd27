package mqtt

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"throwline/ingest/mqtt/mosquittotest"
)

// TestMain checks for goroutines that outlive the tests. The library may take
// some seconds to notice that a connection is gone.
func TestMain(m *testing.M) {
	code := m.Run()
	var err error
	for range 10 {
		if err = goleak.Find(); err == nil {
			break
		}
		time.Sleep(time.Second)
	}
	if err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

func startMosquitto(t *testing.T, more string) *mosquittotest.Server {
	t.Helper()
	if more == "" {
		more = "allow_anonymous true"
	}
	return mosquittotest.Start(t, "max_queued_messages 0\nmax_inflight_messages 50\n"+more)
}

func open(t *testing.T, m *mosquittotest.Server, o Options) *Session {
	t.Helper()
	o.Brokers = []string{m.URL()}
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

func publisher(t *testing.T, m *mosquittotest.Server) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(m.URL()).SetClientID("cab-1").SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond))
	if tok := c.Connect(); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatal("the publisher does not connect")
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return c
}

func send(t *testing.T, c paho.Client, topic, payload string) {
	t.Helper()
	if tok := c.Publish(topic, 1, false, payload); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatalf("publish: %v", tok.Error())
	}
}

func next(t *testing.T, s *Session) *Message {
	t.Helper()
	select {
	case m := <-s.Messages():
		return m
	case <-time.After(60 * time.Second):
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
	m.Kill()
	wait(t, "connection lost", func() bool { return !s.Status().Connected })
	if s.Status().LastError == "" {
		t.Error("no error is told")
	}
	os.Remove(filepath.Join(m.Dir, "mosquitto.db"))
	m.Begin()
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
