package alerting

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func stiff(change float64) detect.Finding {
	return detect.Finding{
		Condition: detect.Stiffening, Since: noon.Add(-time.Hour), ChangePercent: change, Urgency: 0.4,
		Causes: []detect.Cause{{Cause: detect.DrySlideChairs, Probability: 1}},
	}
}

func kinds(events []Event) string {
	var b []string
	for _, e := range events {
		b = append(b, string(e.Kind)+" "+string(e.Alert.Condition))
	}
	return strings.Join(b, ", ")
}

func TestLifeOfAnAlert(t *testing.T) {
	var past Past
	var events []Event
	urgent := stiff(30)
	urgent.Urgency = 0.9
	other := stiff(62)
	other.Urgency = 0.9
	other.Causes = []detect.Cause{{Cause: detect.BackDrive, Probability: 0.8}, {Cause: detect.DrySlideChairs, Probability: 0.2}}
	for i, c := range []struct {
		findings []detect.Finding
		want     string
	}{
		{nil, ""},
		{[]detect.Finding{stiff(20)}, "raised stiffening"},
		{[]detect.Finding{stiff(21)}, ""},
		{[]detect.Finding{stiff(12)}, ""},
		{[]detect.Finding{stiff(31)}, "changed stiffening"},
		{[]detect.Finding{urgent}, "changed stiffening"},
		{[]detect.Finding{stiff(25)}, ""}, // what ebbs is not news
		{[]detect.Finding{other, {Condition: detect.SlowThrow, Urgency: 0.4}}, "changed stiffening, raised slow-throw"},
		{[]detect.Finding{{Condition: detect.SlowThrow, Urgency: 0.4}}, "cleared stiffening"},
		{nil, "cleared slow-throw"},
	} {
		past, events = Step(past, "W1", c.findings, noon.Add(time.Duration(i)*time.Minute))
		if got := kinds(events); got != c.want {
			t.Errorf("step %d: expected %q, found %q", i, c.want, got)
		}
	}
}

// Each further throw that does not complete is told.
func TestIncompleteTellsEachThrow(t *testing.T) {
	// Without a throw_id as well: many cabinets send none.
	f := detect.Finding{Condition: detect.IncompleteThrow, Urgency: 1, Fresh: true}
	past, e1 := Step(Past{}, "W1", []detect.Finding{f}, noon)
	f.Fresh = false
	past, e2 := Step(past, "W1", []detect.Finding{f}, noon.Add(time.Minute))
	f.Fresh = true
	_, e3 := Step(past, "W1", []detect.Finding{f}, noon.Add(2*time.Minute))
	if kinds(e1) != "raised incomplete-throw" || kinds(e2) != "" || kinds(e3) != "changed incomplete-throw" {
		t.Errorf("found %q, %q, %q", kinds(e1), kinds(e2), kinds(e3))
	}
	if e1[0].Alert.Priority != High {
		t.Errorf("priority %s", e1[0].Alert.Priority)
	}
}

// The event's JSON is the line that a replay prints.
func TestEventJSON(t *testing.T) {
	f := stiff(31.5)
	f.To, f.Drive = ingest.Normal, "main"
	f.Causes[0].Evidence, f.Causes[0].Checks = []string{"e"}, []string{"c"}
	_, events := Step(Past{}, "W1", []detect.Finding{f}, noon)
	b, err := json.Marshal(events[0])
	if err != nil {
		t.Fatal(err)
	}
	want := `{"event":"raised","at":"2026-03-01T12:00:00Z","alert":{"id":"` + events[0].Alert.ID + `","turnout":"W1","to":"normal","drive":"main","condition":"stiffening","priority":"medium","causes":[{"cause":"dry-slide-chairs","probability":1,"evidence":["e"],"checks":["c"]}],"change_percent":31.5,"since":"2026-03-01T11:00:00Z","raised_at":"2026-03-01T12:00:00Z","changed_at":"2026-03-01T12:00:00Z"}}`
	if string(b) != want {
		t.Errorf("expected %s\nfound    %s", want, b)
	}
}

// What has come back takes longer to clear: it does not chatter.
func TestReopenedLingers(t *testing.T) {
	at := noon
	var p Past
	var events []Event
	step := func(after time.Duration, want string, f ...detect.Finding) {
		t.Helper()
		at = at.Add(after)
		p, events = Step(p, "W1", f, at)
		if got := kinds(events); got != want {
			t.Errorf("at %s: expected %q, found %q", at.Sub(noon), want, got)
		}
	}
	step(0, "raised stiffening", stiff(20))
	step(time.Hour, "cleared stiffening")
	step(time.Hour, "raised stiffening", stiff(20))
	step(time.Hour, "")
	if len(p.Quieter) != 1 || p.Quieter[0].QuietSince.IsZero() {
		t.Errorf("expected it to be kept since when it is quiet, found %+v", p.Quieter)
	}
	step(20*time.Hour, "")
	if p.Open[0].QuietSince.IsZero() || len(p.Quieter) != 0 {
		t.Error("expected it to say since when it is quiet")
	}
	step(time.Hour, "", stiff(20)) // back within the day: nothing is said
	if len(p.Quieter) != 1 || !p.Quieter[0].QuietSince.IsZero() {
		t.Errorf("found %+v", p.Quieter)
	}
	step(time.Hour, "")
	step(23*time.Hour, "")
	step(time.Hour, "cleared stiffening")
	step(time.Hour, "raised stiffening", stiff(20))
	p = p.Visit(at.Add(time.Minute))
	step(time.Hour, "cleared stiffening") // work was done
	if len(p.Open) != 0 || p.Recent[0].Reopened != 2 || !p.Recent[0].QuietSince.IsZero() {
		t.Errorf("found %+v", p)
	}
}
