package screen

import (
	"cmp"
	"context"
	"slices"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

const (
	worstTold = 10  // turnouts of an area
	quietTold = 500 // turnouts of an area without throws
)

// Report is what happened, by area, in the order of their names.
type Report struct {
	From      time.Time    `json:"from"`
	To        time.Time    `json:"to"`
	Truncated bool         `json:"truncated" doc:"more happened in the time than was looked at"`
	Areas     []AreaReport `json:"areas"`
}

// AreaReport is what happened in an area.
type AreaReport struct {
	Area       string          `json:"area" doc:"empty: of those that are in none"`
	Turnouts   int             `json:"turnouts"`
	Learning   int             `json:"learning" doc:"without a baseline for both ends, now"`
	Raised     int             `json:"raised" doc:"alerts, in the time"`
	Cleared    int             `json:"cleared" doc:"alerts, in the time"`
	Standing   int             `json:"standing" doc:"alerts, at its end"`
	Conditions []Count         `json:"conditions" doc:"of the alerts that stood in the time, most frequent first"`
	Visits     int             `json:"visits" doc:"in the time"`
	Helped     int             `json:"helped" doc:"of these, where the throws after it say so for an end or drive, and against it for none"`
	NotHelped  int             `json:"not_helped"`
	Routine    int             `json:"routine" doc:"of these, where nothing had stood out before"`
	Unjudged   int             `json:"unjudged" doc:"of these, with too few throws after it yet"`
	Merit      alerting.Merit  `json:"merit" doc:"of the alerts that stood in the time"`
	Worst      []WorstTurnout  `json:"worst" doc:"the ten with the most alerts' time, pressing first"`
	Quiet      []QuietTurnout  `json:"without_throws" doc:"no throw since the time began; at most 500"`
	QuietCount int             `json:"without_throws_count"`
	alerts     []alerting.Case // of the area
	visits     []detect.Visit
}

// Count is how often a word applies.
type Count struct {
	Word string `json:"word"`
	N    int    `json:"n"`
}

// WorstTurnout is a turnout that had alerts.
type WorstTurnout struct {
	Turnout  string            `json:"turnout"`
	Line     string            `json:"line,omitempty"`
	Priority alerting.Priority `json:"priority" enum:"high,medium,low" doc:"of its most pressing alert"`
	Alerts   int               `json:"alerts"`
	Stood    float64           `json:"stood_hours" doc:"h in the time, all its alerts together"`
}

// QuietTurnout is a turnout without throws.
type QuietTurnout struct {
	Turnout     string    `json:"turnout"`
	Line        string    `json:"line,omitempty"`
	LastThrowAt time.Time `json:"last_throw_at,omitzero" doc:"left out: never"`
}

type reportInput struct {
	Area string `query:"area" maxLength:"128" doc:"this one only"`
	RangeInput
}

func (s *server) report(ctx context.Context, in *reportInput) (*answer[Report], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	t, err := s.story(ctx, desk, in.RangeInput, 7*day)
	if err != nil {
		return nil, err
	}
	visits, err := s.visits(ctx, desk, t.from, t.to)
	if err != nil {
		return nil, err
	}
	out := Report{From: t.from, To: t.to, Truncated: t.truncated || len(visits) >= mostVisits, Areas: []AreaReport{}}
	areas, of, line := map[string]*AreaReport{}, map[string]string{}, map[string]string{}
	at := func(area string) *AreaReport {
		if areas[area] == nil {
			areas[area] = &AreaReport{Area: area}
		}
		return areas[area]
	}
	for _, r := range s.fleetRows(desk) {
		of[r.place.Turnout], line[r.place.Turnout] = r.area, r.place.Line
		if in.Area == "" || in.Area == r.area {
			at(r.area).count(&r, t.from)
		}
	}
	area := func(turnout string) (string, bool) {
		a, ok := of[turnout]
		if !ok {
			a = detect.Area(turnout)
		}
		return a, in.Area == "" || in.Area == a
	}
	for i := range t.cases {
		if a, ok := area(t.cases[i].Turnout); ok {
			at(a).alerts = append(at(a).alerts, t.cases[i])
		}
	}
	for i := range visits {
		if a, ok := area(visits[i].Turnout); ok {
			at(a).visits = append(at(a).visits, visits[i])
		}
	}
	for _, a := range areas {
		a.sum(&t, line)
		out.Areas = append(out.Areas, *a)
	}
	slices.SortFunc(out.Areas, func(a, b AreaReport) int { return cmp.Compare(a.Area, b.Area) })
	return &answer[Report]{out}, nil
}

// count counts a turnout of the area.
func (a *AreaReport) count(r *fleetRow, from time.Time) {
	a.Turnouts++
	var last time.Time
	if r.summary != nil {
		last = r.summary.Last
		if learning(r.summary) {
			a.Learning++
		}
	}
	if last.Before(from) {
		if a.QuietCount++; len(a.Quiet) < quietTold {
			a.Quiet = append(a.Quiet, QuietTurnout{r.place.Turnout, r.place.Line, last})
		}
	}
}

// sum makes the figures of what was gathered.
func (a *AreaReport) sum(t *story, line map[string]string) {
	within := func(at time.Time) bool { return !at.Before(t.from) && at.Before(t.to) }
	conditions, worst := map[string]int{}, map[string]*WorstTurnout{}
	for i := range a.alerts {
		c := &a.alerts[i]
		if within(c.RaisedAt) || within(c.ReopenedAt) {
			a.Raised++
		}
		if within(c.ClearedAt) {
			a.Cleared++
		}
		end := c.ClearedAt
		if c.Open() || !end.Before(t.to) {
			a.Standing++
			end = t.to
		}
		conditions[string(c.Condition)]++
		w := worst[c.Turnout]
		if w == nil {
			w = &WorstTurnout{Turnout: c.Turnout, Line: line[c.Turnout], Priority: c.Priority}
			worst[c.Turnout] = w
		}
		w.Alerts++
		if c.Priority.Rank() < w.Priority.Rank() {
			w.Priority = c.Priority
		}
		if start := later(c.RaisedAt, t.from); end.After(start) {
			w.Stood += end.Sub(start).Hours()
		}
	}
	for word, n := range conditions {
		a.Conditions = append(a.Conditions, Count{word, n})
	}
	slices.SortFunc(a.Conditions, func(x, y Count) int { return cmp.Or(cmp.Compare(y.N, x.N), cmp.Compare(x.Word, y.Word)) })
	for _, w := range worst {
		a.Worst = append(a.Worst, *w)
	}
	slices.SortFunc(a.Worst, func(x, y WorstTurnout) int {
		return cmp.Or(cmp.Compare(x.Priority.Rank(), y.Priority.Rank()), cmp.Compare(y.Stood, x.Stood), cmp.Compare(x.Turnout, y.Turnout))
	})
	a.Worst = a.Worst[:min(len(a.Worst), worstTold)]
	for i := range a.visits {
		a.Visits++
		switch outcomeOf(&a.visits[i]) {
		case detect.Helped:
			a.Helped++
		case detect.NotHelped:
			a.NotHelped++
		case detect.Routine:
			a.Routine++
		default:
			a.Unjudged++
		}
	}
	a.Merit = meritOf(a.alerts, a.visits)
}

// outcomeOf is what the throws after a visit say of it as a whole: what speaks
// against it at one end or drive counts most; "" where nothing is said yet.
func outcomeOf(v *detect.Visit) detect.Outcome {
	var out detect.Outcome
	for _, x := range v.Verdicts {
		if x.Outcome == detect.NotHelped || out == "" || out == detect.Routine {
			out = x.Outcome
		}
		if out == detect.NotHelped {
			break
		}
	}
	return out
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
