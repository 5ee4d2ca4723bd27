package lineside

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
	"throwline/ingest/wire"
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

// office stands for Throwline: it stores throws by their key and publishes
// receipts.
type office struct {
	t       *testing.T
	session *mqtt.Session
	done    chan struct{}

	mu       sync.Mutex
	came     []string       // keys, in the order of arrival, doubles too
	times    map[string]int // how often each came
	states   []ingest.CabinetState
	receipt  ingest.Receipt
	deaf     bool // takes and acknowledges, but forgets, like a broker that crashes
	quiet    bool // publishes no receipts
	weather  []ingest.Conditions
	encoding map[byte]int // first byte of the payloads
}

func openOffice(t *testing.T, b *mosquittotest.Server) *office {
	t.Helper()
	s, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{b.URL()}, ClientID: "office"})
	if err != nil {
		t.Fatal(err)
	}
	o := &office{t: t, done: make(chan struct{}), times: map[string]int{}, encoding: map[byte]int{}}
	o.session = s
	go o.run()
	t.Cleanup(func() {
		_ = s.Close(context.Background())
		<-o.done
	})
	until(t, "the office is subscribed", func() bool { return s.Status().Subscribed })
	return o
}

func (o *office) run() {
	defer close(o.done)
	d := wire.NewDecoder(wire.Limits{})
	// After a reconnect all receipts are published again.
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	reconnects := uint64(0)
	for {
		var m *mqtt.Message
		select {
		case m = <-o.session.Messages():
			if m == nil {
				return
			}
		case <-again.C:
			if s := o.session.Status(); s.Subscribed && s.Reconnects != reconnects {
				reconnects = s.Reconnects
				o.publish()
			}
			continue
		}
		switch m.Kind {
		case mqtt.State:
			if s, err := d.State(m.Cabinet, m.Payload); err != nil {
				o.t.Errorf("state: %v", err)
			} else {
				o.mu.Lock()
				o.states = append(o.states, *s)
				o.mu.Unlock()
			}
		case mqtt.Conditions:
			if c, err := d.Conditions(m.Cabinet, m.Payload); err != nil {
				o.t.Errorf("conditions: %v", err)
			} else {
				o.mu.Lock()
				o.weather = append(o.weather, *c)
				o.mu.Unlock()
			}
		case mqtt.Throw:
			t, err := d.Throw(m.Payload)
			if err != nil {
				o.t.Errorf("throw: %v", err)
				break
			}
			o.mu.Lock()
			if !o.deaf {
				o.came = append(o.came, t.Key())
				o.times[t.Key()]++
				o.encoding[m.Payload[0]]++
				o.receipt = o.receipt.With(t.Boot, t.Sequence)
			}
			o.mu.Unlock()
			o.publish()
		}
		m.Ack()
	}
}

func (o *office) publish() {
	o.mu.Lock()
	r, quiet := o.receipt, o.quiet
	o.mu.Unlock()
	if !quiet && r.Boot != "" {
		// It may fail while the broker is away; then it is published when it is back.
		_ = o.session.Publish(context.Background(), mqtt.ReceiptTopic(mqtt.DefaultPrefix, "CAB-1"), true, wire.AppendReceipt(nil, r, time.Now()))
	}
}

func (o *office) set(f func()) {
	o.mu.Lock()
	defer o.mu.Unlock()
	f()
}

// stored returns how many different throws are stored.
func (o *office) stored() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.times)
}

func (o *office) lastState() (s ingest.CabinetState) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.states) > 0 {
		s = o.states[len(o.states)-1]
	}
	return s
}

func until(t *testing.T, what string, f func() bool) {
	t.Helper()
	for range 1500 {
		if f() {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("waited in vain: %s", what)
}

func openCabinet(t *testing.T, b *mosquittotest.Server, dir string, change func(*Options)) *Cabinet {
	t.Helper()
	o := Options{Broker: b.URL(), Cabinet: "CAB-1", Agent: "test 1", SpoolDir: dir, Resend: 200 * time.Millisecond}
	if change != nil {
		change(&o)
	}
	c, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c
}

// aThrow is the n-th throw; each has another key.
func aThrow(n int) *ingest.Throw {
	samples := make([]float64, 50)
	for i := range samples {
		samples[i] = float64((i*n)%97) / 10
	}
	return &ingest.Throw{
		ID: fmt.Sprintf("t%d", n), Turnout: fmt.Sprintf("VAL-W%02d", n%3), To: ingest.Ends[n%2], Completed: true,
		StartedAt: time.Date(2026, 3, 1, 6, 0, n, 0, time.UTC),
		Channels:  []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 1, Samples: samples}},
	}
}

func sendAll(t *testing.T, c *Cabinet, from, to int) {
	t.Helper()
	for n := from; n < to; n++ {
		if err := c.Send(t.Context(), aThrow(n)); err != nil {
			t.Fatal(err)
		}
	}
}

func flush(t *testing.T, c *Cabinet) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if err := c.Flush(ctx); err != nil {
		t.Fatal(err)
	}
}

func spoolFiles(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*"+spoolEnding))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func TestDelivers(t *testing.T) {
	for _, tt := range []struct {
		name     string
		encoding Encoding
		spool    bool
		first    byte
	}{{"JSON on disk", JSON, true, '{'}, {"CBOR in memory", CBOR, false, 0}} {
		t.Run(tt.name, func(t *testing.T) {
			b := mosquittotest.Start(t, "")
			o := openOffice(t, b)
			dir := ""
			if tt.spool {
				dir = filepath.Join(t.TempDir(), "spool")
			}
			c := openCabinet(t, b, dir, func(o *Options) { o.Encoding = tt.encoding })
			sendAll(t, c, 0, 300)
			flush(t, c)
			o.mu.Lock()
			var want []string
			for n := range 300 {
				want = append(want, aThrow(n).Key())
			}
			if !slices.Equal(o.came, want) {
				t.Errorf("expected 300 throws in order and once, found %d", len(o.came))
			}
			if tt.first != 0 && o.encoding[tt.first] != 300 || tt.first == 0 && o.encoding['{'] != 0 {
				t.Errorf("first bytes %v", o.encoding)
			}
			if o.receipt.Through != 300 || len(o.receipt.Missing) != 0 {
				t.Errorf("receipt %+v", o.receipt)
			}
			o.mu.Unlock()
			until(t, "online", func() bool { return o.lastState().Online })
			if s := o.lastState(); s.Agent != "test 1" || s.Cabinet != "CAB-1" || s.At.IsZero() {
				t.Errorf("state %+v", s)
			}
			if err := c.Conditions(t.Context(), ingest.Conditions{At: time.Now(), RailTemperature: ingest.Known(4)}); err != nil {
				t.Error(err)
			}
			until(t, "conditions", func() bool { o.mu.Lock(); defer o.mu.Unlock(); return len(o.weather) == 1 })
			if err := c.Close(t.Context()); err != nil {
				t.Error(err)
			}
			until(t, "offline", func() bool { return !o.lastState().Online })
			if dir != "" {
				if left := spoolFiles(t, dir); len(left) != 0 {
					t.Errorf("left in the spool: %v", left)
				}
			}
			if err := c.Send(t.Context(), aThrow(1)); !errors.Is(err, ErrClosed) {
				t.Errorf("sending after Close: %v", err)
			}
		})
	}
}

// A broker that is killed again and again, and each time forgets everything it
// had acknowledged, loses nothing, and the cabinet's own restart neither.
func TestBrokerKilledInTheMiddle(t *testing.T) {
	b := mosquittotest.Start(t, "allow_anonymous true\nautosave_interval 0")
	o := openOffice(t, b)
	dir := t.TempDir()
	c := openCabinet(t, b, dir, nil)
	sent := 0
	for round := range 3 {
		sendAll(t, c, sent, sent+150)
		sent += 150
		// Who stores must know of the cabinet, to tell it by a receipt that it is there again.
		until(t, "a throw is stored", func() bool { return o.stored() > 0 })
		b.Kill()
		_ = os.Remove(filepath.Join(b.Dir, "mosquitto.db"))
		sendAll(t, c, sent, sent+50) // while it is away
		sent += 50
		if round == 1 { // and the cabinet restarts too
			if err := c.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			c = openCabinet(t, b, dir, nil)
		}
		b.Begin()
	}
	flush(t, c)
	if n := o.stored(); n != sent {
		t.Errorf("expected %d throws, found %d", sent, n)
	}
	for n := range sent {
		if o.times[aThrow(n).Key()] == 0 {
			t.Errorf("throw %d is lost", n)
		}
	}
}

// The broker took them, nobody stored them, and it says so by its receipt: what
// is missing is sent again, and only that.
func TestSendsWhatIsMissing(t *testing.T) {
	b := mosquittotest.Start(t, "")
	o := openOffice(t, b)
	c := openCabinet(t, b, t.TempDir(), nil)
	sendAll(t, c, 0, 10)
	flush(t, c)
	o.set(func() { o.deaf = true })
	sendAll(t, c, 10, 20)
	until(t, "given to the broker", func() bool { return c.count(given) == 10 })
	time.Sleep(100 * time.Millisecond) // for the office to forget the last one
	o.set(func() { o.deaf = false })
	sendAll(t, c, 20, 21)
	flush(t, c)
	if n := o.stored(); n != 21 {
		t.Errorf("expected 21 throws, found %d", n)
	}
	for key, n := range o.times {
		if n != 1 {
			t.Errorf("%s came %d times", key, n)
		}
	}
	if r := o.receipt; r.Through != 21 || len(r.Missing) != 0 {
		t.Errorf("receipt %+v", r)
	}
}

func (c *Cabinet) count(s state) (n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, it := range c.queue.items {
		if it.state == s {
			n++
		}
	}
	return n
}

// While Throwline is away nothing is sent twice on a connection that stands,
// and when it is back everything arrives.
func TestThrowlineAway(t *testing.T) {
	b := mosquittotest.Start(t, "")
	o := openOffice(t, b)
	if err := o.session.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	<-o.done
	c := openCabinet(t, b, t.TempDir(), nil)
	sendAll(t, c, 0, 100)
	until(t, "given to the broker", func() bool { return c.count(given) == 100 })
	time.Sleep(time.Second)
	if c.Pending() != 100 {
		t.Fatalf("pending: %d", c.Pending())
	}
	o = openOffice(t, b)
	flush(t, c)
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.came) != 100 || len(o.times) != 100 {
		t.Errorf("expected 100 arrivals, found %d of %d", len(o.came), len(o.times))
	}
}

// A cabinet that dies is called offline by the broker.
func TestWill(t *testing.T) {
	b := mosquittotest.Start(t, "")
	o := openOffice(t, b)
	c := openCabinet(t, b, "", nil)
	until(t, "online", func() bool { return o.lastState().Online })
	// Another client of the same name throws it out, without a goodbye.
	l, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: b.URL(), ClientID: "throwline-cabinet-CAB-1", Forget: true})
	if err != nil {
		t.Fatal(err)
	}
	until(t, "offline", func() bool { return !o.lastState().Online })
	l.Close()
	until(t, "online again", func() bool { return o.lastState().Online })
	if err := c.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

// What was spooled before a restart is sent after it, before what is new.
func TestRestartKeepsOrder(t *testing.T) {
	b := mosquittotest.Start(t, "")
	b.Stop()
	dir := t.TempDir()
	c := openCabinet(t, b, dir, func(o *Options) { o.Encoding = CBOR })
	sendAll(t, c, 0, 40)
	if err := c.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(spoolFiles(t, dir)) != 1 {
		t.Fatalf("spool: %v", spoolFiles(t, dir))
	}
	c = openCabinet(t, b, dir, nil)
	if c.Pending() != 40 {
		t.Fatalf("expected 40 pending, found %d", c.Pending())
	}
	sendAll(t, c, 40, 60)
	b.Begin()
	o := openOffice(t, b)
	flush(t, c)
	o.mu.Lock()
	defer o.mu.Unlock()
	for n := range 60 {
		if n >= len(o.came) || o.came[n] != aThrow(n).Key() {
			t.Fatalf("throw %d is not in its place; %d came", n, len(o.came))
		}
	}
	if o.receipt.Through != 60 || len(o.receipt.Missing) != 0 {
		t.Errorf("receipt %+v", o.receipt)
	}
	if o.encoding['{'] != 60 {
		t.Errorf("expected everything in the new encoding, found first bytes %v", o.encoding)
	}
}

func TestOpenRefuses(t *testing.T) {
	good := Options{Broker: "tcp://127.0.0.1:1", Cabinet: "CAB-1"}
	for want, change := range map[string]func(*Options){
		"name: expected":     func(o *Options) { o.Cabinet = "a b" },
		"broker: expected":   func(o *Options) { o.Broker = "nowhere" },
		"prefix: expected":   func(o *Options) { o.Prefix = "a/#" },
		"window: expected":   func(o *Options) { o.Window = -1 },
		"spool: expected":    func(o *Options) { o.SpoolBytes = 5 },
		"resend: expected":   func(o *Options) { o.Resend = -1 },
		"encoding: expected": func(o *Options) { o.Encoding = 9 },
		"spool: mkdir":       func(o *Options) { o.SpoolDir = "/dev/null/spool" },
	} {
		o := good
		change(&o)
		if _, err := Open(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("expected %q, found %v", want, err)
		}
	}
}

// Without a broker throws are taken, trouble is logged once, and closing does
// not hang.
func TestNoBroker(t *testing.T) {
	var log bytes.Buffer
	dir := t.TempDir()
	o := Options{Broker: "tcp://127.0.0.1:1", Cabinet: "CAB-1", SpoolDir: dir, Log: slog.New(slog.NewTextHandler(&log, nil))}
	c, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	sendAll(t, c, 0, 3)
	if err := c.Conditions(t.Context(), ingest.Conditions{At: time.Now()}); !errors.Is(err, mqtt.ErrNotConnected) {
		t.Errorf("conditions: %v", err)
	}
	broken := aThrow(1)
	broken.Channels[0].Unit = ingest.Volt
	if err := c.Send(t.Context(), broken); ingest.AsRefusal(err) == nil {
		t.Errorf("a throw that breaks a rule: %v", err)
	}
	if _, err := Open(t.Context(), o); err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a second cabinet on the same spool: %v", err)
	}
	time.Sleep(1500 * time.Millisecond)
	if err := c.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if n := strings.Count(log.String(), "trying on"); n != 1 {
		t.Errorf("logged %d times:\n%s", n, log.String())
	}
}
