package mqtt

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

const (
	dialWithin   = 10 * time.Second // to the broker's CONNACK
	writeWithin  = 30 * time.Second // or the broker is gone
	enqueue      = 5 * time.Second  // for a packet to be taken by the library
	keepAlive    = 30 * time.Second
	pingWithin   = 20 * time.Second
	readAtOnce   = 64 << 10
	disconnectIn = 2 * time.Second
)

// LinkOptions is what one connection needs.
type LinkOptions struct {
	Broker             string // as in [Options.Brokers]
	ClientID           string
	Username, Password string
	TLS                *tls.Config // nil: the system's authorities
	// Forget has the broker forget the client's subscriptions, and what waits
	// for it, when the connection ends.
	Forget bool
	// WillTopic is where the broker publishes Will, retained at QoS 1, when the
	// connection ends without a goodbye; "" is nowhere.
	WillTopic string
	Will      []byte
	// Receive is called for every message, in order, one at a time. While it
	// waits nothing else is received, and it must not wait longer than the
	// connection stands (Gone), nor for a method of the link. nil: messages are
	// left to the broker.
	Receive func(*Link, *Message)
}

// Link is one connection to a broker, from its CONNACK until it is lost. The
// library could reconnect by itself; but then acknowledgements of messages of
// an older connection, and tokens of what was published on it, would get mixed
// up with the new one's. So each connection has a client of its own, and
// nothing is carried over but what the broker keeps.
type Link struct {
	client paho.Client
	conn   *conn
	lost   chan struct{}
	err    error // of lost
}

// Connect opens a connection, within 10 s. When ctx ends later, that changes
// nothing.
func Connect(ctx context.Context, o LinkOptions) (*Link, error) {
	where, err := url.Parse(o.Broker)
	if err != nil {
		return nil, err
	}
	l := &Link{lost: make(chan struct{})}
	p := paho.NewClientOptions()
	p.Servers = []*url.URL{where}
	p.SetProtocolVersion(4) // 3.1.1; without a second attempt in 3.1
	p.SetClientID(o.ClientID)
	p.SetUsername(o.Username)
	p.SetPassword(o.Password)
	p.SetCleanSession(o.Forget)
	if o.WillTopic != "" {
		p.SetBinaryWill(o.WillTopic, o.Will, 1, true)
	}
	p.SetAutoReconnect(false)
	p.SetConnectRetry(false)
	p.SetConnectTimeout(dialWithin)
	p.SetKeepAlive(keepAlive)
	p.SetPingTimeout(pingWithin)
	p.SetWriteTimeout(enqueue) // conn has time limits of its own
	p.SetOrderMatters(true)
	p.SetAutoAckDisabled(true)
	p.SetStore(nothing{})
	if o.Receive != nil {
		p.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			o.Receive(l, &Message{Topic: m.Topic(), Payload: m.Payload(), Retained: m.Retained(), link: l, promised: m.Qos() > 0, ack: m.Ack})
		})
	}
	p.SetConnectionLostHandler(func(_ paho.Client, err error) {
		l.err = err
		close(l.lost)
	})
	p.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		c, err := dial(ctx, where, o.TLS)
		if err != nil {
			return nil, err
		}
		l.conn = c
		return c, nil
	})
	l.client = paho.NewClient(p)
	token := l.client.Connect()
	<-token.Done() // dial and the handshake end with ctx
	if err := token.Error(); err != nil {
		return nil, err
	}
	if !l.conn.free() { // ctx ended just now
		l.client.Disconnect(0)
		return nil, context.Cause(ctx)
	}
	return l, nil
}

// Gone is closed as soon as the connection is.
func (l *Link) Gone() <-chan struct{} { return l.conn.gone }

// Lost is closed when the connection was lost, and nothing of the link runs any
// more. After [Link.Close] it may never be.
func (l *Link) Lost() <-chan struct{} { return l.lost }

// Err says why the link was lost; nil before.
func (l *Link) Err() error {
	select {
	case <-l.lost:
		return l.err
	default:
		return nil
	}
}

// Begin sends at QoS 1 and returns when the message is on its way, or cannot
// be. done is called once, from another goroutine, with nil when the broker has
// the message. The payload must not be changed before.
func (l *Link) Begin(topic string, retained bool, payload []byte, done func(error)) {
	token := l.client.Publish(topic, 1, retained, payload)
	go func() {
		select {
		case <-token.Done():
			done(token.Error())
		case <-l.lost:
			done(ErrNotConnected)
		}
	}()
}

// Publish sends at QoS 1 and waits until the broker has the message. The
// payload must not be changed afterwards.
func (l *Link) Publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	done := make(chan error, 1)
	// The library takes a while to notice that nobody reads.
	go l.Begin(topic, retained, payload, func(err error) { done <- err })
	select {
	case err := <-done:
		return err
	case <-l.lost:
		return ErrNotConnected
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Send sends at QoS 0, not retained, and returns when the message is on its way:
// nobody tells whether it arrives.
func (l *Link) Send(ctx context.Context, topic string, payload []byte) error {
	sent := make(chan error, 1)
	go func() {
		token := l.client.Publish(topic, 0, false, payload)
		select {
		case <-token.Done():
			sent <- token.Error()
		case <-l.lost:
			sent <- ErrNotConnected
		}
	}()
	select {
	case err := <-sent:
		return err
	case <-l.lost:
		return ErrNotConnected
	case <-ctx.Done():
		return ctx.Err()
	}
}

// RefusedFilter is a subscription that the broker does not allow.
type RefusedFilter string

func (r RefusedFilter) Error() string {
	return fmt.Sprintf("the broker refuses the subscription to %s: not authorised, or beyond its limits", string(r))
}

// Subscribe subscribes at QoS 1. A [RefusedFilter] means that the connection
// stands; after another error it is of no use.
func (l *Link) Subscribe(ctx context.Context, filters ...string) error {
	wanted := make(map[string]byte, len(filters))
	for _, f := range filters {
		wanted[f] = 1
	}
	done := make(chan error, 1)
	go func() {
		token := l.client.SubscribeMultiple(wanted, nil).(*paho.SubscribeToken)
		select {
		case <-token.Done():
		case <-l.lost:
			done <- ErrNotConnected
			return
		}
		err := token.Error()
		for _, f := range filters {
			if qos, ok := token.Result()[f]; err == nil && (!ok || qos >= 0x80) {
				err = RefusedFilter(f)
			}
		}
		done <- err
	}()
	answer := time.NewTimer(dialWithin)
	defer answer.Stop()
	select {
	case err := <-done:
		return err
	case <-l.lost:
		return ErrNotConnected
	case <-answer.C:
		return fmt.Errorf("the broker did not answer the subscription within %s", dialWithin)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Close says goodbye to the broker, which sends no Will then, and ends the link.
func (l *Link) Close() { l.client.Disconnect(uint(disconnectIn.Milliseconds())) }

// conn is a connection that reads many packets at once, ends a write that
// hangs, and tells when it is closed.
type conn struct {
	net.Conn
	in   *bufio.Reader
	free func() bool // takes the connection away from the context of its dialling
	once sync.Once
	gone chan struct{}

	writing sync.Mutex
	out     []byte // written, and not yet sent
	sending bool   // a send of out is due
	failed  error  // of an earlier send
}

// gather is how long small packets wait for others, so that many
// acknowledgements cost one system call here and one at the broker;
// gatherAtMost is how many bytes wait at most.
const (
	gather       = time.Millisecond
	gatherAtMost = 32 << 10
)

// dial opens the connection. Until free is called, it is closed when ctx ends.
func dial(ctx context.Context, where *url.URL, config *tls.Config) (*conn, error) {
	d := net.Dialer{Timeout: dialWithin}
	raw, err := d.DialContext(ctx, "tcp", where.Host)
	if err != nil {
		return nil, err
	}
	if secure(where.Scheme) {
		config = config.Clone()
		if config == nil {
			config = &tls.Config{MinVersion: tls.VersionTLS12}
		}
		if config.ServerName == "" {
			config.ServerName = where.Hostname()
		}
		within, cancel := context.WithTimeout(ctx, dialWithin)
		defer cancel()
		t := tls.Client(raw, config)
		if err := t.HandshakeContext(within); err != nil {
			_ = raw.Close()
			return nil, fmt.Errorf("TLS: %w", err)
		}
		raw = t
	}
	c := &conn{Conn: raw, in: bufio.NewReaderSize(raw, readAtOnce), gone: make(chan struct{})}
	c.free = context.AfterFunc(ctx, func() { _ = c.Close() })
	return c, nil
}

func (c *conn) Read(b []byte) (int, error) { return c.in.Read(b) }

// Write takes a packet; it is sent within gather. An error may be that of an
// earlier packet: then the connection is of no use any more.
func (c *conn) Write(b []byte) (int, error) {
	c.writing.Lock()
	defer c.writing.Unlock()
	if c.failed != nil {
		return 0, c.failed
	}
	c.out = append(c.out, b...)
	switch {
	case len(c.out) >= gatherAtMost:
		if err := c.send(); err != nil {
			return 0, err
		}
	case !c.sending:
		c.sending = true
		time.AfterFunc(gather, func() {
			c.writing.Lock()
			defer c.writing.Unlock()
			c.sending = false
			if err := c.send(); err != nil {
				_ = c.Conn.Close() // the reader notices
			}
		})
	}
	return len(b), nil
}

// send sends what waits; the caller holds the lock.
func (c *conn) send() error {
	if len(c.out) == 0 || c.failed != nil {
		return c.failed
	}
	if c.failed = c.Conn.SetWriteDeadline(time.Now().Add(writeWithin)); c.failed == nil {
		_, c.failed = c.Conn.Write(c.out)
	}
	c.out = c.out[:0]
	return c.failed
}

// SetWriteDeadline does nothing: Write has a deadline of its own.
func (c *conn) SetWriteDeadline(time.Time) error { return nil }

// SetDeadline sets that of reading; see SetWriteDeadline.
func (c *conn) SetDeadline(t time.Time) error { return c.Conn.SetReadDeadline(t) }

func (c *conn) Close() error {
	c.once.Do(func() { close(c.gone) })
	// What waits, a goodbye among it, is sent first if nobody is stuck sending.
	if c.writing.TryLock() {
		_ = c.send()
		c.writing.Unlock()
	}
	return c.Conn.Close()
}

// nothing is a library's store that keeps nothing: what a connection leaves
// undone is the broker's, or the caller's, to do again.
type nothing struct{}

func (nothing) Open()                             {}
func (nothing) Put(string, packets.ControlPacket) {}
func (nothing) Get(string) packets.ControlPacket  { return nil }
func (nothing) All() []string                     { return nil }
func (nothing) Del(string)                        {}
func (nothing) Close()                            {}
func (nothing) Reset()                            {}

// CheckBroker says what is wrong with the address of a broker.
func CheckBroker(broker string) error {
	u, err := url.Parse(broker)
	switch {
	case err != nil:
		return fmt.Errorf("broker: expected tcp://host:port or ssl://host:port, found %q", broker)
	case u.Scheme != "tcp" && u.Scheme != "mqtt" && !secure(u.Scheme):
		return fmt.Errorf("broker: expected tcp://, mqtt://, ssl://, tls:// or mqtts://, found %q", u.Redacted())
	case u.Hostname() == "" || u.Port() == "":
		return fmt.Errorf("broker: expected a host and a port, found %q", u.Redacted())
	case u.User != nil:
		return errors.New("broker: expected username and password in their own options, found them in the address")
	}
	return nil
}

func secure(scheme string) bool { return scheme == "ssl" || scheme == "mqtts" || scheme == "tls" }

// Reason says in words why there is no connection, without what changes with
// every attempt, so that a repeated reason is seen to be the same.
func Reason(err error) string {
	var op *net.OpError
	switch {
	case err == nil:
		return ""
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "the broker closed the connection"
	case errors.As(err, &op):
		if op.Op == "dial" && op.Addr != nil {
			return fmt.Sprintf("dial %s: %v", op.Addr, op.Err)
		}
		return fmt.Sprintf("%s: %v", op.Op, op.Err)
	}
	return err.Error()
}
