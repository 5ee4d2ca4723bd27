package lineside

import (
	"context"
	"strings"
	"time"

	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// run connects, and connects again, until ctx ends.
func (c *Cabinet) run(ctx context.Context) {
	defer close(c.ended)
	wait := mqtt.Backoff{Least: 500 * time.Millisecond, Most: time.Minute}
	for ctx.Err() == nil {
		began := time.Now()
		err := c.attend(ctx)
		if ctx.Err() != nil {
			return
		}
		c.trouble(mqtt.Reason(err))
		if time.Since(began) > steady {
			wait.Reset()
		}
		t := time.NewTimer(wait.Next())
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
	}
}

// steady is how long a connection must stand to be called good.
const steady = 10 * time.Second

// clientID is a cabinet's name for itself. The broker inside the program takes no
// dots there; a colon, which no name has, stands for one.
func clientID(cabinet string) string {
	return "throwline-cabinet-" + strings.ReplaceAll(cabinet, ".", ":")
}

// attend connects, and sends until the connection is lost or ctx ends.
func (c *Cabinet) attend(ctx context.Context) error {
	decoder := wire.NewDecoder(wire.Limits{}) // of receipts, which come one at a time
	receipts := mqtt.ReceiptTopic(c.o.Prefix, c.o.Cabinet)
	l, err := mqtt.Connect(ctx, mqtt.LinkOptions{
		Broker: c.o.Broker, ClientID: clientID(c.o.Cabinet),
		Username: c.o.Username, Password: c.o.Password, TLS: c.o.TLS,
		Forget:    true, // receipts are retained, and nothing else is received
		WillTopic: mqtt.StateTopic(c.o.Prefix, c.o.Cabinet), Will: c.state(false),
		Receive: func(_ *mqtt.Link, m *mqtt.Message) {
			if m.Topic == receipts {
				c.hear(decoder, m.Payload, m.Retained)
			}
			m.Ack()
		},
	})
	if err != nil {
		return err
	}
	defer l.Close()
	if err := l.Subscribe(ctx, receipts); err != nil {
		return err // without receipts the spool would only grow
	}
	if err := c.tellState(ctx, l, true); err != nil {
		return err
	}
	c.mu.Lock()
	c.link = l
	c.logged = ""
	c.queue.connected(time.Now(), c.o.Resend)
	number := c.queue.link
	c.o.Log.Info("connected to the broker", "broker", c.o.Broker, "pending", c.queue.pending)
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		c.link = nil
		c.mu.Unlock()
	}()
	return c.send(ctx, l, number)
}

// send sends what waits, at most a window of it at a time.
func (c *Cabinet) send(ctx context.Context, l *mqtt.Link, link uint64) error {
	window := make(chan struct{}, c.o.Window)
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		select {
		case window <- struct{}{}:
		case <-l.Gone():
			return lost(l)
		case <-ctx.Done():
			return ctx.Err()
		}
		n, topic, payload, next := c.pick()
		if payload != nil {
			l.Begin(topic, false, payload, func(err error) {
				c.mu.Lock()
				c.queue.settled(n, link, err == nil, time.Now())
				c.mu.Unlock()
				<-window
				c.rouse()
			})
			select {
			case <-l.Gone():
				return lost(l)
			default:
				continue
			}
		}
		<-window
		pause := time.Hour
		if !next.IsZero() {
			pause = max(time.Until(next), time.Millisecond)
		}
		timer.Reset(pause)
		select {
		case <-c.wake:
		case <-timer.C:
		case <-l.Gone():
			return lost(l)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// lost waits until nothing of the link runs any more and says why it was lost.
func lost(l *mqtt.Link) error {
	<-l.Lost()
	return l.Err()
}

// pick takes the next throw to send; without one, payload is nil and next says
// when to look again.
func (c *Cabinet) pick() (n uint64, topic string, payload []byte, next time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for {
		var ok bool
		if n, ok = c.queue.next(); !ok {
			next = c.queue.review(time.Now(), c.o.Resend)
			if n, ok = c.queue.next(); !ok {
				return 0, "", nil, next
			}
		}
		it := c.queue.at(n)
		payload = it.payload
		if payload == nil {
			var err error
			if payload, err = c.spool.payload(it.place); err != nil {
				// It must not hold up those behind it. Its segment stays for the next start.
				c.o.Log.Error("the disk does not give back a throw of the spool; it is left out until the next start", "turnout", it.turnout, "error", err)
				c.queue.cover(n)
				continue
			}
		}
		if it.former {
			// A receipt counts the numbers of one boot only.
			t, err := wire.NewDecoder(wire.Limits{}).Throw(payload)
			if err != nil {
				c.o.Log.Error("a throw in the spool cannot be read and is dropped", "turnout", it.turnout, "error", err)
				c.queue.cover(n) // its number stays a gap in the count
				continue
			}
			t.Boot, t.Sequence = c.boot, n+1
			payload = c.encode(t)
		}
		c.queue.send(n)
		return n, mqtt.ThrowTopic(c.o.Prefix, c.o.Cabinet, it.turnout), payload, next
	}
}

// hear takes a receipt; kept says that the broker had kept it.
func (c *Cabinet) hear(d *wire.Decoder, payload []byte, kept bool) {
	r, err := d.Receipt(payload)
	if err != nil {
		c.o.Log.Warn("a receipt cannot be read", "error", err)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return
	}
	switch progress := r.Boot == c.boot && c.queue.take(r); {
	case progress && c.spool != nil:
		if err := c.spool.release(c.needed()); err != nil {
			c.o.Log.Warn("the spool cannot be tidied", "error", err)
		}
	case !progress && !kept:
		c.queue.receivedAgain(time.Now())
	}
	c.rouse()
}

// trouble logs why there is no connection, when it changes.
func (c *Cabinet) trouble(why string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if why == "" {
		why = "the connection ended"
	}
	if c.logged != why {
		c.logged = why
		c.o.Log.Warn("no connection to the broker; trying on", "broker", c.o.Broker, "error", why, "pending", c.queue.pending)
	}
}
