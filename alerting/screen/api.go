package screen

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

const (
	apiPath    = "/api/v1"
	eventsPath = apiPath + "/events"
	maxBody    = 32 << 10 // of most
)

// answer is a response with a body.
type answer[T any] struct{ Body T }

// PageInput asks for a page of a list. (What is embedded in an input has to be
// exported, or the API's library does not see it.)
type PageInput struct {
	Cursor string `query:"cursor" doc:"next of the page before" maxLength:"1024"`
	Limit  int    `query:"limit" minimum:"1" maximum:"1000" default:"100" doc:"items on a page, at most"`
}

// TurnoutInput names a turnout.
type TurnoutInput struct {
	Turnout string `path:"turnout" maxLength:"64"`
}

// RangeInput asks for a time: from and after, until before to.
type RangeInput struct {
	From time.Time `query:"from" doc:"first moment, RFC 3339"`
	To   time.Time `query:"to" doc:"first moment after, RFC 3339"`
}

// Resolve refuses a range that ends before it begins.
func (r *RangeInput) Resolve(huma.Context) []error {
	return checkRange("query.from", r.From, "query.to", r.To)
}

// earliest and latest bound the times that are asked for, so that reckoning with
// them stays within what RFC 3339 can write.
var (
	earliest = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// checkRange says what is wrong with the ends of a range; zero is an open end.
func checkRange(fromAt string, from time.Time, untilAt string, until time.Time) (errs []error) {
	for _, end := range []struct {
		at string
		t  time.Time
	}{{fromAt, from}, {untilAt, until}} {
		if !end.t.IsZero() && (end.t.Before(earliest) || end.t.After(latest)) {
			errs = append(errs, &huma.ErrorDetail{Location: end.at, Message: "expected a time from 1900 to 2199", Value: end.t.Format(time.RFC3339)})
		}
	}
	if errs == nil && !from.IsZero() && !until.IsZero() && !until.After(from) {
		errs = append(errs, &huma.ErrorDetail{Location: untilAt, Message: "expected a time after from", Value: until})
	}
	return errs
}

func (s *server) register(api huma.API) {
	get(api, "turnouts", "/turnouts", "Turnouts, in the order of their names", s.turnouts)
	get(api, "turnout", "/turnouts/{turnout}", "One turnout, its open alerts and the visits to it", s.turnout)
	get(api, "throws", "/turnouts/{turnout}/throws", "A turnout's throws, newest first, without their traces", s.throws)
	get(api, "trends", "/turnouts/{turnout}/trends", "How a turnout's features went, in columns, oldest first", s.trends)
	get(api, "trend", "/turnouts/{turnout}/trend", "Whether one feature has a trend, how steep it is, and its smoothed level", s.trend)
	get(api, "notices", "/notices", "What many turnouts feel at once: no alerts, no single turnout is at fault", s.notices)
	get(api, "work", "/turnouts/{turnout}/work", "The visits to a turnout, newest first", s.work)
	huma.Register(api, huma.Operation{
		OperationID: "record-work", Method: http.MethodPost, Path: apiPath + "/turnouts/{turnout}/work", Summary: "Record a visit to a turnout",
		DefaultStatus: http.StatusCreated, MaxBodyBytes: maxBody, Middlewares: huma.Middlewares{onlyJSON(api)},
		Errors: []int{400, 403, 404, 413, 415, 422, 503},
	}, s.recordWork)
	huma.Register(api, huma.Operation{
		OperationID: "rebaseline", Method: http.MethodPost, Path: apiPath + "/turnouts/{turnout}/rebaseline", Summary: "Start a turnout's baseline anew, with a reason",
		DefaultStatus: http.StatusCreated, MaxBodyBytes: maxBody, Middlewares: huma.Middlewares{onlyJSON(api)},
		Errors: []int{400, 403, 404, 413, 415, 422, 503},
	}, s.rebaseline)
	get(api, "throw", "/throws/{key}", "One throw: features, traces and the course of past traces", s.throw)
	get(api, "likeness", "/throws/{key}/likeness", "How far a throw's course stands from those of its past", s.likeness)
	get(api, "quarantine", "/quarantine", "Messages that were refused, newest first", s.quarantine)
	get(api, "set-aside", "/quarantine/{id}", "One refused message and what it says", s.aside)
	huma.Register(api, huma.Operation{
		OperationID: "retry", Method: http.MethodPost, Path: apiPath + "/quarantine/{id}/retry", Summary: "Send a refused message through again",
		Description: "204: it was taken. 422: it was refused again, and why.", Errors: []int{403, 404, 422, 503},
	}, s.retry)
	get(api, "cabinets", "/cabinets", "The last that was heard of every cabinet", s.cabinets)
	get(api, "status", "/status", "The program at a glance", s.status)
}

func get[I, O any](api huma.API, id, path, summary string, h func(context.Context, *I) (*O, error), more ...int) {
	op := huma.Operation{OperationID: id, Method: http.MethodGet, Path: apiPath + path, Summary: summary, Errors: append([]int{400, 422, 503}, more...)}
	if strings.Contains(path, "{") {
		op.Errors = []int{400, 404, 422, 503}
	}
	huma.Register(api, op, h)
}

// onlyJSON refuses a body that does not say that it is JSON: a form of a
// foreign page cannot say so.
func onlyJSON(api huma.API) func(huma.Context, func(huma.Context)) {
	return only(api, "application/json")
}

type turnoutsInput struct {
	Query string `query:"q" maxLength:"64" doc:"a part of the name, in upper or lower case"`
	PageInput
}

func (s *server) turnouts(ctx context.Context, in *turnoutsInput) (*answer[List[Turnout]], error) {
	after, err := unpackCursor(in.Cursor)
	if err != nil {
		return nil, s.problem(ctx, err, "read turnouts")
	}
	open := map[string][]alerting.Alert{}
	for _, a := range s.o.Yard.OpenAlerts("") {
		open[a.Turnout] = append(open[a.Turnout], a)
	}
	q := strings.ToLower(in.Query)
	out := List[Turnout]{Items: []Turnout{}}
	for _, t := range s.o.Yard.Turnouts() {
		if t.Turnout <= after || !strings.Contains(strings.ToLower(t.Turnout), q) {
			continue
		}
		if len(out.Items) == in.Limit {
			out.Next = packCursor(out.Items[in.Limit-1].Turnout)
			break
		}
		out.Items = append(out.Items, newTurnout(&t, open[t.Turnout]))
	}
	return &answer[List[Turnout]]{out}, nil
}

func (s *server) turnout(ctx context.Context, in *TurnoutInput) (*answer[TurnoutDetail], error) {
	t, err := s.o.Yard.Turnout(in.Turnout)
	if err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	work, err := s.o.Archive.Work(ctx, in.Turnout)
	if err != nil {
		return nil, s.problem(ctx, err, "read the visits")
	}
	open := slices.Clone(s.o.Yard.OpenAlerts(in.Turnout))
	slices.SortStableFunc(open, func(a, b alerting.Alert) int {
		return cmp.Or(cmp.Compare(a.Priority.Rank(), b.Priority.Rank()), b.RaisedAt.Compare(a.RaisedAt))
	})
	return &answer[TurnoutDetail]{TurnoutDetail{newTurnout(&t, open), open, newWork(work)}}, nil
}

type throwsInput struct {
	TurnoutInput
	RangeInput
	PageInput
}

func (s *server) throws(ctx context.Context, in *throwsInput) (*answer[List[Throw]], error) {
	if _, err := s.o.Yard.Turnout(in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	records, next, err := s.o.Archive.Throws(ctx, in.Turnout, in.From, in.To, in.Cursor, in.Limit)
	if err != nil {
		return nil, s.problem(ctx, err, "read the throws")
	}
	out := List[Throw]{make([]Throw, len(records)), next}
	for i := range records {
		out.Items[i] = newThrow(&records[i])
	}
	return &answer[List[Throw]]{out}, nil
}

func (s *server) work(ctx context.Context, in *TurnoutInput) (*answer[List[Work]], error) {
	if _, err := s.o.Yard.Turnout(in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	work, err := s.o.Archive.Work(ctx, in.Turnout)
	if err != nil {
		return nil, s.problem(ctx, err, "read the visits")
	}
	return &answer[List[Work]]{List[Work]{Items: newWork(work)}}, nil
}

func (s *server) notices(context.Context, *struct{}) (*answer[List[detect.Notice]], error) {
	return &answer[List[detect.Notice]]{List[detect.Notice]{Items: append([]detect.Notice{}, s.o.Yard.Notices()...)}}, nil
}

// NewBaseline asks for a baseline anew.
type NewBaseline struct {
	_      struct{} `additionalProperties:"false"`
	Reason string   `json:"reason" minLength:"5" maxLength:"4096" doc:"why what the turnout does from now on is normal"`
	By     string   `json:"by,omitempty" maxLength:"128" doc:"who says so; not looked at where one logs in"`
}

type rebaselineInput struct {
	TurnoutInput
	Body NewBaseline
}

func (s *server) rebaseline(ctx context.Context, in *rebaselineInput) (*answer[Work], error) {
	return s.file(ctx, ingest.Work{Turnout: in.Turnout, DoneAt: s.o.Yard.Now(), Kind: ingest.Rebaselined, Note: in.Body.Reason, By: By(ctx, in.Body.By)})
}

// NewWork is a visit to be recorded.
type NewWork struct {
	_      struct{}        `additionalProperties:"false"`
	DoneAt *time.Time      `json:"done_at,omitempty" doc:"now, where left out"`
	Work   ingest.WorkKind `json:"work" enum:"inspected,cleaned,lubricated,adjusted,repaired,replaced,other"`
	Note   string          `json:"note,omitempty" maxLength:"4096"`
	By     string          `json:"by,omitempty" maxLength:"128" doc:"who records it; not looked at where one logs in"`
}

type recordWorkInput struct {
	TurnoutInput
	Body NewWork
}

func (s *server) recordWork(ctx context.Context, in *recordWorkInput) (*answer[Work], error) {
	w := ingest.Work{Turnout: in.Turnout, DoneAt: s.o.Yard.Now(), Kind: in.Body.Work, Note: in.Body.Note, By: By(ctx, in.Body.By)}
	if in.Body.DoneAt != nil {
		w.DoneAt = *in.Body.DoneAt
	}
	return s.file(ctx, w)
}

// file files work at a turnout that is known.
func (s *server) file(ctx context.Context, w ingest.Work) (*answer[Work], error) {
	if _, err := s.o.Yard.Turnout(w.Turnout); err != nil {
		return nil, s.problem(ctx, err, "read the turnout")
	}
	err := w.Validate(s.o.Yard.Now())
	if err == nil {
		err = s.o.Yard.RecordWork(ctx, w)
	}
	if err != nil {
		return nil, s.problem(ctx, err, "record the visit")
	}
	return &answer[Work]{newWork([]detect.Visit{{Work: w}})[0]}, nil
}

type throwInput struct {
	Key string `path:"key" maxLength:"256" doc:"percent-encoded"`
}

func (s *server) throw(ctx context.Context, in *throwInput) (*answer[ThrowDetail], error) {
	r, channels, err := s.o.Archive.Throw(ctx, in.Key)
	if err != nil {
		return nil, s.problem(ctx, err, "read the throw")
	}
	out := ThrowDetail{Throw: newThrow(&r), Channels: make([]Channel, len(channels))}
	for i := range channels {
		out.Channels[i] = newChannel(&channels[i])
	}
	for i := range out.Traces {
		t := &out.Traces[i]
		p := s.o.Yard.Profile(r.Turnout, r.To, t.Drive, t.Quantity)
		if r.Traces[i].Turned() {
			p = p.Turned()
		}
		t.Past = newPast(&p)
	}
	if out.Previous, err = s.previous(ctx, r.Turnout, r.StartedAt); err == nil {
		out.Next, err = s.next(ctx, r.Turnout, r.Key, r.StartedAt)
	}
	if err != nil {
		return nil, s.problem(ctx, err, "read the throw's neighbours")
	}
	return &answer[ThrowDetail]{out}, nil
}

func (s *server) previous(ctx context.Context, turnout string, at time.Time) (string, error) {
	list, _, err := s.o.Archive.Throws(ctx, turnout, time.Time{}, at, "", 1)
	if err != nil || len(list) == 0 {
		return "", err
	}
	return list[0].Key, nil
}

// next looks for the throw after at. The archive tells the newest first, so the
// windows grow from small ones: the first with a throw in it holds few.
func (s *server) next(ctx context.Context, turnout, key string, at time.Time) (string, error) {
	const hour, day, page = time.Hour, 24 * time.Hour, 200
	for _, w := range []time.Duration{10 * time.Minute, 2 * hour, day, 14 * day, 365 * day, 100 * 365 * day} {
		cursor, last := "", ""
		for range 20 { // pages; more throws in one window than that are no turnout's
			list, next, err := s.o.Archive.Throws(ctx, turnout, at, at.Add(w), cursor, page)
			if err != nil {
				return "", err
			}
			for i := range list {
				if list[i].Key != key && list[i].StartedAt.After(at) {
					last = list[i].Key
				}
			}
			if cursor = next; cursor == "" {
				break
			}
		}
		if last != "" {
			return last, nil
		}
	}
	return "", nil
}

type quarantineInput struct{ PageInput }

func (s *server) quarantine(ctx context.Context, in *quarantineInput) (*answer[List[SetAside]], error) {
	items, next, err := s.o.Archive.Quarantine(ctx, in.Cursor, in.Limit)
	if err != nil {
		return nil, s.problem(ctx, err, "read what was set aside")
	}
	out := List[SetAside]{make([]SetAside, len(items)), next}
	for i := range items {
		out.Items[i] = newSetAside(&items[i])
	}
	return &answer[List[SetAside]]{out}, nil
}

type asideInput struct {
	ID int64 `path:"id"`
}

func (s *server) aside(ctx context.Context, in *asideInput) (*answer[SetAsideDetail], error) {
	a, err := s.o.Archive.Aside(ctx, in.ID)
	if err != nil {
		return nil, s.problem(ctx, err, "read the message")
	}
	return &answer[SetAsideDetail]{newSetAsideDetail(&a)}, nil
}

func (s *server) retry(ctx context.Context, in *asideInput) (*struct{}, error) {
	err := s.o.Yard.Retry(ctx, in.ID)
	if r := ingest.AsRefusal(err); r != nil {
		return nil, refused(r, "payload")
	}
	if err != nil {
		return nil, s.problem(ctx, err, "send the message through again")
	}
	return nil, nil
}

func (s *server) cabinets(context.Context, *struct{}) (*answer[List[Cabinet]], error) {
	states := s.o.Yard.Cabinets()
	out := List[Cabinet]{Items: make([]Cabinet, len(states))}
	for i := range states {
		out.Items[i] = newCabinet(&states[i])
	}
	slices.SortFunc(out.Items, func(a, b Cabinet) int { return strings.Compare(a.Cabinet, b.Cabinet) })
	return &answer[List[Cabinet]]{out}, nil
}

func (s *server) status(ctx context.Context, _ *struct{}) (*answer[Status], error) {
	st := s.glance.status(s.o.Yard)
	st.Version, st.Demo, st.Now = s.o.Version, s.o.Demo, s.o.Yard.Now()
	st.OpenAlerts = len(s.o.Yard.OpenAlerts(""))
	st.Ready = true
	if err := s.o.Yard.Ready(ctx); err != nil {
		st.Ready, st.Reason = false, err.Error()
	}
	return &answer[Status]{st}, nil
}

// describe adds the event stream to the description and serves it.
func (s *server) describe(api huma.API) {
	doc := api.OpenAPI()
	doc.AddOperation(&huma.Operation{
		OperationID: "events", Method: http.MethodGet, Path: eventsPath, Summary: "What happens, as Server-Sent Events",
		Description: "Begins with hello: read the lists anew after it, for what happened before is not told. " +
			"Alerts are never left out: a reader too slow for them is cut off and should come back. " +
			"Throws may be: at most five a second of a turnout, each saying how many it stands for.",
		Responses: map[string]*huma.Response{
			"200": {Description: "events", Content: map[string]*huma.MediaType{"text/event-stream": {Schema: eventSchema(doc.Components.Schemas)}}},
			"503": {Description: "too many readers, or shutting down", Content: map[string]*huma.MediaType{
				"application/problem+json": {Schema: &huma.Schema{Ref: "#/components/schemas/ErrorModel"}},
			}},
		},
	})
	for _, sc := range doc.Components.Schemas.Map() {
		notNull(sc)
	}
	for _, item := range doc.Paths {
		for _, op := range []*huma.Operation{item.Get, item.Post, item.Put, item.Delete} {
			if op != nil {
				for _, p := range op.Parameters {
					notNull(p.Schema)
				}
			}
		}
	}
	spec, err := doc.MarshalJSON()
	if err != nil {
		panic(fmt.Errorf("API description: %w", err)) // made of our own types only
	}
	s.mux.HandleFunc("GET /api/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(spec) // an error here is a reader that went away
	})
}

// notNull takes back that lists may be null: jsonFormat writes them empty.
func notNull(sc *huma.Schema) {
	if sc == nil {
		return
	}
	if sc.Type == huma.TypeArray {
		sc.Nullable = false
		notNull(sc.Items)
	}
	for _, p := range sc.Properties {
		notNull(p)
	}
}
