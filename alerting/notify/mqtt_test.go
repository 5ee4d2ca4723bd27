package notify

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
)

// session is the program's own session: it must fit as it is.
var _ Publisher = (*mqtt.Session)(nil)

func TestMQTTReal(t *testing.T) {
	passwords := filepath.Join(t.TempDir(), "passwords")
	if err := os.WriteFile(passwords, []byte("notify:right\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	mosquittotest.HashPasswords(t, passwords)
	s := mosquittotest.Start(t, "allow_anonymous false\npassword_file "+passwords)
	got := make(chan *mqtt.Message, 8)
	l, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: s.URL(), ClientID: "reader", Username: "notify", Password: "right", Forget: true, Receive: func(_ *mqtt.Link, m *mqtt.Message) {
		got <- m
		m.Ack()
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := l.Subscribe(t.Context(), "throwline/v1/#"); err != nil {
		t.Fatal(err)
	}
	c := &MQTT{Broker: s.URL(), Username: "notify", Password: "right", Timeout: 30 * time.Second}
	target, err := New("topic", &Config{MQTT: c}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // a repeat is told by its key
		if err := target.Send(t.Context(), stiff(), nil); err != nil {
			t.Fatal(err)
		}
		select {
		case m := <-got:
			var d struct{ Key, Subject string }
			if err := json.Unmarshal(m.Payload, &d); err != nil || m.Topic != "throwline/v1/alerts/Northyard/W12" || d.Key != "k4711/desk" || d.Subject == "" {
				t.Errorf("found %s: %s, %v", m.Topic, m.Payload, err)
			}
		case <-time.After(60 * time.Second):
			t.Fatal("expected the message, found nothing of it in 10 s")
		}
	}
	wrong := *c
	wrong.Password = "wrong"
	target, err = New("topic", &Config{MQTT: &wrong}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent || strings.Contains(f.Error(), "wrong") {
		t.Errorf("found %v", f)
	}
	s.Kill()
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent || !strings.Contains(f.Error(), "refused") {
		t.Errorf("found %v", f)
	}
}

// A broker that takes the connection and says nothing holds nobody up.
func TestMQTTHangs(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for name, greeting := range map[string]string{"nothing": "", "a welcome and then nothing": "\x20\x02\x00\x00"} {
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			_, _ = c.Write([]byte(greeting))
			b := make([]byte, 1<<16)
			for {
				if _, err := c.Read(b); err != nil {
					return
				}
			}
		}()
		target, err := New("topic", &Config{MQTT: &MQTT{Broker: "tcp://" + l.Addr().String(), Timeout: 300 * time.Millisecond}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent || !errors.Is(f, context.DeadlineExceeded) {
			t.Errorf("%s: found %v", name, f)
		}
	}
}

func TestTopics(t *testing.T) {
	for _, c := range []struct{ template, area, turnout, want string }{
		{DefaultTopic, "Northyard", "W12", "throwline/v1/alerts/Northyard/W12"},
		{DefaultTopic, "", "W12", "throwline/v1/alerts/-/W12"},
		{DefaultTopic, "throw", "W12", "throwline/v1/alerts/throw_/W12"},
		{DefaultTopic, "a/+/#", "W 1é", "throwline/v1/alerts/a____/W_1_"},
		{"x/{turnout}", "", "state", "x/state_"},
		{"x/{turnout}", "", "{area}", "x/_area_"},
		{"x/{priority}/{condition}/{line}", "", "W", "x/high/stiffening/L1"},
	} {
		m := stiff()
		m.Place.Area, m.Alert.Turnout = c.area, c.turnout
		if got := topicOf(c.template, &m); got != c.want {
			t.Errorf("%s: expected %s, found %s", c.template, c.want, got)
		}
	}
}

// A target without a broker publishes by the program's session.
func TestMQTTBySession(t *testing.T) {
	s := mosquittotest.Start(t, "")
	session, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{s.URL()}, ClientID: "throwline", Prefix: "throwline/v1"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = session.Close(context.Background()) }()
	for range 500 {
		if session.Status().Connected {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	target, err := New("topic", &Config{MQTT: &MQTT{}}, Options{Publisher: session})
	if err != nil {
		t.Fatal(err)
	}
	m := stiff()
	m.Place.Area = "throw" // must not come back as a cabinet's throw
	if err := target.Send(t.Context(), m, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := New("topic", &Config{MQTT: &MQTT{}}, Options{}); err == nil {
		t.Error("expected a target without broker and session to be refused")
	}
}
