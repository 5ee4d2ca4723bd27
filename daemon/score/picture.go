package score

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Picture is what was measured of one turnout around a fault or a false alert,
// and what was said of it.
type Picture struct {
	Title   string
	Said    string // what was said of it
	Note    string // what is known of it, may be empty
	From    time.Time
	To      time.Time
	Panels  []panel
	Marks   []mark
	Bands   []band
	Dropped []time.Time // throws that did not complete
}

// panel is the course of one feature at both ends.
type panel struct {
	name  string
	ends  [len(ingest.Ends)]course
	lines [len(ingest.Ends)]course // of the medians of some days
}

// course is a feature as share of its own median before, less 1, by time.
type course []point

type point struct {
	at time.Time
	y  float64
}

// markKind is how a mark looks.
type markKind string

const (
	markWork    markKind = "work"
	markOnset   markKind = "onset"
	markWarning markKind = "warning"
	markFailure markKind = "failure"
	markRepair  markKind = "repair"
)

// mark is a vertical line. One without a text is a short tick.
type mark struct {
	at   time.Time
	kind markKind
	text string
}

// band is a time in which something was wrong.
type band struct{ from, to time.Time }

// How much of a turnout's life is drawn.
const (
	before  = 30 * 24 * time.Hour // what the median is of, and is seen before a fault
	after   = 8 * 24 * time.Hour
	enough  = 12 // throws of an end for a median
	mostDot = 1500
)

// drawCase makes the picture of a fault.
func (t *Tally) drawCase(c *Case) *Picture {
	p := &Picture{
		Title: fmt.Sprintf("%s, %s drive: %s", c.Turnout, c.Kind, c.Cause),
		From:  c.Onset.Add(-before), To: t.truth.End,
	}
	if c.Note != "" {
		p.Note = "What was wrong: " + c.Note
	}
	switch {
	case !c.Repaired.IsZero():
		p.To = c.Repaired.Add(after)
	case !c.Failure.IsZero():
		p.To = c.Failure.Add(after)
	}
	switch {
	case c.Warned.IsZero() && c.Failure.IsZero():
		p.Said = "Said: nothing; it did not fail."
	case c.Warned.IsZero():
		p.Said = "Said: nothing before the failure."
	default:
		p.Said = fmt.Sprintf("Said: %s, %s, on %s", c.Condition, firstCause(c.First), c.Warned.UTC().Format(time.DateOnly))
		if c.Failure.IsZero() {
			p.Said += "; it did not fail."
		} else {
			p.Said += fmt.Sprintf(", %s before the failure (%s of the time left).", days(c.Failure.Sub(c.Warned)), percent(c.Left))
		}
		if len(c.First) > 0 && len(c.Last) > 0 && c.First[0].Cause != c.Last[0].Cause {
			p.Said += fmt.Sprintf(" In the end %s.", firstCause(c.Last))
		}
	}
	end := c.Failure
	if end.IsZero() {
		end = c.over(t.truth.End)
	}
	t.fill(p, c.Turnout, c.Onset, c.Onset.Add(end.Sub(c.Onset)*2/3), end)
	return p
}

// drawFalse makes the picture of a false alert.
func (t *Tally) drawFalse(e *alerting.Event) *Picture {
	a := &e.Alert
	since := a.Since
	if since.IsZero() || since.After(e.At) {
		since = e.At
	}
	p := &Picture{
		Title: fmt.Sprintf("%s, %s drive: a false alert, nothing was wrong", a.Turnout, t.truth.Turnouts[a.Turnout]),
		From:  since.Add(-before), To: e.At.Add(after),
	}
	p.Said = fmt.Sprintf("Said: %s", a.Condition)
	if a.To != 0 {
		p.Said += fmt.Sprintf(" to %s", a.To)
	}
	if a.ChangePercent != 0 {
		p.Said += fmt.Sprintf(", %+.0f %%", a.ChangePercent)
	}
	p.Said += fmt.Sprintf(", %s, on %s; since %s, as it said.", firstCause(a.Causes), e.At.UTC().Format(time.DateOnly), since.UTC().Format(time.DateOnly))
	if !since.Equal(e.At) {
		p.Marks = append(p.Marks, mark{since, markOnset, "since, as said"})
	}
	t.fill(p, a.Turnout, since, since, e.At)
	return p
}

func firstCause(c []detect.Cause) string {
	if len(c) == 0 {
		return "no cause"
	}
	return fmt.Sprintf("%s %.0f %%", c[0].Cause, 100*c[0].Probability)
}

// days writes a time left as people say it.
func days(d time.Duration) string {
	if d < 48*time.Hour {
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// fill draws the turnout's features from p.From to p.To as shares of their
// medians before onset. The feature that moved most is the one that differs most from
// from to to.
func (t *Tally) fill(p *Picture, turnout string, onset, from, to time.Time) {
	if p.From.Before(t.truth.Start) {
		p.From = t.truth.Start
	}
	if p.To.After(t.truth.End) {
		p.To = t.truth.End
	}
	t.mark(p, turnout)
	l := t.lives[turnout]
	if l == nil {
		return
	}
	var moves []move
	for _, m := range l.moves {
		switch {
		case m.at.Before(p.From) || m.at.After(p.To):
		case !m.completed:
			p.Dropped = append(p.Dropped, m.at)
		default:
			moves = append(moves, m)
		}
	}
	slices.SortStableFunc(moves, func(a, b move) int { return a.at.Compare(b.at) })
	base := baseOf(moves, t.quietFrom(p.From, turnout, onset, l), onset)
	if base == nil {
		base = baseOf(moves, p.From, onset)
	}
	if base == nil { // too few before: the whole has to do
		base = baseOf(moves, p.From, p.To)
	}
	if base == nil {
		return
	}
	most, shown := detect.NumFeatures, []detect.Feature{detect.TravelMean, detect.Duration}
	if most = base.mostMoved(moves, from, to); most != detect.NumFeatures {
		shown = append(shown, most)
	}
	for _, f := range shown {
		what := "effort: " + words(f.String())
		switch {
		case f == detect.Duration:
			what = "duration"
		case f == detect.Effort:
			what = "moved most of the others: effort over the whole movement"
		case f == most:
			what = "moved most of the others: " + words(f.String())
		}
		x := panel{name: fmt.Sprintf("%s (%s drive, %s; median before: ", what, l.drive, words(string(l.quantity)))}
		for i, e := range ingest.Ends {
			if i > 0 {
				x.name += ", "
			}
			x.name += fmt.Sprintf("%s %.3g", e, base.median[i][f])
			x.ends[i] = base.course(moves, e, f)
			x.lines[i] = x.ends[i].medians(p.From, p.To)
			x.ends[i] = x.ends[i].thinned(mostDot)
		}
		x.name += " " + f.Unit(l.quantity) + ")"
		p.Panels = append(p.Panels, x)
	}
}

// quietFrom returns from when on the turnout was as it was at the onset: since
// it was last mended or worked on.
func (t *Tally) quietFrom(from time.Time, turnout string, onset time.Time, l *life) time.Time {
	take := func(at time.Time) {
		if at.After(from) && at.Before(onset) {
			from = at
		}
	}
	for i := range t.truth.Faults {
		if f := &t.truth.Faults[i]; f.Turnout == turnout && !f.Repaired.IsZero() {
			take(f.Repaired)
		}
	}
	for i := range l.work {
		take(l.work[i].DoneAt)
	}
	return from
}

// base is what the features of a turnout were before.
type base struct {
	median [len(ingest.Ends)][detect.NumFeatures]float64
	spread [len(ingest.Ends)][detect.NumFeatures]float64 // half of what four of five throws differ by, as a share of the median
}

// baseOf returns what the features were from one time to another; nil where
// an end has too few throws in it.
func baseOf(moves []move, from, to time.Time) *base {
	b := &base{}
	for i, e := range ingest.Ends {
		x := values(moves, e, from, to)
		if len(x[detect.Duration]) < enough {
			return nil
		}
		for f := range x {
			m := median(x[f])
			b.median[i][f], b.spread[i][f] = m, math.NaN()
			if n := len(x[f]); n > 0 {
				slices.Sort(x[f])
				b.spread[i][f] = (x[f][n-1-n/10] - x[f][n/10]) / math.Abs(m) / 2
			}
		}
	}
	return b
}

// values returns each feature of the throws to an end from one time to another.
func values(moves []move, e ingest.End, from, to time.Time) (x [detect.NumFeatures][]float64) {
	for i := range moves {
		m := &moves[i]
		if m.to != e || m.at.Before(from) || !m.at.Before(to) {
			continue
		}
		for f, v := range m.features {
			if !math.IsNaN(float64(v)) {
				x[f] = append(x[f], float64(v))
			}
		}
	}
	return x
}

// steady is the least spread that is believed, so that a feature that hardly
// varies need not have moved when it moved a little.
const steady = 0.02

// mostMoved returns the feature, but for the two that are drawn anyway, whose
// median moved most against its own spread; NumFeatures where none can be told.
func (b *base) mostMoved(moves []move, from, to time.Time) detect.Feature {
	best, most := 0.0, detect.NumFeatures
	for i, e := range ingest.Ends {
		x := values(moves, e, from, to)
		for f := range detect.NumFeatures {
			m, s := b.median[i][f], b.spread[i][f]
			// What may be nothing or less than nothing has no share of itself.
			if f == detect.TravelMean || f == detect.Duration || f == detect.TravelRise || f == detect.Idle || len(x[f]) < 4 || !(m > 0) || !(s < 0.5) {
				continue
			}
			if z := math.Abs(median(x[f])/m-1) / max(s, steady); z > best {
				best, most = z, f
			}
		}
	}
	return most
}

// course returns a feature of the throws to an end as share of its median, less 1.
func (b *base) course(moves []move, e ingest.End, f detect.Feature) (c course) {
	m := b.median[e-1][f]
	for i := range moves {
		if v := float64(moves[i].features[f]); moves[i].to == e && m != 0 && !math.IsNaN(v/m) && !math.IsInf(v/m, 0) {
			c = append(c, point{moves[i].at, v/m - 1})
		}
	}
	return c
}

// medians returns the medians of about sixty equal parts of the time, each at least a day.
func (c course) medians(from, to time.Time) (out course) {
	step := max(to.Sub(from)/60, 24*time.Hour)
	for len(c) > 0 {
		part := int(c[0].at.Sub(from) / step)
		n := slices.IndexFunc(c, func(p point) bool { return int(p.at.Sub(from)/step) != part })
		if n < 0 {
			n = len(c)
		}
		var y []float64
		var mean time.Duration
		for _, p := range c[:n] {
			y = append(y, p.y)
			mean += p.at.Sub(from) / time.Duration(n)
		}
		out = append(out, point{from.Add(mean), median(y)})
		c = c[n:]
	}
	return out
}

// thinned returns at most n points of c, evenly chosen.
func (c course) thinned(n int) course {
	if len(c) <= n {
		return c
	}
	out := make(course, 0, n)
	for i := range n {
		out = append(out, c[i*len(c)/n])
	}
	return out
}

// mark sets the marks and bands of the turnout from p.From to p.To.
func (t *Tally) mark(p *Picture, turnout string) {
	add := func(at time.Time, kind markKind, text string) {
		if !at.IsZero() && !at.Before(p.From) && !at.After(p.To) {
			p.Marks = append(p.Marks, mark{at, kind, text})
		}
	}
	for i := range t.truth.Faults {
		f := &t.truth.Faults[i]
		over := f.over(t.truth.End)
		if f.Turnout != turnout || over.Before(p.From) || f.Onset.After(p.To) {
			continue
		}
		p.Bands = append(p.Bands, band{later(f.Onset, p.From), earlier(over, p.To)})
		add(f.Onset, markOnset, "onset")
		add(f.Failure, markFailure, "failure")
		add(f.Repaired, markRepair, "repair")
	}
	if l := t.lives[turnout]; l != nil {
		for i := range l.work {
			w := &l.work[i]
			// A repair that the truth tells of is marked already.
			if !slices.ContainsFunc(p.Marks, func(m mark) bool { return m.kind == markRepair && m.at.Sub(w.DoneAt).Abs() < 12*time.Hour }) {
				add(w.DoneAt, markWork, string(w.Kind))
			}
		}
	}
	for i := range t.events {
		e := &t.events[i]
		if e.Alert.Turnout != turnout || !warning(e.Alert.Condition) || e.Kind == alerting.Cleared {
			continue
		}
		text := ""
		if e.Kind == alerting.Raised {
			text = string(e.Alert.Condition)
		}
		add(e.At, markWarning, text)
	}
	slices.SortStableFunc(p.Marks, func(a, b mark) int { return cmp.Compare(a.at.UnixNano(), b.at.UnixNano()) })
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// words writes a name of the contract for people.
func words(s string) string {
	b := []byte(s)
	for i := range b {
		if b[i] == '_' {
			b[i] = ' '
		}
	}
	return string(b)
}
