package alerting

import (
	"fmt"
	"iter"
	"strings"
	"time"
)

// Window is a time in which what it matches is suppressed by design: a
// possession, works, a test. It begins at a wall-clock time of a zone, so that
// it stands at the same hour on both sides of a change of daylight saving.
type Window struct {
	ID       int64         `json:"id"`
	Name     string        `json:"name"`
	Match    Match         `json:"match"`
	Zone     string        `json:"zone" doc:"IANA name, e.g. Europe/Oslo"`
	Start    string        `json:"start" doc:"local, 2006-01-02T15:04"`
	Duration time.Duration `json:"duration_ns"`
	Repeat   string        `json:"repeat,omitempty" doc:"RFC 5545 recurrence rule, e.g. FREQ=WEEKLY;BYDAY=SU; left out: once"`
	By       string        `json:"by,omitempty"`
	Note     string        `json:"note,omitempty"`
}

// Longest and shortest windows. What is to be quiet for longer is out of
// service.
const (
	MinWindow = time.Minute
	MaxWindow = 31 * 24 * time.Hour
)

// windowStart is how a window's start is written: what a clock on the wall shows.
const windowStart = "2006-01-02T15:04"

// plan is a window that has been read.
type plan struct {
	zone   *time.Location
	day    time.Time // date of the start, midnight UTC
	minute int       // of the day
	repeat repeat
	length time.Duration
}

func (w *Window) plan() (p plan, err error) {
	if p.zone, err = zone(w.Zone); err != nil {
		return p, err
	}
	shown, err := time.Parse(windowStart, w.Start)
	if err != nil {
		return p, fmt.Errorf("start: expected a local time such as 2026-03-01T23:30, found %q", w.Start)
	}
	p.day, p.minute = shown.Truncate(24*time.Hour), shown.Hour()*60+shown.Minute()
	if w.Duration < MinWindow || w.Duration > MaxWindow {
		return p, fmt.Errorf("duration: expected 1 minute to 31 days, found %s", w.Duration)
	}
	p.length = w.Duration
	p.repeat, err = parseRepeat(w.Repeat)
	return p, err
}

// Check returns what is wrong with the window, or nil: the field, what was
// expected, what was found.
func (w *Window) Check() error {
	if strings.TrimSpace(w.Name) == "" {
		return fmt.Errorf("window: expected a name, found none")
	}
	p, err := w.plan()
	if err == nil {
		err = w.Match.Check()
	}
	if err != nil {
		return fmt.Errorf("window %q: %w", w.Name, err)
	}
	// RFC 5545 leaves open what a start means that its rule does not name.
	for d := range p.repeat.dates(p.day, p.day) {
		if !d.Equal(p.day) {
			return fmt.Errorf("window %q, start: expected a day of the rule %s, such as %s, found %s, %s",
				w.Name, w.Repeat, d.Format(time.DateOnly), p.day.Format(time.DateOnly), p.day.Weekday())
		}
		for range p.starts(time.Time{}) {
			return nil
		}
		break
	}
	return fmt.Errorf("window %q, repeat: expected a rule with a day from %s on, found %s", w.Name, p.day.Format(time.DateOnly), w.Repeat)
}

// starts yields when the window begins, in order; those that are over at from
// may be left out.
func (p *plan) starts(from time.Time) iter.Seq[time.Time] {
	return func(yield func(time.Time) bool) {
		since := p.day
		if !from.IsZero() {
			since = date(from.Add(-p.length), p.zone).AddDate(0, 0, -1)
		}
		for d := range p.repeat.dates(p.day, since) {
			at := wall(d, p.minute, p.zone)
			if u := p.repeat.until; !u.IsZero() && (p.repeat.untilDay && d.After(u) || !p.repeat.untilDay && at.After(u)) {
				return
			}
			if !yield(at) {
				return
			}
		}
	}
}

// mostJoined is how many windows that follow without a gap are told as one.
const mostJoined = 400

// Active reports whether the window holds at a time, from its start to before
// its end, and if so when it ends; times of one window that overlap or follow
// at once are one. A window that is wrong never holds.
//
// It begins at the same hour on the wall throughout the year, and holds for as
// long as it says by any stopwatch: a change of the clocks within it moves the
// hour at which it ends (RFC 5545, 3.3.6).
func (w *Window) Active(now time.Time) (active bool, end time.Time) {
	p, err := w.plan()
	if err != nil {
		return false, time.Time{}
	}
	joined := 0
	for at := range p.starts(now) {
		if at.After(now) && (!active || at.After(end) || joined >= mostJoined) {
			break
		}
		if e := at.Add(p.length); e.After(now) {
			active, end = true, e
			joined++
		}
	}
	return active, end
}

// Next returns when the window next begins after now, or the zero time: never again.
func (w *Window) Next(now time.Time) time.Time {
	p, err := w.plan()
	if err != nil {
		return time.Time{}
	}
	for at := range p.starts(now) {
		if at.After(now) {
			return at
		}
	}
	return time.Time{}
}

// Suppressing returns the first window that holds at a time and matches the
// alert, with the latest end of all that do, or nil.
func Suppressing(windows []Window, p Place, a *Alert, now time.Time) (w *Window, end time.Time) {
	for i := range windows {
		if !windows[i].Match.Matches(p, a) {
			continue
		}
		if active, e := windows[i].Active(now); active {
			if w == nil {
				w = &windows[i]
			}
			if e.After(end) {
				end = e
			}
		}
	}
	return w, end
}
