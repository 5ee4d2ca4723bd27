package broker

import (
	"context"
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

func client(t *testing.T, b *Broker, id string, got chan paho.Message) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(b.Addr()).SetClientID(id).SetCleanSession(false).SetAutoAckDisabled(true).SetAutoReconnect(false)
	if got != nil {
		o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { got <- m })
	}
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("%s does not connect: %v", id, tok.Error())
	}
	return c
}

// What an absent subscriber missed, and what it had not acknowledged, comes
// after the broker was stopped and started again.
func TestKeepsOverRestart(t *testing.T) {
	o := Options{Dir: t.TempDir(), Listen: "127.0.0.1:0"}
	b, err := Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan paho.Message, 100)
	sub := client(t, b, "throwline", got)
	if tok := sub.Subscribe("throwline/v1/+/throw/+", 1, nil); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	pub := client(t, b, "cab-1", nil)
	send := func(i int) {
		if tok := pub.Publish("throwline/v1/cab-1/throw/W1", 1, false, fmt.Sprint(i)); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
	}
	send(0)
	send(1)
	for i := range 2 {
		m := <-got
		if i == 0 {
			m.Ack()
		}
	}
	time.Sleep(100 * time.Millisecond)
	sub.Disconnect(100)
	for i := 2; i < 20; i++ {
		send(i)
	}
	pub.Disconnect(100)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if b, err = Start(context.Background(), o); err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	sub = client(t, b, "throwline", got)
	defer sub.Disconnect(100)
	seen := map[string]bool{}
	for len(seen) < 19 {
		select {
		case m := <-got:
			seen[string(m.Payload())] = true
			m.Ack()
		case <-time.After(2 * redeliverAfter):
			t.Fatalf("only %d came", len(seen))
		}
	}
	if seen["0"] || !seen["1"] || !seen["19"] {
		t.Errorf("found %v", seen)
	}
}

func TestStartRefuses(t *testing.T) {
	for listen, want := range map[string]string{"nowhere": "host:port", "127.0.0.1:99999": "0 to 65535"} {
		if _, err := Start(t.Context(), Options{Dir: t.TempDir(), Listen: listen}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: found %v", listen, err)
		}
	}
}

// A port that is taken is told at once, and why.
func TestPortInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	began := time.Now()
	if b, err := Start(t.Context(), Options{Dir: t.TempDir(), Listen: l.Addr().String()}); err == nil {
		b.Close()
		t.Fatal("started on a port in use")
	} else if !strings.Contains(err.Error(), "address already in use") || !strings.Contains(err.Error(), l.Addr().String()) {
		t.Errorf("found %v", err)
	}
	if d := time.Since(began); d > 5*time.Second {
		t.Errorf("it took %s to say so", d)
	}
}

// Nothing but MQTT is listened to, and only where it was asked.
func TestOneListener(t *testing.T) {
	before := listeners(t)
	b, err := Start(t.Context(), Options{Dir: t.TempDir(), Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var fresh []string
	for address := range listeners(t) {
		if !before[address] {
			fresh = append(fresh, address)
		}
	}
	if len(fresh) != 1 {
		t.Errorf("expected one listener, found %v", fresh)
	}
	if !strings.HasPrefix(b.Addr(), "tcp://127.0.0.1:") || strings.HasSuffix(b.Addr(), ":0") || strings.HasSuffix(b.Addr(), ":-1") {
		t.Errorf("its address is %s", b.Addr())
	}
}

// listeners returns the TCP sockets of this process that listen.
func listeners(t *testing.T) map[string]bool {
	t.Helper()
	mine := map[string]bool{} // inodes
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("only where there is /proc")
	}
	for _, fd := range fds {
		if link, err := os.Readlink("/proc/self/fd/" + fd.Name()); err == nil && strings.HasPrefix(link, "socket:[") {
			mine[strings.TrimSuffix(strings.TrimPrefix(link, "socket:["), "]")] = true
		}
	}
	found := map[string]bool{}
	for _, file := range []string{"/proc/self/net/tcp", "/proc/self/net/tcp6"} {
		text, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		for line := range strings.Lines(string(text)) {
			f := strings.Fields(line)
			if len(f) > 9 && f[3] == "0A" && mine[f[9]] { // 0A: listening
				found[f[1]] = true
			}
		}
	}
	return found
}
