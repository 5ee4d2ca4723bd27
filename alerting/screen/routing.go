package screen

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

func (s *server) registerRouting(api huma.API) {
	get(api, "worklist", "/worklist", "Which turnouts to visit, by area, first first", s.workList, http.StatusNotFound)
	get(api, "fleet", "/fleet", "Every turnout in columns, in the order of area, line, position, name", s.fleet, http.StatusNotFound)
	get(api, "routes", "/routes", "Who gets what, as the configuration says", s.routes, http.StatusNotFound)
	change(api, http.MethodPost, "preview-routes", "/routes/preview", "Who would get an alert, route by route; nothing is sent", http.StatusOK, s.previewRoutes)
	get(api, "targets", "/targets", "Where messages go, and how that fares", s.targets, http.StatusNotFound)
	get(api, "doctor", "/doctor", "What the program needs, how it is, and what to do", s.examine)
	change(api, http.MethodPost, "try-target", "/targets/{name}/trial", "Send a trial message; 502: it did not get through, and why", http.StatusNoContent, s.tryTarget, http.StatusBadGateway)
}

// mostJobs is how many turnouts a work list tells: more than anyone can visit
// before it is another.
const mostJobs = 5000

// WorkList is which turnouts to visit.
type WorkList struct {
	Items []alerting.AreaJobs `json:"items"`
	More  int                 `json:"more,omitempty" doc:"turnouts that come after these, beyond 5000, and are not told"`
}

func (s *server) workList(context.Context, *struct{}) (*answer[WorkList], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	jobs := desk.WorkList()
	told := min(len(jobs), mostJobs)
	return &answer[WorkList]{WorkList{alerting.ByArea(jobs[:told]), len(jobs) - told}}, nil
}

// Route says who gets what.
type Route struct {
	Name     string          `json:"name"`
	Match    alerting.Match  `json:"match" doc:"what is left out matches all"`
	Hours    *alerting.Hours `json:"hours,omitempty" doc:"left out: always"`
	Targets  []string        `json:"targets"`
	Remind   float64         `json:"remind_minutes,omitempty" doc:"min, between reminders while unacknowledged; left out: none"`
	Escalate []Escalation    `json:"escalate,omitempty"`
}

// Escalation is who is told if nobody has acknowledged after a time.
type Escalation struct {
	After   float64  `json:"after_minutes" doc:"min"`
	Targets []string `json:"targets"`
}

func (s *server) routes(context.Context, *struct{}) (*answer[List[Route]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	list := desk.Routes()
	out := List[Route]{Items: make([]Route, len(list))}
	for i := range list {
		r := &list[i]
		out.Items[i] = Route{Name: r.Name, Match: r.Match, Hours: r.Hours, Targets: r.Targets, Remind: r.Remind.Minutes()}
		for _, e := range r.Escalate {
			out.Items[i].Escalate = append(out.Items[i].Escalate, Escalation{e.After.Minutes(), e.Targets})
		}
	}
	return &answer[List[Route]]{out}, nil
}

type previewRoutesInput struct {
	Body struct {
		_         struct{}          `additionalProperties:"false"`
		Turnout   string            `json:"turnout" minLength:"1" maxLength:"64"`
		Condition detect.Condition  `json:"condition" enum:"stiffening,slow-throw,incomplete-throw,odd-throw,late-detection,weak-supply,doubtful-measurement,cabinet-silent"`
		Priority  alerting.Priority `json:"priority" enum:"high,medium,low"`
		At        *time.Time        `json:"at,omitempty" doc:"when it is raised; now, where left out"`
	}
}

func (s *server) previewRoutes(ctx context.Context, in *previewRoutesInput) (*answer[List[alerting.Previewed]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	at := s.o.Yard.Now()
	if in.Body.At != nil {
		at = *in.Body.At
	}
	p, registered := placeOf(desk, in.Body.Turnout)
	if !registered {
		if _, err := s.o.Yard.Turnout(in.Body.Turnout); isGone(err) {
			return nil, unprocessable("body.turnout", "a turnout that is known", in.Body.Turnout)
		} else if err != nil {
			return nil, s.problem(ctx, err, "read the turnout")
		}
	}
	return &answer[List[alerting.Previewed]]{List[alerting.Previewed]{Items: alerting.Preview(desk.Routes(), p, in.Body.Condition, in.Body.Priority, at)}}, nil
}

// examine looks at the program itself. It reaches out to every target, and so
// is not for many at a time.
func (s *server) examine(ctx context.Context, _ *struct{}) (*answer[List[alerting.Sign]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if !s.examining.TryLock() {
		return nil, s.later("someone else has it examined just now; ask again in some seconds")
	}
	defer s.examining.Unlock()
	return &answer[List[alerting.Sign]]{List[alerting.Sign]{Items: desk.Examine(ctx)}}, nil
}

// later answers that someone else does the same just now.
func (s *server) later(detail string) error {
	s.o.Refused.Add(RefusedReads)
	return huma.ErrorWithHeaders(huma.Error503ServiceUnavailable(detail), http.Header{"Retry-After": {"5"}})
}

func (s *server) targets(ctx context.Context, _ *struct{}) (*answer[List[alerting.TargetState]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	items, err := desk.Targets(ctx)
	if err != nil {
		return nil, s.problem(ctx, err, "read how the targets fare")
	}
	return &answer[List[alerting.TargetState]]{List[alerting.TargetState]{Items: append([]alerting.TargetState{}, items...)}}, nil
}

type tryTargetInput struct {
	Name string `path:"name" maxLength:"128"`
	Body struct {
		_  struct{} `additionalProperties:"false"`
		By string   `json:"by,omitempty" maxLength:"128" doc:"who asks for it; not looked at where one logs in"`
	}
}

func (s *server) tryTarget(ctx context.Context, in *tryTargetInput) (*struct{}, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if !s.trying.TryLock() {
		return nil, s.later("someone tries a target just now; ask again in some seconds")
	}
	defer s.trying.Unlock()
	err = desk.Try(ctx, By(ctx, in.Body.By), in.Name)
	if r := ingest.AsRefusal(err); r != nil {
		// It is the target that has refused. What it said is what one tries it for.
		said := make([]string, len(r.Faults))
		for i, f := range r.Faults {
			said[i] = printable(f.Found)
		}
		return nil, &huma.ErrorModel{Status: http.StatusBadGateway, Title: http.StatusText(http.StatusBadGateway), Detail: strings.Join(said, "; ")}
	}
	if err != nil {
		return nil, s.problem(ctx, err, "try the target")
	}
	return nil, nil
}
