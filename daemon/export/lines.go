package export

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Turnout is how a turnout is at one moment.
type Turnout struct {
	Name          string
	Open          int     // alerts that stand
	Pressing      int     // of these, of high priority
	ChangePercent float64 // of the open alert that shows the largest change, 0: none says
	Forecast      *detect.Forecast
	Learning      [2]detect.Learning
	Last          time.Time // start of the latest throw, zero before the first
}

// lines is a batch in line protocol: https://docs.influxdata.com/influxdb/v2/reference/syntax/line-protocol/
type lines struct {
	prefix string
	b      []byte
	ends   []int // where each line ends, its line feed included
}

func (l *lines) reset() { l.b, l.ends = l.b[:0], l.ends[:0] }

// text returns the lines from i to before j.
func (l *lines) text(i, j int) string {
	start := 0
	if i > 0 {
		start = l.ends[i-1]
	}
	return string(l.b[start:l.ends[j-1]])
}

func (l *lines) measurement(name string) {
	l.b = append(l.b, l.prefix...)
	l.b = append(l.b, name...)
}

// tag appends a tag. Line protocol has no way to write a control character or
// a backslash at the end of a value; what people have typed must not break a line.
func (l *lines) tag(key, value string) {
	if value == "" {
		return
	}
	l.b = append(l.b, ',')
	l.b = append(l.b, key...)
	l.b = append(l.b, '=')
	if !utf8.ValidString(value) {
		value = strings.ToValidUTF8(value, "_")
	}
	for i := range len(value) {
		switch c := value[i]; {
		case c == ' ', c == ',', c == '=':
			l.b = append(l.b, '\\', c)
		case c < ' ', c == 0x7f, c == '\\':
			l.b = append(l.b, '_')
		default:
			l.b = append(l.b, c)
		}
	}
}

// field appends a number; one that is not finite is left out. All fields are
// floating: a store that has once seen a whole number refuses any other.
func (l *lines) field(name string, v float64) { l.number(name, v, 64) }

// single is field for what is kept in single precision: it is written with the
// digits of that, which are half as many.
func (l *lines) single(name string, v float32) { l.number(name, float64(v), 32) }

func (l *lines) number(name string, v float64, bits int) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if l.b[len(l.b)-1] != ' ' {
		l.b = append(l.b, ',')
	}
	l.b = append(l.b, name...)
	l.b = append(l.b, '=')
	l.b = strconv.AppendFloat(l.b, v, 'g', -1, bits)
}

func (l *lines) fields() { l.b = append(l.b, ' ') }

func (l *lines) end(at time.Time) {
	l.b = append(l.b, ' ')
	l.b = strconv.AppendInt(l.b, at.UnixNano(), 10)
	l.b = append(l.b, '\n')
	l.ends = append(l.ends, len(l.b))
}

// names are the fields of a feature, with their unit.
type names struct{ value, expected, low, high string }

// fieldNames are by quantity.
var fieldNames = func() map[ingest.Quantity][detect.NumFeatures]names {
	all := map[ingest.Quantity][detect.NumFeatures]names{}
	for _, q := range ingest.Quantities {
		var of [detect.NumFeatures]names
		for f := range detect.NumFeatures {
			n := f.String() + "_" + strings.ReplaceAll(f.Unit(q), "·", "_")
			of[f] = names{n, "expected_" + n, "expected_low_" + n, "expected_high_" + n}
		}
		all[q] = of
	}
	return all
}()

// throw appends a line for every trace of a throw.
func (l *lines) throw(r *detect.Record, area string) {
	for i := range r.Traces {
		t := &r.Traces[i]
		l.measurement("throw")
		l.tag("area", area)
		l.tag("drive", t.Drive)
		l.tag("quantity", string(t.Quantity))
		l.tag("to", r.To.String())
		l.tag("turnout", r.Turnout)
		l.fields()
		l.field("completed", flag(r.Completed))
		l.field("doubtful", flag(t.Quality != 0))
		of := fieldNames[t.Quantity]
		for f, v := range t.Features {
			l.single(of[f].value, v)
		}
		if i < len(r.Bands) {
			b := &r.Bands[i]
			for f, v := range b.Expected {
				l.single(of[f].expected, v)
			}
			for _, f := range [...]detect.Feature{detect.Duration, detect.Effort} {
				l.single(of[f].low, b.Low[f])
				l.single(of[f].high, b.High[f])
				l.single(f.String()+"_change_percent", change(t.Features[f], b.Expected[f]))
			}
		}
		last := time.Duration(-1)
		for _, d := range r.Detections {
			last = max(last, d.After)
		}
		if last >= 0 {
			l.field("detection_s", last.Seconds())
		}
		for _, x := range []struct {
			name string
			r    ingest.Reading
		}{{"rail_temperature_C", r.RailTemperature}, {"supply_V", r.Supply}, {"rain", r.Rain}} {
			if x.r.Known {
				l.field(x.name, x.r.Value)
			}
		}
		l.end(r.StartedAt)
	}
}

// change is by how many percent v is above what was expected; NaN where that is not known.
func change(v, expected float32) float32 {
	if !(expected > 0) {
		return float32(math.NaN())
	}
	return float32(100 * (float64(v)/float64(expected) - 1))
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// eventTime is when an event happened, less than a microsecond off: two of one
// moment must not take each other's place, and one that is written again must.
func eventTime(seq int64, e *alerting.Event) time.Time {
	return e.At.Truncate(time.Microsecond).Add(time.Duration(seq % 1000))
}

// event appends a line for what became of an alert.
func (l *lines) event(seq int64, e *alerting.Event, area string) {
	a := &e.Alert
	l.measurement("alert")
	l.tag("area", area)
	l.tag("cabinet", a.Cabinet)
	l.tag("condition", string(a.Condition))
	l.tag("priority", string(a.Priority))
	l.tag("turnout", a.Turnout)
	l.fields()
	l.field("open", flag(a.Open()))
	l.field("raised", flag(e.Kind == alerting.Raised))
	l.field("changed", flag(e.Kind == alerting.Changed))
	l.field("cleared", flag(e.Kind == alerting.Cleared))
	l.field("reopened", float64(a.Reopened))
	if a.ChangePercent != 0 {
		l.field("change_percent", a.ChangePercent)
	}
	if len(a.Causes) > 0 {
		l.field("cause_probability", a.Causes[0].Probability)
	}
	l.forecast(a.Forecast)
	if !a.Open() {
		l.field("stood_s", a.ClearedAt.Sub(a.RaisedAt).Seconds())
	}
	l.end(eventTime(seq, e))
}

func (l *lines) forecast(f *detect.Forecast) {
	if f != nil {
		l.field("forecast_p10_days", f.P10)
		l.field("forecast_p50_days", f.P50)
		l.field("forecast_p90_days", f.P90)
	}
}

// health appends a line for how a turnout is now.
func (l *lines) health(t *Turnout, area string, now time.Time) {
	l.measurement("turnout")
	l.tag("area", area)
	l.tag("turnout", t.Name)
	l.fields()
	l.field("open_alerts", float64(t.Open))
	l.field("open_alerts_high", float64(t.Pressing))
	l.field("change_percent", t.ChangePercent)
	l.forecast(t.Forecast)
	learning, least := false, math.MaxInt
	for _, e := range t.Learning {
		learning = learning || e.Throws < e.Needed
		least = min(least, e.Throws)
	}
	l.field("learning", flag(learning))
	l.field("baseline_throws", float64(least))
	if !t.Last.IsZero() {
		l.field("since_last_throw_s", now.Sub(t.Last).Seconds())
	}
	l.end(now)
}
