// Package lineside is the cabinet's side: it numbers throws, keeps them on disk
// and sends them until Throwline says that they are stored.
//
// A broker's acknowledgement says that the broker has a throw, not that it
// will survive the broker's end. So a throw leaves the spool only when a receipt
// of Throwline covers its number; what a receipt lacks is sent again, and
// after a reconnect so is what no receipt covers yet. A throw may therefore
// arrive more than once; its key is always the same.
package lineside

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// Encoding is how throws are written.
type Encoding uint8

const (
	JSON Encoding = iota
	CBOR          // about half the bytes, read several times as fast
)

// Options is what a cabinet needs.
type Options struct {
	Broker             string // as in [mqtt.Options.Brokers]
	Prefix             string // mqtt.DefaultPrefix where it is ""
	Cabinet            string // its name; part of its client id, so no two may share it
	Agent              string // the cabinet's software, for people; may be ""
	Username, Password string
	TLS                *tls.Config // nil: the system's authorities
	Encoding           Encoding

	// SpoolDir is a folder of the cabinet's own; "" keeps throws in memory,
	// where a restart loses those that are not stored yet.
	SpoolDir   string
	SpoolBytes int64 // the most the spool may hold, 1 GiB where it is 0
	// NoSync lets Send return before the throw is on disk: a power cut may lose
	// the last ones.
	NoSync bool
	Window int // throws on their way to the broker, 64 where it is 0

	// Resend is how long a receipt has to come before a throw is sent again,
	// where there is reason to; 2 s where it is 0.
	Resend time.Duration
	Log    *slog.Logger     // nil: nothing is logged
	Now    func() time.Time // the time in the cabinet's state; nil: time.Now
}

const (
	defaultBytes  = 1 << 30
	defaultWindow = 64
	defaultResend = 2 * time.Second
)

// Cabinet sends throws. Its methods may be called at the same time.
type Cabinet struct {
	o     Options
	boot  string
	spool *spool // nil: in memory

	stop  context.CancelFunc
	ended chan struct{}
	wake  chan struct{} // has one when there may be something to do

	mu     sync.Mutex
	queue  queue
	link   *mqtt.Link // nil without a connection
	closed bool
	logged string // the trouble that was logged last
}

// Open starts a cabinet. It returns at once, whether or not the broker can be
// reached, and keeps trying until Close. Throws left in the spool are sent
// first, numbered anew. ctx gives its values, not its end.
func Open(ctx context.Context, o Options) (*Cabinet, error) {
	if o.Prefix == "" {
		o.Prefix = mqtt.DefaultPrefix
	}
	if o.SpoolBytes == 0 {
		o.SpoolBytes = defaultBytes
	}
	if o.Window == 0 {
		o.Window = defaultWindow
	}
	if o.Resend == 0 {
		o.Resend = defaultResend
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	o.Log = o.Log.With("cabinet", o.Cabinet)
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("cabinet %q: %w", o.Cabinet, err)
	}
	c := &Cabinet{o: o, boot: rand.Text(), ended: make(chan struct{}), wake: make(chan struct{}, 1)}
	if o.SpoolDir != "" {
		s, found, damage, err := openSpool(o.SpoolDir, o.SpoolBytes)
		if err != nil {
			return nil, fmt.Errorf("cabinet %q: %w", o.Cabinet, err)
		}
		for _, d := range damage {
			o.Log.Warn("part of the spool was lost", "where", d)
		}
		c.spool = s
		for _, k := range found {
			c.queue.add(item{turnout: k.turnout, record: k.number, place: k.place, former: true})
		}
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	c.stop = cancel
	go c.run(run)
	return c, nil
}

func (o *Options) check() error {
	var errs []error
	if !ingest.ValidName(o.Cabinet) {
		errs = append(errs, fmt.Errorf("name: expected 1 to 64 of A-Z a-z 0-9 . _ -, found %q", o.Cabinet))
	}
	if o.Window < 1 || o.Window > 10_000 {
		errs = append(errs, fmt.Errorf("window: expected 1 to 10000, found %d", o.Window))
	}
	if o.SpoolBytes < segmentBytes {
		errs = append(errs, fmt.Errorf("spool: expected at least %d bytes, found %d", segmentBytes, o.SpoolBytes))
	}
	if o.Resend < 0 {
		errs = append(errs, fmt.Errorf("resend: expected a time above 0, found %s", o.Resend))
	}
	if o.Encoding > CBOR {
		errs = append(errs, fmt.Errorf("encoding: expected JSON or CBOR, found %d", o.Encoding))
	}
	errs = append(errs, mqtt.CheckBroker(o.Broker), mqtt.CheckPrefix(o.Prefix))
	return errors.Join(errs...)
}

// ErrClosed means that the cabinet was closed.
var ErrClosed = errors.New("the cabinet is closed")

// Send takes a throw. When it returns nil, the throw is on disk and will be
// sent, with a boot and sequence of the cabinet's, until it is stored. t is not
// changed. A throw that breaks a rule of the contract is an [*ingest.Refusal];
// [ErrFull] means that the spool has no room.
func (c *Cabinet) Send(ctx context.Context, t *ingest.Throw) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	numbered := *t
	numbered.Boot, numbered.Sequence = "", 0
	if err := numbered.Validate(time.Time{}); err != nil {
		return fmt.Errorf("throw of turnout %q: %w", t.Turnout, err)
	}
	record, err := c.take(&numbered)
	if err != nil {
		return fmt.Errorf("throw of turnout %q: %w", t.Turnout, err)
	}
	if c.spool != nil && !c.o.NoSync {
		if err := c.spool.sync(record); err != nil {
			return fmt.Errorf("throw of turnout %q: %w", t.Turnout, err)
		}
	}
	return nil
}

// take numbers the throw, puts it at the end of the spool and of the queue, and
// returns the number of its record in the spool.
func (c *Cabinet) take(t *ingest.Throw) (record uint64, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return 0, ErrClosed
	}
	t.Boot, t.Sequence = c.boot, c.queue.end()+1
	payload := c.encode(t)
	it := item{turnout: t.Turnout, payload: payload}
	if c.spool == nil {
		if c.queue.held+int64(len(payload)) > c.o.SpoolBytes {
			return 0, fmt.Errorf("spool of %d bytes: %w", c.o.SpoolBytes, ErrFull)
		}
	} else {
		if it.record, it.place, err = c.spool.append(t.Turnout, payload); err != nil {
			return 0, err
		}
		if c.queue.held > heldBytes {
			it.payload = nil // read when its turn comes
		}
	}
	c.queue.add(it)
	c.rouse()
	return it.record, nil
}

// heldBytes is how much of the spool is held in memory too.
const heldBytes = 4 << 20

func (c *Cabinet) encode(t *ingest.Throw) []byte {
	if c.o.Encoding == CBOR {
		return wire.AppendThrowCBOR(nil, t)
	}
	return wire.AppendThrow(nil, t)
}

// Conditions sends what the cabinet measured of its surroundings; Cabinet is
// set. It is not kept: without a connection the error is [mqtt.ErrNotConnected].
func (c *Cabinet) Conditions(ctx context.Context, m ingest.Conditions) error {
	m.Cabinet = c.o.Cabinet
	if err := m.Validate(time.Time{}); err != nil {
		return fmt.Errorf("conditions: %w", err)
	}
	c.mu.Lock()
	l := c.link
	c.mu.Unlock()
	if l == nil {
		return fmt.Errorf("conditions: %w", mqtt.ErrNotConnected)
	}
	if err := l.Publish(ctx, mqtt.ConditionsTopic(c.o.Prefix, c.o.Cabinet), false, wire.AppendConditions(nil, &m)); err != nil {
		return fmt.Errorf("conditions: %w", err)
	}
	return nil
}

// Pending returns how many throws are not known to be stored yet.
func (c *Cabinet) Pending() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.queue.pending
}

// Connected reports whether there is a connection to the broker.
func (c *Cabinet) Connected() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.link != nil
}

// Flush waits until nothing is pending, or ctx ends.
func (c *Cabinet) Flush(ctx context.Context) error {
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for c.Pending() > 0 {
		select {
		case <-ctx.Done():
			return fmt.Errorf("cabinet %q: %d throws not known to be stored: %w", c.o.Cabinet, c.Pending(), ctx.Err())
		case <-look.C:
		}
	}
	return nil
}

// Close says that the cabinet goes offline and ends its connection. What is
// pending stays in the spool. It may be called again.
func (c *Cabinet) Close(ctx context.Context) error {
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return nil
	}
	c.closed = true
	l := c.link
	c.mu.Unlock()
	if l != nil {
		farewell, cancel := context.WithTimeout(ctx, 2*time.Second)
		defer cancel()
		if err := c.tellState(farewell, l, false); err != nil {
			c.o.Log.Warn("going offline was not told", "error", err)
		}
	}
	c.stop()
	<-c.ended
	if c.spool == nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.spool.close(c.needed()); err != nil {
		return fmt.Errorf("cabinet %q: %w", c.o.Cabinet, err)
	}
	return nil
}

// needed returns the first record of the spool that is needed still.
func (c *Cabinet) needed() uint64 {
	if len(c.queue.items) == 0 {
		return c.spool.end()
	}
	return c.queue.items[0].record
}

func (c *Cabinet) state(online bool) []byte {
	return wire.AppendState(nil, &ingest.CabinetState{Cabinet: c.o.Cabinet, Online: online, At: c.o.Now(), Agent: c.o.Agent})
}

func (c *Cabinet) tellState(ctx context.Context, l *mqtt.Link, online bool) error {
	return l.Publish(ctx, mqtt.StateTopic(c.o.Prefix, c.o.Cabinet), true, c.state(online))
}

func (c *Cabinet) rouse() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}
