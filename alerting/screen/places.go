package screen

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
)

const (
	maxPlaces   = 16 << 20 // bytes of a registry that is sent
	placesRead  = time.Minute
	mostPlaces  = 200_000 // as many as a file may have
	csvType     = "text/csv"
	csvTypeUTF8 = "text/csv; charset=utf-8"
)

func (s *server) registerPlaces(api huma.API) {
	get(api, "places", "/places", "The registry of turnouts, in the order of area, line, position, name", s.places, http.StatusNotFound)
	get(api, "place", "/places/{turnout}", "What people have said of a turnout", s.place)
	change(api, http.MethodPut, "save-place", "/places/{turnout}", "Say where a turnout is and how much hangs on it; takes the place of what was said", http.StatusOK, s.savePlace)
	erase(api, "drop-place", "/places/{turnout}", "Forget what was said of a turnout", s.dropPlace)
	getCSV(api, "places-csv", "/places.csv", "The registry as a CSV file", s.placesCSV)
	huma.Register(api, huma.Operation{
		OperationID: "read-places", Method: http.MethodPut, Path: apiPath + "/places.csv", Summary: "Make the registry what a CSV file says, whole or not at all",
		MaxBodyBytes: maxPlaces, BodyReadTimeout: placesRead, Middlewares: huma.Middlewares{only(api, csvType)}, Errors: []int{400, 401, 403, 404, 413, 415, 422, 503},
	}, s.readPlaces)
}

// change registers an operation that changes something and takes JSON.
func change[I, O any](api huma.API, method, id, path, summary string, status int, h func(context.Context, *I) (*O, error), more ...int) {
	huma.Register(api, huma.Operation{
		OperationID: id, Method: method, Path: apiPath + path, Summary: summary, DefaultStatus: status,
		MaxBodyBytes: maxBody, Middlewares: huma.Middlewares{onlyJSON(api)}, Errors: append([]int{400, 401, 403, 404, 413, 415, 422, 503}, more...),
	}, h)
}

// erase registers an operation that takes something away.
func erase[I any](api huma.API, id, path, summary string, h func(context.Context, *I) (*struct{}, error)) {
	huma.Register(api, huma.Operation{
		OperationID: id, Method: http.MethodDelete, Path: apiPath + path, Summary: summary, Errors: []int{401, 403, 404, 422, 503},
	}, h)
}

// placeOf returns what people have said of a turnout; false: nothing.
func placeOf(desk Desk, turnout string) (alerting.Place, bool) {
	list := desk.Places()
	if i := slices.IndexFunc(list, func(p alerting.Place) bool { return p.Turnout == turnout }); i >= 0 {
		return list[i], true
	}
	return alerting.Place{Turnout: turnout}, false
}

type placesInput struct {
	Query string `query:"q" maxLength:"64" doc:"a part of the name, the area or the line, in upper or lower case"`
	PageInput
}

func (s *server) places(ctx context.Context, in *placesInput) (*answer[List[alerting.Place]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	skip, err := unpackOffset(in.Cursor)
	if err != nil {
		return nil, s.problem(ctx, err, "read the registry")
	}
	list := desk.Places()
	if q := strings.ToLower(in.Query); q != "" {
		list = slices.DeleteFunc(slices.Clone(list), func(p alerting.Place) bool {
			return !strings.Contains(strings.ToLower(p.Turnout), q) && !strings.Contains(strings.ToLower(p.AreaOf(p.Turnout)), q) && !strings.Contains(strings.ToLower(p.Line), q)
		})
	}
	return &answer[List[alerting.Place]]{paged(list, skip, in.Limit)}, nil
}

func (s *server) place(ctx context.Context, in *TurnoutInput) (*answer[alerting.Place], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	p, ok := placeOf(desk, in.Turnout)
	if !ok {
		return nil, huma.Error404NotFound("the registry says nothing of this turnout")
	}
	return &answer[alerting.Place]{p}, nil
}

// NewPlace is what someone says of a turnout.
type NewPlace struct {
	_            struct{} `additionalProperties:"false"`
	Area         string   `json:"area,omitempty" maxLength:"128" doc:"left out: taken from the name"`
	Line         string   `json:"line,omitempty" maxLength:"128"`
	Position     float64  `json:"position,omitempty" doc:"its place in the order of the line, in whatever the railway counts"`
	Drive        string   `json:"drive,omitempty" enum:"electric,hydraulic,pneumatic,manual,other" doc:"kind of drive"`
	Criticality  int      `json:"criticality,omitempty" minimum:"0" maximum:"5" doc:"consequence of a failure, 1 slight to 5 severe; 0: not said, counts as 3"`
	ThrowTime    float64  `json:"throw_time_s,omitempty" minimum:"0" doc:"s, the longest throw that is allowed; 0: not said"`
	EffortRise   float64  `json:"effort_rise_percent,omitempty" minimum:"0" doc:"%, the rise of the effort that is allowed; 0: not said"`
	OutOfService bool     `json:"out_of_service,omitempty"`
	Notes        string   `json:"notes,omitempty" maxLength:"4096"`
	By           string   `json:"by,omitempty" maxLength:"128" doc:"who says so; not looked at where one logs in"`
}

type savePlaceInput struct {
	TurnoutInput
	Body NewPlace
}

func (s *server) savePlace(ctx context.Context, in *savePlaceInput) (*answer[alerting.Place], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	b := &in.Body
	p := alerting.Place{
		Turnout: in.Turnout, Area: b.Area, Line: b.Line, Position: b.Position, Drive: b.Drive, Criticality: b.Criticality,
		ThrowTime: b.ThrowTime, EffortRise: b.EffortRise, OutOfService: b.OutOfService, Notes: b.Notes,
	}
	if _, there := placeOf(desk, in.Turnout); !there && len(desk.Places()) >= mostPlaces {
		return nil, s.full("path.turnout", "turnouts in the registry", mostPlaces)
	}
	if err := desk.SavePlace(ctx, By(ctx, b.By), p); err != nil {
		return nil, s.problem(ctx, err, "enter what is said of the turnout")
	}
	s.fleets.anew()
	p, _ = placeOf(desk, in.Turnout)
	return &answer[alerting.Place]{p}, nil
}

type dropPlaceInput struct {
	TurnoutInput
	ByInput
}

// ByInput says in whose name something is taken away.
type ByInput struct {
	By string `query:"by" maxLength:"128" doc:"who does it; not looked at where one logs in"`
}

func (s *server) dropPlace(ctx context.Context, in *dropPlaceInput) (*struct{}, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if err := desk.DropPlace(ctx, By(ctx, in.By), in.Turnout); err != nil {
		return nil, s.problem(ctx, err, "forget what was said of the turnout")
	}
	s.fleets.anew()
	return nil, nil
}

func (s *server) placesCSV(ctx context.Context, _ *struct{}) (*huma.StreamResponse, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	return s.download(ctx, "places.csv", desk.WritePlaces)
}

type readPlacesInput struct {
	ByInput
	RawBody []byte `contentType:"text/csv"`
}

// PlacesRead is what a registry that was read holds.
type PlacesRead struct {
	Places int `json:"places"`
}

func (s *server) readPlaces(ctx context.Context, in *readPlacesInput) (*answer[PlacesRead], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	n, err := desk.ReadPlaces(ctx, By(ctx, in.By), bytes.NewReader(in.RawBody))
	if err != nil {
		return nil, s.problem(ctx, err, "read the registry")
	}
	s.fleets.anew()
	return &answer[PlacesRead]{PlacesRead{n}}, nil
}

// only refuses a body that does not say that it is of a kind.
func only(api huma.API, kind string) func(huma.Context, func(huma.Context)) {
	return func(ctx huma.Context, next func(huma.Context)) {
		found, _, _ := strings.Cut(ctx.Header("Content-Type"), ";")
		if strings.ToLower(strings.TrimSpace(found)) != kind {
			_ = huma.WriteErr(api, ctx, http.StatusUnsupportedMediaType, "expected Content-Type "+kind+", found "+fmt.Sprintf("%q", found))
			return
		}
		next(ctx)
	}
}
