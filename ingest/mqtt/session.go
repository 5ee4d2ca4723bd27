// Package mqtt keeps the session with the broker, over MQTT 3.1.1: it connects
// and connects again, subscribes, hands every message over, and acknowledges it
// when it is told to, which is after its content is safe.
//
// The broker keeps the session while there is no connection, and sends again
// what was not acknowledged. So every message is handed over at least once, and
// its receiver must not mind one that comes twice: after a loss of the
// connection, what was in hand comes again, and has to be acknowledged again,
// since an acknowledgement counts on its own connection only.
package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// ErrNotConnected means that there is no connection now; later there may be.
var ErrNotConnected = errors.New("not connected to the broker")

// DefaultInFlight is the in-flight window where none is given.
const DefaultInFlight = 1024

// DefaultInHand is how many bytes may be in hand where nothing is given.
const DefaultInHand = 256 << 20

// Options is what a session needs.
type Options struct {
	// Brokers are tried in this order at every attempt: tcp://host:port or
	// mqtt://host:port; ssl://, tls:// or mqtts:// with TLS. They must share
	// the sessions of their clients.
	Brokers []string
	// ClientID is the name under which the broker keeps the session. No two
	// processes may use it at a time: the broker would throw out the one for
	// the other.
	ClientID           string
	Username, Password string
	TLS                *tls.Config // nil: the system's authorities
	Prefix             string      // DefaultPrefix where it is ""
	// Mapped are further topics, of cabinets that cannot be changed. None may
	// overlap another or those under the prefix.
	Mapped []Template
	// InFlight is how many messages are expected to be in hand without an
	// acknowledgement, DefaultInFlight where it is 0; as many again may wait in
	// Messages after a reconnect. It should be no less than what the broker
	// sends (max_inflight_messages), or a receiver that stands still for a minute
	// costs the connection, though no message.
	InFlight int
	// InHand is how many bytes of messages may be in hand before no more are
	// received, DefaultInHand where it is 0. The broker's own limit
	// (max_inflight_bytes) should be no higher, for the same reason.
	InHand int64
	Log    *slog.Logger     // nil: nothing is logged
	Now    func() time.Time // of Message.ArrivedAt and Status.Since; nil: time.Now
}

// Status is how the session stands.
type Status struct {
	Connected  bool
	Subscribed bool      // Connected, and all subscriptions stand
	Broker     string    // of the connection, "" without
	Since      time.Time // when Connected last changed; zero before the first connection
	LastError  string    // why it is not Connected or not Subscribed, or the last time was not
	Reconnects uint64    // connections after the first
	Waits      uint64    // how often no more was received for the size of what was in hand
}

// Session is a session with a broker. Its methods may be called at the same time.
type Session struct {
	o        Options
	messages chan *Message
	arrivals atomic.Uint64 // messages received, to see when it gets quiet

	stop   context.CancelFunc
	ended  chan struct{} // the goroutine that connects has ended
	ending chan struct{} // closed at the beginning of Close: what comes now is left to the broker
	closer sync.Once

	held *held // in hand, not acknowledged

	handing sync.RWMutex // held while a message is handed over
	closed  bool         // Messages is; under handing

	mu     sync.Mutex
	link   *Link // nil without a connection
	status Status
	logged string // the trouble that was logged last
}

// Open begins a session. It returns at once, whether or not a broker can be
// reached, and keeps trying until Close; only options of no use are an error.
// ctx gives its values, not its end.
func Open(ctx context.Context, o Options) (*Session, error) {
	if o.Prefix == "" {
		o.Prefix = DefaultPrefix
	}
	if o.InFlight == 0 {
		o.InFlight = DefaultInFlight
	}
	if o.InHand == 0 {
		o.InHand = DefaultInHand
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	o.Brokers, o.Mapped = slices.Clone(o.Brokers), slices.Clone(o.Mapped)
	s := &Session{
		o: o, messages: make(chan *Message, 2*o.InFlight), held: newHeld(),
		ended: make(chan struct{}), ending: make(chan struct{}),
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.stop = cancel
	go s.run(run)
	return s, nil
}

func (o *Options) check() error {
	var errs []error
	if len(o.Brokers) == 0 {
		errs = append(errs, errors.New("brokers: expected at least one, found none"))
	}
	for i, b := range o.Brokers {
		if err := CheckBroker(b); err != nil {
			errs = append(errs, fmt.Errorf("brokers[%d]: %w", i, err))
		}
	}
	if o.ClientID == "" || strings.ContainsRune(o.ClientID, 0) {
		errs = append(errs, fmt.Errorf("client id: expected a name that stays the same, found %q", o.ClientID))
	}
	if o.Username == "" && o.Password != "" {
		errs = append(errs, errors.New("username: expected one beside the password, found none"))
	}
	if o.InFlight < 1 || o.InFlight > 65535 {
		errs = append(errs, fmt.Errorf("in-flight window: expected 1 to 65535, found %d", o.InFlight))
	}
	errs = append(errs, CheckPrefix(o.Prefix))
	return errors.Join(errs...)
}

// Messages has every message, in the order of its arrival, as long as the
// session is open; it is closed by Close. When nothing is taken from it, the
// broker is slowed down, and no message is lost.
func (s *Session) Messages() <-chan *Message { return s.messages }

// Status returns how the session stands.
func (s *Session) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

// Publish sends a message at QoS 1 and returns nil when the broker has it.
// After an error the broker may have it all the same. Without a connection it
// returns [ErrNotConnected] at once. The payload must not be changed afterwards.
func (s *Session) Publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	s.mu.Lock()
	l := s.link
	s.mu.Unlock()
	if l == nil {
		return fmt.Errorf("publish to %s: %w", topic, ErrNotConnected)
	}
	if err := l.Publish(ctx, topic, retained, payload); err != nil {
		return fmt.Errorf("publish to %s: %w", topic, err)
	}
	return nil
}

const (
	quiet    = 50 * time.Millisecond
	quietFor = 500 * time.Millisecond
)

// Close ends the session's connection, but not the session, which the broker
// keeps. Acknowledgements given before leave before; messages not handed over
// are left to the broker. It waits no longer than ctx, and may be called again.
func (s *Session) Close(ctx context.Context) error {
	s.closer.Do(func() {
		close(s.ending)
		// A connection that is closed while the broker still sends is reset, and
		// takes the last acknowledgements with it: wait until it is quiet. It
		// gets quiet, since nothing more is acknowledged.
		s.settle(ctx)
		s.stop()
		<-s.ended
		s.mu.Lock()
		l := s.link
		s.link = nil
		s.status.Connected, s.status.Subscribed, s.status.Broker, s.status.Since = false, false, "", s.o.Now()
		s.mu.Unlock()
		if l != nil {
			l.Close()
		}
		s.handing.Lock()
		s.closed = true
		close(s.messages)
		s.handing.Unlock()
	})
	return ctx.Err()
}

func (s *Session) settle(ctx context.Context) {
	end := time.Now().Add(quietFor)
	for seen := s.arrivals.Load(); time.Now().Before(end); {
		if !pause(ctx, quiet) || s.arrivals.Load() == seen {
			return
		}
		seen = s.arrivals.Load()
	}
}

// receive hands a message over. It runs in the library's order, one at a time
// for each connection.
func (s *Session) receive(l *Link, msg *Message) {
	s.arrivals.Add(1)
	msg.ArrivedAt = s.o.Now()
	s.o.place(msg)
	s.handing.RLock()
	defer s.handing.RUnlock()
	if s.closed {
		return
	}
	select {
	case <-s.ending:
		return
	default:
	}
	select {
	case <-l.Gone():
		if msg.promised {
			return // it comes again, or has already
		}
	default:
	}
	if s.held.again(msg) {
		return
	}
	for l != nil {
		if s.hand(l, msg) {
			return
		}
		l = s.held.drop(msg, l)
	}
}

// hand hands a message over when there is room; false when the link is gone, so
// that it comes again, or the session ends, so that it stays at the broker.
func (s *Session) hand(l *Link, msg *Message) bool {
	if !s.roomy(l, s.o.InHand+msg.size) {
		return false
	}
	select {
	case s.messages <- msg:
		return true
	case <-l.Gone():
	case <-s.ending:
	}
	return false
}

// roomy waits until no more than so many bytes are in hand; false when the
// message is left to the broker.
func (s *Session) roomy(l *Link, most int64) bool {
	if !s.held.full(most) {
		return true
	}
	s.mu.Lock()
	s.status.Waits++
	s.mu.Unlock()
	for s.held.full(most) {
		select {
		case <-s.held.freed:
		case <-l.Gone():
			s.held.signal() // it may have been for the next connection
			return false
		case <-s.ending:
			return false
		}
	}
	s.held.signal()
	return true
}

// run connects, and connects again.
func (s *Session) run(ctx context.Context) {
	defer close(s.ended)
	wait := Backoff{Least: 250 * time.Millisecond, Most: 30 * time.Second}
	short := 0 // connections in a row that were over soon
	for {
		l, broker, err := s.connect(ctx)
		switch {
		case ctx.Err() != nil:
			if l != nil {
				l.Close()
			}
			return
		case err != nil:
			s.trouble("no connection to the broker; trying on", Reason(err))
			if !pause(ctx, wait.Next()) {
				return
			}
			continue
		}
		began := time.Now()
		s.up(l, broker)
		s.attend(ctx, l)
		if ctx.Err() != nil {
			return // Close ends the link
		}
		why := Reason(l.Err())
		if time.Since(began) > steady {
			short = 0
			wait.Reset()
		} else if short++; short >= 3 {
			why += " (does another client use the same client id?)"
		}
		s.down(why)
		if !pause(ctx, wait.Next()) {
			return
		}
	}
}

// steady is how long a connection must stand to be called good.
const steady = 5 * time.Second

// connect tries every broker once.
func (s *Session) connect(ctx context.Context) (l *Link, broker string, err error) {
	var errs []error
	for _, broker := range s.o.Brokers {
		l, err := Connect(ctx, LinkOptions{
			Broker: broker, ClientID: s.o.ClientID, Username: s.o.Username, Password: s.o.Password, TLS: s.o.TLS, Receive: s.receive,
		})
		if err == nil {
			return l, broker, nil
		}
		errs = append(errs, err)
	}
	if len(errs) == 1 {
		return nil, "", errs[0]
	}
	parts := make([]string, len(errs))
	for i, err := range errs {
		parts[i] = Reason(err)
	}
	return nil, "", errors.New(strings.Join(parts, "; "))
}

// attend subscribes and stays with the link until it is lost or ctx ends.
func (s *Session) attend(ctx context.Context, l *Link) {
	wait := Backoff{Least: 2 * time.Second, Most: time.Minute}
	for {
		err := l.Subscribe(ctx, s.o.Filters()...)
		if err == nil {
			s.subscribed()
			select {
			case <-l.Lost():
			case <-ctx.Done():
			}
			return
		}
		if ctx.Err() != nil {
			return
		}
		select {
		case <-l.Lost():
			return
		default:
		}
		s.trouble("not subscribed; trying on", err.Error())
		if _, refused := errors.AsType[RefusedFilter](err); !refused {
			_ = l.conn.Close() // no use without subscriptions
			<-l.Lost()
			return
		}
		again := time.NewTimer(wait.Next())
		select {
		case <-l.Lost():
		case <-ctx.Done():
		case <-again.C:
			continue
		}
		again.Stop()
		return
	}
}

func (s *Session) up(l *Link, broker string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.status.Since.IsZero() {
		s.status.Reconnects++
	}
	s.link = l
	s.status.Connected, s.status.Broker, s.status.Since = true, broker, s.o.Now()
}

func (s *Session) subscribed() {
	s.mu.Lock()
	s.status.Subscribed = true
	s.logged = ""
	s.o.Log.Info("connected to the broker", "broker", s.status.Broker, "client_id", s.o.ClientID, "reconnects", s.status.Reconnects)
	s.mu.Unlock()
}

func (s *Session) down(why string) {
	s.mu.Lock()
	s.link = nil
	s.status.Connected, s.status.Subscribed, s.status.Broker, s.status.Since = false, false, "", s.o.Now()
	s.mu.Unlock()
	s.trouble("connection to the broker lost; trying on", why)
}

// trouble notes why the session does not stand, and logs it when it changes.
func (s *Session) trouble(what, why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.status.LastError = why
	if s.logged != why {
		s.logged = why
		s.o.Log.Warn(what, "brokers", s.o.Brokers, "error", why)
	}
}

// Backoff doubles a pause from attempt to attempt, from Least up to Most, and
// takes a random half of it away, so that many who lost the same broker do not
// come back all at once.
type Backoff struct {
	Least, Most time.Duration
	now         time.Duration
}

// Next returns how long to wait before the next attempt.
func (b *Backoff) Next() time.Duration {
	b.now = min(max(b.Least, 2*b.now), b.Most)
	return b.now/2 + rand.N(b.now/2+1)
}

// Reset begins again with Least.
func (b *Backoff) Reset() { b.now = 0 }

// pause waits, or returns false when the context ends before.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
