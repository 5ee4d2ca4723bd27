// Package daemon joins the rooms: configuration, wiring, the pipeline that
// takes throws from the broker to the store and the screens, and replay, which
// takes recordings through the same steps and keeps nothing.
//
// One throw's walk:
//
//  1. [mqtt.Session] hands over a message, unacknowledged (take, pipeline.go).
//  2. A reader decodes, checks and measures it, or says why not (parcel.go).
//  3. The filer steps its turnout's state and alerts, and enters everything in
//     one transaction with what else is there (filing.go).
//  4. Only once that is on disk: memory takes the new state (yard.go), the
//     broker gets its acknowledgement, screens are told, the cabinet gets its
//     receipt (pipeline.go, receipts.go).
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"throwline/alerting/screen"
	"throwline/daemon/accounts"
	"throwline/daemon/export"
	"throwline/daemon/store"
	"throwline/ingest"
	"throwline/ingest/broker"
	"throwline/ingest/mqtt"
)

// errStopping answers who still asks while the daemon stops.
var errStopping = errors.New("the program is stopping")

// StoreName is the store's file in the data folder.
const StoreName = "throwline.db"

// Options are what the outside gives the daemon. The zero Options are usable.
type Options struct {
	Log      *slog.Logger
	Registry *prometheus.Registry // nil: one of its own
	Now      func() time.Time     // the yard's time; nil: the wall clock
	Version  string
	Demo     bool // the yard is invented
}

// Daemon is the running program. It implements [screen.Yard].
type Daemon struct {
	*yard
	c Config
	o Options

	metrics  *metrics
	store    *store.Store
	accounts *accounts.Accounts // nil: nobody needs to log in
	session  *mqtt.Session
	spark    *sparkHost // nil: nothing comes of Sparkplug
	mappings []mapping  // in the order of the configuration
	hub      *screen.Hub
	refused  screen.Refusals
	exporter *export.Exporter // nil: nothing is exported
	pipeline *pipeline
	couriers couriers
	checking *checking
	again    again
	settings atomic.Pointer[Config] // what may change while it runs
	looking  chan struct{}          // wakes the clerk
	pruning  chan struct{}          // has one when the retention is another
	receipts *receipts
	listener net.Listener
	pair     *pair // of the listener; nil: no TLS

	brokerAddr string         // of the broker inside
	inner      *broker.Broker // the broker inside; nil: there is none
	server     *http.Server

	started  sync.Once
	stopped  sync.Once
	stopErr  error
	stopping chan struct{}
	ended    chan struct{} // closed once what Start began has ended; nil: it began nothing
	failed   chan error    // has the first thing that nothing but a restart can mend
	undo     teardown
}

var _ screen.Yard = (*Daemon)(nil)

// New makes a daemon and restores what it knew. What it opened is closed again
// when a later step fails. Nothing is taken from the broker before [Daemon.Start].
func New(ctx context.Context, c Config, o Options) (*Daemon, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Registry == nil {
		o.Registry = prometheus.NewRegistry()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &Daemon{yard: newYard(), c: c, o: o, metrics: newMetrics(), looking: make(chan struct{}, 1), pruning: make(chan struct{}, 1), stopping: make(chan struct{}), failed: make(chan error, 1)}
	d.settings.Store(&d.c)
	if err := d.open(ctx); err != nil {
		return nil, errors.Join(err, d.undo.run(context.WithoutCancel(ctx)))
	}
	return d, nil
}

// open makes what the daemon is made of, in the order in which one needs the
// other, and notes how each is closed as soon as it is there.
func (d *Daemon) open(ctx context.Context) (err error) {
	c, o := &d.c, &d.o
	if len(c.MQTT.Brokers) == 0 {
		return &ConfigError{"configuration", []Problem{{Path: "mqtt.brokers", Expected: "at least 1 in the list", Found: "0"}}}
	}
	if err := os.MkdirAll(c.DataDir, 0o750); err != nil {
		return fmt.Errorf("data folder (data_dir): %w", err)
	}
	if d.store, err = store.Open(ctx, filepath.Join(c.DataDir, StoreName), store.Options{Log: o.Log, Broken: d.fail}); err != nil {
		return fmt.Errorf("store in the data folder (data_dir): %w", err)
	}
	d.undo.push("store", func(context.Context) error { return d.store.Close() })

	if err := d.openDoor(ctx); err != nil {
		return err
	}

	d.clerk = newClerk(c.Routes, d.linked(), o.Now)
	f := &filer{yard: d.yard, set: c.Detection.settings(), most: c.Limits.Turnouts, clerk: d.clerk}
	f.set.Limits = d.clerk.limits(f.set.Limits)
	if err = d.restorePeople(ctx); err != nil {
		return fmt.Errorf("restore what people did: %w", err)
	}
	if err = d.restore(ctx, f); err != nil {
		return fmt.Errorf("restore what was known: %w", err)
	}
	l := &storeLedger{Store: d.store}
	d.undo.push("what was learned", func(ctx context.Context) error {
		if d.runs() {
			return errors.New("left as it is kept, since a commit is still under way; the next start steps its throws again")
		}
		return f.flush(context.WithoutCancel(ctx), l)
	})

	if d.pair, err = c.HTTP.TLS.open(); err != nil {
		return err
	}
	if d.listener, err = new(net.ListenConfig).Listen(ctx, "tcp", c.HTTP.Listen); err != nil {
		return fmt.Errorf("listen for browsers (http.listen): %w", err)
	}
	d.undo.push("listener", func(context.Context) error {
		if err := d.listener.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})

	d.hub = screen.NewHub(screen.HubOptions{Now: o.Now, Log: o.Log})
	d.undo.push("event stream", func(context.Context) error { d.hub.Close(); return nil })

	var faults []Problem
	tlsConfig := c.MQTT.TLS.load(func(path, expected, found string) { faults = append(faults, Problem{0, path, expected, found}) })
	d.mappings = c.MQTT.mappings(func(path, expected, found string) { faults = append(faults, Problem{0, path, expected, found}) })
	if faults != nil {
		return &ConfigError{"configuration", faults}
	}
	at, tlsConfig, err := d.openBroker(ctx, tlsConfig)
	if err != nil {
		return err
	}
	d.session, err = mqtt.Open(ctx, mqtt.Options{
		Brokers: at.MQTT.Brokers, ClientID: c.MQTT.ClientID, Username: at.MQTT.Username, Password: at.MQTT.Password,
		TLS: tlsConfig, Prefix: c.MQTT.Prefix, InFlight: c.MQTT.InFlight, Log: o.Log, Now: o.Now,
		Mapped: templates(d.mappings),
	})
	if err != nil {
		return fmt.Errorf("session with the broker: %w", err)
	}
	d.undo.push("session with the broker", d.session.Close)
	if len(c.MQTT.Sparkplug.Groups) > 0 {
		d.spark = newSparkHost(at, tlsConfig, o.Log, o.Now)
	}
	list, err := d.hire(c.Targets)
	if err != nil {
		return err
	}
	d.couriers.set(list)

	if err = d.openExport(ctx); err != nil {
		return err
	}

	d.receipts = &receipts{
		yard: d.yard, now: o.Now, log: o.Log, due: map[string]struct{}{}, wake: make(chan struct{}, 1),
		publish: func(ctx context.Context, cabinet string, payload []byte) error {
			return d.session.Publish(ctx, mqtt.ReceiptTopic(c.MQTT.Prefix, cabinet), true, payload)
		},
		connected: func() (bool, uint64) {
			s := d.session.Status()
			return s.Subscribed, uint64(s.Reconnects)
		},
		published: d.metrics.receipts.Inc,
	}
	d.pipeline = &pipeline{
		ledger: l, filer: f, batch: c.Batch.Throws, requests: make(chan *parcel),
		log: o.Log, now: o.Now, metrics: d.metrics, committed: d.tell,
	}
	d.pipeline.room.bound(mostInside)
	if err = d.metrics.register(o.Registry, d); err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	if d.checking, err = newChecking(d); err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	d.server = screen.Server(screen.New(screen.Options{
		Archive: d.store, Yard: d, Desk: d, Hub: d.hub, CabinetOf: d.cabinetOf, Version: o.Version, Demo: o.Demo, Log: o.Log,
		Door: d.door(), Hosts: d.hosts(), Refused: &d.refused,
		Metrics: promhttp.HandlerFor(o.Registry, promhttp.HandlerOpts{Registry: o.Registry}),
	}), d.hub, o.Log)
	return nil
}

// Start begins to take messages and to answer browsers. What goes wrong later
// comes out of [Daemon.Failed].
func (d *Daemon) Start(ctx context.Context) error {
	err := errors.New("the daemon is started already")
	d.started.Do(func() { err = d.start(ctx) })
	return err
}

func (d *Daemon) start(ctx context.Context) error {
	select {
	case <-d.stopping:
		return errStopping
	default:
	}
	// The context is for starting; what runs ends with Stop.
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))

	var taking sync.WaitGroup
	// While one batch is committed, the next is read.
	d.pipeline.readers = startReaders(run, workers(), d.c.Batch.Throws/loadSize+1, d.c.Limits.wireLimits(), &d.pipeline.room)
	taking.Go(func() {
		var ways sync.WaitGroup
		ways.Go(func() { take(run, d.pipeline, d.session.Messages(), d.parcel) })
		if d.spark != nil {
			ways.Go(func() { d.spark.run(run, d.sparkNodes()) })
			ways.Go(func() { take(run, d.pipeline, d.spark.parcels, func(p *parcel) *parcel { return p }) })
		}
		ways.Wait()
		d.pipeline.readers.close()
	})
	taking.Go(func() {
		if err := d.pipeline.commit(run); err != nil {
			d.fail(err)
		}
	})
	taking.Go(func() { d.receipts.run(run) })
	taking.Go(func() { d.retain(run) })
	taking.Go(func() { d.watch(run) })
	taking.Go(func() { d.checking.run(run) })
	taking.Go(func() { d.sendAgain(run) })
	if d.exporter != nil {
		taking.Go(func() { d.exporter.Run(run) })
	}
	taking.Go(func() { d.couriers.work(run) })
	ended := make(chan struct{})
	d.ended = ended
	go func() { taking.Wait(); close(ended) }()
	d.undo.push("receipts", func(ctx context.Context) error { d.lastReceipts(ctx); return nil })
	d.undo.push("pipeline", func(ctx context.Context) error { cancel(); return await(ctx, ended) })

	served := make(chan struct{})
	go func() {
		defer close(served)
		if err := d.serve(); !errors.Is(err, http.ErrServerClosed) {
			d.fail(fmt.Errorf("answer browsers: %w", err))
		}
	}()
	d.undo.push("browsers", func(ctx context.Context) error {
		polite, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		if err := d.server.Shutdown(polite); err != nil {
			d.o.Log.Warn("requests were cut off", "error", err)
			_ = d.server.Close() // they had their time
		}
		return await(ctx, served)
	})
	return nil
}

// lastReceipts publishes what is due once nothing more is committed. What
// cannot be published in time is published at the next start.
func (d *Daemon) lastReceipts(ctx context.Context) {
	if !d.session.Status().Connected {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	// Messages that nobody takes would stand before the broker's answers. They
	// are let go unacknowledged, and come again at the next start.
	var letting sync.WaitGroup
	settled := make(chan struct{})
	letting.Go(func() {
		for {
			select {
			case <-d.session.Messages():
			case <-settled:
				return
			}
		}
	})
	if err := d.receipts.settle(ctx); err != nil {
		d.o.Log.Warn("last receipts were not published", "error", err)
	}
	close(settled)
	letting.Wait()
}

// Stop ends everything in the reverse order of its beginning: requests, then
// the batch in hand, then the session, then the store. It waits no longer than
// the context, may be called again, and returns the same each time.
func (d *Daemon) Stop(ctx context.Context) error {
	d.stopped.Do(func() {
		close(d.stopping)
		d.started.Do(func() {}) // never starts after this
		d.stopErr = d.undo.run(ctx)
	})
	return d.stopErr
}

// runs reports whether something that Start began has not ended.
func (d *Daemon) runs() bool {
	if d.ended == nil {
		return false
	}
	select {
	case <-d.ended:
		return false
	default:
		return true
	}
}

// Addr returns the address at which browsers are answered, host:port.
func (d *Daemon) Addr() string { return d.listener.Addr().String() }

// Failed has an error once something broke that nothing but a restart can
// mend. The daemon must still be stopped then.
func (d *Daemon) Failed() <-chan error { return d.failed }

func (d *Daemon) fail(err error) {
	select {
	case d.failed <- err:
	default: // the first says why
	}
}

// parcel makes a parcel of a message.
func (d *Daemon) parcel(m *mqtt.Message) *parcel {
	p := &parcel{topic: m.Topic, cabinet: m.Cabinet, turnout: m.Turnout, payload: m.Payload, arrived: m.ArrivedAt, ack: m.Ack}
	if p.kind = kindOf(m.Kind); p.kind == aMapped {
		p.mapping = d.mappings[m.Mapping].throw
	}
	return p
}

func kindOf(k mqtt.Kind) kind {
	switch k {
	case mqtt.Throw:
		return aThrow
	case mqtt.State:
		return aState
	case mqtt.Conditions:
		return someConditions
	case mqtt.Mapped:
		return aMapped
	}
	return aStrayTopic
}

// tell lets everyone know what was committed.
func (d *Daemon) tell(made *draft) {
	for i := range made.events {
		e := &made.events[i]
		d.o.Log.Info("alert "+string(e.Kind), "turnout", e.Alert.Turnout, "condition", e.Alert.Condition, "priority", e.Alert.Priority, "at", e.At, "id", e.Alert.ID)
		d.hub.Alert(*e)
	}
	for _, c := range made.cabinets {
		d.hub.Cabinet(c)
	}
	if made.noticed {
		for _, n := range made.notices {
			d.o.Log.Info("felt by many", "area", n.Area, "what", n.What, "said", n.Said)
		}
		d.hub.Notices(made.notices)
	}
	for _, r := range made.records {
		d.hub.Throw(r)
	}
	for _, c := range d.clerk.changed(&made.papers) {
		d.hub.Case(c)
	}
	if made.papers.sent {
		d.nudge()
	}
	d.again.wait(made.ahead)
	d.receipts.owe(made.receipts)
}

// Now is the yard's time.
func (d *Daemon) Now() time.Time { return d.o.Now() }

// patience is how long a person waits for a commit.
const patience = 10 * time.Second

// RecordWork files a visit to a turnout that is known; an error that is an
// [ingest.Refusal] is the caller's.
func (d *Daemon) RecordWork(ctx context.Context, w ingest.Work) error {
	p := &parcel{kind: someWork, work: &w, turnout: w.Turnout, arrived: d.Now()}
	if err := w.Validate(p.arrived); err != nil {
		return err
	}
	if _, err := d.Turnout(w.Turnout); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	return d.pipeline.ask(ctx, d.stopping, p)
}

// Retry sends a set-aside message through again.
func (d *Daemon) Retry(ctx context.Context, id int64) error {
	a, err := d.store.Aside(ctx, id)
	if err != nil {
		return err
	}
	p := d.c.sparkAgain(a.Topic, a.Payload, d.Now())
	if p == nil {
		p = placed(d.c.MQTT.Prefix, d.mappings, a.Topic, a.Payload, d.Now())
	}
	p.aside = id
	// A clock that ran ahead may have been right by now; when it arrived stays.
	newReader(d.c.Limits.wireLimits()).read(p)
	p.arrived = a.At
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	return d.pipeline.ask(ctx, d.stopping, p)
}

// Ready says why throws cannot be taken now, or nil. Causes stand in the log.
func (d *Daemon) Ready(context.Context) error {
	select {
	case <-d.stopping:
		return errStopping
	default:
	}
	if t := d.pipeline.trouble.Load(); t != nil {
		return fmt.Errorf("the store takes nothing since %s; the log says why", t.since.UTC().Format(time.RFC3339))
	}
	switch s := d.session.Status(); {
	case !s.Connected:
		return errors.New("there is no connection to the broker; the log says why")
	case !s.Subscribed:
		return errors.New("the broker has not taken the subscriptions; the log says why")
	}
	return d.sparkReady()
}

func (d *Daemon) inFlight() int64 {
	return d.pipeline.inside.Load() + int64(len(d.session.Messages()))
}

// learning counts turnouts without a baseline for both ends yet.
func (d *Daemon) learning() (n int) {
	for _, t := range d.Turnouts() {
		for _, l := range t.Learning {
			if l.Throws < l.Needed {
				n++
				break
			}
		}
	}
	return n
}
