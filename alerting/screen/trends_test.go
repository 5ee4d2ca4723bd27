package screen

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// readTrends is the answer as a reader of JSON sees it.
type readTrends struct {
	Throws    int
	Truncated bool
	Ends      []struct {
		To              string
		Throws          int
		Thinned         bool
		At              []float64
		Keys            []string
		Completed       []bool
		RailTemperature []*float64 `json:"rail_temperature_c"`
		Series          []struct {
			Drive, Quantity, Feature, Unit string
			Value, Expected, Low, High     []*float64
		}
	}
}

func (r *rig) trendsOf(query string) (out readTrends) {
	r.t.Helper()
	w := r.do("GET", apiPath+"/turnouts/W1/trends?"+query, "")
	if w.Code != 200 {
		r.t.Fatalf("%d %s", w.Code, w.Body)
	}
	r.conforms("GET", "/turnouts/{turnout}/trends", "200", w.Body.Bytes())
	if err := json.Unmarshal(w.Body.Bytes(), &out); err != nil {
		r.t.Fatal(err)
	}
	for _, e := range out.Ends {
		n := len(e.At)
		if !slices.IsSorted(e.At) {
			r.t.Error("times are not ascending")
		}
		if len(e.Keys) != n || len(e.Completed) != n || len(e.RailTemperature) != n {
			r.t.Errorf("columns of %d, %d, %d, %d", n, len(e.Keys), len(e.Completed), len(e.RailTemperature))
		}
		for _, s := range e.Series {
			if len(s.Value) != n || len(s.Expected) != n || len(s.Low) != n || len(s.High) != n {
				r.t.Errorf("%s: columns of %d, %d, %d, %d beside %d", s.Feature, len(s.Value), len(s.Expected), len(s.Low), len(s.High), n)
			}
		}
	}
	return out
}

// past fills the archive with n throws to one end, newest first.
func (r *rig) past(n int, value func(i int) float32) {
	list := make([]detect.Record, n)
	for i := range n { // i counts from the oldest
		rec := record("W1", ingest.Normal, noon.Add(time.Duration(i-n)*time.Minute), value(i))
		rec.Key = fmt.Sprint(i)
		list[n-1-i] = rec
	}
	r.records["W1"] = list
}

// How much is read, and what is said of the rest.
func TestTrendsBounded(t *testing.T) {
	for _, c := range []struct {
		have, read int
		query      string
		truncated  bool
	}{
		{0, 0, "", false},
		{1999, 1999, "", false},
		{2000, 2000, "", false},
		{2001, 2000, "", true},
		{3000, 3000, "from=2000-01-01T00:00:00Z&limit=20000", false},
		{20001, 20000, "from=2000-01-01T00:00:00Z&limit=20000", true},
		{3000, 61, "from=2026-03-01T10:59:00Z", false},
		{3000, 59, "from=2026-03-01T10:59:00Z&to=2026-03-01T11:58:00Z", false},
	} {
		r := newRig(t)
		r.past(c.have, func(int) float32 { return 1 })
		got := r.trendsOf(c.query)
		if got.Throws != c.read || got.Truncated != c.truncated || r.read != c.read {
			t.Errorf("%d, %q: expected %d, truncated %v; found %d of %d read, truncated %v", c.have, c.query, c.read, c.truncated, got.Throws, r.read, got.Truncated)
		}
		if c.read > 0 && (got.Ends[0].Thinned || len(got.Ends[0].At) != c.read) {
			t.Errorf("%d, %q: thinned to %d", c.have, c.query, len(got.Ends[0].At))
		}
	}
}

// Thinning keeps the ends and, of every column, the extremes, wherever they are.
func TestTrendsThinned(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 7))
		r := newRig(t)
		n := 1000 + rng.IntN(1000)
		values := make([]float32, n)
		for i := range values {
			values[i] = float32(rng.NormFloat64())
		}
		peak, dip := rng.IntN(n), rng.IntN(n)
		values[peak], values[dip] = 100, -100
		r.past(n, func(i int) float32 { return values[i] })
		for i := range r.records["W1"] {
			f := &r.records["W1"][i].Traces[0].Features
			f[detect.Effort] = float32(rng.Float64()) // its extremes are not those of the duration
			if rng.IntN(10) == 0 {
				f[detect.TravelMean] = float32(rng.NormFloat64())
			}
		}
		limit := 50 + rng.IntN(300)
		got := r.trendsOf(fmt.Sprintf("limit=%d&features=duration,effort,travel_mean", limit)).Ends[0]
		if !got.Thinned || got.Throws != n || len(got.At) > limit || len(got.At) < limit/4 {
			t.Fatalf("seed %d: %d throws thinned to %d of %d asked for", seed, n, len(got.At), limit)
		}
		for _, want := range []int{0, n - 1, peak, dip} {
			if !slices.Contains(got.Keys, fmt.Sprint(want)) {
				t.Errorf("seed %d: throw %d of %d is not among those kept (peak %d, dip %d)", seed, want, n, peak, dip)
			}
		}
		for i, k := range got.Keys {
			var j int
			if _, err := fmt.Sscan(k, &j); err != nil {
				t.Fatal(err)
			}
			for _, s := range got.Series {
				if s.Feature == "duration" && math.Abs(*s.Value[i]-float64(values[j])) > 1e-5*math.Abs(*s.Value[i]) {
					t.Fatalf("seed %d: row %d is not throw %d", seed, i, j)
				}
			}
		}
	}
}

// Channels that come and go, two of one name, and a record without bands.
func TestTrendsColumns(t *testing.T) {
	r := newRig(t)
	r.past(4, func(i int) float32 { return float32(i) })
	list := r.records["W1"] // newest first: 3 2 1 0
	back := list[1].Traces[0]
	back.Drive = "back"
	back.Features[detect.Duration] = 20
	again := list[0].Traces[0]
	again.Features[detect.Duration] = 99
	list[1].Traces = append(list[1].Traces, back)
	list[1].Bands = append(list[1].Bands, detect.Band{})
	list[0].Traces = append(list[0].Traces, again)
	list[2].Traces = nil
	list[3].Bands = nil
	got := r.trendsOf("features=duration,duration").Ends[0]
	show := func(c []*float64) (out []any) {
		for _, v := range c {
			if v == nil {
				out = append(out, "-")
			} else {
				out = append(out, *v)
			}
		}
		return out
	}
	if len(got.Series) != 2 {
		t.Fatalf("%d series", len(got.Series))
	}
	for i, want := range []string{"back [- - 20 -] [- - 0 -]", "main [0 - 2 3] [- - - -]"} {
		s := got.Series[i]
		if found := fmt.Sprint(s.Drive, " ", show(s.Value), " ", show(s.Expected)); found != want {
			t.Errorf("expected %s, found %s", want, found)
		}
	}
}

// Numbers are written as short as they are true.
func TestNumbers(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		v    any
		want string
	}{
		{samples{}, "[]"},
		{samples{0, 0}, "[0,0]"},
		{samples{0.1 * 3, 1.005, -2.5}, "[0.3,1.005,-2.5]"},
		{samples{123456.7, 1}, "[123457,1]"},
		{samples{-1e-9, 2e-9}, "[-0.000000001,0.000000002]"},
		{samples{-1e-9, 5}, "[0,5]"},
		{samples{nan, 1, math.Inf(1)}, "[null,1,null]"},
		{samples{1.5e12}, "[1500000000000]"},
		{column{float32(nan), 1.2345678, 1e-9, 2e9}, "[null,1.23457,1e-09,2e+09]"},
		{moments{1772366400, 1772366400.1239}, "[1772366400,1772366400.124]"},
		{figure(0.003173007), "0.00317301"},
	} {
		b, err := json.Marshal(c.v)
		if err != nil || string(b) != c.want {
			t.Errorf("%v: expected %s, found %s, %v", c.v, c.want, b, err)
		}
	}
}

func BenchmarkTrends(b *testing.B) {
	var t table
	records := make([]detect.Record, 2000)
	for i := range records {
		records[i] = record("W1", ingest.Normal, noon.Add(-time.Duration(i)*time.Minute), float32(i))
	}
	b.ReportAllocs()
	for b.Loop() {
		t = table{}
		for i := range records {
			t.add(&records[i], []detect.Feature{detect.Duration, detect.Effort})
		}
		e := t.end(ingest.Normal, 2000)
		if len(e.At) != 2000 {
			b.Fatal(len(e.At))
		}
		if _, err := json.Marshal(e); err != nil {
			b.Fatal(err)
		}
	}
}
