package screen

import (
	"context"
	"math"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/detect"
	"throwline/ingest"
)

// trendRange is how far a trend looks back where from is left out.
const trendRange = 30 * 24 * time.Hour

// Trend is how one feature of one channel went to one end: its points are
// medians of days, place i of every column is the same one.
type Trend struct {
	Turnout   string          `json:"turnout"`
	To        ingest.End      `json:"to" enum:"normal,reverse"`
	Drive     string          `json:"drive"`
	Quantity  ingest.Quantity `json:"quantity"`
	Feature   string          `json:"feature"`
	Unit      string          `json:"unit"`
	From      time.Time       `json:"from"`
	Until     time.Time       `json:"until"`
	Truncated bool            `json:"truncated" doc:"there are older throws in the time asked for that are left out"`
	At        moments         `json:"at" doc:"median time of a day's throws, UTC, in s since 1970-01-01T00:00:00Z, ascending; of more days in a range of over 400"`
	Value     column          `json:"value" doc:"median of the throws that completed and whose trace is of use"`
	Throws    []int           `json:"throws" doc:"of which the value is the median"`
	Level     column          `json:"level" doc:"smoothed: a random walk seen through noise, fitted anew after each visit"`
	Low       column          `json:"low" doc:"of the level's 95 % band, not of the values'"`
	High      column          `json:"high"`
	Since     time.Time       `json:"since,omitzero" doc:"first throw of what the trend is of: what follows the last work in the range"`
	AfterWork bool            `json:"after_work" doc:"work in the range bounds what the trend is of"`
	Slope     *TrendSlope     `json:"slope,omitempty" doc:"left out where there are too few days"`
	Said      string          `json:"said" doc:"in words"`
}

// TrendSlope is how steep a trend is and whether there is one.
type TrendSlope struct {
	PerWeek     float64  `json:"per_week" doc:"Theil-Sen, in unit a week"`
	Low         float64  `json:"per_week_low" doc:"of its 95 % interval (Sen), widened for autocorrelation"`
	High        float64  `json:"per_week_high"`
	Percent     *float64 `json:"percent_per_week,omitempty" doc:"of the median; left out where values are not all above 0"`
	P           float64  `json:"p" minimum:"0" maximum:"1" doc:"Mann-Kendall, two-sided, corrected for autocorrelation"`
	Uncorrected float64  `json:"p_uncorrected" minimum:"0" maximum:"1"`
	Inflation   float64  `json:"variance_inflation" doc:"Hamed and Rao 1998; the correction takes the larger of it and an autoregression's"`
}

type trendInput struct {
	TurnoutInput
	To       string    `query:"to" enum:"normal,reverse" required:"true"`
	Drive    string    `query:"drive" maxLength:"64" default:"main"`
	Quantity string    `query:"quantity" enum:"motor_current,motor_power,supply_voltage,hydraulic_pressure,displacement,drive_force" required:"true"`
	Feature  string    `query:"feature" default:"duration" doc:"name of a feature"`
	From     time.Time `query:"from" doc:"first moment, RFC 3339; where left out: 30 days before until"`
	Until    time.Time `query:"until" doc:"first moment after, RFC 3339; where left out: now"`

	end     ingest.End
	feature detect.Feature
}

// Resolve reads the names and refuses a range that ends before it begins.
func (in *trendInput) Resolve(huma.Context) (errs []error) {
	errs = append(errs, checkRange("query.from", in.From, "query.until", in.Until)...)
	for _, e := range ingest.Ends {
		if e.String() == in.To {
			in.end = e
		}
	}
	var ok bool
	if in.feature, ok = detect.ParseFeature(in.Feature); !ok {
		errs = append(errs, &huma.ErrorDetail{Location: "query.feature", Message: "expected the name of a feature: " + featureNames(), Value: in.Feature})
	}
	return errs
}

func (s *server) trend(ctx context.Context, in *trendInput) (*answer[Trend], error) {
	if _, err := s.o.Yard.Turnout(in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	q := ingest.Quantity(in.Quantity)
	out := Trend{
		Turnout: in.Turnout, To: in.end, Drive: in.Drive, Quantity: q, Feature: in.Feature, Unit: in.feature.Unit(q), From: in.From, Until: in.Until,
	}
	now := s.o.Yard.Now()
	if out.Until.IsZero() {
		out.Until = now
	}
	if out.From.IsZero() {
		out.From = out.Until.Add(-trendRange)
	}
	visits, err := s.o.Archive.Work(ctx, in.Turnout)
	if err != nil {
		return nil, s.problem(ctx, err, "read the visits")
	}
	var work []time.Time
	for i := range visits {
		// Looking changes nothing.
		if v := &visits[i]; v.Kind != ingest.Inspected && v.DoneAt.After(out.From) && v.DoneAt.Before(out.Until) {
			work = append(work, v.DoneAt)
		}
	}
	var at []time.Time
	var value []float64
	out.Truncated, err = s.eachThrow(ctx, in.Turnout, out.From, out.Until, mostThrows, func(r *detect.Record) bool {
		if tr := sound(r, in.end, in.Drive, q); tr != nil {
			at, value = append(at, r.StartedAt), append(value, float64(tr.Features[in.feature]))
		}
		return true
	})
	if err != nil {
		return nil, s.problem(ctx, err, "read the throws")
	}
	slices.Reverse(at)
	slices.Reverse(value)
	t := detect.FindTrend(at, value, work, out.Unit, now)
	out.At, out.Value, out.Throws = make(moments, len(t.At)), narrow(t.Value), append([]int{}, t.Throws...)
	for i := range t.At {
		out.At[i] = seconds(t.At[i])
	}
	out.Level, out.Low, out.High = narrow(t.Level), narrow(t.Low), narrow(t.High)
	out.Since, out.AfterWork, out.Said = t.Since, t.Work, t.Said
	if t.Enough && !math.IsNaN(t.TheilSen.Slope) {
		out.Slope = &TrendSlope{
			PerWeek: 7 * t.TheilSen.Slope, Low: 7 * t.TheilSen.Low, High: 7 * t.TheilSen.High,
			P: t.MannKendall.CorrectedP, Uncorrected: t.MannKendall.P, Inflation: t.MannKendall.Inflation,
		}
		if t.Usual > 0 {
			percent := 100 * out.Slope.PerWeek / t.Usual
			out.Slope.Percent = &percent
		}
	}
	return &answer[Trend]{out}, nil
}

// eachThrow gives throws that started in [from, to) to f, newest first, until f
// returns false or most have been read; truncated: there are older ones. The
// record is f's until it returns.
func (s *server) eachThrow(ctx context.Context, turnout string, from, to time.Time, most int, f func(*detect.Record) bool) (truncated bool, err error) {
	cursor := ""
	for read := 0; ; {
		records, next, err := s.o.Archive.Throws(ctx, turnout, from, to, cursor, min(throwsPage, most-read))
		if err != nil {
			return false, err
		}
		for i := range records {
			if !f(&records[i]) {
				return false, nil
			}
		}
		read += len(records)
		if cursor = next; cursor == "" || len(records) == 0 {
			return false, nil
		}
		if read >= most {
			return true, nil
		}
	}
}

// sound returns the trace of a channel of a throw to that end, where the throw
// completed and the trace is of use; else nil. A doubt that many traces of a
// drive share, as that they end early, is none: leaving those out would choose
// among them by weather.
func sound(r *detect.Record, to ingest.End, drive string, q ingest.Quantity) *detect.Trace {
	if r.To != to || !r.Completed {
		return nil
	}
	for i := range r.Traces {
		if tr := &r.Traces[i]; tr.Drive == drive && tr.Quantity == q {
			if !tr.Useful() {
				return nil
			}
			return tr
		}
	}
	return nil
}

func narrow(v []float64) column {
	out := make(column, len(v))
	for i, f := range v {
		out[i] = float32(f)
	}
	return out
}
