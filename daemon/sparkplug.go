package daemon

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/sparkplug"
	"throwline/ingest/wire"
)

// sparkHost is the program as a host application of Sparkplug. It has a
// connection of its own: the specification wants a clean session, while that
// of the contract's cabinets is kept by the broker.
//
//	connection ──▶ arrived ──▶ host (run, in order) ──▶ parcels ──▶ take, as all
type sparkHost struct {
	set     *SparkplugConfig
	throws  []sparkThrow
	cabinet naming
	limits  sparkplug.Settings
	link    mqtt.LinkOptions
	brokers []string
	log     *slog.Logger
	now     func() time.Time

	arrived chan *mqtt.Message
	bytes   atomic.Int64  // of arrived
	room    chan struct{} // has one when bytes may have become fewer
	parcels chan *parcel
	wanted  chan sparkplug.Topic // to be asked for a rebirth
	again   chan struct{}        // has one when our own STATE says that we are gone

	mu     sync.Mutex
	status mqtt.Status
	tally  sparkplug.Tally
	logged string
}

// Room for what comes faster than it is read. At QoS 0 the broker drops what
// finds none.
const (
	sparkRoom   = 1024
	sparkBytes  = 64 << 20
	sparkAsking = 4096
	sparkTick   = time.Second
)

// sparkAgent is what a cabinet of Sparkplug has for its software; by it, its
// edge node is known after a restart.
const sparkAgent = "Sparkplug B edge node "

func newSparkHost(c *Config, secure *tls.Config, log *slog.Logger, now func() time.Time) *sparkHost {
	set := &c.MQTT.Sparkplug
	h := &sparkHost{
		set: set, cabinet: naming(set.Cabinet), brokers: c.MQTT.Brokers, log: log, now: now,
		throws:  set.throws(func(string, string, string) {}), // it was checked when it was read
		arrived: make(chan *mqtt.Message, sparkRoom), room: make(chan struct{}, 1), parcels: make(chan *parcel),
		wanted: make(chan sparkplug.Topic, sparkAsking), again: make(chan struct{}, 1),
	}
	h.limits = set.settings(h.throws, c.Limits.wireLimits(), c.Limits.Turnouts)
	h.link = mqtt.LinkOptions{ClientID: c.MQTT.ClientID + "-sparkplug", Username: c.MQTT.Username, Password: c.MQTT.Password, TLS: secure, Forget: true}
	if set.HostID != "" {
		h.link.WillTopic = sparkplug.StateTopic(set.HostID)
	}
	return h
}

// Status returns how the connection stands, and what came over it.
func (h *sparkHost) Status() (mqtt.Status, sparkplug.Tally) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.status, h.tally
}

func (h *sparkHost) stands(connected, subscribed bool, broker, why string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if connected && !h.status.Connected && !h.status.Since.IsZero() {
		h.status.Reconnects++
	}
	if connected != h.status.Connected || subscribed != h.status.Subscribed {
		h.status.Since = h.now()
	}
	h.status.Connected, h.status.Subscribed, h.status.Broker = connected, subscribed, broker
	switch {
	case subscribed:
		h.logged = ""
		h.log.Info("connected to the broker for Sparkplug", "broker", broker, "client_id", h.link.ClientID, "host_id", h.set.HostID)
	case why != "":
		h.status.LastError = why
		if h.logged != why {
			h.logged = why
			h.log.Warn("no connection to the broker for Sparkplug; trying on", "error", why)
		}
	}
}

// run connects, and connects again, until the context ends. expected are edge
// nodes that were known before.
func (h *sparkHost) run(ctx context.Context, expected []sparkplug.Topic) {
	defer close(h.parcels)
	host := sparkplug.NewHost(h.limits)
	for _, t := range expected {
		host.Expect(t.Group, t.Node)
	}
	wait := mqtt.Backoff{Least: 250 * time.Millisecond, Most: 30 * time.Second}
	for {
		began := h.now()
		why := h.attend(ctx, host)
		if ctx.Err() != nil {
			return
		}
		h.stands(false, false, "", why.Error())
		if !h.rest(ctx, host) {
			return
		}
		if h.now().Sub(began) > time.Minute {
			wait.Reset()
		}
		if !pause(ctx, wait.Next()) {
			return
		}
	}
}

// attend stays with one connection until it is lost or the context ends.
func (h *sparkHost) attend(ctx context.Context, host *sparkplug.Host) error {
	l, broker, began, err := h.connect(ctx)
	if err != nil {
		return err
	}
	state := func(ctx context.Context, online bool, at time.Time) error {
		if h.set.HostID == "" {
			return nil
		}
		return l.Publish(ctx, h.link.WillTopic, true, sparkplug.StatePayload(online, uint64(at.UnixMilli())))
	}
	defer func() {
		if ctx.Err() != nil { // we go: say so, as the Will would
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			if err := state(last, false, h.now()); err != nil && !errors.Is(err, mqtt.ErrNotConnected) {
				h.log.Warn("could not say that this Sparkplug host goes", "error", err)
			}
			cancel()
		}
		l.Close()
	}()
	h.stands(true, false, broker, "")
	if !h.rest(ctx, host) { // stragglers of the connection before
		return ctx.Err()
	}
	for len(h.again) > 0 {
		<-h.again
	}
	// Messages may come before the broker's answer: the host must be ready.
	if !h.take(ctx, host, host.Connected(h.now()), true) {
		return ctx.Err()
	}
	// What runs beside is of this connection, and ends with it.
	beside, cancel := context.WithCancel(ctx)
	var others sync.WaitGroup
	defer others.Wait()
	defer cancel()
	trouble := make(chan error, 1)
	others.Go(func() {
		err := l.Subscribe(beside, h.set.filters()...)
		if err == nil {
			err = state(beside, true, began)
		}
		if err != nil {
			trouble <- err
			return
		}
		h.stands(true, true, broker, "")
		h.talk(beside, l, func() error { return state(beside, true, began) })
	})
	tick := time.NewTicker(sparkTick)
	defer tick.Stop()
	for {
		var events []sparkplug.Event
		counted := false
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-l.Lost():
			return errors.New(mqtt.Reason(l.Err()))
		case err := <-trouble:
			return err
		case m := <-h.arrived:
			m.Ack() // nothing is sent again to a clean session
			events = h.hear(host, m)
		case <-tick.C:
			events, counted = host.Tick(h.now()), true
		}
		if !h.take(ctx, host, events, counted) {
			return ctx.Err()
		}
	}
}

// connect tries every broker once. began is the time in the Will.
func (h *sparkHost) connect(ctx context.Context) (l *mqtt.Link, broker string, began time.Time, err error) {
	var errs []error
	for _, b := range h.brokers {
		o := h.link
		o.Broker, began = b, h.now()
		if o.WillTopic != "" {
			o.Will = sparkplug.StatePayload(false, uint64(began.UnixMilli()))
		}
		o.Receive = func(l *mqtt.Link, m *mqtt.Message) {
			m.ArrivedAt = h.now()
			h.receive(m, l.Gone(), ctx.Done())
		}
		if l, err = mqtt.Connect(ctx, o); err == nil {
			return l, b, began, nil
		}
		errs = append(errs, errors.New(mqtt.Reason(err)))
	}
	return nil, "", began, errors.Join(errs...)
}

// receive lets a message wait for its turn, and the broker for room.
func (h *sparkHost) receive(m *mqtt.Message, gone, done <-chan struct{}) {
	for h.bytes.Load() > sparkBytes {
		select {
		case <-h.room:
		case <-gone:
			h.roomier() // what we took may have been another connection's
			return
		case <-done:
			return
		}
	}
	h.roomier()
	h.bytes.Add(sparkSize(m))
	select {
	case h.arrived <- m:
		return
	case <-gone:
	case <-done:
	}
	h.bytes.Add(-sparkSize(m))
	h.roomier()
}

func sparkSize(m *mqtt.Message) int64 { return int64(len(m.Topic) + len(m.Payload)) }

func (h *sparkHost) roomier() {
	select {
	case h.room <- struct{}{}:
	default:
	}
}

// hear takes a message that has waited for its turn.
func (h *sparkHost) hear(host *sparkplug.Host, m *mqtt.Message) []sparkplug.Event {
	h.bytes.Add(-sparkSize(m))
	h.roomier()
	if h.set.HostID != "" && m.Topic == h.link.WillTopic {
		h.heardOfUs(m.Payload)
		return nil
	}
	return host.Take(m.Topic, m.Payload, m.ArrivedAt)
}

// rest takes what a connection that is gone has left; false when the context
// ends. Nobody is asked for births by it: all are with the next connection.
func (h *sparkHost) rest(ctx context.Context, host *sparkplug.Host) bool {
	for {
		select {
		case m := <-h.arrived:
			events := slices.DeleteFunc(h.hear(host, m), func(e sparkplug.Event) bool { return e.Kind == sparkplug.Ask })
			if !h.take(ctx, host, events, false) {
				return false
			}
		default:
			return true
		}
	}
}

// heardOfUs answers a STATE of our own that says that we are gone: an older
// connection's Will, come late.
func (h *sparkHost) heardOfUs(payload []byte) {
	if strings.Contains(strings.ReplaceAll(string(payload), " ", ""), `"online":false`) {
		select {
		case h.again <- struct{}{}:
		default:
		}
	}
}

// talk sends what is asked of edge nodes, and says that we are there.
func (h *sparkHost) talk(ctx context.Context, l *mqtt.Link, online func() error) {
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-h.again:
			err = online()
		case t := <-h.wanted:
			err = l.Send(ctx, t.Command(), sparkplug.Rebirth(uint64(h.now().UnixMilli())))
		}
		if err != nil && ctx.Err() == nil {
			h.log.Warn("could not publish to edge nodes", "error", err)
		}
	}
}

// take makes parcels of what the host has learned, and looks at its counts;
// false when the context ends.
func (h *sparkHost) take(ctx context.Context, host *sparkplug.Host, events []sparkplug.Event, counted bool) bool {
	if counted {
		h.mu.Lock()
		h.tally = host.Tally()
		h.mu.Unlock()
	}
	for i := range events {
		e := &events[i]
		if e.Kind == sparkplug.Ask {
			h.log.Debug("asking for a rebirth", "group", e.Topic.Group, "edge_node", e.Topic.Node, "because", e.Why)
			select {
			case h.wanted <- e.Topic:
			default: // too many at once: it is asked again when it sends
			}
			continue
		}
		p := h.parcel(e)
		if p == nil {
			continue
		}
		select {
		case h.parcels <- p:
		case <-ctx.Done():
			return false
		}
	}
	return true
}

// parcel makes a parcel of an event; nil where it is nobody's concern.
func (h *sparkHost) parcel(e *sparkplug.Event) *parcel {
	p := &parcel{kind: aSpark, topic: e.Topic.String(), arrived: e.At}
	switch e.Kind {
	case sparkplug.Data:
		p.spark = &sparkParcel{reading: e.Reading, throw: &h.throws[e.Reading.Use], cabinet: h.cabinet}
	case sparkplug.Online, sparkplug.Offline:
		if h.cabinet.ofDevice() != (e.Topic.Device != "") {
			return nil
		}
		// A name that is none is told with the throws that have it.
		if !ingest.ValidName(h.cabinet.of(e.Topic)) {
			return nil
		}
		p.arrived = h.now()
		p.presence = &ingest.CabinetState{
			Cabinet: h.cabinet.of(e.Topic), Online: e.Kind == sparkplug.Online, At: e.At.UTC(), Agent: sparkAgentOf(e.Topic),
		}
	case sparkplug.Refused:
		p.payload, p.refusal = e.Payload, e.Refusal
	default:
		return nil
	}
	return p
}

func sparkAgentOf(t sparkplug.Topic) string {
	if s := sparkAgent + t.Group + "/" + t.Node; len(s) <= ingest.MaxAgentLen {
		return s
	}
	return strings.TrimSpace(sparkAgent)
}

// sparkNodes returns the edge nodes that were known before a restart.
func (d *Daemon) sparkNodes() (list []sparkplug.Topic) {
	for _, c := range d.Cabinets() {
		id, ours := strings.CutPrefix(c.Agent, sparkAgent)
		if group, node, ok := strings.Cut(id, "/"); ours && ok {
			for _, g := range d.c.MQTT.Sparkplug.Groups {
				if g == "+" || g == group {
					list = append(list, sparkplug.Topic{Group: group, Type: sparkplug.NData, Node: node})
				}
			}
		}
	}
	return list
}

// sparkParcel is a throw's parts on their way to a reader.
type sparkParcel struct {
	reading *sparkplug.Reading
	throw   *sparkThrow
	cabinet naming
}

// spark reads a throw of its parts.
func (r *reader) spark(s *sparkParcel, arrived time.Time) (*ingest.Throw, error) {
	t := s.reading.Topic
	cabinet, turnout := s.cabinet.of(t), ""
	if s.throw.turnout != "" {
		turnout = s.throw.turnout.of(t)
	}
	if f := s.reading.Refusal; f != nil {
		return nil, (&ingest.Throw{Turnout: turnout}).Refuse(f.Faults)
	}
	return r.decoder.Named(s.throw.throw, cabinet, turnout, func(name string) (wire.Part, bool) {
		p, ok := s.reading.Part(name)
		return wire.Part(p), ok
	}, arrived)
}

// sparkAgain makes a parcel of a message of Sparkplug that was set aside, or nil
// where the topic is none of Sparkplug's.
func (c *Config) sparkAgain(topic string, payload []byte, arrived time.Time) *parcel {
	t, ok := sparkplug.ParseTopic(topic)
	if !ok || len(c.MQTT.Sparkplug.Groups) == 0 {
		return nil
	}
	p := &parcel{kind: aSpark, topic: topic, payload: payload, arrived: arrived}
	list := c.MQTT.Sparkplug.throws(func(string, string, string) {})
	readings, err := sparkplug.Alone(c.MQTT.Sparkplug.settings(list, c.Limits.wireLimits(), c.Limits.Turnouts), t, nil, payload)
	switch {
	case err != nil:
		p.refuse(err)
	case len(readings) == 0:
		p.refuse(&ingest.Refusal{Faults: []ingest.Fault{{Expected: "a trigger of mqtt.sparkplug.throws", Found: "none"}}})
	case len(readings) > 1:
		// It is dropped when one is filed, and the others would be with it.
		p.refuse(&ingest.Refusal{Faults: []ingest.Fault{{
			Expected: "one throw: a message of several cannot be sent again", Found: strconv.Itoa(len(readings)),
		}}})
	default:
		p.spark = &sparkParcel{reading: readings[0], throw: &list[readings[0].Use], cabinet: naming(c.MQTT.Sparkplug.Cabinet)}
	}
	return p
}

// whole returns what is kept of a parcel that is refused.
func (p *parcel) whole() []byte {
	if p.payload == nil && p.spark != nil {
		p.payload = p.spark.reading.Whole()
	}
	return p.payload
}

// late: the throw is no news, by the word of who sent it.
func (p *parcel) late() bool {
	return p.spark != nil && (p.spark.reading.Historical || p.spark.reading.Birth)
}

// maybe: a birth has what its last throw was made of, if there was one. What is
// no throw there is no fault, but in a message that was set aside it is one still.
func (p *parcel) maybe() bool { return p.aside == 0 && p.spark != nil && p.spark.reading.Birth }

// sparkReady says why nothing of Sparkplug can be taken now, or nil.
func (d *Daemon) sparkReady() error {
	if d.spark == nil {
		return nil
	}
	if s, _ := d.spark.Status(); !s.Subscribed {
		return fmt.Errorf("there is no connection to the broker for Sparkplug, or it has not taken the subscriptions; the log says why")
	}
	return nil
}
