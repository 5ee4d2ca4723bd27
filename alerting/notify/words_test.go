package notify

import (
	"strings"
	"testing"
	"time"
	"unicode"

	"throwline/alerting"
	"throwline/detect"
)

func TestSubjects(t *testing.T) {
	for _, c := range []struct {
		change func(*alerting.Message)
		want   string
	}{
		{func(*alerting.Message) {}, "High: W12 is getting stiff to reverse (dry slide chairs 81 %)"},
		{func(m *alerting.Message) { m.Alert.To = 0; m.Reason = alerting.MoreSerious }, "High, changed: W12 is getting stiff (dry slide chairs 81 %)"},
		{func(m *alerting.Message) { m.Reason = alerting.Reminder }, "Reminder, high: W12 is getting stiff to reverse (dry slide chairs 81 %)"},
		{func(m *alerting.Message) { m.Reason = alerting.Escalated }, "Not acknowledged, high: W12 is getting stiff to reverse (dry slide chairs 81 %)"},
		{func(m *alerting.Message) { m.Reason = alerting.StillStands; m.Alert.Causes = m.Alert.Causes[1:] }, "Still stands, high: W12 is getting stiff to reverse"},
		{func(m *alerting.Message) { m.Reason = alerting.NoLonger; m.Alert.ClearedAt = noon }, "Cleared: W12 shows no rising effort any more to reverse"},
		{func(m *alerting.Message) { m.Reason = alerting.Trial }, "Trial message from Throwline"},
		{func(m *alerting.Message) { m.Alert.Condition, m.Alert.Causes = "new-thing", nil }, "High: W12 shows new-thing to reverse"},
	} {
		m := stiff()
		c.change(&m)
		if got := Write(m, nil).Subject; got != c.want {
			t.Errorf("expected %q, found %q", c.want, got)
		}
	}
}

func TestText(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	m := stiff()
	m.Note = "wait for\nthe night"
	w := Write(m, oslo)
	want := `New alert, raised 1 Mar 2026 12:59 CET.

W12 is getting stiff to reverse: the effort to throw is rising against this turnout's own past. The change is +32 % at the main drive against its own past. As far as the traces tell it began 20 Feb 2026 13:00 CET. It is very likely dry slide chairs.

Causes, most probable first
  - Dry slide chairs, 81 %
  - Something else, 19 %

What was measured
  - Travel +31 % to reverse: friction along the whole movement.

What to check on site, as your rule book allows
  - Look at slide chairs.
  - Clean and lubricate.

Forecast: About 14 days (6 to 40, 8 times in 10) until the drive's capability is reached, if it goes on like this.

Note: wait for the night

https://throwline.example/turnouts/W12

Turnout: W12
Area: Northyard
Line: L1, at 12.4
Priority: high
Raised: 1 Mar 2026 12:59 CET
Alert: abcdefgh

It advises; blades move without warning.
`
	if got := w.Text(); got != want {
		t.Errorf("expected\n%s\nfound\n%s", want, got)
	}
}

// Every condition and cause has words; no reason or condition calls a turnout safe.
func TestWordsForAll(t *testing.T) {
	for _, c := range []detect.Condition{detect.Stiffening, detect.SlowThrow, detect.IncompleteThrow, detect.OddThrow, detect.LateDetection, detect.WeakSupply, detect.DoubtfulMeasurement, detect.CabinetSilent} {
		if conditionWords[c].stands == "" || conditionWords[c].ended == "" || conditionWords[c].meaning == "" {
			t.Errorf("no words for %s", c)
		}
		for _, r := range []alerting.Reason{alerting.NewAlert, alerting.MoreSerious, alerting.NoLonger, alerting.Reminder, alerting.Escalated, alerting.StillStands, alerting.Trial} {
			m := stiff()
			m.Alert.Condition, m.Reason = c, r
			w := Write(m, nil)
			if text := strings.ToLower(w.Text()); strings.Contains(text, "safe") || strings.Contains(text, "healthy") || w.News == "" || w.Caution == "" {
				t.Errorf("%s, %s: found %q", c, r, text)
			}
		}
	}
	for _, c := range []detect.CauseName{detect.DrySlideChairs, detect.SeizedRoller, detect.Obstruction, detect.LockAdjustment, detect.BackDrive, detect.HydraulicLeak, detect.MotorWear, detect.SupplyVoltageCause, detect.MeasurementCause, detect.DetectionAdjustment, detect.ColdWeather, detect.UnknownCause} {
		if causeWords[c] == "" {
			t.Errorf("no words for %s", c)
		}
	}
}

// What cabinets and people write cannot break out of its line.
func FuzzWords(f *testing.F) {
	f.Add("W12\r\nBcc: x@example.org\r\n\r\nbody", "javascript:alert(1)")
	f.Add("\u202eW12\x00", "http://user:pw@host/")
	f.Fuzz(func(t *testing.T, s, link string) {
		m := stiff()
		m.Alert.Turnout, m.Alert.Drive, m.Alert.ID, m.Place.Area, m.Place.Notes, m.Note, m.Link = s, s, s, s, s, s, link
		m.Alert.Condition = detect.Condition(s)
		m.Alert.Causes[0].Cause, m.Alert.Causes[0].Evidence = detect.CauseName(s), []string{s}
		w := Write(m, nil)
		for _, one := range append([]string{w.Subject, w.News, w.Reason, w.Note, w.Link, w.Caution}, append(w.Causes, w.Evidence...)...) {
			if strings.ContainsFunc(one, unicode.IsControl) {
				t.Fatalf("found control characters in %q", one)
			}
		}
		if w.Link != "" && !strings.HasPrefix(w.Link, "http") {
			t.Fatalf("found the link %q", w.Link)
		}
	})
}
