package mqtt

import (
	"strings"
	"testing"
)

func TestTemplate(t *testing.T) {
	for _, c := range []struct{ template, filter, topic, cabinet, turnout string }{
		{"plant/{cabinet}/pm/{turnout}", "plant/+/pm/+", "plant/BOX-1/pm/W12", "BOX-1", "W12"},
		{"plant/{cabinet}/pm/{turnout}", "plant/+/pm/+", "plant/box 1/pm/", "box 1", ""}, // names are judged later
		{"{turnout}/+/{cabinet}", "+/+/+", "W12/x/BOX", "BOX", "W12"},
		{"plant/+/curves", "plant/+/curves", "plant/any/curves", "", ""},
		{"/a//b", "/a//b", "/a//b", "", ""},
	} {
		p, err := ParseTemplate(c.template)
		if err != nil || p.Filter() != c.filter || p.String() != c.template {
			t.Errorf("%s: found %q %q, %v", c.template, p.Filter(), p, err)
			continue
		}
		if cabinet, turnout, ok := p.Match(c.topic); !ok || cabinet != c.cabinet || turnout != c.turnout {
			t.Errorf("%s of %s: found %q %q %v", c.topic, c.template, cabinet, turnout, ok)
		}
	}
	p, _ := ParseTemplate("plant/{cabinet}/pm/{turnout}")
	for _, topic := range []string{"", "plant", "plant/B/pm", "plant/B/pm/W/more", "plant/B/PM/W", "other/B/pm/W"} {
		if _, _, ok := p.Match(topic); ok {
			t.Errorf("expected %q not to match", topic)
		}
	}
	for template, want := range map[string]string{
		"":                          "found nothing",
		"plant/#":                   "neither # nor $",
		"$share/g/{turnout}":        "neither # nor $",
		"plant/pm-{turnout}":        `found "pm-{turnout}"`,
		"plant/{drive}":             `found "{drive}"`,
		"plant/a+":                  `found "a+"`,
		"{cabinet}/{cabinet}":       "found {cabinet} twice",
		strings.Repeat("a/", 1000):  "found 2000 bytes",
		"plant/\xff/{turnout}":      "found",
		"plant/{turnout}/\x00/more": "found",
	} {
		if _, err := ParseTemplate(template); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: expected %q, found %v", template, want, err)
		}
	}
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"plant/{cabinet}/pm/{turnout}", "plant/BOX/pm/+", true},
		{"plant/{cabinet}/pm/{turnout}", "+/BOX/pm/W1", true},
		{"plant/{cabinet}/pm/{turnout}", "plant/+/curve/+", false},
		{"plant/{cabinet}/pm/{turnout}", "plant/+/pm", false},
		{"a/b", "a/b", true},
	} {
		a, _ := ParseTemplate(c.a)
		b, _ := ParseTemplate(c.b)
		if a.Overlaps(b) != c.want || b.Overlaps(a) != c.want {
			t.Errorf("%s and %s: expected %v", c.a, c.b, c.want)
		}
	}
	a, _ := ParseTemplate("throwline/v1/{cabinet}/receipt")
	n := 0
	for _, o := range Own("throwline/v1") {
		if a.Overlaps(o) {
			n++
		}
	}
	if n != 1 {
		t.Errorf("expected one of our own to overlap, found %d", n)
	}
}

// Further topics are subscribed to and told apart from the contract's.
func TestFurtherTopics(t *testing.T) {
	m := startMosquitto(t, "")
	a, _ := ParseTemplate("plant/+/curves")
	b, _ := ParseTemplate("plant/{cabinet}/pm/{turnout}")
	s := open(t, m, Options{Mapped: []Template{a, b}})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	send(t, c, "plant/BOX/pm/W1", "1")
	send(t, c, "plant/x/curves", "2")
	send(t, c, "throwline/v1/cab-1/throw/W1", "3")
	for i, want := range []Message{
		{Kind: Mapped, Mapping: 1, Cabinet: "BOX", Turnout: "W1"},
		{Kind: Mapped, Mapping: 0},
		{Kind: Throw, Cabinet: "cab-1", Turnout: "W1"},
	} {
		got := next(t, s)
		got.Ack()
		if got.Kind != want.Kind || got.Mapping != want.Mapping || got.Cabinet != want.Cabinet || got.Turnout != want.Turnout {
			t.Errorf("message %d: expected %+v, found %+v", i, want, got)
		}
	}
}
