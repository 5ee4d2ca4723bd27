package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// latencyResult is how long alerts took, from the moment in which the throw
// that raises one is handed to the network to its event.
type latencyResult struct {
	Probes  int     `json:"probes"`
	Missing int     `json:"missing"` // whose alert did not come within 10 s
	P50     float64 `json:"p50_ms"`
	P90     float64 `json:"p90_ms"`
	P99     float64 `json:"p99_ms"`
	Max     float64 `json:"max_ms"`
	Rate    float64 `json:"rate"` // other throws a second meanwhile
}

const (
	probes     = 200
	probeEvery = 100 * time.Millisecond
	probeLimit = 10 * time.Second
)

// latency publishes throws that do not arrive at their end, each of a turnout
// of its own, under a load of others, and waits for their alerts.
func latency(ctx context.Context, o *options) (*latencyResult, error) {
	if o.rate == 0 {
		o.rate = 200
	}
	n := o.count
	if n == 0 {
		n = probes
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()

	t := &timing{sent: map[string]time.Time{}, came: map[string]time.Duration{}}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+o.latency+"/api/v1/events", nil)
	if err != nil {
		return nil, err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, fmt.Errorf("event stream: %w", err)
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("event stream: expected status 200, found %s", response.Status)
	}
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	group.Go(func() { t.read(bufio.NewScanner(response.Body)) })

	background := *o
	background.count, background.lasting = 0, time.Hour
	failed := make(chan error, 1)
	group.Go(func() {
		_, err := load(ctx, &background)
		failed <- err
	})
	l, err := mqtt.Connect(ctx, mqtt.LinkOptions{Broker: o.broker, ClientID: "load-probe", Forget: true})
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %s", o.broker, mqtt.Reason(err))
	}
	defer l.Close()
	trace := newCabinet(o, 0).traces[0].counts
	run := time.Now().Unix()
	tick := time.NewTicker(probeEvery)
	defer tick.Stop()
	for i := range n {
		select {
		case <-tick.C:
		case err := <-failed:
			return nil, errors.Join(errors.New("the load ended early"), err)
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		name := fmt.Sprintf("LOAD-P%d-%d", run, i)
		now := time.Now()
		payload := wire.AppendThrow(nil, &ingest.Throw{Turnout: name, To: ingest.Normal, StartedAt: now, Channels: trace})
		t.begin(name, time.Now())
		if err := l.Publish(ctx, mqtt.ThrowTopic(o.prefix, "LOAD-PROBE", name), false, payload); err != nil {
			return nil, err
		}
	}
	for end := time.Now().Add(probeLimit); t.count() < n && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	return t.result(n, o.rate)
}

// timing matches alerts with the throws that raise them.
type timing struct {
	mu   sync.Mutex
	sent map[string]time.Time
	came map[string]time.Duration
}

func (t *timing) begin(turnout string, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.sent[turnout] = now
}

func (t *timing) count() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.came)
}

// read reads the event stream until it ends.
func (t *timing) read(in *bufio.Scanner) {
	in.Buffer(nil, 16<<20)
	event := ""
	for in.Scan() {
		line := in.Text()
		if name, ok := strings.CutPrefix(line, "event:"); ok {
			event = strings.TrimSpace(name)
			continue
		}
		data, ok := strings.CutPrefix(line, "data:")
		if !ok || event != "alert" {
			continue
		}
		now := time.Now()
		var e struct {
			Event string
			Alert struct{ Turnout string }
		}
		if json.Unmarshal([]byte(data), &e) != nil {
			continue
		}
		t.mu.Lock()
		if sent, ok := t.sent[e.Alert.Turnout]; ok {
			if _, twice := t.came[e.Alert.Turnout]; !twice {
				t.came[e.Alert.Turnout] = now.Sub(sent)
			}
		}
		t.mu.Unlock()
	}
}

func (t *timing) result(n int, rate float64) (*latencyResult, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.came) == 0 {
		return nil, fmt.Errorf("none of %d alerts came within %s", n, probeLimit)
	}
	var all []float64
	for _, d := range t.came {
		all = append(all, float64(d.Microseconds())/1000)
	}
	missing := n - len(all)
	slices.Sort(all)
	// What did not come counts as the limit.
	for range missing {
		all = append(all, float64(probeLimit.Milliseconds()))
	}
	at := func(p float64) float64 { return all[min(int(p*float64(len(all))), len(all)-1)] }
	return &latencyResult{Probes: n, Missing: missing, P50: at(0.5), P90: at(0.9), P99: at(0.99), Max: all[len(all)-1], Rate: rate}, nil
}
