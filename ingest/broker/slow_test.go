package broker

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/crypto/bcrypt"
)

// Tests of deploy/limits.md: clients that are slow, silent, or say too much.
// THROWLINE_LIMITS makes them so many times longer.
func times(n int) int {
	more, err := strconv.Atoi(os.Getenv("THROWLINE_LIMITS"))
	if err != nil {
		return n
	}
	return n * max(more, 1)
}

const patience = 2 * time.Minute

func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("expected %s, found nothing of it in %s", what, patience)
		}
	}
}

// packet makes a packet of MQTT of its first byte and what follows the length.
func packet(first byte, parts ...string) []byte {
	body := strings.Join(parts, "")
	b := append([]byte{first}, length(len(body))...)
	return append(b, body...)
}

// length is a remaining length.
func length(n int) (b []byte) {
	for ; n > 127; n >>= 7 {
		b = append(b, byte(n)|0x80)
	}
	return append(b, byte(n))
}

func str(s string) string { return string(binary.BigEndian.AppendUint16(nil, uint16(len(s)))) + s }

func hello(id, user, password string) []byte {
	flags, more := byte(2), "" // a clean session, and no sign of life is promised
	if user != "" {
		flags, more = flags|0xc0, str(user)+str(password)
	}
	return packet(0x10, str("MQTT"), string([]byte{4, flags, 0, 0}), str(id), more)
}

func publish(topic, payload string) []byte { return packet(0x30, str(topic), payload) }

// raw opens a connection that says so much and no more.
func raw(t *testing.T, b *Broker, say ...[]byte) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(b.Addr(), "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	for _, s := range say {
		_, _ = c.Write(s) // it may be sent away in the middle
	}
	return c
}

// ended waits until the broker has ended a connection.
func ended(t *testing.T, c net.Conn) {
	t.Helper()
	_ = c.SetReadDeadline(time.Now().Add(patience))
	if _, err := io.Copy(io.Discard, c); err != nil {
		if timeout, ok := err.(net.Error); ok && timeout.Timeout() {
			t.Fatal("it stays")
		}
	}
}

// in reads that a client was let in.
func in(t *testing.T, c net.Conn) {
	t.Helper()
	_ = c.SetReadDeadline(time.Now().Add(patience))
	answer := make([]byte, 4)
	if _, err := io.ReadFull(c, answer); err != nil || answer[3] != 0 {
		t.Fatalf("not let in: %v, %v", answer, err)
	}
}

func descriptors(t *testing.T) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("only where there is /proc")
	}
	return len(list)
}

func heap() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

func started(t *testing.T, o Options) *Broker {
	t.Helper()
	o.Dir, o.Listen = t.TempDir(), "127.0.0.1:0"
	b, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	return b
}

// beside sends as a good cabinet, and has to be answered each time.
func beside(t *testing.T, c paho.Client, n int) {
	t.Helper()
	for i := range n {
		if tok := c.Publish("throwline/v1/cab-1/throw/W1", 1, false, fmt.Sprint(i)); !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Fatalf("beside them: %v", tok.Error())
		}
	}
}

// TestSilentClients: very many say nothing, some half a CONNECT, some half a
// PUBLISH, some drip, some never read. A cabinet beside them is answered, and
// they leave nothing behind. Who does not say who he is is sent away.
func TestSilentClients(t *testing.T) {
	b := started(t, Options{LoginWithin: 4 * time.Second})
	cab := client(t, b, "cab-1", nil)
	defer cab.Disconnect(100)
	beside(t, cab, 20)
	fds, before, routines := descriptors(t), heap(), runtime.NumGoroutine()
	var silent, said []net.Conn
	for range times(1000) {
		silent = append(silent, raw(t, b))
	}
	for i := range times(50) {
		silent = append(silent, raw(t, b, hello("x", "", "")[:3+i%5]))
	}
	half := publish("throwline/v1/cab-2/throw/W1", strings.Repeat("x", 50_000))
	for i := range times(50) {
		c := raw(t, b, hello(fmt.Sprint("half-", i), "", ""))
		in(t, c)
		_, _ = c.Write(half[:len(half)/2])
		said = append(said, c)
	}
	for i := range times(100) { // they read their receipts, and then they do not
		c := raw(t, b, hello(fmt.Sprint("deaf-", i), "", ""), packet(0x82, "\x00\x01", str("throwline/v1/cab-1/receipt"), "\x01"))
		in(t, c)
		said = append(said, c)
	}
	stop, dripped := make(chan struct{}), make(chan struct{})
	drip := raw(t, b, hello("drip", "", ""))
	in(t, drip)
	go func() {
		defer close(dripped)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(100 * time.Millisecond):
			}
			if _, err := drip.Write(half[i%len(half) : i%len(half)+1]); err != nil {
				return
			}
		}
	}()
	if n := b.Figures().Connections; n < times(150) {
		t.Errorf("found %d connections", n)
	}
	beside(t, cab, 50)
	for range 20 {
		if tok := cab.Publish("throwline/v1/cab-1/receipt", 1, true, strings.Repeat("r", 1000)); !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
	}
	for _, c := range silent {
		ended(t, c)
	}
	beside(t, cab, 20)
	close(stop)
	<-dripped
	for _, c := range append(said, drip) {
		_ = c.Close()
	}
	for _, c := range silent {
		_ = c.Close()
	}
	until(t, "their connections to be over", func() bool { return b.Figures().Connections <= 1 })
	until(t, "descriptors to come back", func() bool { return descriptors(t) <= fds+20 })
	until(t, "goroutines to end", func() bool { return runtime.NumGoroutine() <= routines+50 })
	until(t, "memory to come back", func() bool { return heap()-before < 32<<20 })
	beside(t, cab, 20)
}

// TestLargePackets: what says that it will be too large is not waited for.
func TestLargePackets(t *testing.T) {
	b := started(t, Options{})
	before := heap()
	head := append([]byte{0x30}, length(250<<20)...)
	for i := range 100 {
		say := append([]byte{}, head...)
		if i%2 == 0 {
			say = append([]byte{0x10}, length(250<<20)...)
		} else {
			say = append(hello(fmt.Sprint("large-", i), "", ""), say...)
		}
		ended(t, raw(t, b, say))
	}
	if n := b.Figures().Large; n != 100 {
		t.Errorf("expected 100 counted, found %d", n)
	}
	until(t, "memory to come back", func() bool { return heap()-before < 32<<20 })
}

// TestManySubscriptions: one connection has so many and no more.
func TestManySubscriptions(t *testing.T) {
	b := started(t, Options{})
	c := client(t, b, "reader", nil)
	refused := false
	for i := 0; i < 3*mostSubscriptions && !refused; i += 100 {
		filters := map[string]byte{}
		for j := range 100 {
			filters[fmt.Sprintf("t/%d", i+j)] = 0
		}
		tok := c.SubscribeMultiple(filters, nil).(*paho.SubscribeToken)
		if !tok.WaitTimeout(patience) {
			t.Fatal("no answer")
		}
		refused = tok.Error() != nil
		for _, qos := range tok.Result() {
			refused = refused || qos == 0x80
		}
	}
	if n := int(b.server.NumSubscriptions()); !refused || n > mostSubscriptions+200 {
		t.Errorf("refused: %v, %d subscriptions", refused, n)
	}
}

// TestTooManyConnections: past the limit nobody else comes in, and it is counted;
// who is in goes on, and who leaves makes room.
func TestTooManyConnections(t *testing.T) {
	b := started(t, Options{})
	cab := client(t, b, "cab-1", nil)
	defer cab.Disconnect(100)
	// The number is the server's to keep: here it is made small.
	o := *b.options
	o.MaxConn = 21
	if err := b.server.ReloadOptions(&o); err != nil {
		t.Fatal(err)
	}
	var list []net.Conn
	for i := range 20 {
		c := raw(t, b, hello(fmt.Sprint("in-", i), "", ""))
		in(t, c)
		list = append(list, c)
	}
	was := b.Figures()
	for range 200 {
		ended(t, raw(t, b, hello("more", "", "")))
	}
	if f := b.Figures(); f.Came-was.Came != 200 || f.LetIn != was.LetIn || f.Connections != 21 {
		t.Errorf("found %+v after %+v", f, was)
	}
	beside(t, cab, 20)
	_ = list[0].Close()
	until(t, "room", func() bool { return b.Figures().Connections < 21 })
	in(t, raw(t, b, hello("in-0", "", "")))
}

// TestDiskOfTheBroker: past what it may keep, a message is not acknowledged. After
// a restart the program comes in, takes what there is, and makes room.
func TestDiskOfTheBroker(t *testing.T) {
	const most = reserve // no less is granted
	o := Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", MostKept: 1 << 20}
	b, err := Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = b.Close() }()
	got := make(chan paho.Message, 1000)
	sub := client(t, b, "throwline", got)
	if tok := sub.Subscribe("throwline/v1/+/throw/+", 1, nil); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	sub.Disconnect(100)
	until(t, "it to be away", func() bool { return b.Figures().Connections == 0 })
	payload := strings.Repeat("x", 8_000_000)
	// send reports whether a message was acknowledged, by a cabinet that comes anew.
	send := func() bool {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(b.Addr()).SetClientID("cab").SetAutoReconnect(false))
		if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
			return false // it cannot even be noted that it is there
		}
		defer c.Disconnect(0)
		tok := c.Publish("throwline/v1/cab/throw/W1", 1, false, payload)
		for c.IsConnectionOpen() {
			select {
			case <-tok.Done():
				return tok.Error() == nil
			case <-time.After(50 * time.Millisecond):
			}
		}
		return false
	}
	answered, tries := 0, 3*most/len(payload)
	for range tries {
		if send() {
			answered++
		}
	}
	f := b.Figures()
	if answered == 0 || answered*len(payload) > most+len(payload) || f.Kept > most+int64(2*len(payload)) || f.Kept < int64(answered*len(payload)) {
		t.Fatalf("%d of %d messages were answered, %d bytes are kept", answered, tries, f.Kept)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if b, err = Start(context.Background(), o); err != nil {
		t.Fatal(err)
	}
	sub = client(t, b, "throwline", got)
	defer sub.Disconnect(100)
	for range answered {
		select {
		case m := <-got:
			m.Ack()
		case <-time.After(patience):
			t.Fatal("what was acknowledged does not come")
		}
	}
	until(t, "room", send)
}

// TestLongLogins: names without end leave nothing behind, in memory or in the log.
func TestLongLogins(t *testing.T) {
	dir := t.TempDir()
	hash, err := bcrypt.GenerateFromPassword([]byte("right"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "users")
	if err := (Users{"CAB-1": string(hash)}).Write(file); err != nil {
		t.Fatal(err)
	}
	out := new(lines)
	b := started(t, Options{LoginWithin: 2 * time.Second, Guard: Guard{UsersFile: file, Owner: "throwline"}, Log: slog.New(slog.NewTextHandler(out, nil))})
	before := heap()
	long := strings.Repeat("x", 65_000)
	n := times(60)
	for i := range n {
		ended(t, raw(t, b, hello(fmt.Sprint(i)+long, fmt.Sprint(i)+long, long)))
	}
	if got := b.Figures().NotLetIn; got != uint64(n) {
		t.Errorf("expected %d counted, found %d", n, got)
	}
	until(t, "memory to come back", func() bool { return heap()-before < 6<<20 })
	if got := out.len(); got > 100_000 {
		t.Errorf("%d bytes were logged", got)
	}
	b.guard.mu.Lock()
	defer b.guard.mu.Unlock()
	if len(b.guard.tries) > 2 {
		t.Errorf("%d tries are remembered", len(b.guard.tries))
	}
}

// lines counts what is logged.
type lines struct{ bytes atomic.Int64 }

func (l *lines) Write(b []byte) (int, error) {
	l.bytes.Add(int64(len(b)))
	return len(b), nil
}

func (l *lines) len() int64 { return l.bytes.Load() }

// TestInFlightOfAClient: who acknowledges nothing is sent so many and no more.
func TestInFlightOfAClient(t *testing.T) {
	b := started(t, Options{InFlight: 20})
	got := make(chan paho.Message, 1000)
	sub := client(t, b, "throwline", got)
	defer sub.Disconnect(100)
	if tok := sub.Subscribe("throwline/v1/+/throw/+", 1, nil); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	cab := client(t, b, "cab-1", nil)
	defer cab.Disconnect(100)
	beside(t, cab, 200)
	until(t, "20 messages", func() bool { return len(got) >= 20 })
	seen := map[string]bool{} // they come again after a while
	for len(seen) < 20 {
		seen[string((<-got).Payload())] = true
	}
	if len(got) > 20 {
		t.Errorf("%d more came", len(got))
	}
}

// TestHalfAndSilent: who has promised a sign of life is sent away in the middle
// of a packet, too.
func TestHalfAndSilent(t *testing.T) {
	b := started(t, Options{})
	for i := range 20 {
		h := hello(fmt.Sprint("half-", i), "", "")
		h[11] = 1 // the second byte of the time, in seconds
		c := raw(t, b, h)
		in(t, c)
		_, _ = c.Write(publish("t", strings.Repeat("x", 10_000))[:5000])
		defer ended(t, c)
	}
}

// TestPasswordsWait: no more passwords wait than so many, and one that was not
// looked at is no wrong one.
func TestPasswordsWait(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users")
	usersOf(t, "CAB-1", "right", file)
	g, err := newGuard(Guard{UsersFile: file}, slog.New(slog.DiscardHandler), newSeldom())
	if err != nil {
		t.Fatal(err)
	}
	for range checksWait {
		g.waiting <- struct{}{}
	}
	for range 10 * checksWait {
		if _, err := g.checkPassword("CAB-1", "right", "192.0.2.1"); !errors.Is(err, errBusy) {
			t.Fatalf("found %v", err)
		}
	}
	for range checksWait {
		<-g.waiting
	}
	if _, err := g.checkPassword("CAB-1", "right", "192.0.2.1"); err != nil {
		t.Error(err)
	}
}
