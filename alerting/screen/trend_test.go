package screen

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

type readTrend struct {
	At               []float64
	Value            []float64
	Level, Low, High []*float64
	Throws           []int
	Since            time.Time
	AfterWork        bool `json:"after_work"`
	Slope            *struct {
		PerWeek float64  `json:"per_week"`
		Low     float64  `json:"per_week_low"`
		High    float64  `json:"per_week_high"`
		Percent *float64 `json:"percent_per_week"`
		P       float64
	}
	Said string
}

// The answer tells the trend that was put in, leaves out throws that say
// nothing, and begins anew after work but not after a look.
func TestTrend(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name  string
		work  []ingest.Work
		query string
		slope float64 // s a week; NaN: none
		since time.Time
		said  string
	}{
		{"whole", nil, "", 0.14, noon.Add(-30 * day), "rising 3."},
		{"inspected", []ingest.Work{{Kind: ingest.Inspected, DoneAt: noon.Add(-5 * day)}}, "", 0.14, noon.Add(-30 * day), "over the last 30 days"},
		{"work", []ingest.Work{{Kind: ingest.Cleaned, DoneAt: noon.Add(-18*day - time.Minute)}}, "", 0.14, noon.Add(-18 * day), "over the 18 days since the last work"},
		{"work before the range", []ingest.Work{{Kind: ingest.Cleaned, DoneAt: noon.Add(-40 * day)}}, "", 0.14, noon.Add(-30 * day), "over the last 30 days"},
		{"earlier", nil, "&from=2026-02-02T00:00:00Z&until=2026-02-20T00:00:00Z", 0.14, time.Date(2026, 2, 2, 0, 0, 0, 0, time.UTC), "over the 18 days to 19 February"},
		{"short", nil, "&from=2026-02-25T00:00:00Z", math.NaN(), time.Date(2026, 2, 25, 0, 0, 0, 0, time.UTC), "too short"},
	} {
		r := newRig(t)
		r.fake.work = c.work
		rng := rand.New(rand.NewPCG(1, 1))
		var list []detect.Record
		for i := range 40 * 4 { // newest first
			at := noon.Add(-time.Duration(i+1) * 6 * time.Hour)
			rec := record("W1", ingest.Normal, at, float32(5-0.02*float64(i)/4+0.01*rng.NormFloat64()))
			odd := rec
			odd.Key, odd.StartedAt, odd.Traces = rec.Key+"x", at.Add(time.Second), slices.Clone(rec.Traces)
			odd.Traces[0].Features[detect.Duration] = 30
			switch i % 3 {
			case 0:
				odd.Completed = false
			case 1:
				odd.Traces[0].Quality = detect.MissingStart
			default:
				odd.To = ingest.Reverse
			}
			list = append(list, odd, rec)
		}
		r.records["W1"] = list
		w := r.do("GET", apiPath+"/turnouts/W1/trend?to=normal&quantity=motor_current"+c.query, "")
		r.conforms("GET", "/turnouts/{turnout}/trend", "200", w.Body.Bytes())
		var got readTrend
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d %s", c.name, w.Code, w.Body)
		}
		if !strings.Contains(got.Said, c.said) {
			t.Errorf("%s: expected %q, found %q", c.name, c.said, got.Said)
		}
		if d := got.Since.Sub(c.since); d < -6*time.Hour || d > 6*time.Hour {
			t.Errorf("%s: expected since %s, found %s", c.name, c.since, got.Since)
		}
		if math.IsNaN(c.slope) != (got.Slope == nil) {
			t.Errorf("%s: slope %+v", c.name, got.Slope)
		} else if s := got.Slope; s != nil && (math.Abs(s.PerWeek-c.slope) > 0.02 || s.Low > s.PerWeek || s.High < s.PerWeek || s.P > 0.01 || math.Abs(*s.Percent-3) > 0.5) {
			t.Errorf("%s: %+v", c.name, *s)
		}
		for i, v := range got.Value {
			if l := got.Level[i]; v > 6 || l != nil && (*got.Low[i] > *l || *got.High[i] < *l || math.Abs(*l-v) > 0.05) {
				t.Errorf("%s: point %d: %g, level %v", c.name, i, v, l)
			}
		}
	}
}

// A throw like its past, one that is not, and one with little past.
func TestLikeness(t *testing.T) {
	r := newRig(t)
	rng := rand.New(rand.NewPCG(2, 2))
	var list []detect.Record
	for i := range 100 {
		rec := record("W1", ingest.Normal, noon.Add(-time.Duration(i)*time.Hour), 4)
		p := &rec.Traces[0]
		level := 3 + 0.1*rng.NormFloat64()
		for j := range p.Profile {
			p.Profile[j] = float32(level + 0.03*rng.NormFloat64())
		}
		p.Bounds = [detect.NumPhases + 1]float32{0, 0.3, 0.6, 3.4, 4, 4.2}
		if i == 0 {
			p.Profile[29] += 1 // 60 % of the way
		}
		if i%4 == 3 {
			rec.Completed = false
		}
		list = append(list, rec)
	}
	r.records["W1"] = list
	ask := func(i int) (got Likeness) {
		w := r.do("GET", apiPath+"/throws/"+url.PathEscape(list[i].Key)+"/likeness", "")
		r.conforms("GET", "/throws/{key}/likeness", "200", w.Body.Bytes())
		var page List[Likeness]
		if err := json.Unmarshal(w.Body.Bytes(), &page); err != nil || len(page.Items) != 1 {
			t.Fatalf("%v %s", err, w.Body)
		}
		return page.Items[0]
	}
	if l := ask(0); !l.Beyond || *l.SPE < *l.SPELimit || *l.From > 0.61 || *l.To < 0.6 || l.Phase != "travel" || l.Throws > 75 ||
		!strings.HasSuffix(l.Said, "mostly at 58 to 67 % of the movement (travel)") {
		t.Errorf("an odd throw: %+v", l)
	}
	if l := ask(2); l.Beyond || l.T2 == nil || l.From != nil {
		t.Errorf("a throw like its past: %+v", l)
	}
	if l := ask(60); l.T2 != nil || !strings.Contains(l.Said, "of the 60 throws") {
		t.Errorf("a throw with little past: %+v", l)
	}
}
