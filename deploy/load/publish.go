package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"math"
	mathrand "math/rand/v2"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// loadResult is what a run of publishing came to.
type loadResult struct {
	Throws    int64   `json:"throws"` // that the broker acknowledged
	Failed    int64   `json:"failed"`
	Seconds   float64 `json:"seconds"`
	PerSecond float64 `json:"per_second"`
	Bytes     int     `json:"payload_bytes"` // of one throw
}

// load publishes throws from all cabinets until its time or number is over.
func load(ctx context.Context, o *options) (*loadResult, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if o.count == 0 {
		var end context.CancelFunc
		ctx, end = context.WithTimeout(ctx, o.lasting)
		defer end()
	}
	var acked, failed, taken atomic.Int64
	began := time.Now()
	stop := each(o, &acked, "acknowledged")
	defer stop()
	errs := make([]error, o.cabinets)
	size := 0
	var group sync.WaitGroup
	for i := range o.cabinets {
		c := newCabinet(o, i)
		size = len(c.next(time.Now()).payload)
		group.Go(func() {
			errs[i] = c.run(ctx, func() bool { return o.count == 0 || taken.Add(1) <= int64(o.count) }, &acked, &failed)
			if errs[i] != nil {
				cancel()
			}
		})
	}
	group.Wait()
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	s := time.Since(began).Seconds()
	return &loadResult{Throws: acked.Load(), Failed: failed.Load(), Seconds: s, PerSecond: float64(acked.Load()) / s, Bytes: size}, nil
}

// each prints how many came each second, until it is stopped.
func each(o *options, n *atomic.Int64, what string) (stop func()) {
	done := make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		last := int64(0)
		for {
			select {
			case <-done:
				return
			case <-tick.C:
				now := n.Load()
				fmt.Fprintf(o.progress, "%8d a second %s, %d in all\n", now-last, what, now)
				last = now
			}
		}
	}()
	return func() { close(done); <-ended }
}

// cabinet invents the throws of its turnouts.
type cabinet struct {
	o        *options
	name     string
	boot     string
	sequence uint64
	turnouts []turnout
	turn     int // whose it is to throw
	traces   []trace
}

type turnout struct {
	name, topic string
	throws      int
}

// trace is one throw's measurement, ready to be sent.
type trace struct {
	counts []ingest.Channel // the samples as whole numbers
	json   []byte           // the samples as decimals; from "channels" on
}

type message struct {
	topic   string
	payload []byte
}

// newCabinet invents cabinet i. Its turnouts are every o.cabinets-th.
func newCabinet(o *options, i int) *cabinet {
	c := &cabinet{o: o, name: fmt.Sprintf("LOAD-C%02d", i), boot: rand.Text()}
	for n := i; n < o.turnouts; n += o.cabinets {
		name := fmt.Sprintf("LOAD-W%05d", n)
		c.turnouts = append(c.turnouts, turnout{name: name, topic: mqtt.ThrowTopic(o.prefix, c.name, name)})
	}
	rng := mathrand.New(mathrand.NewPCG(uint64(i), 11))
	for range 32 {
		channels := invent(rng, o.samples)
		whole := wire.AppendThrow(nil, &ingest.Throw{Channels: channels})
		c.traces = append(c.traces, trace{counts: counted(channels), json: whole[bytes.Index(whole, []byte(`"channels"`)):]})
	}
	return c
}

// invent makes a throw of a direct-current motor at 100 Hz: inrush, unlocking,
// travel over slide chairs, locking, off; and its supply, which sags with it.
func invent(rng *mathrand.Rand, samples int) []ingest.Channel {
	current := make([]float64, samples)
	supply := make([]float64, samples)
	level := 2.6 + 0.1*rng.NormFloat64()
	slow := rng.Float64() * 2 * math.Pi
	for i := range samples {
		x := float64(i) / float64(samples) // of the throw
		a := 0.0
		switch {
		case x < 0.04:
			a = 14 * math.Exp(-x*60)
		case x < 0.14:
			a = level + 1.1*math.Sin(math.Pi*(x-0.04)/0.1)
		case x < 0.80:
			a = level + 0.15*math.Sin(slow+20*x)
		case x < 0.92:
			a = level + 1.6*math.Sin(math.Pi*(x-0.8)/0.12)
		}
		if a > 0 {
			a = math.Max(0, a+0.03*rng.NormFloat64())
		}
		current[i] = math.Round(a*1000) / 1000
		supply[i] = math.Round((121-0.45*a+0.05*rng.NormFloat64())*10) / 10
	}
	return []ingest.Channel{
		{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 1, Samples: current},
		{Drive: "main", Quantity: ingest.SupplyVoltage, Unit: ingest.Volt, SampleRate: 100, Scale: 1, Samples: supply},
	}
}

// counted returns the channels as a converter's counts, as a cabinet
// that writes CBOR would send them.
func counted(channels []ingest.Channel) []ingest.Channel {
	out := slices.Clone(channels)
	for i := range out {
		c := &out[i]
		c.Samples = slices.Clone(c.Samples)
		c.Scale = 0.001
		if c.Unit == ingest.Volt {
			c.Scale = 0.1
		}
		for j, v := range c.Samples {
			c.Samples[j] = math.Round(v / c.Scale)
		}
	}
	return out
}

// next returns the next throw of the cabinet, thrown now.
func (c *cabinet) next(now time.Time) message {
	w := &c.turnouts[c.turn]
	c.turn = (c.turn + 1) % len(c.turnouts)
	w.throws++
	t := ingest.Throw{Turnout: w.name, To: ingest.Ends[w.throws%2], StartedAt: now.UTC(), Completed: true}
	if c.o.numbered {
		c.sequence++
		t.Boot, t.Sequence = c.boot, c.sequence
	}
	tr := &c.traces[mathrand.IntN(len(c.traces))]
	if c.o.cbor {
		t.Channels = tr.counts
		return message{w.topic, wire.AppendThrowCBOR(nil, &t)}
	}
	// Encoding the samples each time would be a good part of what one machine
	// that runs the broker too can do.
	b := make([]byte, 0, 256+len(tr.json))
	b = append(b, `{"turnout":"`...)
	b = append(b, t.Turnout...)
	b = append(b, `","to":"`...)
	b = append(b, t.To.String()...)
	b = append(b, `","started_at":"`...)
	b = t.StartedAt.AppendFormat(b, time.RFC3339Nano)
	b = append(b, `","completed":true,`...)
	if t.Boot != "" {
		b = append(b, `"boot":"`...)
		b = append(b, t.Boot...)
		b = append(b, `","sequence":`...)
		b = strconv.AppendUint(b, t.Sequence, 10)
		b = append(b, ',')
	}
	return message{w.topic, append(b, tr.json...)}
}

// run publishes while more says so, at the cabinet's share of the rate, and
// waits for the broker's acknowledgements.
func (c *cabinet) run(ctx context.Context, more func() bool, acked, failed *atomic.Int64) error {
	l, err := mqtt.Connect(ctx, mqtt.LinkOptions{Broker: c.o.broker, ClientID: "load-" + c.name, Forget: true})
	if err != nil {
		return fmt.Errorf("connect to %s: %s", c.o.broker, mqtt.Reason(err))
	}
	defer l.Close()
	window := make(chan struct{}, c.o.window)
	done := func(err error) {
		if err == nil {
			acked.Add(1)
		} else {
			failed.Add(1)
		}
		<-window
	}
	began := time.Now()
	for n := 0; ; n++ {
		if c.o.rate > 0 {
			due := began.Add(time.Duration(float64(n) * float64(c.o.cabinets) / c.o.rate * float64(time.Second)))
			if wait := time.Until(due); wait > 0 {
				select {
				case <-time.After(wait):
				case <-ctx.Done():
				}
			}
		}
		if ctx.Err() != nil || !more() {
			break
		}
		select {
		case window <- struct{}{}:
		case <-l.Gone():
			return fmt.Errorf("%s: the connection to the broker was lost", c.name)
		}
		m := c.next(time.Now())
		l.Begin(m.topic, false, m.payload, done)
	}
	for deadline := time.Now().Add(10 * time.Second); len(window) > 0 && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	return nil
}
