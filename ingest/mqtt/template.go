package mqtt

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Template is a topic of cabinets that cannot be changed, like
// plant/{cabinet}/pm/{turnout}: {cabinet} and {turnout} stand for one level
// each, and + for one that says nothing.
type Template struct{ levels []string }

// The levels of a template that name something.
const (
	cabinetLevel = "{cabinet}"
	turnoutLevel = "{turnout}"
)

// ParseTemplate reads a template. The error says what is wrong with it.
func ParseTemplate(s string) (Template, error) {
	const expected = "template: expected levels of a topic with {cabinet}, {turnout} and + as levels of their own, "
	switch {
	case s == "":
		return Template{}, fmt.Errorf("%sfound nothing", expected)
	case len(s) > 1024:
		return Template{}, fmt.Errorf("%sfound %d bytes", expected, len(s))
	case !utf8.ValidString(s) || strings.ContainsAny(s, "#\x00") || s[0] == '$':
		return Template{}, fmt.Errorf("%sand neither # nor $ at the beginning, found %q", expected, s)
	}
	t := Template{strings.Split(s, "/")}
	for i, level := range t.levels {
		switch {
		case level == "+":
		case level == cabinetLevel || level == turnoutLevel:
			if slices.Contains(t.levels[:i], level) {
				return Template{}, fmt.Errorf("%sfound %s twice in %q", expected, level, s)
			}
		case strings.ContainsAny(level, "+{}"):
			return Template{}, fmt.Errorf("%sfound %q in %q", expected, level, s)
		}
	}
	return t, nil
}

// String returns the template as it was read.
func (t Template) String() string { return strings.Join(t.levels, "/") }

// Names reports which names a topic of the template holds.
func (t Template) Names() (cabinet, turnout bool) {
	return slices.Contains(t.levels, cabinetLevel), slices.Contains(t.levels, turnoutLevel)
}

// Filter is what is subscribed to.
func (t Template) Filter() string {
	return strings.NewReplacer(cabinetLevel, "+", turnoutLevel, "+").Replace(t.String())
}

// Match takes a topic to pieces; not ok where it is none of the template's.
// The names are as they stand, valid or not; "" where the template has none.
func (t Template) Match(topic string) (cabinet, turnout string, ok bool) {
	levels := strings.Split(topic, "/")
	if len(levels) != len(t.levels) || len(topic) > 0 && topic[0] == '$' {
		return "", "", false
	}
	for i, level := range t.levels {
		switch level {
		case "+":
		case cabinetLevel:
			cabinet = levels[i]
		case turnoutLevel:
			turnout = levels[i]
		default:
			if level != levels[i] {
				return "", "", false
			}
		}
	}
	return cabinet, turnout, true
}

// Overlaps reports whether a topic can belong to both. The broker would then
// deliver it once or twice, and nobody could say as what.
func (t Template) Overlaps(o Template) bool {
	if len(t.levels) != len(o.levels) {
		return false
	}
	open := func(level string) bool { return level == "+" || level == cabinetLevel || level == turnoutLevel }
	for i := range t.levels {
		if a, b := t.levels[i], o.levels[i]; a != b && !open(a) && !open(b) {
			return false
		}
	}
	return true
}

// Own are the topics under a prefix that cabinets of the contract send to, and
// those at which they are answered.
func Own(prefix string) []Template {
	var out []Template
	for _, f := range append(filters(prefix), ReceiptTopic(prefix, "+")) {
		out = append(out, Template{strings.Split(f, "/")})
	}
	return out
}

// place notes what a message should hold, and whose it is, by its topic.
func (o *Options) place(m *Message) {
	var ok bool
	if m.Kind, m.Cabinet, m.Turnout, ok = ParseTopic(o.Prefix, m.Topic); ok {
		return
	}
	for i := range o.Mapped {
		if cabinet, turnout, ok := o.Mapped[i].Match(m.Topic); ok {
			m.Kind, m.Mapping, m.Cabinet, m.Turnout = Mapped, i, cabinet, turnout
			return
		}
	}
}

// Filters returns all that a session of these options subscribes to.
func (o *Options) Filters() []string {
	list := filters(o.Prefix)
	for i := range o.Mapped {
		list = append(list, o.Mapped[i].Filter())
	}
	return list
}
