package screen

import (
	"bytes"
	"context"
	"encoding/csv"
	"io"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"throwline/alerting"
	"throwline/detect"
)

func (s *server) registerExports(api huma.API) {
	getCSV(api, "export-alerts", "/exports/alerts.csv", "The alerts that stood in a time, and what was done about them, as CSV", s.exportAlerts)
	getCSV(api, "export-features", "/exports/features.csv", "The features of a turnout's throws, as CSV: a line a throw, channel and feature, newest throw first", s.exportFeatures)
	getCSV(api, "export-work", "/exports/work.csv", "The visits of a time, as CSV", s.exportWork)
}

// getCSV registers an operation that answers with a CSV file.
func getCSV[I any](api huma.API, id, path, summary string, h func(context.Context, *I) (*huma.StreamResponse, error)) {
	op := huma.Operation{
		OperationID: id, Method: http.MethodGet, Path: apiPath + path, Summary: summary, Errors: []int{400, 401, 403, 404, 422, 503},
		Description: "RFC 4180, UTF-8, a header line. Times are RFC 3339 with an offset. " +
			"Text that a spreadsheet would take for a formula begins with an apostrophe. A file that could not be written to its end is broken off.",
		Responses: map[string]*huma.Response{"200": {
			Description: "a CSV file", Content: map[string]*huma.MediaType{csvType: {Schema: &huma.Schema{Type: huma.TypeString}}},
		}},
	}
	huma.Register(api, op, h)
}

// download answers with a CSV file that write writes. What goes wrong before
// the first bytes is a problem; after them the answer breaks off, so that a
// part is not taken for the whole.
func (s *server) download(ctx context.Context, name string, write func(io.Writer) error) (*huma.StreamResponse, error) {
	out := &held{}
	return &huma.StreamResponse{Body: func(hc huma.Context) {
		r, w := humago.Unwrap(hc)
		rc := http.NewResponseController(w)
		out.begin = func() io.Writer {
			hc.SetHeader("Content-Type", csvTypeUTF8)
			hc.SetHeader("Content-Disposition", `attachment; filename="`+name+`"`)
			hc.SetStatus(http.StatusOK)
			return hc.BodyWriter()
		}
		// The server's time limit is for short answers. Where the writer knows
		// no deadlines, that limit holds. Over HTTP/2 it would end the answer though
		// nobody writes: it holds while the reader is waited for, not the disk.
		out.each = func() { _ = rc.SetWriteDeadline(time.Now().Add(s.within)) }
		out.rest = func() { _ = rc.SetWriteDeadline(time.Time{}) }
		out.rest()
		if r.Method == http.MethodHead {
			out.begin()
			return
		}
		err := write(out)
		if err == nil {
			err = out.flush()
		}
		switch {
		case err == nil:
		case !out.begun:
			out.each()
			p := s.problem(ctx, err, "write "+name)
			if se, ok := p.(huma.StatusError); ok {
				_ = huma.WriteErr(s.api, hc, se.GetStatus(), se.Error()) // an error here is a reader that went away
			}
		default:
			if ctx.Err() == nil {
				s.o.Log.Error("request failed", "doing", "write "+name, "error", err)
			}
			panic(http.ErrAbortHandler)
		}
	}}, nil
}

// heldBytes are gathered before anything is sent.
const heldBytes = 64 << 10

// held gathers the first bytes of an answer, so that what fails at once can
// still be told as a problem, and then writes on in pieces.
type held struct {
	buf   bytes.Buffer
	begun bool
	begin func() io.Writer
	each  func() // before a piece is written
	rest  func() // after it, while the next is made
	w     io.Writer
}

func (h *held) Write(p []byte) (int, error) {
	h.buf.Write(p)
	if h.buf.Len() >= heldBytes {
		if err := h.flush(); err != nil {
			return 0, err
		}
		h.rest()
	}
	return len(p), nil
}

func (h *held) flush() error {
	if !h.begun {
		h.begun, h.w = true, h.begin()
	}
	h.each()
	_, err := h.buf.WriteTo(h.w)
	return err
}

// sheet writes lines of CSV.
type sheet struct {
	w   *csv.Writer
	row []string
}

func newSheet(w io.Writer, header ...string) *sheet {
	s := &sheet{w: csv.NewWriter(w)}
	s.w.UseCRLF = true // RFC 4180
	s.row = header
	s.end()
	return s
}

var hiddenFormula = regexp.MustCompile(`([;\t]\s*)([=+\-@＝＋－＠])`)

// text adds a cell of words. What a spreadsheet would take for a formula is
// made text of.
func (s *sheet) text(v string) {
	if v != "" && strings.ContainsRune("=+-@\t\r\n", rune(v[0])) || strings.HasPrefix(v, "＝") || strings.HasPrefix(v, "＋") ||
		strings.HasPrefix(v, "－") || strings.HasPrefix(v, "＠") {
		v = "'" + v
	}
	// A spreadsheet that separates by semicolons or tabs begins a cell there.
	v = hiddenFormula.ReplaceAllString(v, "$1'$2")
	s.row = append(s.row, printable(v))
}

// number adds a cell of a figure; what is no finite number stays empty.
func (s *sheet) number(v float64, bits int) {
	if v-v != 0 {
		s.row = append(s.row, "")
		return
	}
	digits := -1
	if bits == 32 {
		digits = 6 // about what a float32 holds
	}
	s.row = append(s.row, strconv.FormatFloat(v, 'g', digits, bits))
}

// at adds a cell of a time; none stays empty.
func (s *sheet) at(t time.Time) {
	v := ""
	if !t.IsZero() {
		v = t.Format(time.RFC3339Nano)
	}
	s.row = append(s.row, v)
}

// end ends the line. An error is kept until done.
func (s *sheet) end() {
	_ = s.w.Write(s.row) // told by done
	s.row = s.row[:0]
}

func (s *sheet) done() error {
	s.w.Flush()
	return s.w.Error()
}

type exportAlertsInput struct {
	Turnout string `query:"turnout" maxLength:"64" doc:"of this turnout only"`
	RangeInput
}

func (s *server) exportAlerts(ctx context.Context, in *exportAlertsInput) (*huma.StreamResponse, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	from, to, err := s.span(in.RangeInput, 365*day)
	if err != nil {
		return nil, err
	}
	list, err := desk.Of(ctx, from, to, in.Turnout, mostCases+1)
	if err != nil {
		return nil, s.problem(ctx, err, "read the alerts of the time")
	}
	if len(list) > mostCases {
		return nil, unprocessable("query.from", "a time of at most "+strconv.Itoa(mostCases)+" alerts", "one of more")
	}
	return s.download(ctx, "alerts.csv", func(w io.Writer) error {
		sh := newSheet(w, "id", "turnout", "cabinet", "area", "line", "to", "drive", "condition", "priority", "standing", "change_percent",
			"since", "raised_at", "changed_at", "cleared_at", "reopened_times", "cause", "cause_probability", "limit", "days_p10", "days_p50", "days_p90",
			"acknowledged_at", "acknowledged_by", "shelved_until", "shelved_by", "shelved_for", "found", "found_cause", "found_note", "found_by", "found_at")
		for i := range list {
			sh.alert(&list[i])
		}
		return sh.done()
	})
}

func (s *sheet) alert(c *alerting.Case) {
	end := ""
	if c.To != 0 {
		end = c.To.String()
	}
	for _, v := range []string{c.ID, c.Turnout, c.Cabinet, c.Place.AreaOf(c.Turnout), c.Place.Line, end, c.Drive, string(c.Condition), string(c.Priority), string(c.Standing)} {
		s.text(v)
	}
	s.number(c.ChangePercent, 64)
	for _, t := range []time.Time{c.Since, c.RaisedAt, c.ChangedAt, c.ClearedAt} {
		s.at(t)
	}
	s.number(float64(c.Reopened), 64)
	cause, p := "", math.NaN()
	if len(c.Causes) > 0 {
		cause, p = string(c.Causes[0].Cause), c.Causes[0].Probability
	}
	s.text(cause)
	s.number(p, 64)
	f := detect.Forecast{P10: math.NaN(), P50: math.NaN(), P90: math.NaN()}
	if c.Forecast != nil {
		f = *c.Forecast
	}
	s.text(f.Limit)
	s.number(f.P10, 64)
	s.number(f.P50, 64)
	s.number(f.P90, 64)
	h := &c.Handling
	s.at(h.AcknowledgedAt)
	s.text(h.AcknowledgedBy)
	s.at(h.ShelvedUntil)
	s.text(h.ShelvedBy)
	s.text(h.ShelvedFor)
	var found alerting.Found
	word := ""
	if h.Found != nil {
		if found, word = *h.Found, "nothing"; found.True {
			word = "something"
		}
	}
	s.text(word)
	s.text(string(found.Cause))
	s.text(found.Note)
	s.text(found.By)
	s.at(found.At)
	s.end()
}

type exportFeaturesInput struct {
	Turnout string `query:"turnout" required:"true" minLength:"1" maxLength:"64"`
	RangeInput
}

func (s *server) exportFeatures(ctx context.Context, in *exportFeaturesInput) (*huma.StreamResponse, error) {
	if _, err := s.o.Yard.Turnout(in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	return s.download(ctx, "features.csv", func(w io.Writer) error {
		sh := newSheet(w, "key", "turnout", "to", "started_at", "completed", "rail_temperature_c", "supply_v",
			"drive", "quantity", "feature", "unit", "value_in_unit", "expected_in_unit", "low_in_unit", "high_in_unit")
		cursor := ""
		for {
			list, next, err := s.o.Archive.Throws(ctx, in.Turnout, in.From, in.To, cursor, throwsPage)
			if err != nil {
				return err
			}
			for i := range list {
				sh.features(&list[i])
			}
			if cursor = next; cursor == "" || sh.w.Error() != nil {
				return sh.done()
			}
		}
	})
}

func (s *sheet) features(r *detect.Record) {
	temperature, supply := math.NaN(), math.NaN()
	if r.RailTemperature.Known {
		temperature = r.RailTemperature.Value
	}
	if r.Supply.Known {
		supply = r.Supply.Value
	}
	for i := range r.Traces {
		t := &r.Traces[i]
		for f := range detect.NumFeatures {
			if t.Features[f]-t.Features[f] != 0 {
				continue
			}
			s.text(r.Key)
			s.text(r.Turnout)
			s.text(r.To.String())
			s.at(r.StartedAt)
			s.text(strconv.FormatBool(r.Completed))
			s.number(temperature, 64)
			s.number(supply, 64)
			s.text(t.Drive)
			s.text(string(t.Quantity))
			s.text(f.String())
			s.text(f.Unit(t.Quantity))
			s.number(float64(t.Features[f]), 32)
			for _, v := range bandOf(r, i, f) {
				s.number(float64(v), 32)
			}
			s.end()
		}
	}
}

// bandOf returns what a feature was expected to be, its low and high.
func bandOf(r *detect.Record, trace int, f detect.Feature) [3]float32 {
	if trace >= len(r.Bands) {
		nan := float32(math.NaN())
		return [3]float32{nan, nan, nan}
	}
	b := &r.Bands[trace]
	return [3]float32{b.Expected[f], b.Low[f], b.High[f]}
}

func (s *server) exportWork(ctx context.Context, in *RangeInput) (*huma.StreamResponse, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	from, to, err := s.span(*in, 365*day)
	if err != nil {
		return nil, err
	}
	list, err := desk.WorkDone(ctx, from, to, mostVisits+1)
	if err != nil {
		return nil, s.problem(ctx, err, "read the visits")
	}
	if len(list) > mostVisits {
		return nil, unprocessable("query.from", "a time of at most "+strconv.Itoa(mostVisits)+" visits", "one of more")
	}
	return s.download(ctx, "work.csv", func(w io.Writer) error {
		sh := newSheet(w, "turnout", "done_at", "work", "note", "by", "outcome", "said")
		for i := range list {
			v := &list[i]
			sh.text(v.Turnout)
			sh.at(v.DoneAt)
			sh.text(string(v.Kind))
			sh.text(v.Note)
			sh.text(v.By)
			sh.text(string(outcomeOf(v)))
			said := make([]string, len(v.Verdicts))
			for j := range v.Verdicts {
				said[j] = v.Verdicts[j].Said
			}
			sh.text(strings.Join(said, "; "))
			sh.end()
		}
		return sh.done()
	})
}
