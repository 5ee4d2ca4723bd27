package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/daemon/store"
)

// Messages are entered with what they tell of and sent from here: one goroutine
// a target, so that one that is down delays no other. What was sent and not
// noted as such before a crash is sent again, under the same key.
const (
	sendBatch   = 32
	sendLook    = 5 * time.Second // how often a target looks for what has become due
	sendWait    = time.Minute     // for one message, at most
	leastPutOff = 10 * time.Second
	mostPutOff  = time.Hour
	sendFor     = 7 * 24 * time.Hour // after which one is given up
	outboxKept  = 90 * 24 * time.Hour
)

// courier sends to one target.
type courier struct {
	d      *Daemon
	name   string
	config *notify.Config
	target notify.Target
	wake   chan struct{}
	end    context.CancelFunc
	seldom seldom
	before *courier      // that went to a target of this name, to be waited for; nil: none
	done   chan struct{} // closed when it has ended; nil: it never began

	// What became of a message and could not be noted, by its number: it is not
	// sent again for that.
	unsaid map[int64]func(*store.Tx) error
}

// couriers are those at work.
type couriers struct {
	mu   sync.Mutex
	list []*courier
	run  context.Context // in which they work; nil: they have not begun
	all  sync.WaitGroup
}

// hire makes couriers for targets. One whose target is as it was stays.
func (d *Daemon) hire(targets notify.Targets) (list []*courier, err error) {
	d.couriers.mu.Lock()
	defer d.couriers.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(targets)) {
		i := slices.IndexFunc(d.couriers.list, func(c *courier) bool { return c.name == name && reflect.DeepEqual(c.config, targets[name]) })
		if i >= 0 {
			list = append(list, d.couriers.list[i])
			continue
		}
		t, err := notify.New(name, targets[name], notify.Options{Publisher: d.session})
		if err != nil {
			return nil, fmt.Errorf("target %q (targets): %w", name, err)
		}
		list = append(list, &courier{d: d, seldom: seldom{log: d.o.Log}, name: name, config: targets[name], target: t, wake: make(chan struct{}, 1), end: func() {}, unsaid: map[int64]func(*store.Tx) error{}})
	}
	return list, nil
}

// set has these couriers work, and no others.
func (s *couriers) set(list []*courier) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.list {
		if !slices.Contains(list, c) {
			c.end()
		}
	}
	was := s.list
	s.list = list
	if s.run == nil {
		return
	}
	for _, c := range list {
		if slices.Contains(was, c) {
			continue
		}
		for _, o := range was {
			if o.name == c.name {
				c.before = o // it may have a message in hand
			}
		}
		s.send(c)
	}
}

// send sends a courier off; the caller holds the lock.
func (s *couriers) send(c *courier) {
	ctx, end := context.WithCancel(s.run)
	c.end, c.done = end, make(chan struct{})
	s.all.Go(func() {
		defer close(c.done)
		if c.before != nil && c.before.done != nil {
			<-c.before.done
		}
		c.before = nil
		c.run(ctx)
	})
}

// work has the couriers work until the context ends, and then waits for them.
func (s *couriers) work(ctx context.Context) {
	s.mu.Lock()
	s.run = ctx
	for _, c := range s.list {
		s.send(c)
	}
	s.mu.Unlock()
	<-ctx.Done()
	s.mu.Lock() // none begins now
	defer s.mu.Unlock()
	s.all.Wait()
}

// find returns the courier of a target, or nil.
func (s *couriers) find(target string) *courier {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.list {
		if c.name == target {
			return c
		}
	}
	return nil
}

// nudge tells the couriers that there is something to send.
func (d *Daemon) nudge() {
	d.couriers.mu.Lock()
	defer d.couriers.mu.Unlock()
	for _, c := range d.couriers.list {
		select {
		case c.wake <- struct{}{}:
		default:
		}
	}
}

func (c *courier) run(ctx context.Context) {
	var repeat <-chan time.Time
	if r, ok := c.target.(notify.Repeater); ok {
		ticker := time.NewTicker(r.Every())
		defer ticker.Stop()
		repeat = ticker.C
		c.repeat(ctx, r)
	}
	look := time.NewTicker(sendLook)
	defer look.Stop()
	for ctx.Err() == nil {
		for c.sendDue(ctx) { // there may be more
		}
		select {
		case <-ctx.Done():
		case <-c.wake:
		case <-look.C:
		case <-repeat:
			if r, ok := c.target.(notify.Repeater); ok {
				c.repeat(ctx, r)
			}
		}
	}
}

// repeat tells a target that forgets of all that still calls.
func (c *courier) repeat(ctx context.Context, r notify.Repeater) {
	var standing []alerting.Message
	for _, x := range c.d.Cases() {
		if x.Open() && !x.Standing.Hidden() && c.d.clerk.knows(x.ID, c.name) {
			standing = append(standing, alerting.Message{
				Key: x.ID, Reason: alerting.Reminder, At: c.d.Now(), Alert: x.Alert, Place: x.Place, Link: c.d.clerk.linkTo(&x.Alert), Caution: alerting.Caution,
			})
		}
	}
	try, cancel := context.WithTimeout(ctx, sendWait)
	defer cancel()
	if err := r.Repeat(try, standing); err != nil && ctx.Err() == nil {
		c.seldom.warn("a target could not be told again of what still stands", "target", c.name, "error", err)
	}
}

// sendDue sends what is due, and reports whether to look again at once.
func (c *courier) sendDue(ctx context.Context) bool {
	list, err := c.d.store.DueOutgoing(ctx, c.name, c.d.Now(), sendBatch)
	if err != nil {
		if ctx.Err() == nil {
			c.seldom.warn("what is to be sent cannot be read", "target", c.name, "error", err)
		}
		return false
	}
	progress := false
	for i := range list {
		if ctx.Err() != nil {
			return false
		}
		done, err := c.send(ctx, &list[i])
		if err != nil {
			if ctx.Err() == nil {
				c.seldom.warn("what became of a message cannot be noted; that is tried again, the message is not sent again", "target", c.name, "error", err)
			}
			return false
		}
		progress = progress || done
	}
	return progress
}

// send sends one message and notes what became of it. done: it is not tried again.
func (c *courier) send(ctx context.Context, o *store.Outgoing) (done bool, err error) {
	if note := c.unsaid[o.ID]; note != nil {
		return c.note(ctx, o.ID, true, note)
	}
	var m alerting.Message
	failure := json.Unmarshal(o.Body, &m)
	permanent := failure != nil
	if failure == nil && o.Tries > 0 && c.d.sureNow().Sub(o.Since) > sendFor {
		// Nobody is helped by what was news a week ago; but what was never tried may
		// look old by a clock alone.
		permanent, failure = true, errors.New("it waited for longer than "+about(sendFor))
	}
	if failure == nil {
		try, cancel := context.WithTimeout(ctx, sendWait)
		var pictures []notify.Picture
		if c.config.Mail != nil || c.config.Webhook != nil && c.config.Webhook.Pictures {
			pictures = c.d.pictures(try, &m)
		}
		failure = c.target.Send(try, m, pictures)
		cancel()
		if ctx.Err() != nil && failure != nil {
			return false, ctx.Err() // we stop; it is no fault of the target
		}
	}
	now := c.d.Now()
	if failure == nil {
		c.d.metrics.sent(c.name, "sent")
		return c.note(ctx, o.ID, true, func(tx *store.Tx) error { return tx.Sent(o.ID, now, "sent") })
	}
	var f *notify.Failure
	after := time.Duration(0)
	if errors.As(failure, &f) {
		permanent, after = f.Permanent, f.After
	}
	outcome := failure.Error()
	c.seldom.warn("a message could not be sent", "target", c.name, "reason", o.Reason, "turnout", o.Turnout, "tries", o.Tries+1, "given_up", permanent, "error", failure)
	if permanent {
		c.d.metrics.sent(c.name, "given up")
		return c.note(ctx, o.ID, true, func(tx *store.Tx) error { return tx.GiveUp(o.ID, now, outcome) })
	}
	c.d.metrics.sent(c.name, "failed")
	if after == 0 {
		after = min(leastPutOff<<min(o.Tries, 12), mostPutOff)
		after += rand.N(after/4 + 1)
	}
	return c.note(ctx, o.ID, false, func(tx *store.Tx) error { return tx.PutOff(o.ID, now, now.Add(after), outcome, o.Tries+1) })
}

// note enters what became of a message; what cannot be entered now is
// remembered, and entered before the message is looked at again.
func (c *courier) note(ctx context.Context, id int64, done bool, enter func(*store.Tx) error) (bool, error) {
	if err := c.d.store.Update(context.WithoutCancel(ctx), enter); err != nil {
		c.unsaid[id] = enter
		return false, err
	}
	delete(c.unsaid, id)
	return done, nil
}

// abandon gives up what waits for targets that are in no configuration any
// more, once it is too old to be of use.
func (d *Daemon) abandon(ctx context.Context) error {
	states, err := d.store.OutboxState(ctx)
	if err != nil {
		return err
	}
	now := d.sureNow()
	for _, s := range states {
		if s.Waiting == 0 || d.couriers.find(s.Target) != nil {
			continue
		}
		list, err := d.store.DueOutgoing(ctx, s.Target, now.Add(10*mostPutOff), retainStep)
		if err != nil {
			return err
		}
		for _, o := range list {
			if now.Sub(o.Since) <= sendFor {
				continue
			}
			if err := d.store.Update(ctx, func(tx *store.Tx) error { return tx.GiveUp(o.ID, now, "its target is in no configuration any more") }); err != nil {
				return err
			}
		}
	}
	return nil
}

// knows reports whether a target was told that the alert stands.
func (c *clerk) knows(alert, target string) bool {
	c.mu.RLock()
	defer c.mu.RUnlock()
	h := c.cases[alert]
	return h != nil && h.told.Known[target] > 0
}
