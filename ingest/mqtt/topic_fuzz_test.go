package mqtt

import (
	"strings"
	"testing"

	"throwline/ingest"
)

// FuzzTopic takes any topic to pieces. Invariants: names are valid ones, and the
// pieces make the topic again.
func FuzzTopic(f *testing.F) {
	for _, s := range []string{"throwline/v1/cab-1/throw/W1", "throwline/v1/cab-1/state", "throwline/v1//throw/", "throwline/v1/a/conditions/b", "$SYS/x", "throwline/v1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, topic string) {
		kind, cabinet, turnout, ok := ParseTopic(DefaultPrefix, topic)
		if !ok {
			if kind != Unknown || cabinet != "" || turnout != "" {
				t.Fatalf("%q is none, and yet %v %q %q", topic, kind, cabinet, turnout)
			}
			return
		}
		again := map[Kind]string{Throw: ThrowTopic(DefaultPrefix, cabinet, turnout), State: StateTopic(DefaultPrefix, cabinet), Conditions: ConditionsTopic(DefaultPrefix, cabinet)}[kind]
		if again != topic || !ingest.ValidName(cabinet) || kind == Throw != ingest.ValidName(turnout) {
			t.Fatalf("%q: %v %q %q", topic, kind, cabinet, turnout)
		}
	})
}

// FuzzTemplate reads any template and holds any topic against it. Invariants:
// what is read is written back; what matches has as many levels, and the names
// stand where the template says; two that match one topic overlap.
func FuzzTemplate(f *testing.F) {
	f.Add("plant/{cabinet}/pm/{turnout}", "plant/+/pm/+", "plant/B/pm/W")
	f.Add("{turnout}", "+", "")
	f.Add("/+/", "//", "//")
	f.Fuzz(func(t *testing.T, one, other, topic string) {
		a, err := ParseTemplate(one)
		if err != nil {
			return
		}
		if a.String() != one || strings.ContainsAny(a.Filter(), "{}#") {
			t.Fatalf("%q was read as %q and subscribes to %q", one, a, a.Filter())
		}
		cabinet, turnout, ok := a.Match(topic)
		if !ok {
			return
		}
		names := strings.NewReplacer(cabinetLevel, cabinet, turnoutLevel, turnout).Replace(one)
		plain, err := ParseTemplate(names)
		if len(strings.Split(topic, "/")) != len(strings.Split(one, "/")) || err == nil && !strings.Contains(one, "+") && !strings.Contains(cabinet+turnout, "{") && plain.String() != topic {
			t.Fatalf("%q matches %q as %q %q", one, topic, cabinet, turnout)
		}
		if b, err := ParseTemplate(other); err == nil {
			if _, _, both := b.Match(topic); both && !a.Overlaps(b) {
				t.Fatalf("%q and %q both match %q and do not overlap", one, other, topic)
			}
		}
	})
}
