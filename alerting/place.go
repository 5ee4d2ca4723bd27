package alerting

import (
	"fmt"
	"slices"

	"throwline/detect"
)

// Place is what people have said of a turnout: where it is and how much hangs
// on it. Nothing of it is required.
type Place struct {
	Turnout      string  `json:"turnout"`
	Area         string  `json:"area,omitempty" doc:"left out: taken from the name"`
	Line         string  `json:"line,omitempty"`
	Position     float64 `json:"position,omitempty" doc:"its place in the order of the line, in whatever the railway counts: kilometres, chains, numbers"`
	Drive        string  `json:"drive,omitempty" enum:"electric,hydraulic,pneumatic,manual,other" doc:"kind of drive"`
	Criticality  int     `json:"criticality,omitempty" minimum:"0" maximum:"5" doc:"consequence of a failure, 1 slight to 5 severe; 0: not said, counts as 3"`
	ThrowTime    float64 `json:"throw_time_s,omitempty" doc:"s, the longest throw that is allowed; 0: not said"`
	EffortRise   float64 `json:"effort_rise_percent,omitempty" doc:"%, the rise of the effort that is allowed; 0: not said"`
	OutOfService bool    `json:"out_of_service,omitempty"`
	Notes        string  `json:"notes,omitempty"`
}

// Match selects turnouts and what is told of them. An empty list matches all;
// turnouts may be patterns with * and ?.
type Match struct {
	Areas      []string   `json:"areas,omitempty" yaml:"areas"`
	Lines      []string   `json:"lines,omitempty" yaml:"lines"`
	Turnouts   []string   `json:"turnouts,omitempty" yaml:"turnouts"`
	Conditions []string   `json:"conditions,omitempty" yaml:"conditions"`
	Priorities []Priority `json:"priorities,omitempty" yaml:"priorities"`
}

// Matches reports whether the alert is one of those at one of those turnouts.
// An area that nobody has said is taken from the turnout's name.
func (m *Match) Matches(p Place, a *Alert) bool {
	return m.Misses(p, a.Turnout, a.Condition, a.Priority) == ""
}

// Misses says why the match does not fit, in words, or "".
func (m *Match) Misses(p Place, turnout string, c detect.Condition, priority Priority) string {
	area := p.AreaOf(turnout)
	switch {
	case len(m.Areas) > 0 && !slices.Contains(m.Areas, area):
		return missed("area", area, m.Areas)
	case len(m.Lines) > 0 && !slices.Contains(m.Lines, p.Line):
		return missed("line", p.Line, m.Lines)
	case len(m.Turnouts) > 0 && !slices.ContainsFunc(m.Turnouts, func(x string) bool { return glob(x, turnout) }):
		return missed("turnout", turnout, m.Turnouts)
	case len(m.Conditions) > 0 && !slices.Contains(m.Conditions, string(c)):
		return missed("condition", string(c), m.Conditions)
	case len(m.Priorities) > 0 && !slices.Contains(m.Priorities, priority):
		return missed("priority", string(priority), m.Priorities)
	}
	return ""
}

func missed[T ~string](what, found string, wanted []T) string {
	if found == "" {
		found = "none"
	}
	return fmt.Sprintf("%s: expected %s, found %s", what, oneOf(wanted), found)
}

// oneOf lists what is allowed, in words.
func oneOf[T ~string](list []T) string {
	b := ""
	for i, x := range list {
		switch {
		case i == 0:
		case i == len(list)-1:
			b += " or "
		default:
			b += ", "
		}
		b += string(x)
	}
	return b
}

// AreaOf returns the area: what people have said, or what the turnout's name says.
func (p *Place) AreaOf(turnout string) string {
	if p.Area != "" {
		return p.Area
	}
	return detect.Area(turnout)
}

// Check returns what is wrong with the match, or nil.
func (m *Match) Check() error {
	for _, l := range []struct {
		what string
		list []string
	}{{"areas", m.Areas}, {"lines", m.Lines}, {"turnouts", m.Turnouts}} {
		if slices.Contains(l.list, "") {
			return fmt.Errorf("match, %s: expected names, found an empty one", l.what)
		}
	}
	for _, c := range m.Conditions {
		if !slices.Contains(conditions, detect.Condition(c)) {
			return fmt.Errorf("match, conditions: expected %s, found %q", oneOf(conditions), c)
		}
	}
	for _, p := range m.Priorities {
		if p != High && p != Medium && p != Low {
			return fmt.Errorf("match, priorities: expected high, medium or low, found %q", p)
		}
	}
	return nil
}

// glob reports whether the name fits the pattern: * is any run of characters,
// ? any one.
func glob(pattern, name string) bool {
	// Only the latest * need be widened: a wider earlier one fits nothing more.
	star, from := -1, 0
	i, j := 0, 0
	for j < len(name) {
		switch {
		case i < len(pattern) && pattern[i] == '*':
			star, from = i, j
			i++
		case i < len(pattern) && (pattern[i] == '?' || pattern[i] == name[j]):
			i, j = i+1, j+1
		case star >= 0:
			from++
			i, j = star+1, from
		default:
			return false
		}
	}
	for i < len(pattern) && pattern[i] == '*' {
		i++
	}
	return i == len(pattern)
}
