package main

import (
	"context"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"throwline/ingest/mqtt"
)

// sinkResult is what a subscriber that only acknowledges reached.
type sinkResult struct {
	Messages  int64   `json:"messages"`
	Seconds   float64 `json:"seconds"` // from the first message to the last
	PerSecond float64 `json:"per_second"`
	Best      int64   `json:"best_second"`
}

// sink subscribes as Throwline does, in a session of its own, and acknowledges
// everything at once. It ends after the number of messages, or the time, which
// begins with the first message.
func sink(ctx context.Context, o *options) (*sinkResult, error) {
	messages, leave, err := subscribe(ctx, o)
	if err != nil {
		return nil, err
	}
	defer func() {
		leave()
		// Or the broker would keep, and fill, its session for ever.
		if l, err := mqtt.Connect(context.WithoutCancel(ctx), mqtt.LinkOptions{Broker: o.broker, ClientID: o.client, Forget: true}); err == nil {
			l.Close()
		}
	}()
	var n atomic.Int64
	stop := each(o, &n, "received")
	defer stop()
	r := &sinkResult{}
	var first, last, second time.Time
	atSecond := int64(0)
	var over <-chan time.Time
loop:
	for o.count == 0 || n.Load() < int64(o.count) {
		select {
		case ack := <-messages:
			ack()
			now := n.Add(1)
			last = time.Now()
			if now == 1 {
				first, second = last, last
				if o.count == 0 {
					over = time.After(o.lasting)
				}
			}
			if last.Sub(second) >= time.Second {
				r.Best = max(r.Best, now-atSecond)
				second, atSecond = last, now
			}
		case <-over:
			break loop
		case <-ctx.Done():
			break loop
		}
	}
	r.Messages = n.Load()
	if r.Seconds = last.Sub(first).Seconds(); r.Seconds > 0 {
		r.PerSecond = float64(r.Messages) / r.Seconds
	}
	return r, nil
}

// subscribe returns the acknowledgements of what comes.
func subscribe(ctx context.Context, o *options) (acks <-chan func(), leave func(), err error) {
	out := make(chan func(), mqtt.DefaultInFlight)
	if o.plain {
		p := paho.NewClientOptions().AddBroker(o.broker).SetClientID(o.client).SetCleanSession(false).SetAutoAckDisabled(true)
		p.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { out <- m.Ack })
		c := paho.NewClient(p)
		if token := c.Connect(); token.Wait() && token.Error() != nil {
			return nil, nil, token.Error()
		}
		if token := c.Subscribe(mqtt.ThrowTopic(o.prefix, "+", "+"), 1, nil); token.Wait() && token.Error() != nil {
			return nil, nil, token.Error()
		}
		return out, func() { c.Disconnect(500) }, nil
	}
	s, err := mqtt.Open(ctx, mqtt.Options{Brokers: []string{o.broker}, ClientID: o.client, Prefix: o.prefix})
	if err != nil {
		return nil, nil, err
	}
	go func() {
		for m := range s.Messages() {
			out <- m.Ack
		}
	}()
	return out, func() {
		within, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		_ = s.Close(within) // what is left belongs to the broker
	}, nil
}
