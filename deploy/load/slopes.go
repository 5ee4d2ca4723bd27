package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	scrapeEvery  = 10 * time.Second
	metricStored = `throwline_throws_total{outcome="stored"}`
	routines     = "go_goroutines"
)

// watched is what must not grow, in the order of the table.
var watched = []struct {
	metric, name, unit string
	scale              float64
}{
	{"process_resident_memory_bytes", "resident memory", "MB", 1e-6},
	{"go_memstats_heap_inuse_bytes", "heap in use", "MB", 1e-6},
	{routines, "goroutines", "", 1},
	{"process_open_fds", "open descriptors", "", 1},
	{"throwline_store_bytes", "store", "MB", 1e-6},
}

// series is what was scraped, and when.
type series struct {
	at     []float64 // s
	values []map[string]float64
}

type browsers struct {
	came                   int
	before, after, readers float64
}

// watch scrapes until the time is over. Browsers come in waves, spread over it;
// the first tenth and the last are theirs not.
func (s *series) watch(ctx context.Context, p *program, o *options, loaded <-chan error) (browsers, error) {
	var b browsers
	every := scrapeEvery
	if o.soak < 30*every {
		every = o.soak / 30
	}
	began := time.Now()
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case err := <-loaded:
			return b, fmt.Errorf("the load ended early: %w", err)
		case <-ctx.Done():
			return b, ctx.Err()
		}
		m, err := scrape(ctx, p.page)
		if err != nil {
			return b, err
		}
		now := time.Since(began)
		s.at = append(s.at, now.Seconds())
		s.values = append(s.values, m)
		fmt.Fprintf(o.progress, "%6.0f s  stored %8.0f  resident %6.1f MB  goroutines %3.0f  browsers %d\n",
			now.Seconds(), m[metricStored], m["process_resident_memory_bytes"]*1e-6, m[routines], b.came)
		part := (now.Seconds()/o.soak.Seconds() - 0.1) / 0.8 // of the waves that should have come
		for b.came < soakClients && float64(b.came) < part*soakClients {
			if b.came == 0 {
				b.before = middle(s.last(5, routines))
			}
			if err := wave(ctx, p.page, soakWave); err != nil {
				return b, fmt.Errorf("browsers: %w", err)
			}
			b.came += soakWave
		}
		if now >= o.soak {
			b.after, b.readers = middle(s.last(5, routines)), m["throwline_event_stream_readers"]
			return b, nil
		}
	}
}

func (s *series) last(n int, metric string) []float64 {
	var out []float64
	for _, m := range s.values[max(0, len(s.values)-n):] {
		out = append(out, m[metric])
	}
	return out
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// table writes the slopes. The first sixth is left out: turnouts learn, caches
// and the heap fill.
func (s *series) table(out io.Writer, o *options) {
	from := 0
	for from < len(s.at) && s.at[from] < o.soak.Seconds()/6 {
		from++
	}
	at, values := s.at[from:], s.values[from:]
	hours := make([]float64, len(at))
	stored := make([]float64, len(at))
	for i := range at {
		hours[i], stored[i] = at[i]/3600, values[i][metricStored]
	}
	rate, _, _ := fit(at, stored)
	fmt.Fprintf(out, "%s at %.0f throws a second (%g asked), %d scrapes after the first %.0f s\n", o.soak, rate, o.rate, len(at), o.soak.Seconds()/6)
	fmt.Fprintf(out, "%-18s %5s %10s %10s %12s %12s %14s\n", "", "", "first", "last", "slope / h", "± error", "half the time")
	for _, w := range watched {
		y := make([]float64, len(at))
		for i := range at {
			y[i] = values[i][w.metric] * w.scale
		}
		slope, se, _ := fit(hours, y)
		half := len(y) / 2
		later, laterSE, _ := fit(hours[half:], y[half:])
		fmt.Fprintf(out, "%-18s %5s %10.1f %10.1f %12.2f %12.2f %7.2f ± %.2f\n", w.name, w.unit, y[0], y[len(y)-1], slope, se, later, laterSE)
		if w.metric == "throwline_store_bytes" {
			slope, se, _ := fit(stored, y)
			fmt.Fprintf(out, "%-18s %5s %47.1f ± %.1f\n", "store / throw", "B", slope/w.scale, se/w.scale)
		}
	}
}

// fit is the line through points by least squares: its slope, the slope's
// standard error (as if errors were independent) and its height at 0.
func fit(x, y []float64) (slope, se, height float64) {
	n := float64(len(x))
	if n < 3 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	var mx, my float64
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	var xx, xy float64
	for i := range x {
		xx += (x[i] - mx) * (x[i] - mx)
		xy += (x[i] - mx) * (y[i] - my)
	}
	slope = xy / xx
	height = my - slope*mx
	var rest float64
	for i := range x {
		d := y[i] - height - slope*x[i]
		rest += d * d
	}
	return slope, math.Sqrt(rest / (n - 2) / xx), height
}

// scrape reads the program's metrics, by their names with labels.
func scrape(ctx context.Context, page string) (map[string]float64, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, page+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("metrics: expected 200, found %s", res.Status)
	}
	m := map[string]float64{}
	for lines := bufio.NewScanner(res.Body); lines.Scan(); {
		name, value, ok := strings.Cut(lines.Text(), " ")
		if v, err := strconv.ParseFloat(value, 64); ok && err == nil && name != "#" {
			m[name] = v
		}
	}
	for _, w := range watched {
		if _, ok := m[w.metric]; !ok {
			return nil, fmt.Errorf("metrics: expected %s, found none", w.metric)
		}
	}
	return m, nil
}
