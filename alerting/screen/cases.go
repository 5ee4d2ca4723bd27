package screen

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
)

const (
	mostCases    = 20_000    // alerts that are looked at for one answer
	mostSendings = 1000      // of one alert that are told
	maxSeveral   = 256 << 10 // bytes of a body that names 1000 alerts and their calls
)

func (s *server) registerCases(api huma.API) {
	get(api, "alerts", "/alerts", "Alerts, newest raised first; those that live, what calls for someone first", s.alerts, http.StatusNotFound)
	get(api, "alert", "/alerts/{id}", "One alert, over or not", s.alert)
	for _, a := range []struct {
		action  alerting.Action
		summary string
	}{
		{alerting.Acknowledge, "Say that one has seen the alert"},
		{alerting.Shelve, "Hide the alert until a time, with a reason"},
		{alerting.Unshelve, "End a shelving"},
		{alerting.Note, "Write a note to the alert's journal"},
		{alerting.Judge, "Say what was found"},
		{alerting.Reopen, "Take back an acknowledgement and what was found"},
	} {
		change(api, http.MethodPost, string(a.action)+"-alert", "/alerts/{id}/"+string(a.action), a.summary, http.StatusOK, s.actOn(a.action), http.StatusConflict)
	}
	huma.Register(api, huma.Operation{
		OperationID: "acknowledge-alerts", Method: http.MethodPost, Path: apiPath + "/alerts/acknowledge", Summary: "Say that one has seen several alerts; each stands by itself",
		MaxBodyBytes: maxSeveral, Middlewares: huma.Middlewares{onlyJSON(api)}, Errors: []int{400, 401, 403, 404, 413, 415, 422, 503},
	}, s.acknowledge)
	get(api, "alert-journal", "/alerts/{id}/journal", "All that became of an alert, newest first", s.alertJournal)
	get(api, "journal", "/journal", "The journal of all alerts, newest first", s.journal, http.StatusNotFound)
	get(api, "sendings", "/alerts/{id}/sendings", "What was and is to be sent of an alert, the latest 1000, oldest first", s.sendings)
}

// desk returns what people do about alerts, or a problem where there is none.
func (s *server) desk() (Desk, error) {
	if s.o.Desk == nil {
		return nil, huma.Error404NotFound("there is no desk here: this program keeps no record of what people do about alerts")
	}
	return s.o.Desk, nil
}

// may returns a problem where who asks is known and may not do what needs the role.
func may(ctx context.Context, least alerting.Role) error {
	if v, ok := VisitorOf(ctx); ok && !v.Role.Allows(least) {
		return huma.Error403Forbidden("expected the role " + string(least) + " or more, found " + string(v.Role))
	}
	return nil
}

type alertsInput struct {
	State   string `query:"state" enum:"open,live,all" default:"open" doc:"live: what is not over, those that have returned and nobody has acknowledged among it"`
	Turnout string `query:"turnout" maxLength:"64" doc:"of this turnout only"`
	RangeInput
	PageInput
}

func (s *server) alerts(ctx context.Context, in *alertsInput) (*answer[List[alerting.Case]], error) {
	ranged := !in.From.IsZero() || !in.To.IsZero()
	if in.State != "live" && !ranged {
		items, next, err := s.o.Archive.Alerts(ctx, alerting.Query{Turnout: in.Turnout, OpenOnly: in.State != "all", Cursor: in.Cursor, Limit: in.Limit})
		if err != nil {
			return nil, s.problem(ctx, err, "read alerts")
		}
		cases, err := s.casesOf(ctx, items, in.Turnout)
		if err != nil {
			return nil, s.problem(ctx, err, "read alerts")
		}
		return &answer[List[alerting.Case]]{List[alerting.Case]{cases, next}}, nil
	}
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	skip, err := unpackOffset(in.Cursor)
	if err != nil {
		return nil, s.problem(ctx, err, "read alerts")
	}
	to := in.To
	if to.IsZero() {
		to = s.o.Yard.Now().Add(time.Nanosecond)
	}
	most := mostCases
	if in.State == "all" {
		most = min(most, skip+in.Limit+1) // none of them is left out below
	}
	var list []alerting.Case
	if in.State == "live" {
		list = desk.Cases()
	} else if list, err = desk.Of(ctx, in.From, to, in.Turnout, most); err != nil {
		return nil, s.problem(ctx, err, "read alerts")
	}
	kept := []alerting.Case{}
	for i := range list {
		c := &list[i]
		if (in.Turnout == "" || c.Turnout == in.Turnout) && (in.State != "open" || c.Open()) && stood(&c.Alert, in.From, to) {
			kept = append(kept, *c)
		}
	}
	return &answer[List[alerting.Case]]{paged(kept, skip, in.Limit)}, nil
}

// stood reports whether the alert was raised before to and had not cleared before from.
func stood(a *alerting.Alert, from, to time.Time) bool {
	return a.RaisedAt.Before(to) && (a.Open() || !a.ClearedAt.Before(from))
}

// paged cuts a page out of a list that is at hand as a whole.
func paged[T any](list []T, skip, limit int) List[T] {
	skip = min(skip, len(list))
	to := min(skip+limit, len(list))
	out := List[T]{Items: append([]T{}, list[skip:to]...)}
	if to < len(list) {
		out.Next = packOffset(to)
	}
	return out
}

// casesOf returns the cases of a page of alerts.
func (s *server) casesOf(ctx context.Context, alerts []alerting.Alert, turnout string) ([]alerting.Case, error) {
	out := make([]alerting.Case, len(alerts))
	if len(alerts) == 0 {
		return out, nil
	}
	now := s.o.Yard.Now()
	known := map[string]alerting.Case{}
	if s.o.Desk != nil {
		for _, c := range s.o.Desk.Cases() {
			known[c.ID] = c
		}
		over := 0
		for i := range alerts {
			if _, ok := known[alerts[i].ID]; !ok {
				over++
			}
		}
		if over > 0 {
			// The newest raised come first, so those of the page are at the front.
			first, last := alerts[len(alerts)-1].RaisedAt, alerts[0].RaisedAt
			list, err := s.o.Desk.Of(ctx, first, last.Add(time.Nanosecond), turnout, len(alerts))
			if err != nil {
				return nil, err
			}
			for _, c := range list {
				known[c.ID] = c
			}
		}
	}
	for i := range alerts {
		c, ok := known[alerts[i].ID]
		if !ok && s.o.Desk != nil {
			var err error
			if c, err = s.o.Desk.Case(ctx, alerts[i].ID); err == nil {
				ok = true
			} else if !isGone(err) {
				return nil, err
			}
		}
		if !ok {
			a := &alerts[i]
			c = alerting.Case{Alert: *a, Standing: alerting.StandingOf(a, nil, now, false, false), Place: alerting.Place{Turnout: a.Turnout}}
			if s.o.Desk == nil && !a.Open() {
				c.Standing = alerting.Normal // nobody can acknowledge it
			}
		}
		out[i] = c
	}
	return out, nil
}

// AlertInput names an alert.
type AlertInput struct {
	ID string `path:"id" maxLength:"64"`
}

func (s *server) alert(ctx context.Context, in *AlertInput) (*answer[alerting.Case], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	c, err := desk.Case(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err, "read the alert")
	}
	return &answer[alerting.Case]{c}, nil
}

// NewAct is what someone wants to do to an alert.
type NewAct struct {
	_        struct{}   `additionalProperties:"false"`
	Note     string     `json:"note,omitempty" maxLength:"4096" doc:"a reason or a remark; a shelving and a note need one"`
	Until    *time.Time `json:"until,omitempty" doc:"end of a shelving, at most 30 days ahead"`
	ForHours *float64   `json:"for_hours,omitempty" exclusiveMinimum:"0" maximum:"720" doc:"h, how long a shelving lasts; in place of until"`
	Found    *NewFound  `json:"found,omitempty" doc:"of a judgement"`
	Call     *int       `json:"call,omitempty" minimum:"0" doc:"of an acknowledgement: the alert's call that was seen; refused where it has called again since"`
	By       string     `json:"by,omitempty" maxLength:"128" doc:"who does it; not looked at where one logs in"`
}

// NewFound is what someone says was found.
type NewFound struct {
	_     struct{}         `additionalProperties:"false"`
	True  bool             `json:"true" doc:"there was something"`
	Cause detect.CauseName `json:"cause,omitempty" enum:"dry-slide-chairs,seized-roller,obstruction,lock-adjustment,back-drive,hydraulic-leak,motor-wear,supply-voltage,measurement,detection-adjustment,cold-weather,unknown" doc:"what it was, where there was something"`
	Note  string           `json:"note,omitempty" maxLength:"4096"`
}

type actInput struct {
	AlertInput
	Body NewAct
}

func (s *server) actOn(action alerting.Action) func(context.Context, *actInput) (*answer[alerting.Case], error) {
	return func(ctx context.Context, in *actInput) (*answer[alerting.Case], error) {
		desk, err := s.desk()
		if err != nil {
			return nil, err
		}
		a := alerting.Act{Action: action, By: By(ctx, in.Body.By), Note: in.Body.Note, Call: in.Body.Call}
		switch {
		case in.Body.Until != nil && in.Body.ForHours != nil:
			return nil, unprocessable("body.for_hours", "one of until and for_hours", "both")
		case in.Body.Until != nil:
			a.Until = *in.Body.Until
		case in.Body.ForHours != nil:
			a.Until = s.o.Yard.Now().Add(time.Duration(*in.Body.ForHours * float64(time.Hour)))
		}
		if f := in.Body.Found; f != nil {
			a.Found = &alerting.Found{True: f.True, Cause: f.Cause, Note: f.Note}
		}
		if action == alerting.Reopen {
			// It takes back a judgement too, which not everyone may make.
			c, err := desk.Case(ctx, in.ID)
			if err != nil {
				return nil, s.problem(ctx, err, "reopen the alert")
			}
			if c.Handling.Found != nil {
				if err := may(ctx, alerting.Maintainer); err != nil {
					return nil, err
				}
			}
		}
		c, err := desk.Act(ctx, in.ID, a)
		if err != nil {
			err = s.problem(ctx, err, string(action)+" the alert")
			var p *huma.ErrorModel
			if in.Body.ForHours != nil && errors.As(err, &p) && len(p.Errors) > 0 && p.Errors[0].Location == "body.until" {
				p.Errors[0].Location = "body.for_hours" // it is what was sent
			}
			return nil, err
		}
		return &answer[alerting.Case]{c}, nil
	}
}

// refusedAct tells why something cannot be done to an alert.
func refusedAct(r *alerting.RefusedError) *huma.ErrorModel {
	if r.Conflict {
		return &huma.ErrorModel{
			Status: http.StatusConflict, Title: http.StatusText(http.StatusConflict), Detail: "expected " + r.Expected + ", found " + printable(r.Found),
			Errors: []*huma.ErrorDetail{{Location: "path.id", Message: "expected " + r.Expected + ", found " + printable(r.Found)}},
		}
	}
	return unprocessable(where(r.Expected), r.Expected, r.Found)
}

// where tells from what was expected of an act which part of the body is meant.
func where(expected string) string {
	for _, p := range []struct{ start, place string }{
		{"the name of who", "body.by"}, {"a note", "body.note"}, {"a reason", "body.note"}, {"an end", "body.until"},
		{"what was found", "body.found"}, {"a cause", "body.found.cause"}, {"no cause", "body.found.cause"},
	} {
		if strings.HasPrefix(expected, p.start) {
			return p.place
		}
	}
	return "body"
}

// unprocessable is the problem of one part of a request.
func unprocessable(location, expected, found string) *huma.ErrorModel {
	return &huma.ErrorModel{
		Status: http.StatusUnprocessableEntity, Title: http.StatusText(http.StatusUnprocessableEntity), Detail: "refused",
		Errors: []*huma.ErrorDetail{{Location: location, Message: printable("expected " + expected + ", found " + found)}},
	}
}

type acknowledgeInput struct {
	Body struct {
		_     struct{}       `additionalProperties:"false"`
		IDs   []string       `json:"ids" minItems:"1" maxItems:"1000"`
		Calls map[string]int `json:"calls,omitempty" doc:"by alert, the call that was seen; one that has called again since is refused"`
		Note  string         `json:"note,omitempty" maxLength:"4096"`
		By    string         `json:"by,omitempty" maxLength:"128" doc:"who does it; not looked at where one logs in"`
	}
}

// Acknowledgements are what became of several that were acknowledged at once.
type Acknowledgements struct {
	Items   []alerting.Case `json:"items" doc:"acknowledged now, in the order asked for"`
	Refused []NotDone       `json:"refused" doc:"the others"`
}

// NotDone is why something was not done to one of several alerts.
type NotDone struct {
	ID     string `json:"id"`
	Status int    `json:"status" doc:"as if it had been asked for alone"`
	Detail string `json:"detail"`
}

func (s *server) acknowledge(ctx context.Context, in *acknowledgeInput) (*answer[Acknowledgements], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{} // the library's own check for doubles panics over what is no text
	for _, id := range in.Body.IDs {
		if seen[id] {
			return nil, unprocessable("body.ids", "every alert once", "again "+id)
		}
		seen[id] = true
	}
	out := Acknowledgements{Items: []alerting.Case{}, Refused: []NotDone{}}
	for _, id := range in.Body.IDs {
		act := alerting.Act{Action: alerting.Acknowledge, By: By(ctx, in.Body.By), Note: in.Body.Note}
		if call, ok := in.Body.Calls[id]; ok {
			act.Call = &call
		}
		c, err := desk.Act(ctx, id, act)
		if err == nil {
			out.Items = append(out.Items, c)
			continue
		}
		// Of one that is not there or seen already the others should not suffer.
		var r *alerting.RefusedError
		switch {
		case errors.As(err, &r) && r.Conflict:
			out.Refused = append(out.Refused, NotDone{printable(id), http.StatusConflict, "expected " + r.Expected + ", found " + printable(r.Found)})
		case isGone(err):
			out.Refused = append(out.Refused, NotDone{printable(id), http.StatusNotFound, "there is none"})
		default:
			return nil, s.problem(ctx, err, "acknowledge the alerts")
		}
	}
	return &answer[Acknowledgements]{out}, nil
}

type alertJournalInput struct {
	AlertInput
	PageInput
}

func (s *server) alertJournal(ctx context.Context, in *alertJournalInput) (*answer[List[alerting.Entry]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if _, err := desk.Case(ctx, in.ID); err != nil {
		return nil, s.problem(ctx, err, "read the alert")
	}
	return s.entries(ctx, desk, alerting.JournalQuery{Alert: in.ID, Cursor: in.Cursor, Limit: in.Limit})
}

type journalInput struct {
	Turnout string `query:"turnout" maxLength:"64" doc:"of this turnout only"`
	RangeInput
	PageInput
}

func (s *server) journal(ctx context.Context, in *journalInput) (*answer[List[alerting.Entry]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	return s.entries(ctx, desk, alerting.JournalQuery{Turnout: in.Turnout, From: in.From, To: in.To, Cursor: in.Cursor, Limit: in.Limit})
}

func (s *server) entries(ctx context.Context, desk Desk, q alerting.JournalQuery) (*answer[List[alerting.Entry]], error) {
	items, next, err := desk.Journal(ctx, q)
	if err != nil {
		return nil, s.problem(ctx, err, "read the journal")
	}
	return &answer[List[alerting.Entry]]{List[alerting.Entry]{append([]alerting.Entry{}, items...), next}}, nil
}

func (s *server) sendings(ctx context.Context, in *AlertInput) (*answer[List[alerting.Sending]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if _, err := desk.Case(ctx, in.ID); err != nil {
		return nil, s.problem(ctx, err, "read the alert")
	}
	items, err := desk.Sendings(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err, "read what was sent")
	}
	// The oldest come first: of those that are too many the latest are told.
	items = items[max(0, len(items)-mostSendings):]
	return &answer[List[alerting.Sending]]{List[alerting.Sending]{Items: append([]alerting.Sending{}, items...)}}, nil
}

// packOffset makes an opaque cursor of a place in a list that is at hand as a whole.
func packOffset(n int) string { return packed("o:" + strconv.Itoa(n)) }

func unpackOffset(cursor string) (int, error) {
	if cursor == "" {
		return 0, nil
	}
	text, ok := unpacked(cursor, "o:")
	n, err := strconv.Atoi(text)
	if !ok || err != nil || n < 0 {
		return 0, ErrCursor
	}
	return n, nil
}
