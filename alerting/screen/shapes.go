package screen

import (
	"encoding/base64"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// List is one page of a list.
type List[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty" doc:"cursor of the next page; left out on the last"`
}

// Watch is how far a turnout has come.
type Watch string

// A turnout is learning until both its ends have a baseline, watched from then
// on, and in alert while an alert of it is open.
const (
	WatchLearning Watch = "learning"
	WatchWatched  Watch = "watched"
	WatchAlert    Watch = "alert"
)

// Turnout is a turnout at a glance.
type Turnout struct {
	Turnout     string             `json:"turnout"`
	Quantities  []ingest.Quantity  `json:"quantities" doc:"what its channels have measured"`
	Drives      []string           `json:"drives"`
	LastThrowAt time.Time          `json:"last_throw_at,omitzero" doc:"start of the latest throw"`
	LastTo      ingest.End         `json:"last_to,omitempty" enum:"normal,reverse"`
	Completed   bool               `json:"completed" doc:"whether the latest throw completed"`
	Learning    [2]detect.Learning `json:"learning" doc:"normal, then reverse"`
	State       Watch              `json:"state" enum:"learning,watched,alert" doc:"learning until both ends have a baseline; alert while an alert is open"`
	OpenAlerts  int                `json:"open_alerts"`
	Priority    alerting.Priority  `json:"priority,omitempty" enum:"high,medium,low" doc:"of the worst open alert"`
}

// TurnoutDetail is a turnout with what is open and what was done at it.
type TurnoutDetail struct {
	Turnout
	Alerts []alerting.Alert `json:"alerts" doc:"open alerts, most pressing first"`
	Work   []Work           `json:"work" doc:"visits, newest first"`
}

func newTurnout(s *detect.Summary, open []alerting.Alert) Turnout {
	t := Turnout{
		Turnout: s.Turnout, Quantities: s.Quantities, Drives: s.Drives,
		LastThrowAt: s.Last, LastTo: s.LastTo, Completed: s.Completed,
		Learning: s.Learning, State: WatchWatched, OpenAlerts: len(open),
	}
	if learning(s) {
		t.State = WatchLearning
	}
	for i := range open {
		t.State = WatchAlert
		if p := open[i].Priority; t.Priority == "" || p.Rank() < t.Priority.Rank() {
			t.Priority = p
		}
	}
	return t
}

// learning reports whether an end of the turnout has no baseline yet.
func learning(s *detect.Summary) bool {
	return slices.ContainsFunc(s.Learning[:], func(l detect.Learning) bool { return l.Throws < l.Needed })
}

// Work is a visit to a turnout.
type Work struct {
	DoneAt time.Time       `json:"done_at"`
	Work   ingest.WorkKind `json:"work" enum:"inspected,cleaned,lubricated,adjusted,repaired,replaced,other,rebaselined"`
	Note   string          `json:"note,omitempty" maxLength:"4096"`
	By     string          `json:"by,omitempty" maxLength:"128" doc:"who records it"`
	// Verdicts are what the throws after it say of it.
	Verdicts []detect.Verdict `json:"verdicts,omitempty" doc:"whether it helped, one for each end and drive, as soon as enough throws have shown it"`
}

func newWork(list []detect.Visit) []Work {
	out := make([]Work, len(list))
	for i, w := range list {
		out[i] = Work{w.DoneAt, w.Kind, w.Note, w.By, w.Verdicts}
	}
	return out
}

// Throw is a throw, measured and judged.
type Throw struct {
	Key             string      `json:"key" doc:"tells it from every other throw; percent-encode it in a path"`
	ThrowID         string      `json:"throw_id,omitempty"`
	Turnout         string      `json:"turnout"`
	Cabinet         string      `json:"cabinet,omitempty"`
	To              ingest.End  `json:"to" enum:"normal,reverse"`
	StartedAt       time.Time   `json:"started_at"`
	ArrivedAt       time.Time   `json:"arrived_at"`
	Completed       bool        `json:"completed"`
	RailTemperature *float64    `json:"rail_temperature_c,omitempty"`
	Supply          *float64    `json:"supply_v,omitempty"`
	Detections      []Detection `json:"detections"`
	Traces          []Trace     `json:"traces"`
}

// ThrowDetail is a throw with its traces and its neighbours in time.
type ThrowDetail struct {
	Throw
	Channels []Channel `json:"channels" doc:"as measured, in the order of traces; none where the raw traces are past their retention"`
	Previous string    `json:"previous,omitempty" doc:"key of the turnout's throw before this one"`
	Next     string    `json:"next,omitempty" doc:"key of the turnout's throw after this one"`
}

// Detection is one detector making.
type Detection struct {
	Place string  `json:"place"`
	After float64 `json:"after_s" doc:"from started_at"`
}

// Trace is what was measured of one channel.
type Trace struct {
	Drive    string                  `json:"drive"`
	Quantity ingest.Quantity         `json:"quantity"`
	Unit     ingest.Unit             `json:"unit" doc:"base unit of the quantity"`
	Doubts   []string                `json:"doubts" enum:"clipped,flat,missing-start,missing-end,noisy,negative-sign" doc:"reasons to doubt the trace"`
	Phases   []Phase                 `json:"phases" doc:"in order of time; a phase that the trace does not show is left out"`
	Features map[string]FeatureValue `json:"features" doc:"by name; a feature that the trace cannot give is left out"`
	Past     *Past                   `json:"past,omitempty" doc:"of a single throw only: the course of past traces; left out while nothing is known"`
}

// Phase is a part of a throw.
type Phase struct {
	Phase string `json:"phase" enum:"inrush,unlocking,travel,locking,tail"`
	Start figure `json:"start_s" doc:"from started_at"`
	End   figure `json:"end_s"`
}

// FeatureValue is one number measured of a trace beside what the turnout's
// past led to expect; the bounds are left out where too little is known.
type FeatureValue struct {
	Value    figure  `json:"value"`
	Unit     string  `json:"unit"`
	Expected *figure `json:"expected,omitempty"`
	Low      *figure `json:"low,omitempty"`
	High     *figure `json:"high,omitempty"`
}

// Past is the course of past traces: low, mid and high in each of equal parts
// of the time from the start of inrush to the end of locking.
type Past struct {
	Throws   int    `json:"throws" doc:"of which it is made"`
	Duration figure `json:"duration_s" doc:"usual, from the start of inrush to the end of locking: the time that low, mid and high divide into equal parts"`
	Low      column `json:"low"`
	Mid      column `json:"mid"`
	High     column `json:"high"`
}

// Channel is a trace as measured.
type Channel struct {
	Drive      string          `json:"drive"`
	Quantity   ingest.Quantity `json:"quantity"`
	Unit       ingest.Unit     `json:"unit" doc:"base unit of the quantity"`
	SampleRate float64         `json:"sample_rate_hz"`
	Offset     float64         `json:"offset_s" doc:"of the first sample, from started_at"`
	Samples    samples         `json:"samples" doc:"physical values in unit, rounded to what the sensor tells apart"`
}

var doubts = [...]struct {
	bit  detect.Quality
	word string
}{
	{detect.Clipped, "clipped"}, {detect.Flat, "flat"}, {detect.MissingStart, "missing-start"},
	{detect.MissingEnd, "missing-end"}, {detect.Noisy, "noisy"}, {detect.NegativeSign, "negative-sign"},
}

func newThrow(r *detect.Record) Throw {
	t := Throw{
		Key: r.Key, ThrowID: r.ThrowID, Turnout: r.Turnout, Cabinet: r.Cabinet, To: r.To,
		StartedAt: r.StartedAt, ArrivedAt: r.ArrivedAt, Completed: r.Completed,
		RailTemperature: known(r.RailTemperature), Supply: known(r.Supply),
		Detections: make([]Detection, len(r.Detections)), Traces: make([]Trace, len(r.Traces)),
	}
	for i, d := range r.Detections {
		t.Detections[i] = Detection{d.Place, d.After.Seconds()}
	}
	for i := range r.Traces {
		var b *detect.Band
		if i < len(r.Bands) {
			b = &r.Bands[i]
		}
		t.Traces[i] = newTrace(&r.Traces[i], b)
	}
	return t
}

func newTrace(t *detect.Trace, b *detect.Band) Trace {
	out := Trace{
		Drive: t.Drive, Quantity: t.Quantity, Unit: t.Quantity.Base(), Doubts: []string{},
		Phases: []Phase{}, Features: map[string]FeatureValue{},
	}
	for _, d := range doubts {
		if t.Quality&d.bit != 0 {
			out.Doubts = append(out.Doubts, d.word)
		}
	}
	for p := range detect.NumPhases {
		// Not so where a bound is NaN either.
		if start, end := t.Bounds[p], t.Bounds[p+1]; end > start {
			out.Phases = append(out.Phases, Phase{p.String(), figure(start), figure(end)})
		}
	}
	for f := range detect.NumFeatures {
		v := number(t.Features[f])
		if v == nil {
			continue
		}
		fv := FeatureValue{Value: *v, Unit: f.Unit(t.Quantity)}
		if b != nil {
			fv.Expected, fv.Low, fv.High = number(b.Expected[f]), number(b.Low[f]), number(b.High[f])
		}
		out.Features[f.String()] = fv
	}
	return out
}

func newPast(p *detect.Profile) *Past {
	if p.Throws == 0 {
		return nil
	}
	return &Past{p.Throws, figure(p.Duration), p.Low[:], p.Mid[:], p.High[:]}
}

func newChannel(c *ingest.Channel) Channel {
	return Channel{c.Drive, c.Quantity, c.Quantity.Base(), c.SampleRate, c.Offset, c.AppendPhysical(nil)}
}

// number returns v, or nil where it is not a finite number, which JSON has no word for.
func number(v float32) *figure {
	if v-v != 0 {
		return nil
	}
	f := figure(v)
	return &f
}

func known(r ingest.Reading) *float64 {
	if !r.Known {
		return nil
	}
	return &r.Value
}

// figure is a finite number that was measured or computed of measurements.
type figure float32

// Schema tells that a figure is a number.
func (figure) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeNumber, Format: "float"}
}

// MarshalJSON writes six significant digits, about what a float32 holds.
func (f figure) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, float64(f), 'g', 6, 32), nil
}

// column is a list of numbers in which NaN, written as null, is an unknown one.
type column []float32

// Schema tells that the numbers may be null.
func (column) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeNumber, Nullable: true}}
}

// MarshalJSON writes six significant digits, about what a float32 holds.
func (c column) MarshalJSON() ([]byte, error) {
	b := make([]byte, 1, 2+8*len(c))
	b[0] = '['
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if v-v != 0 {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, float64(v), 'g', 6, 32)
	}
	return append(b, ']'), nil
}

// moments is a list of times in s since 1970, UTC.
type moments []float64

// MarshalJSON writes milliseconds.
func (m moments) MarshalJSON() ([]byte, error) {
	b := make([]byte, 1, 2+15*len(m))
	b[0] = '['
	for i, v := range m {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendTrimmed(b, v, 3)
	}
	return append(b, ']'), nil
}

// samples is a list of physical values.
type samples []float64

// MarshalJSON writes as many decimals as give the largest value six significant
// digits: beyond that is the noise of scaling, not of the sensor.
func (s samples) MarshalJSON() ([]byte, error) {
	top := 0.0
	for _, v := range s {
		if a := math.Abs(v); a > top && !math.IsInf(v, 0) {
			top = a
		}
	}
	decimals := 6
	if top > 0 {
		decimals = min(max(5-int(math.Floor(math.Log10(top))), 0), 15)
	}
	b := make([]byte, 1, 2+7*len(s))
	b[0] = '['
	for i, v := range s {
		if i > 0 {
			b = append(b, ',')
		}
		if v-v != 0 {
			b = append(b, "null"...)
			continue
		}
		b = appendTrimmed(b, v, decimals)
	}
	return append(b, ']'), nil
}

// appendTrimmed appends v with at most that many decimals and no trailing zeros.
func appendTrimmed(b []byte, v float64, decimals int) []byte {
	start := len(b)
	b = strconv.AppendFloat(b, v, 'f', decimals, 64)
	if decimals > 0 {
		for b[len(b)-1] == '0' {
			b = b[:len(b)-1]
		}
		if b[len(b)-1] == '.' {
			b = b[:len(b)-1]
		}
	}
	if string(b[start:]) == "-0" {
		b = append(b[:start], '0')
	}
	return b
}

// SetAside is a message that was refused.
type SetAside struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at" doc:"when it arrived"`
	Topic   string    `json:"topic"`
	Turnout string    `json:"turnout,omitempty" doc:"as far as it could be read"`
	Size    int       `json:"size" doc:"bytes, as it arrived"`
	Reasons []Reason  `json:"reasons"`
	Retries int       `json:"retries" doc:"how often it was sent through again, in vain"`
}

// SetAsideDetail is a refused message with what it says.
type SetAsideDetail struct {
	SetAside
	Payload  string `json:"payload" doc:"as it arrived"`
	Encoding string `json:"payload_encoding" enum:"text,base64" doc:"text where the payload is printable UTF-8"`
}

// Reason is one rule that a message breaks.
type Reason struct {
	Path     string `json:"path" doc:"where, e.g. channels[1].unit; empty for the whole"`
	Expected string `json:"expected"`
	Found    string `json:"found"`
}

func newSetAside(a *ingest.SetAside) SetAside {
	out := SetAside{a.ID, a.At, printable(a.Topic), printable(a.Turnout), len(a.Payload), make([]Reason, len(a.Faults)), a.Retries}
	for i, f := range a.Faults {
		out.Reasons[i] = Reason{printable(f.Path), printable(f.Expected), printable(f.Found)}
	}
	return out
}

func newSetAsideDetail(a *ingest.SetAside) SetAsideDetail {
	out := SetAsideDetail{SetAside: newSetAside(a), Encoding: "text"}
	text := utf8.Valid(a.Payload) && !slices.ContainsFunc([]rune(string(a.Payload)), func(r rune) bool {
		return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t'
	})
	if text {
		out.Payload = string(a.Payload)
	} else {
		out.Encoding, out.Payload = "base64", base64.StdEncoding.EncodeToString(a.Payload)
	}
	return out
}

// printable makes text of strangers fit for JSON, which holds UTF-8 only.
func printable(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// Cabinet is the last that was heard of a cabinet.
type Cabinet struct {
	Cabinet     string    `json:"cabinet"`
	State       string    `json:"state" enum:"online,offline"`
	At          time.Time `json:"at" doc:"since when, as the cabinet or its broker says"`
	Agent       string    `json:"agent,omitempty" doc:"the cabinet's software"`
	ClockOffset *float64  `json:"clock_offset_s,omitempty" doc:"by which the cabinet knows its clock to be wrong"`
}

func newCabinet(s *ingest.CabinetState) Cabinet {
	c := Cabinet{Cabinet: s.Cabinet, State: "offline", At: s.At, Agent: printable(s.Agent), ClockOffset: known(s.ClockOffset)}
	if s.Online {
		c.State = "online"
	}
	return c
}

// Status is the program at a glance.
type Status struct {
	Version     string    `json:"version"`
	Now         time.Time `json:"now" doc:"the yard's time: the wall clock, but for the invented yard"`
	Demo        bool      `json:"demo" doc:"railway, names and data are invented, and time runs fast"`
	Ready       bool      `json:"ready" doc:"whether throws are taken now"`
	Reason      string    `json:"reason,omitempty" doc:"why not"`
	Turnouts    int       `json:"turnouts"`
	Learning    int       `json:"learning" doc:"turnouts without a baseline for both ends yet"`
	OpenAlerts  int       `json:"open_alerts"`
	LastThrowAt time.Time `json:"last_throw_at,omitzero" doc:"start of the latest throw of all"`
}
