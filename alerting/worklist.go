package alerting

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"throwline/detect"
)

// Job is a turnout to visit, and why.
type Job struct {
	Turnout    string         `json:"turnout"`
	Rank       int            `json:"rank" doc:"its place in the order to visit over all areas, from 1"`
	Area       string         `json:"area,omitempty"`
	Line       string         `json:"line,omitempty"`
	Position   float64        `json:"position,omitempty"`
	Priority   Priority       `json:"priority" enum:"high,medium,low" doc:"of its most pressing alert"`
	DaysLeft   *float64       `json:"days_left,omitempty" doc:"expected, to the limit; 0: it fails to throw; left out where nothing is forecast"`
	DaysLow    *float64       `json:"days_low,omitempty" doc:"one time in ten it is sooner"`
	DaysHigh   *float64       `json:"days_high,omitempty" doc:"one time in ten it is later"`
	Conditions []string       `json:"conditions"`
	Why        []string       `json:"why" doc:"in words, what counts most first"`
	Causes     []detect.Cause `json:"causes" doc:"most probable first, with the checks to make"`
	Checks     []string       `json:"checks" doc:"to make on site, as the rule book allows, in the order of the causes"`
	Bring      []string       `json:"bring" doc:"what the likely causes need"`
	Alerts     []string       `json:"alerts" doc:"their ids"`

	due float64 // days, weighed: the order
}

// AreaJobs are the jobs of an area.
type AreaJobs struct {
	Area string `json:"area,omitempty"`
	Jobs []Job  `json:"jobs"`
}

// What a condition is taken to have left where no forecast says it, in days.
// Ours, for the order alone; it is never told.
var guessed = map[Priority]float64{High: 7, Medium: 40, Low: 150}

// likely is from which probability a cause is worth carrying something for.
const likely = 0.15

// bring is what a cause needs on site. Common practice; the railway's own list
// comes first.
var bring = map[detect.CauseName][]string{
	detect.DrySlideChairs:      {"brushes and scrapers", "slide-chair grease or oil", "hand crank"},
	detect.SeizedRoller:        {"spare rollers", "roller height gauge", "brushes and scrapers"},
	detect.Obstruction:         {"shovel and ballast fork", "brushes and scrapers", "hand crank"},
	detect.LockAdjustment:      {"lock gauge", "shims", "spanners for the lock", "lock grease"},
	detect.BackDrive:           {"opening gauge", "spanners for the rods", "spare pins and joints"},
	detect.HydraulicLeak:       {"spare hoses and seals", "hydraulic oil", "pressure gauge", "cloths for oil"},
	detect.MotorWear:           {"spare brushes", "clamp meter", "spanners for the clutch"},
	detect.SupplyVoltageCause:  {"voltmeter that records", "terminal tools", "battery tester"},
	detect.MeasurementCause:    {"clamp meter", "spare sensor and plug"},
	detect.DetectionAdjustment: {"detector gauge", "shims", "spanners for the detector"},
	detect.ColdWeather:         {"rail thermometer", "tester for the point heating"},
	detect.UnknownCause:        {"gauges", "hand crank", "clamp meter"},
}

// WorkList returns which turnouts to visit, first first. alerts are the open
// ones; what has cleared, is shelved or was judged to be nothing since its last
// call is left out, and so is a turnout out of service. handlings go by alert,
// places by turnout; forecasts by turnout are those of now, and where there is
// none, what the alert was told ages from when it was.
//
// The order is that of the expected days to failure, each divided by the
// weight of a failure there (see [Weight]), then priority, condition, name. The
// order does not depend on that of the alerts.
func WorkList(alerts []Alert, handlings map[string]Handling, places map[string]Place, forecasts map[string]detect.Forecast, now time.Time) []Job {
	of := map[string][]*Alert{}
	for i := range alerts {
		a := &alerts[i]
		h := handlings[a.ID]
		place := places[a.Turnout]
		nothing := h.Found != nil && !h.Found.True && h.Acknowledges(a)
		if a.Open() && !h.shelved(now) && !place.OutOfService && !nothing {
			of[a.Turnout] = append(of[a.Turnout], a)
		}
	}
	list := make([]Job, 0, len(of))
	for name, its := range of {
		f, known := forecasts[name]
		var ahead *detect.Forecast
		if known {
			ahead = &f
		}
		list = append(list, job(name, its, handlings, places[name], ahead, now))
	}
	slices.SortFunc(list, func(a, b Job) int {
		return cmp.Or(cmp.Compare(a.due, b.due), cmp.Compare(a.Priority.Rank(), b.Priority.Rank()),
			cmp.Compare(conditionRank(a.Conditions[0]), conditionRank(b.Conditions[0])), cmp.Compare(a.Turnout, b.Turnout))
	})
	for i := range list {
		list[i].Rank = i + 1
	}
	return list
}

// ByArea groups jobs by area: first the area of the first job. Within an area
// the order stays.
func ByArea(jobs []Job) []AreaJobs {
	list := []AreaJobs{}
	for _, j := range jobs {
		i := slices.IndexFunc(list, func(a AreaJobs) bool { return a.Area == j.Area })
		if i < 0 {
			i = len(list)
			list = append(list, AreaJobs{Area: j.Area})
		}
		list[i].Jobs = append(list[i].Jobs, j)
	}
	return list
}

func conditionRank[T ~string](c T) int {
	if i := slices.Index(conditions, detect.Condition(c)); i >= 0 {
		return i
	}
	return len(conditions)
}

func job(name string, its []*Alert, handlings map[string]Handling, p Place, ahead *detect.Forecast, now time.Time) Job {
	slices.SortFunc(its, func(a, b *Alert) int {
		return cmp.Or(cmp.Compare(conditionRank(a.Condition), conditionRank(b.Condition)), cmp.Compare(a.ID, b.ID))
	})
	j := Job{Turnout: name, Area: p.AreaOf(name), Line: p.Line, Position: p.Position, Priority: Low}
	stuck := false
	for _, a := range its {
		j.Alerts = append(j.Alerts, a.ID)
		if c := string(a.Condition); !slices.Contains(j.Conditions, c) {
			j.Conditions = append(j.Conditions, c)
		}
		if a.Priority.Rank() < j.Priority.Rank() {
			j.Priority = a.Priority
		}
		stuck = stuck || a.Condition == detect.IncompleteThrow
	}
	if ahead == nil {
		for _, a := range its {
			if f := aged(a, now); f != nil && (ahead == nil || f.P50 < ahead.P50) {
				ahead = f
			}
		}
	}
	days := guessed[j.Priority]
	switch {
	case stuck:
		days = 0
		j.DaysLeft = new(float64)
		j.Why = append(j.Why, "a throw did not complete")
	case ahead != nil:
		days = ahead.P50
		j.DaysLow, j.DaysLeft, j.DaysHigh = &ahead.P10, &ahead.P50, &ahead.P90
		j.Why = append(j.Why, fmt.Sprintf("%s to the limit%s: %s", roughly(ahead.P50), between(ahead.P10, ahead.P90), ahead.Limit))
	}
	// The day counts even where it is today, or importance could not tell two apart.
	j.due = (days + 0.5) / Weight(p.Criticality)
	for _, a := range its {
		j.Why = append(j.Why, reasons(a, handlings[a.ID], now)...)
	}
	if p.Criticality != 0 && p.Criticality != 3 {
		j.Why = append(j.Why, fmt.Sprintf("criticality %d of 5", p.Criticality))
	}
	j.Causes = merged(its)
	for _, c := range j.Causes {
		for _, check := range c.Checks {
			if !slices.Contains(j.Checks, check) {
				j.Checks = append(j.Checks, check)
			}
		}
		if c.Probability < likely && len(j.Bring) > 0 {
			continue
		}
		for _, b := range bring[c.Cause] {
			if !slices.Contains(j.Bring, b) {
				j.Bring = append(j.Bring, b)
			}
		}
	}
	return j
}

// reasons says why an alert asks for a visit.
func reasons(a *Alert, h Handling, now time.Time) []string {
	s := strings.ReplaceAll(string(a.Condition), "-", " ")
	if a.ChangePercent != 0 {
		s += fmt.Sprintf(", %+.0f %% against its own past", a.ChangePercent)
	}
	if a.To != 0 {
		s += ", to " + a.To.String()
	}
	s += ", for " + after(max(0, now.Sub(a.RaisedAt)))
	if again := a.Again(); again != "" {
		s += ", " + again
	}
	list := []string{s}
	if f := h.Found; f != nil && f.True {
		s = "a visit found "
		if s += strings.ReplaceAll(string(f.Cause), "-", " "); f.Cause == "" {
			s += "something"
		}
		list = append(list, s+", and it still stands")
	}
	return list
}

// aged is the alert's forecast with the days taken off that have gone since.
func aged(a *Alert, now time.Time) *detect.Forecast {
	if a.Forecast == nil {
		return nil
	}
	f := *a.Forecast
	gone := max(0, now.Sub(a.ChangedAt).Hours()/24)
	f.P10, f.P50, f.P90 = max(0, f.P10-gone), max(0, f.P50-gone), max(0, f.P90-gone)
	return &f
}

// merged is what may be behind all the alerts of a turnout: each cause as
// probable as the mean over the alerts, that the sum stays 1, with the evidence
// of all.
func merged(its []*Alert) []detect.Cause {
	by := map[detect.CauseName]*detect.Cause{}
	n := 0
	for _, a := range its {
		if len(a.Causes) > 0 {
			n++
		}
		for _, c := range a.Causes {
			m := by[c.Cause]
			if m == nil {
				m = &detect.Cause{Cause: c.Cause}
				by[c.Cause] = m
			}
			m.Probability += c.Probability
			m.Evidence, m.Checks = union(m.Evidence, c.Evidence), union(m.Checks, c.Checks)
		}
	}
	list := make([]detect.Cause, 0, len(by))
	for _, name := range slices.Sorted(maps.Keys(by)) {
		c := *by[name]
		c.Probability /= float64(n)
		list = append(list, c)
	}
	slices.SortStableFunc(list, func(a, b detect.Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return list
}

func union(a, b []string) []string {
	for _, x := range b {
		if !slices.Contains(a, x) {
			a = append(a, x)
		}
	}
	return a
}

func roughly(days float64) string {
	if number(days) == "0" {
		return "less than a day"
	}
	return "about " + inDays(days)
}

func between(low, high float64) string {
	if number(low) == number(high) {
		return ""
	}
	return " (" + number(low) + " to " + inDays(high) + ")"
}

func number(days float64) string { return fmt.Sprintf("%.0f", math.Round(days)) }

func inDays(days float64) string {
	if n := number(days); n != "1" {
		return n + " days"
	}
	return "1 day"
}
