package screen

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

const (
	day          = 24 * time.Hour
	shift        = 8 * time.Hour
	longestRange = 400 * day // that figures and exports are made of
	mostLines    = 100_000   // of the journal that figures are made of
	mostVisits   = 20_000
	journalPage  = 1000
	mostTold     = 1000 // items in one list of a hand-over
)

func (s *server) registerFigures(api huma.API) {
	get(api, "rates", "/rates", "How often people were called, beside the levels of EEMUA 191 and IEC 62682", s.rates, http.StatusNotFound)
	get(api, "merit", "/merit", "How good the alerts have been here, by what people have said of them", s.merit, http.StatusNotFound)
	get(api, "handover", "/handover", "What the next shift has to know", s.handover, http.StatusNotFound)
	get(api, "report", "/report", "A report by area", s.report, http.StatusNotFound)
}

// span returns the range asked for. Without an end it ends now, without a
// beginning it is of the usual length.
func (s *server) span(in RangeInput, usual time.Duration) (from, to time.Time, err error) {
	from, to = in.From, in.To
	if to.IsZero() {
		to = s.o.Yard.Now()
	}
	if from.IsZero() {
		from = to.Add(-usual)
	}
	switch {
	case !to.After(from):
		return from, to, unprocessable("query.from", "a time before "+to.Format(time.RFC3339), from.Format(time.RFC3339))
	case to.Sub(from) > longestRange:
		return from, to, unprocessable("query.from", "at most 400 days before to", fmt.Sprintf("%.0f", to.Sub(from).Hours()/24))
	}
	return from, to, nil
}

// story is what happened in a time.
type story struct {
	from, to  time.Time
	cases     []alerting.Case // newest raised first
	truncated bool
}

func (s *server) story(ctx context.Context, desk Desk, in RangeInput, usual time.Duration) (story, error) {
	var t story
	var err error
	if t.from, t.to, err = s.span(in, usual); err != nil {
		return t, err
	}
	if t.cases, err = desk.Of(ctx, t.from, t.to, "", mostCases); err != nil {
		return t, s.problem(ctx, err, "read the alerts of the time")
	}
	t.truncated = len(t.cases) >= mostCases
	return t, nil
}

// openAt returns the alerts that stood at the end of the time.
func (t *story) openAt() []alerting.Alert {
	var list []alerting.Alert
	for i := range t.cases {
		a := t.cases[i].Alert
		if a.RaisedAt.Before(t.to) && (a.Open() || !a.ClearedAt.Before(t.to)) {
			a.ClearedAt = time.Time{}
			list = append(list, a)
		}
	}
	return list
}

// calls returns the calls for attention of the time as far as cases and journal
// tell: each time that an alert was raised, and of those that became more
// serious the latest. All bear the priority that the alert has had last.
func (t *story) calls(lines []alerting.Entry) []alerting.Event {
	type key struct {
		alert string
		at    int64
	}
	var list []alerting.Event
	seen := map[key]bool{}
	of := map[string]*alerting.Case{}
	add := func(kind alerting.EventKind, at time.Time, c *alerting.Case) {
		k := key{c.ID, at.UnixMicro()}
		if at.IsZero() || at.Before(t.from) || !at.Before(t.to) || seen[k] {
			return
		}
		seen[k] = true
		list = append(list, alerting.Event{Kind: kind, At: at, Alert: c.Alert})
	}
	for i := range t.cases {
		c := &t.cases[i]
		of[c.ID] = c
		add(alerting.Raised, c.RaisedAt, c)
		add(alerting.Raised, c.ReopenedAt, c)
	}
	for i := range lines {
		if c := of[lines[i].Alert]; c != nil && lines[i].Action == string(alerting.Raised) {
			add(alerting.Raised, lines[i].At, c)
		}
	}
	for i := range t.cases {
		if c := &t.cases[i]; c.Call > 0 {
			add(alerting.Changed, c.CalledAt, c)
		}
	}
	return list
}

// lines reads the journal of a time; false: there was more.
func (s *server) lines(ctx context.Context, desk Desk, from, to time.Time) (list []alerting.Entry, whole bool, err error) {
	cursor := ""
	for {
		items, next, err := desk.Journal(ctx, alerting.JournalQuery{From: from, To: to, Cursor: cursor, Limit: journalPage})
		if err != nil {
			return nil, false, s.problem(ctx, err, "read the journal")
		}
		list = append(list, items...)
		if cursor = next; cursor == "" {
			return list, true, nil
		}
		if len(list) >= mostLines {
			return list, false, nil
		}
	}
}

// RatesView is how often people were called.
type RatesView struct {
	alerting.Rates
	Truncated bool `json:"truncated" doc:"more happened in the time than was looked at"`
}

type ratesInput struct {
	RangeInput
	Operators int `query:"operators" minimum:"1" maximum:"1000" default:"1" doc:"who share the calls"`
}

func (s *server) rates(ctx context.Context, in *ratesInput) (*answer[RatesView], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	t, err := s.story(ctx, desk, in.RangeInput, 7*day)
	if err != nil {
		return nil, err
	}
	lines, whole, err := s.lines(ctx, desk, t.from, t.to)
	if err != nil {
		return nil, err
	}
	return &answer[RatesView]{RatesView{t.rates(lines, in.Operators), t.truncated || !whole}}, nil
}

func (t *story) rates(lines []alerting.Entry, operators int) alerting.Rates {
	r := alerting.RatesOf(t.calls(lines), t.openAt(), t.from, t.to, operators)
	r.Chatter = append([]string{}, r.Chatter...)
	return r
}

// MeritView is how good the alerts have been.
type MeritView struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	alerting.Merit
	Truncated bool `json:"truncated" doc:"more happened in the time than was looked at"`
}

func (s *server) merit(ctx context.Context, in *RangeInput) (*answer[MeritView], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	t, err := s.story(ctx, desk, *in, 365*day)
	if err != nil {
		return nil, err
	}
	visits, err := s.visits(ctx, desk, t.from, t.to)
	if err != nil {
		return nil, err
	}
	return &answer[MeritView]{MeritView{t.from, t.to, meritOf(t.cases, visits), t.truncated || len(visits) >= mostVisits}}, nil
}

// visits returns the work of a time, newest first. That a baseline was started
// anew is no work.
func (s *server) visits(ctx context.Context, desk Desk, from, to time.Time) ([]detect.Visit, error) {
	list, err := desk.WorkDone(ctx, from, to, mostVisits)
	if err != nil {
		return nil, s.problem(ctx, err, "read the visits")
	}
	return slices.DeleteFunc(slices.Clone(list), func(v detect.Visit) bool { return v.Kind == ingest.Rebaselined }), nil
}

func meritOf(cases []alerting.Case, visits []detect.Visit) alerting.Merit {
	alerts, handlings := make([]alerting.Alert, len(cases)), make(map[string]alerting.Handling, len(cases))
	for i := range cases {
		alerts[i], handlings[cases[i].ID] = cases[i].Alert, cases[i].Handling
	}
	work := make([]ingest.Work, len(visits))
	for i := range visits {
		work[i] = visits[i].Work
	}
	return alerting.MeritOf(alerts, handlings, work)
}

// Handover is what the next shift has to know. Alerts are as they are now; each
// list tells the newest first, and at most 1,000.
type Handover struct {
	From         time.Time        `json:"from"`
	To           time.Time        `json:"to"`
	Truncated    bool             `json:"truncated" doc:"more happened in the time than is told"`
	Raised       []alerting.Case  `json:"raised" doc:"in the time, or again"`
	Cleared      []alerting.Case  `json:"cleared" doc:"in the time"`
	Standing     []alerting.Case  `json:"standing" doc:"at the end of the time, and neither shelved nor suppressed now"`
	Acknowledged []alerting.Case  `json:"acknowledged" doc:"in the time"`
	Shelved      []alerting.Case  `json:"shelved" doc:"now"`
	Notes        []alerting.Entry `json:"notes" doc:"what people did about alerts in the time, and wrote"`
	Work         []FiledWork      `json:"work" doc:"done in the time"`
	Silent       []Cabinet        `json:"cabinets_silent" doc:"now"`
	Rates        alerting.Rates   `json:"rates"`
}

// FiledWork is a visit and where it was.
type FiledWork struct {
	Turnout string `json:"turnout"`
	Work
}

type handoverInput struct {
	RangeInput
	Operators int `query:"operators" minimum:"1" maximum:"1000" default:"1" doc:"who share the calls"`
}

func (s *server) handover(ctx context.Context, in *handoverInput) (*answer[Handover], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	t, err := s.story(ctx, desk, in.RangeInput, shift)
	if err != nil {
		return nil, err
	}
	lines, whole, err := s.lines(ctx, desk, t.from, t.to)
	if err != nil {
		return nil, err
	}
	visits, err := s.visits(ctx, desk, t.from, t.to)
	if err != nil {
		return nil, err
	}
	h := Handover{From: t.from, To: t.to, Truncated: t.truncated || !whole, Rates: t.rates(lines, in.Operators)}
	within := func(at time.Time) bool { return !at.Before(t.from) && at.Before(t.to) }
	for i := range t.cases {
		c := t.cases[i]
		if within(c.RaisedAt) || within(c.ReopenedAt) {
			h.Raised = h.tell(h.Raised, c)
		}
		if within(c.ClearedAt) {
			h.Cleared = h.tell(h.Cleared, c)
		}
		if c.RaisedAt.Before(t.to) && (c.Open() || !c.ClearedAt.Before(t.to)) && !c.Standing.Hidden() {
			h.Standing = h.tell(h.Standing, c)
		}
		if within(c.Handling.AcknowledgedAt) {
			h.Acknowledged = h.tell(h.Acknowledged, c)
		}
		if c.Standing == alerting.Shelved {
			h.Shelved = h.tell(h.Shelved, c)
		}
	}
	for _, e := range lines {
		if e.By == "" {
			continue
		}
		if len(h.Notes) == mostTold {
			h.Truncated = true
			break
		}
		h.Notes = append(h.Notes, e)
	}
	for i := range visits {
		if i == mostTold {
			h.Truncated = true
			break
		}
		h.Work = append(h.Work, FiledWork{visits[i].Turnout, newWork(visits[i : i+1])[0]})
	}
	for _, c := range s.o.Yard.Cabinets() {
		if !c.Online {
			h.Silent = append(h.Silent, newCabinet(&c))
		}
	}
	slices.SortFunc(h.Silent, func(a, b Cabinet) int { return b.At.Compare(a.At) })
	return &answer[Handover]{h}, nil
}

// tell adds a case to a list that has an end.
func (h *Handover) tell(list []alerting.Case, c alerting.Case) []alerting.Case {
	if len(list) == mostTold {
		h.Truncated = true
		return list
	}
	return append(list, c)
}
