package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
	"throwline/ingest/wire"
)

// What is invented is what the contract asks for, and every throw is another.
func TestThrowsAreValid(t *testing.T) {
	for _, cbor := range []bool{false, true} {
		o := &options{prefix: mqtt.DefaultPrefix, cabinets: 2, turnouts: 6, samples: 350, cbor: cbor, numbered: true}
		c := newCabinet(o, 1)
		d := wire.NewDecoder(wire.Limits{})
		keys := map[string]bool{}
		ends := map[string]ingest.End{}
		var receipt ingest.Receipt
		now := time.Now()
		for i := range 100 {
			m := c.next(now.Add(time.Duration(i) * time.Millisecond))
			th, err := d.Throw(m.payload)
			if err != nil {
				t.Fatal(err)
			}
			if err := th.Validate(now.Add(time.Second)); err != nil {
				t.Fatal(err)
			}
			_, cabinet, turnout, ok := mqtt.ParseTopic(o.prefix, m.topic)
			if !ok || cabinet != "LOAD-C01" || turnout != th.Turnout {
				t.Errorf("turnout %s under %s", th.Turnout, m.topic)
			}
			if ends[turnout] == th.To {
				t.Errorf("%s is thrown to %s twice in a row", turnout, th.To)
			}
			ends[turnout] = th.To
			keys[th.Key()] = true
			receipt = receipt.With(th.Boot, th.Sequence)
			if peak := peakOf(th.Channels[0]); peak < 10 || peak > 20 {
				t.Errorf("the inrush is %g A", peak)
			}
			if !cbor && (len(m.payload) < 3900 || len(m.payload) > 4600) {
				t.Errorf("expected about 4 KB, found %d bytes", len(m.payload))
			}
		}
		if len(keys) != 100 || receipt.Through != 100 || len(receipt.Missing) != 0 {
			t.Errorf("%d keys, receipt %+v", len(keys), receipt)
		}
	}
}

func peakOf(c ingest.Channel) (peak float64) {
	for _, v := range c.AppendPhysical(nil) {
		peak = max(peak, v)
	}
	return peak
}

func TestLoadAndSink(t *testing.T) {
	b := mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nset_tcp_nodelay true")
	for _, plain := range []bool{false, true} {
		var sunk bytes.Buffer
		done := make(chan error, 1)
		args := []string{"-broker", b.URL(), "-sink", "-n", "300"}
		if plain {
			args = append(args, "-plain")
		}
		go func() { done <- run(t.Context(), args, &sunk, io.Discard) }()
		time.Sleep(500 * time.Millisecond) // to subscribe
		var out bytes.Buffer
		if err := run(t.Context(), []string{"-broker", b.URL(), "-n", "300", "-rate", "1000"}, &out, io.Discard); err != nil {
			t.Fatal(err)
		}
		var l loadResult
		if err := json.Unmarshal(out.Bytes(), &l); err != nil || l.Throws != 300 || l.Failed != 0 || l.PerSecond > 1500 {
			t.Errorf("found %s, %v", out.String(), err)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		var s sinkResult
		if err := json.Unmarshal(sunk.Bytes(), &s); err != nil || s.Messages != 300 {
			t.Errorf("found %s, %v", sunk.String(), err)
		}
	}
}

// The probe against a stand-in that tells each unfinished throw as an alert,
// but for one: that is counted at its limit.
func TestLatency(t *testing.T) {
	b := mosquittotest.Start(t, "allow_anonymous true\nset_tcp_nodelay true")
	s, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{b.URL()}, ClientID: "stand-in"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(t.Context())
	for !s.Status().Subscribed {
		time.Sleep(10 * time.Millisecond)
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		d := wire.NewDecoder(wire.Limits{})
		w.WriteHeader(http.StatusOK)
		_ = http.NewResponseController(w).Flush()
		for {
			select {
			case m := <-s.Messages():
				m.Ack()
				th, err := d.Throw(m.Payload)
				if err != nil || th.Completed {
					continue
				}
				time.Sleep(20 * time.Millisecond)
				_, _ = io.WriteString(w, "event: alert\nid: 1\ndata: {\"event\":\"raised\",\"alert\":{\"turnout\":\""+th.Turnout+"\"}}\n\n")
				_ = http.NewResponseController(w).Flush()
			case <-r.Context().Done():
				return
			}
		}
	}))
	defer server.Close()
	var out bytes.Buffer
	if err := run(t.Context(), []string{"-broker", b.URL(), "-latency", strings.TrimPrefix(server.URL, "http://"), "-n", "5", "-rate", "50"}, &out, io.Discard); err != nil {
		t.Fatal(err)
	}
	var l latencyResult
	if err := json.Unmarshal(out.Bytes(), &l); err != nil || l.Probes != 5 || l.Missing != 0 || l.P50 < 20 || l.Max > 5000 {
		t.Errorf("found %s, %v", out.String(), err)
	}
	r, err := (&timing{came: map[string]time.Duration{"a": time.Millisecond}}).result(2, 50)
	if err != nil || r.Missing != 1 || r.Max != 10_000 || r.P50 != 10_000 {
		t.Errorf("found %+v, %v", r, err)
	}
}

func TestWrongUse(t *testing.T) {
	for _, args := range []string{"-rate -1", "-cabinets 0", "-turnouts 1 -cabinets 2", "-samples 3", "-window 0", "-for 0s", "-broker nowhere", "-sink -latency a:1", "-soak 1s", "more", "-what"} {
		var says bytes.Buffer
		if err := run(t.Context(), strings.Fields(args), io.Discard, &says); !errors.Is(err, errUsage) || says.Len() == 0 {
			t.Errorf("%s: found %v, saying %q", args, err, says.String())
		}
	}
	if err := run(t.Context(), []string{"-broker", "tcp://127.0.0.1:1", "-n", "1"}, io.Discard, io.Discard); err == nil || !strings.Contains(err.Error(), "127.0.0.1:1") {
		t.Errorf("without a broker: %v", err)
	}
}

// Slopes come back as they were put in, and their error is what it is by hand.
func TestFit(t *testing.T) {
	x, y := []float64{0, 1, 2, 3, 4}, []float64{5, 8, 11, 14, 17}
	if slope, se, height := fit(x, y); math.Abs(slope-3) > 1e-12 || se > 1e-9 || math.Abs(height-5) > 1e-12 {
		t.Errorf("found %g ± %g from %g", slope, se, height)
	}
	// Residuals 1, -2, 0, 2, -1 have no part of the line: 10 / (5-2) / 10.
	for i, d := range []float64{1, -2, 0, 2, -1} {
		y[i] += d
	}
	if slope, se, _ := fit(x, y); math.Abs(slope-3.0) > 1e-12 || math.Abs(se-math.Sqrt(1.0/3)) > 1e-12 {
		t.Errorf("found %g ± %g", slope, se)
	}
	if slope, _, _ := fit(x[:2], y[:2]); !math.IsNaN(slope) {
		t.Errorf("of two points: found %g", slope)
	}
}

// The table leaves out the time in which things fill.
func TestSlopes(t *testing.T) {
	s := &series{}
	for i := range 60 {
		m := map[string]float64{metricStored: float64(i) * 10_000, "throwline_store_bytes": float64(i) * 20_000_000, routines: 30}
		if i < 10 {
			m[routines] = 1000
		}
		s.at, s.values = append(s.at, float64(i)*10), append(s.values, m)
	}
	var out bytes.Buffer
	s.table(&out, &options{soak: 10 * time.Minute, rate: 1000})
	found := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{"at 1000 throws a second", "50 scrapes", "goroutines 30.0 30.0 0.00 0.00", "store / throw B 2000.0 ± 0.0"} {
		if !strings.Contains(found, want) {
			t.Errorf("expected %s, found %s", want, found)
		}
	}
}
