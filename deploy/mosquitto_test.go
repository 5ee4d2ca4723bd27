// Package deploy_test holds what is deployed against the real programs.
package deploy_test

import (
	"encoding/binary"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
)

// deployed starts Mosquitto with the configuration as it is deployed, but for
// its port and its folder.
func deployed(t *testing.T) *mosquittotest.Server {
	t.Helper()
	conf, err := os.ReadFile("mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	return mosquittotest.StartWith(t, func(port int, dir string) string {
		text := string(conf)
		for old, changed := range map[string]string{
			"\nlistener 1883 127.0.0.1\n":                  fmt.Sprintf("\nlistener %d 127.0.0.1\n", port),
			"\npersistence_location /var/lib/mosquitto/\n": fmt.Sprintf("\npersistence_location %s/\n", dir),
		} {
			if strings.Count(text, old) != 1 {
				t.Fatalf("expected %q once in mosquitto.conf", strings.TrimSpace(old))
			}
			text = strings.Replace(text, old, changed, 1)
		}
		return text
	})
}

func openSession(t *testing.T, b *mosquittotest.Server) *mqtt.Session {
	t.Helper()
	s, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{b.URL()}, ClientID: "throwline"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(t.Context()) })
	for range 500 {
		if s.Status().Subscribed {
			return s
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("not subscribed: %+v", s.Status())
	return nil
}

// publish sends the numbers from first on, each in a payload of 4 KB.
func publish(t *testing.T, b *mosquittotest.Server, first, n int) {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID("cabinet").SetAutoReconnect(false))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("connect: %v", tok.Error())
	}
	defer c.Disconnect(250)
	var tokens []paho.Token
	for i := first; i < first+n; i++ {
		payload := make([]byte, 4096)
		binary.LittleEndian.PutUint64(payload, uint64(i))
		tokens = append(tokens, c.Publish(fmt.Sprintf("throwline/v1/CAB-1/throw/W%d", i%50), 1, false, payload))
	}
	for i, tok := range tokens {
		if !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
			t.Fatalf("message %d was not acknowledged: %v", first+i, tok.Error())
		}
	}
}

func collect(t *testing.T, s *mqtt.Session, n int) {
	t.Helper()
	for i := range n {
		select {
		case m := <-s.Messages():
			if got := binary.LittleEndian.Uint64(m.Payload); got != uint64(i) || len(m.Payload) != 4096 {
				t.Fatalf("expected message %d, found %d of %d bytes", i, got, len(m.Payload))
			}
			m.Ack()
		case <-time.After(20 * time.Second):
			t.Fatalf("only %d of %d messages came: %+v", i, n, s.Status())
		}
	}
}

// The default of 1000 queued messages loses the fifth thousand; this does not,
// nor does a clean restart in the middle.
func TestMosquittoKeepsWhatWaits(t *testing.T) {
	b := deployed(t)
	s := openSession(t, b)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	publish(t, b, 0, 3000)
	b.Stop()
	b.Begin()
	publish(t, b, 3000, 2000)
	b.Stop()
	b.Begin()
	s = openSession(t, b)
	collect(t, s, 5000)
	select {
	case m := <-s.Messages():
		t.Errorf("one more came: %s", m.Topic)
	case <-time.After(200 * time.Millisecond):
	}
	if out := b.Output(); strings.Contains(out, "Error") || strings.Contains(out, "nknown configuration") || strings.Contains(out, "deprecated") {
		t.Errorf("mosquitto says:\n%s", out)
	}
}

// The window of the deployed broker fits the session's.
func TestMosquittoWindow(t *testing.T) {
	b := deployed(t)
	s := openSession(t, b)
	publish(t, b, 0, 1500)
	time.Sleep(500 * time.Millisecond)
	if n := len(s.Messages()); n != 1000 || n > mqtt.DefaultInFlight {
		t.Errorf("expected 1000 messages on their way, found %d", n)
	}
	collect(t, s, 1500)
}

// The largest payload that is allowed comes through whole.
func TestMosquittoLargePayload(t *testing.T) {
	b := deployed(t)
	s := openSession(t, b)
	c := paho.NewClient(paho.NewClientOptions().AddBroker(b.URL()).SetClientID("cabinet"))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("connect: %v", tok.Error())
	}
	defer c.Disconnect(250)
	if tok := c.Publish("throwline/v1/CAB-1/throw/W1", 1, false, make([]byte, 16<<20)); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatalf("publish: %v", tok.Error())
	}
	select {
	case m := <-s.Messages():
		if len(m.Payload) != 16<<20 {
			t.Errorf("%d bytes came", len(m.Payload))
		}
		m.Ack()
	case <-time.After(20 * time.Second):
		t.Fatal("it did not come")
	}
}
