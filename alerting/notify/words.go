package notify

import (
	"fmt"
	"math"
	"net/url"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Words is a message as people read it. Everything is plain text; all but
// Reason is one line each.
type Words struct {
	Subject  string
	News     string // why this is sent now
	Reason   string // one paragraph
	Causes   []string
	Evidence []string
	Checks   []string
	Forecast string // "" where nothing can be said
	Facts    []Fact
	Note     string
	Link     string // http or https, or ""
	Caution  string
}

// Fact is a name and what it is.
type Fact struct{ Name, Value string }

// Lengths, in characters, that a text may have: turnouts and cabinets may be
// named by anyone who can publish.
const (
	longName = 64
	longLine = 400
	longNote = 2000
)

// conditionWords are what follows the name of a turnout while the condition
// stands, and after it.
var conditionWords = map[detect.Condition]struct{ stands, ended, meaning string }{
	detect.Stiffening:          {"is getting stiff", "shows no rising effort any more", "the effort to throw is rising against this turnout's own past"},
	detect.SlowThrow:           {"throws slowly", "throws in its usual time again", "the throw takes longer than its past says"},
	detect.IncompleteThrow:     {"did not complete a throw", "has completed its throws again", "the commanded end was not detected in time"},
	detect.OddThrow:            {"had an odd throw", "shows nothing odd any more", "one throw was unlike any before it, above what single throws vary by"},
	detect.LateDetection:       {"is detected late", "is detected in its usual time again", "the blades arrived, detection followed late or at one place only"},
	detect.WeakSupply:          {"has a weak supply", "shows no weak supply any more", "the drive's supply explains what is seen"},
	detect.DoubtfulMeasurement: {"has a doubtful measurement", "is measured plausibly again", "the sensor, not the turnout, has changed"},
	detect.CabinetSilent:       {"is not heard from", "is heard from again", "its cabinet has stopped sending; what the turnout does meanwhile is not known"},
}

var causeWords = map[detect.CauseName]string{
	detect.DrySlideChairs:      "dry slide chairs",
	detect.SeizedRoller:        "a seized roller",
	detect.Obstruction:         "an obstruction",
	detect.LockAdjustment:      "the lock's adjustment",
	detect.BackDrive:           "the back drive",
	detect.HydraulicLeak:       "a hydraulic leak",
	detect.MotorWear:           "motor wear",
	detect.SupplyVoltageCause:  "the supply voltage",
	detect.MeasurementCause:    "the measurement, not the turnout",
	detect.DetectionAdjustment: "the detection's adjustment",
	detect.ColdWeather:         "cold weather",
	detect.UnknownCause:        "something else",
}

func causeName(c detect.CauseName) string {
	if s, ok := causeWords[c]; ok {
		return s
	}
	return oneLine(strings.ReplaceAll(string(c), "-", " "), longName)
}

func priorityName(p alerting.Priority) string {
	switch p {
	case alerting.High:
		return "High"
	case alerting.Medium:
		return "Medium"
	}
	return "Low"
}

// Write puts a message into words, with times in zone (nil: UTC).
func Write(m alerting.Message, zone *time.Location) Words {
	if zone == nil {
		zone = time.UTC
	}
	a := &m.Alert
	w := Words{
		Link:    webLink(m.Link),
		Note:    paragraph(m.Note, longNote),
		Caution: paragraph(m.Caution, longNote),
	}
	if m.Reason == alerting.Trial {
		w.Subject = "Trial message from Throwline"
		w.News = "Somebody tries out whether messages arrive here. There is nothing to do."
		w.Facts = []Fact{{"Sent", clock(m.At, zone)}}
		return w
	}
	w.Subject = subject(&m)
	w.News = news(&m, zone)
	w.Reason = reason(&m, zone)
	for _, c := range a.Causes {
		w.Causes = append(w.Causes, capital(causeName(c.Cause))+", "+percent(c.Probability))
	}
	if len(a.Causes) > 0 && m.Reason != alerting.NoLonger {
		w.Evidence = lines(a.Causes[0].Evidence)
		w.Checks = lines(a.Causes[0].Checks)
	}
	if a.Open() {
		w.Forecast = forecast(a.Forecast)
	}
	w.Facts = facts(&m, zone)
	return w
}

// subject is like "High: W12 is getting stiff (dry slide chairs 81 %)".
func subject(m *alerting.Message) string {
	a := &m.Alert
	name := oneLine(a.Turnout, longName)
	if m.Reason == alerting.NoLonger {
		return "Cleared: " + name + " " + ended(a)
	}
	lead := priorityName(a.Priority)
	low := strings.ToLower(lead)
	switch m.Reason {
	case alerting.MoreSerious:
		lead += ", changed"
	case alerting.Reminder:
		lead = "Reminder, " + low
	case alerting.Escalated:
		lead = "Not acknowledged, " + low
	case alerting.StillStands:
		lead = "Still stands, " + low
	}
	s := lead + ": " + name + " " + stands(a)
	if len(a.Causes) > 0 && a.Causes[0].Cause != detect.UnknownCause {
		s += " (" + causeName(a.Causes[0].Cause) + " " + percent(a.Causes[0].Probability) + ")"
	}
	return s
}

func stands(a *alerting.Alert) string {
	s := "shows " + oneLine(string(a.Condition), longName)
	if c, ok := conditionWords[a.Condition]; ok {
		s = c.stands
	}
	return s + toEnd(a.To)
}

func ended(a *alerting.Alert) string {
	if c, ok := conditionWords[a.Condition]; ok {
		return c.ended + toEnd(a.To)
	}
	return "shows no " + oneLine(string(a.Condition), longName) + " any more"
}

func toEnd(e ingest.End) string {
	if e == 0 {
		return ""
	}
	return " to " + e.String()
}

func news(m *alerting.Message, zone *time.Location) string {
	a := &m.Alert
	switch m.Reason {
	case alerting.NewAlert:
		return "New alert, raised " + clock(a.RaisedAt, zone) + "."
	case alerting.MoreSerious:
		return "What is said of this alert has changed " + clock(a.ChangedAt, zone) + "; it was raised " + clock(a.RaisedAt, zone) + "."
	case alerting.NoLonger:
		return "What raised this alert is not seen any more, since " + clock(a.ClearedAt, zone) + ". That does not say that the turnout is in order."
	case alerting.Reminder:
		return "Nobody has acknowledged this alert yet; it was raised " + clock(a.RaisedAt, zone) + "."
	case alerting.Escalated:
		return "Those who were told first have not acknowledged this alert; it was raised " + clock(a.RaisedAt, zone) + "."
	case alerting.StillStands:
		return "A window or a shelving has ended, and this alert still stands; it was raised " + clock(a.RaisedAt, zone) + "."
	}
	return ""
}

func reason(m *alerting.Message, zone *time.Location) string {
	a := &m.Alert
	name := oneLine(a.Turnout, longName)
	if m.Reason == alerting.NoLonger {
		return sentence(name + " " + ended(a))
	}
	s := name + " " + stands(a)
	if c := conditionWords[a.Condition].meaning; c != "" {
		s += ": " + c
	}
	s = sentence(s)
	if a.ChangePercent != 0 {
		drive := ""
		if a.Drive != "" {
			drive = " at the " + oneLine(a.Drive, longName) + " drive"
		}
		s += fmt.Sprintf(" The change is %s%s against its own past.", signed(a.ChangePercent), drive)
	}
	if !a.Since.IsZero() {
		s += " As far as the traces tell it began " + clock(a.Since, zone) + "."
	}
	if len(a.Causes) > 0 {
		s += " " + likely(a.Causes[0])
	}
	return s
}

func likely(c detect.Cause) string {
	name := causeName(c.Cause)
	if c.Cause == detect.UnknownCause {
		return "No known cause explains it well."
	}
	switch p := math.Round(100*c.Probability) / 100; {
	case p >= 0.95:
		return "It is almost certainly " + name + "."
	case p >= 0.75:
		return "It is very likely " + name + "."
	case p >= 0.5:
		return "It is likely " + name + "."
	case p >= 0.35:
		return "It is perhaps " + name + "."
	}
	return "No cause stands out; the first is " + name + "."
}

// forecast tells hours where the middle is under two days.
func forecast(f *detect.Forecast) string {
	if f == nil {
		return ""
	}
	by, unit := 1.0, "days"
	if f.P50 < 2 {
		by, unit = 24, "hours"
	}
	say := func(d float64) string {
		if n := d * by; n < 1 {
			return fmt.Sprintf("%.1f", n)
		}
		return fmt.Sprintf("%.0f", d*by)
	}
	low, mid, high := say(f.P10), say(f.P50), say(f.P90)
	if mid == "1" {
		unit = strings.TrimSuffix(unit, "s")
	}
	s := "About " + mid + " " + unit
	if low != high {
		s += " (" + low + " to " + high + ", 8 times in 10)"
	}
	return s + " until " + oneLine(f.Limit, longLine) + " is reached, if it goes on like this."
}

func facts(m *alerting.Message, zone *time.Location) []Fact {
	a, p := &m.Alert, &m.Place
	var out []Fact
	add := func(name, value string) {
		if value != "" {
			out = append(out, Fact{name, value})
		}
	}
	add("Turnout", oneLine(a.Turnout, longName))
	add("Area", oneLine(p.Area, longName))
	place := oneLine(p.Line, longName)
	if place != "" && p.Position != 0 {
		place += fmt.Sprintf(", at %g", p.Position)
	}
	add("Line", place)
	add("Place", paragraph(p.Notes, longLine))
	if m.Reason != alerting.NoLonger {
		add("Priority", strings.ToLower(priorityName(a.Priority)))
	}
	add("Raised", clock(a.RaisedAt, zone))
	if !a.ClearedAt.IsZero() {
		add("Cleared", clock(a.ClearedAt, zone))
	}
	add("Alert", oneLine(a.ID, longName))
	return out
}

// Text returns the message as plain text, in lines of no particular length.
func (w *Words) Text() string {
	var b strings.Builder
	para := func(s string) {
		if s != "" {
			b.WriteString(s + "\n\n")
		}
	}
	list := func(title string, items []string) {
		if len(items) == 0 {
			return
		}
		b.WriteString(title + "\n")
		for _, s := range items {
			b.WriteString("  - " + s + "\n")
		}
		b.WriteString("\n")
	}
	para(w.News)
	para(w.Reason)
	list("Causes, most probable first", w.Causes)
	list("What was measured", w.Evidence)
	list("What to check on site, as your rule book allows", w.Checks)
	if w.Forecast != "" {
		para("Forecast: " + w.Forecast)
	}
	if w.Note != "" {
		para("Note: " + w.Note)
	}
	if w.Link != "" {
		para(w.Link)
	}
	for _, f := range w.Facts {
		b.WriteString(f.Name + ": " + f.Value + "\n")
	}
	if w.Caution != "" {
		b.WriteString("\n" + w.Caution + "\n")
	}
	return b.String()
}

func lines(list []string) []string {
	var out []string
	for _, s := range list {
		if s = sentence(oneLine(s, longLine)); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// paragraph is oneLine for texts that people have written in several lines.
func paragraph(s string, limit int) string {
	return oneLine(strings.Join(strings.Fields(s), " "), limit)
}

func sentence(s string) string {
	if s = capital(strings.TrimSpace(s)); s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") || strings.HasSuffix(s, "…") {
		return s
	}
	return s + "."
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func percent(share float64) string {
	n := math.Round(100 * share)
	if n == 0 && share > 0 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", n)
}

// signed writes a change with its sign, two digits where it is small.
func signed(p float64) string {
	sign := "+"
	if p < 0 {
		sign = "−"
	}
	p = math.Abs(p)
	if p < 10 {
		return fmt.Sprintf("%s%.1f %%", sign, p)
	}
	return fmt.Sprintf("%s%.0f %%", sign, p)
}

func clock(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("2 Jan 2006 15:04 MST")
}

// webLink lets nothing through but a page: a mail makes a link of it.
func webLink(s string) string {
	u, err := url.Parse(s)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
		return ""
	}
	return u.String()
}
