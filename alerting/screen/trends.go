package screen

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/detect"
	"throwline/ingest"
)

const (
	usualThrows = 2000   // read where no time is asked for
	mostThrows  = 20_000 // read for any time
	throwsPage  = 500    // read from the archive at once
)

// Trends are the features of a turnout's throws in columns: place i of every
// column of an end is the same throw.
type Trends struct {
	Turnout   string     `json:"turnout"`
	Throws    int        `json:"throws" doc:"in the time asked for, both ends"`
	Truncated bool       `json:"truncated" doc:"there are older throws in the time asked for that are left out"`
	Ends      []TrendEnd `json:"ends"`
}

// TrendEnd is what the throws to one end went like.
type TrendEnd struct {
	To              ingest.End `json:"to" enum:"normal,reverse"`
	Throws          int        `json:"throws" doc:"before thinning"`
	Thinned         bool       `json:"thinned" doc:"throws were left out; the extremes of every column of value are among those kept"`
	At              moments    `json:"at" doc:"started_at in s since 1970-01-01T00:00:00Z, ascending"`
	Keys            []string   `json:"keys"`
	Completed       []bool     `json:"completed"`
	RailTemperature column     `json:"rail_temperature_c"`
	Series          []Series   `json:"series"`
}

// Series is one feature of one channel.
type Series struct {
	Drive    string          `json:"drive"`
	Quantity ingest.Quantity `json:"quantity"`
	Feature  string          `json:"feature"`
	Unit     string          `json:"unit"`
	Value    column          `json:"value"`
	Expected column          `json:"expected" doc:"from the turnout's past without the throw itself"`
	Low      column          `json:"low"`
	High     column          `json:"high"`
}

// Schema tells that moments are numbers.
func (moments) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeNumber, Format: "double"}}
}

// Schema tells that samples are numbers.
func (samples) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeNumber, Format: "double"}}
}

type trendsInput struct {
	TurnoutInput
	RangeInput
	Features []string `query:"features" maxItems:"100" doc:"names of features; where left out: duration, effort, travel_mean, unlock_peak, lock_peak"`
	Limit    int      `query:"limit" minimum:"50" maximum:"20000" default:"2000" doc:"throws of one end, at most; beyond it they are thinned. Without from, at most the latest 2000 throws are read"`

	wanted []detect.Feature
}

// Resolve reads the names of features.
func (in *trendsInput) Resolve(ctx huma.Context) []error {
	errs := in.RangeInput.Resolve(ctx)
	in.wanted = []detect.Feature{detect.Duration, detect.Effort, detect.TravelMean, detect.UnlockPeak, detect.LockPeak}
	if len(in.Features) == 0 {
		return errs
	}
	in.wanted = nil
	for _, name := range in.Features {
		f, ok := detect.ParseFeature(name)
		if !ok {
			return append(errs, &huma.ErrorDetail{Location: "query.features", Message: "expected names of features: " + featureNames(), Value: name})
		}
		if !slices.Contains(in.wanted, f) {
			in.wanted = append(in.wanted, f)
		}
	}
	return errs
}

func featureNames() string {
	var names []string
	for f := range detect.NumFeatures {
		names = append(names, f.String())
	}
	return strings.Join(names, ", ")
}

func (s *server) trends(ctx context.Context, in *trendsInput) (*answer[Trends], error) {
	if _, err := s.o.Yard.Turnout(in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	most := mostThrows
	if in.From.IsZero() {
		most = usualThrows
	}
	out := Trends{Turnout: in.Turnout, Ends: []TrendEnd{}}
	var tables [2]table
	var err error
	out.Truncated, err = s.eachThrow(ctx, in.Turnout, in.From, in.To, most, func(r *detect.Record) bool {
		if to := r.To; to == ingest.Normal || to == ingest.Reverse {
			tables[to-1].add(r, in.wanted)
			out.Throws++
		}
		return true
	})
	if err != nil {
		return nil, s.problem(ctx, err, "read the throws")
	}
	for i := range tables {
		if len(tables[i].at) > 0 {
			out.Ends = append(out.Ends, tables[i].end(ingest.Ends[i], in.Limit))
		}
	}
	return &answer[Trends]{out}, nil
}

// table gathers the throws to one end, newest first.
type table struct {
	at        []float64
	keys      []string
	completed []bool
	rail      []float32
	series    []*Series
	by        map[seriesKey]*Series
}

type seriesKey struct {
	drive    string
	quantity ingest.Quantity
	feature  detect.Feature
}

func (t *table) add(r *detect.Record, wanted []detect.Feature) {
	nan := float32(math.NaN())
	n := len(t.at) // rows before this one
	t.at = append(t.at, seconds(r.StartedAt))
	t.keys = append(t.keys, r.Key)
	t.completed = append(t.completed, r.Completed)
	rail := nan
	if r.RailTemperature.Known {
		rail = float32(r.RailTemperature.Value)
	}
	t.rail = append(t.rail, rail)
	if t.by == nil {
		t.by = map[seriesKey]*Series{}
	}
	for i := range r.Traces {
		tr := &r.Traces[i]
		for _, f := range wanted {
			if number(tr.Features[f]) == nil {
				continue
			}
			k := seriesKey{tr.Drive, tr.Quantity, f}
			s := t.by[k]
			if s == nil {
				s = &Series{Drive: tr.Drive, Quantity: tr.Quantity, Feature: f.String(), Unit: f.Unit(tr.Quantity)}
				t.by[k] = s
				t.series = append(t.series, s)
			}
			if len(s.Value) > n {
				continue // two channels of one name: the first counts
			}
			s.pad(n)
			s.Value = append(s.Value, tr.Features[f])
			if i < len(r.Bands) {
				b := &r.Bands[i]
				s.Expected, s.Low, s.High = append(s.Expected, b.Expected[f]), append(s.Low, b.Low[f]), append(s.High, b.High[f])
			}
			s.pad(n + 1)
		}
	}
}

// pad fills the columns up to n rows with unknown numbers.
func (s *Series) pad(n int) {
	for _, c := range []*column{&s.Value, &s.Expected, &s.Low, &s.High} {
		for len(*c) < n {
			*c = append(*c, float32(math.NaN()))
		}
	}
}

// end turns the table to oldest first, thinned to about most rows.
func (t *table) end(to ingest.End, most int) TrendEnd {
	for _, s := range t.series {
		s.pad(len(t.at))
	}
	rows := thin(t.series, len(t.at), most)
	out := TrendEnd{
		To: to, Throws: len(t.at), Thinned: len(rows) < len(t.at),
		At: pick(t.at, rows), Keys: pick(t.keys, rows), Completed: pick(t.completed, rows), RailTemperature: pick(t.rail, rows),
		Series: make([]Series, len(t.series)),
	}
	for i, s := range t.series {
		s.Value, s.Expected, s.Low, s.High = pick(s.Value, rows), pick(s.Expected, rows), pick(s.Low, rows), pick(s.High, rows)
		out.Series[i] = *s
	}
	slices.SortStableFunc(out.Series, func(a, b Series) int {
		if c := strings.Compare(a.Drive, b.Drive); c != 0 {
			return c
		}
		return strings.Compare(string(a.Quantity), string(b.Quantity))
	})
	return out
}

// thin returns which of n rows to keep, oldest first, where rows are newest
// first: all of them up to most; beyond it the first, the last, and of each of
// equal runs of rows those with the lowest and the highest value of a series.
func thin(series []*Series, n, most int) []int {
	keep := make([]bool, n)
	if n <= most {
		for i := range keep {
			keep[i] = true
		}
	} else {
		keep[0], keep[n-1] = true, true
		runs := max((most-2)/max(2*len(series), 1), 1)
		for run := range runs {
			from, to := run*n/runs, (run+1)*n/runs
			if len(series) == 0 && from < to {
				keep[from] = true
			}
			for _, s := range series {
				low, high := -1, -1
				for i := from; i < to; i++ {
					v := s.Value[i]
					if v-v != 0 {
						continue
					}
					if low < 0 || v < s.Value[low] {
						low = i
					}
					if high < 0 || v > s.Value[high] {
						high = i
					}
				}
				if low >= 0 {
					keep[low], keep[high] = true, true
				}
			}
		}
	}
	rows := make([]int, 0, min(n, most))
	for i := n - 1; i >= 0; i-- {
		if keep[i] {
			rows = append(rows, i)
		}
	}
	return rows
}

func pick[S ~[]E, E any](list S, rows []int) S {
	out := make(S, len(rows))
	for i, r := range rows {
		out[i] = list[r]
	}
	return out
}

func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
