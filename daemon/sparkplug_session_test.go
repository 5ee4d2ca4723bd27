package daemon

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// tap stands between us and a broker, and notes what we send.
type tap struct {
	l    net.Listener
	mu   sync.Mutex
	sent []packets.ControlPacket
	live []net.Conn
}

func startTap(t *testing.T, broker string) *tap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &tap{l: l}
	var all sync.WaitGroup
	t.Cleanup(func() { _ = l.Close(); x.cut(); all.Wait() })
	all.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", strings.TrimPrefix(broker, "tcp://"))
			if err != nil {
				_ = in.Close()
				continue
			}
			x.mu.Lock()
			x.live = append(x.live, in, out)
			x.mu.Unlock()
			all.Go(func() { _, _ = io.Copy(in, out); _ = in.Close() })
			all.Go(func() {
				defer func() { _ = out.Close() }()
				r := bufio.NewReader(io.TeeReader(in, out))
				for {
					p, err := packets.ReadPacket(r)
					if err != nil {
						return
					}
					x.mu.Lock()
					x.sent = append(x.sent, p)
					x.mu.Unlock()
				}
			})
		}
	})
	return x
}

// cut ends all connections without a word.
func (x *tap) cut() {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range x.live {
		_ = c.Close()
	}
	x.live = nil
}

// seen returns what was sent, in words.
func (x *tap) seen() (list []string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, p := range x.sent {
		switch p := p.(type) {
		case *packets.ConnectPacket:
			list = append(list, fmt.Sprintf("connect clean %v will %s %s qos %d retain %v", p.CleanSession, p.WillTopic, p.WillMessage, p.WillQos, p.WillRetain))
		case *packets.SubscribePacket:
			slices.Sort(p.Topics)
			list = append(list, "subscribe "+strings.Join(p.Topics, " "))
		case *packets.PublishPacket:
			list = append(list, fmt.Sprintf("publish %s %s qos %d retain %v", p.TopicName, p.Payload, p.Qos, p.Retain))
		case *packets.DisconnectPacket:
			list = append(list, "disconnect")
		}
	}
	return list
}

// What we send to the broker as a host application, packet for packet: a clean
// session with the Will, the subscriptions, then STATE with the Will's time; the
// death before the goodbye; and the same with another time after a cut.
func TestSparkplugSession(t *testing.T) {
	m := startMosquitto(t)
	x := startTap(t, m.URL())
	c := sparkConfig(t, m, t.TempDir())
	c.MQTT.Sparkplug.HostID = "h1"
	c.MQTT.Brokers = []string{"tcp://" + x.l.Addr().String()}
	var mu sync.Mutex
	now := time.UnixMilli(1_772_000_000_000)
	h := newSparkHost(&c, nil, slog.New(slog.DiscardHandler), func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		return now
	})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var ran sync.WaitGroup
	ran.Go(func() { h.run(ctx, nil) })
	ran.Go(func() {
		for range h.parcels { // there are none
		}
	})
	subscribed := func() bool { s, _ := h.Status(); return s.Subscribed }
	soon(t, "the subscriptions", subscribed)
	want := []string{
		`connect clean true will spBv1.0/STATE/h1 {"online":false,"timestamp":1772000000000} qos 1 retain true`,
		"subscribe spBv1.0/STATE/h1 spBv1.0/YARD/DBIRTH/+/+ spBv1.0/YARD/DDATA/+/+ spBv1.0/YARD/DDEATH/+/+ spBv1.0/YARD/NBIRTH/+ spBv1.0/YARD/NDATA/+ spBv1.0/YARD/NDEATH/+",
		`publish spBv1.0/STATE/h1 {"online":true,"timestamp":1772000000000} qos 1 retain true`,
	}
	if got := x.seen(); !slices.Equal(got, want) {
		t.Errorf("expected %q\nfound %q", want, got)
	}
	mu.Lock()
	now = now.Add(time.Hour)
	mu.Unlock()
	x.cut()
	later := strings.NewReplacer("1772000000000", "1772003600000")
	for _, s := range want[:3] {
		want = append(want, later.Replace(s))
	}
	// The broker has published the Will meanwhile, or does: our own death, if it
	// comes, is answered by the same STATE once more.
	soon(t, "the second connection's STATE", func() bool { got := x.seen(); return len(got) >= 6 && slices.Equal(got[:6], want) })
	soon(t, "the subscriptions again", subscribed)
	cancel()
	ran.Wait()
	soon(t, "the goodbye", func() bool {
		got := x.seen()
		return len(got) >= 8 && slices.Equal(got[len(got)-2:], []string{`publish spBv1.0/STATE/h1 {"online":false,"timestamp":1772003600000} qos 1 retain true`, "disconnect"})
	})
}
