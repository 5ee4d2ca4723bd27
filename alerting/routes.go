package alerting

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"throwline/detect"
)

// Route says who gets what. All routes that match are followed; a target gets
// one message however many of them name it.
type Route struct {
	Name    string   `json:"name" yaml:"name"`
	Match   Match    `json:"match" yaml:"match"`
	Hours   *Hours   `json:"hours,omitempty" yaml:"hours"` // nil: always
	Targets []string `json:"targets" yaml:"targets"`
	// Remind while unacknowledged, every so often; 0: never.
	Remind time.Duration `json:"remind_ns,omitempty" yaml:"remind"`
	// Escalate to further targets while unacknowledged.
	Escalate []Escalation `json:"escalate,omitempty" yaml:"escalate"`
}

// Hours are those of the week in which a route is followed, in a zone.
type Hours struct {
	Zone string   `json:"zone" yaml:"zone"`           // IANA name
	Days []string `json:"days,omitempty" yaml:"days"` // mon … sun; none: all
	From string   `json:"from" yaml:"from"`           // 06:00
	To   string   `json:"to" yaml:"to"`               // 22:00; at or before From: of the next day
}

// Escalation is who is told if nobody has acknowledged after a time.
type Escalation struct {
	After   time.Duration `json:"after_ns" yaml:"after"`
	Targets []string      `json:"targets" yaml:"targets"`
}

// Shortest and longest time between reminders, and before an escalation.
const (
	minRemind = time.Minute
	maxRemind = 31 * 24 * time.Hour
)

var daysOfWeek = [...]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"} // by time.Weekday

// Check returns what is wrong with the route, or nil. targets are those that
// there are.
func (r *Route) Check(targets []string) error {
	wrong := func(what, format string, a ...any) error {
		return fmt.Errorf("route %q, %s: "+format, append([]any{r.Name, what}, a...)...)
	}
	if strings.TrimSpace(r.Name) == "" {
		return fmt.Errorf("route: expected a name, found none")
	}
	if err := r.Match.Check(); err != nil {
		return fmt.Errorf("route %q, %w", r.Name, err)
	}
	known := func(list []string, what string) error {
		if len(list) == 0 {
			return wrong(what, "expected at least one, found none")
		}
		for i, t := range list {
			if !slices.Contains(targets, t) {
				return wrong(what, "expected one of %q, found %q", targets, t)
			}
			if slices.Contains(list[:i], t) {
				return wrong(what, "expected each once, found %q twice", t)
			}
		}
		return nil
	}
	if err := known(r.Targets, "targets"); err != nil {
		return err
	}
	if r.Hours != nil {
		if err := r.Hours.Check(); err != nil {
			return fmt.Errorf("route %q, %w", r.Name, err)
		}
	}
	if r.Remind != 0 && (r.Remind < minRemind || r.Remind > maxRemind) {
		return wrong("remind", "expected 0 for never, or 1 minute to 31 days, found %s", r.Remind)
	}
	for i, e := range r.Escalate {
		what := fmt.Sprintf("escalation %d", i+1)
		if e.After < minRemind || e.After > maxRemind {
			return wrong(what, "expected after 1 minute to 31 days, found %s", e.After)
		}
		if i > 0 && e.After <= r.Escalate[i-1].After {
			return wrong(what, "expected later than the one before it (%s), found %s", r.Escalate[i-1].After, e.After)
		}
		if err := known(e.Targets, what); err != nil {
			return err
		}
	}
	return nil
}

// Check returns what is wrong with the hours, or nil.
func (h *Hours) Check() error {
	if _, err := zone(h.Zone); err != nil {
		return fmt.Errorf("hours, %w", err)
	}
	for _, d := range h.Days {
		if !slices.Contains(daysOfWeek[:], d) {
			return fmt.Errorf("hours, days: expected mon, tue, wed, thu, fri, sat or sun, found %q", d)
		}
	}
	if m, ok := minuteOf(h.From); !ok || m == 24*60 {
		return fmt.Errorf("hours, from: expected a time such as 06:00, found %q", h.From)
	}
	if _, ok := minuteOf(h.To); !ok {
		return fmt.Errorf("hours, to: expected a time such as 22:00, found %q", h.To)
	}
	return nil
}

// Active reports whether the time is within the hours, and if not, when they
// begin next. No hours: always. Hours that are wrong hold always too: better
// told at night than not at all.
func (h *Hours) Active(now time.Time) (active bool, next time.Time) {
	if h == nil || h.Check() != nil {
		return true, time.Time{}
	}
	z, _ := zone(h.Zone)
	from, _ := minuteOf(h.From)
	to, _ := minuteOf(h.To)
	days := 0
	if to <= from {
		days = 1
	}
	today := date(now, z)
	for i := -1; i <= 8; i++ {
		day := today.AddDate(0, 0, i)
		if len(h.Days) > 0 && !slices.Contains(h.Days, daysOfWeek[day.Weekday()]) {
			continue
		}
		start, end := wall(day, from, z), wall(day.AddDate(0, 0, days), to, z)
		switch {
		case !now.Before(end):
		case !now.Before(start):
			return true, time.Time{}
		case start.Before(end): // an hour that the wall leaves out may leave nothing
			return false, start
		}
	}
	return false, time.Time{}
}

// Previewed is what a route would do with an alert.
type Previewed struct {
	Route   string   `json:"route"`
	Told    bool     `json:"told" doc:"its targets get a message at once"`
	Targets []string `json:"targets"`
	Why     string   `json:"why" doc:"why it is told, or why not"`
	// Then is what follows while nobody acknowledges.
	Then []string `json:"then,omitempty" doc:"what follows while nobody acknowledges"`
}

// Preview answers who gets an alert of a condition and priority that is raised
// at a turnout at a time, route by route.
func Preview(routes []Route, p Place, c detect.Condition, priority Priority, at time.Time) []Previewed {
	list := make([]Previewed, 0, len(routes))
	told := map[string]string{} // by target, the route
	for i := range routes {
		r := &routes[i]
		v := Previewed{Route: r.Name, Targets: slices.Clone(r.Targets)}
		active, next := r.Hours.Active(at)
		missed := r.Match.Misses(p, p.Turnout, c, priority)
		switch {
		case missed != "":
			v.Why = "does not match: " + missed
		case !active && next.IsZero():
			v.Why = "outside its hours, which never come"
		case !active:
			z, _ := zone(r.Hours.Zone)
			v.Why = "outside its hours; told at " + next.In(z).Format("2006-01-02 15:04 MST") + " if it still stands unacknowledged"
		default:
			v.Told, v.Why = true, "matches"
			if r.Hours != nil {
				v.Why = "matches, within its hours"
			}
			for _, t := range r.Targets {
				if by, ok := told[t]; ok {
					v.Why += fmt.Sprintf("; %s is told once, with route %s", t, by)
				} else {
					told[t] = r.Name
				}
			}
		}
		if missed == "" {
			if r.Remind > 0 {
				v.Then = append(v.Then, "reminder every "+span(r.Remind))
			}
			for _, e := range r.Escalate {
				v.Then = append(v.Then, fmt.Sprintf("%s after %s", strings.Join(e.Targets, ", "), span(e.After)))
			}
		}
		list = append(list, v)
	}
	return list
}

// span writes a duration without what is zero: 1h, 1h30m, 45m.
func span(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = s[:len(s)-2]
	}
	if strings.HasSuffix(s, "h0m") {
		s = s[:len(s)-2]
	}
	return s
}
