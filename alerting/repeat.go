package alerting

import (
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Days of the week as RFC 5545 writes them, by time.Weekday.
var weekdays = [...]string{"SU", "MO", "TU", "WE", "TH", "FR", "SA"}

const (
	maxInterval = 366
	maxCount    = 1000 // is counted from the start, at every question
)

// repeat is the part of a recurrence rule of RFC 5545, 3.3.10, that windows
// need: FREQ of DAILY, WEEKLY or MONTHLY, INTERVAL, BYDAY, UNTIL, COUNT. Weeks
// begin on Monday.
type repeat struct {
	freq     string // "" for once
	interval int
	days     []weekday
	count    int       // 0: not given
	until    time.Time // zero: not given
	untilDay bool      // it is a date, in the zone of the window
}

// weekday is a day of the week; of a month the nth, from its end where n is
// negative, each where it is 0.
type weekday struct {
	day time.Weekday
	n   int
}

func parseRepeat(s string) (repeat, error) {
	r := repeat{interval: 1}
	if s == "" {
		return r, nil
	}
	seen := map[string]bool{}
	for part := range strings.SplitSeq(strings.TrimPrefix(s, "RRULE:"), ";") {
		name, value, _ := strings.Cut(part, "=")
		wrong := func(expected string) error {
			return fmt.Errorf("repeat, %s: expected %s, found %q", name, expected, value)
		}
		if seen[name] {
			return r, fmt.Errorf("repeat: expected %s once, found it twice in %q", name, s)
		}
		seen[name] = true
		var err error
		switch name {
		case "FREQ":
			if r.freq = value; value != "DAILY" && value != "WEEKLY" && value != "MONTHLY" {
				return r, wrong("DAILY, WEEKLY or MONTHLY")
			}
		case "INTERVAL":
			if r.interval, err = strconv.Atoi(value); err != nil || r.interval < 1 || r.interval > maxInterval {
				return r, wrong(fmt.Sprintf("1 to %d", maxInterval))
			}
		case "COUNT":
			if r.count, err = strconv.Atoi(value); err != nil || r.count < 1 || r.count > maxCount {
				return r, wrong(fmt.Sprintf("1 to %d", maxCount))
			}
		case "UNTIL":
			if r.until, err = time.Parse("20060102T150405Z", value); err != nil {
				r.untilDay = true
				if r.until, err = time.Parse("20060102", value); err != nil {
					return r, wrong("a date such as 20261231 or a time in UTC such as 20261231T220000Z")
				}
			}
		case "BYDAY":
			for d := range strings.SplitSeq(value, ",") {
				w, ok := parseWeekday(d)
				if !ok {
					return r, wrong("days such as SU or MO,TU; of a month also 1SU or -1FR")
				}
				r.days = append(r.days, w)
			}
		default:
			return r, fmt.Errorf("repeat: expected FREQ, INTERVAL, BYDAY, UNTIL or COUNT, found %q", part)
		}
	}
	switch {
	case r.freq == "":
		return r, fmt.Errorf("repeat: expected FREQ, found none in %q", s)
	case r.count > 0 && seen["UNTIL"]:
		return r, fmt.Errorf("repeat: expected one of UNTIL and COUNT, found both in %q", s)
	case r.freq != "MONTHLY" && slices.ContainsFunc(r.days, func(w weekday) bool { return w.n != 0 }):
		return r, fmt.Errorf("repeat, BYDAY: expected days without a number but for MONTHLY, found %q", s)
	}
	return r, nil
}

func parseWeekday(s string) (w weekday, ok bool) {
	if len(s) < 2 {
		return w, false
	}
	day := slices.Index(weekdays[:], s[len(s)-2:])
	if day < 0 {
		return w, false
	}
	w.day = time.Weekday(day)
	if n := s[:len(s)-2]; n != "" {
		var err error
		if w.n, err = strconv.Atoi(n); err != nil || w.n == 0 || w.n < -5 || w.n > 5 {
			return w, false
		}
	}
	return w, true
}

// period is the pth day, week or month of the rule. Its days that the rule
// names, from the start's on, are yielded in their order.
func (r *repeat) period(start time.Time, p int) []time.Time {
	var list []time.Time
	add := func(d time.Time, wanted bool) {
		if wanted && !d.Before(start) {
			list = append(list, d)
		}
	}
	each := func(d time.Time) bool {
		return slices.ContainsFunc(r.days, func(w weekday) bool { return w.day == d.Weekday() })
	}
	switch r.freq {
	case "":
		add(start, p == 0)
	case "DAILY":
		d := start.AddDate(0, 0, p*r.interval)
		add(d, len(r.days) == 0 || each(d))
	case "WEEKLY":
		monday := start.AddDate(0, 0, p*r.interval*7-(int(start.Weekday())+6)%7)
		for i := range 7 {
			d := monday.AddDate(0, 0, i)
			add(d, each(d) || len(r.days) == 0 && d.Weekday() == start.Weekday())
		}
	case "MONTHLY":
		first := time.Date(start.Year(), start.Month()+time.Month(p*r.interval), 1, 0, 0, 0, 0, time.UTC)
		length := first.AddDate(0, 1, -1).Day()
		for i := range length {
			d := first.AddDate(0, 0, i)
			wanted := len(r.days) == 0 && d.Day() == start.Day()
			for _, w := range r.days {
				if w.day == d.Weekday() && (w.n == 0 || w.n == i/7+1 || w.n == -((length-1-i)/7)-1) {
					wanted = true
				}
			}
			add(d, wanted)
		}
	}
	return list
}

// barren is how many periods in a row without a day end the search. A month
// has a day that it is looked for within a few years.
const barren = 400

// dates yields the days of the rule from the start's on, but for those that end
// before from, which may be left out.
func (r *repeat) dates(start, from time.Time) iter.Seq[time.Time] {
	return func(yield func(time.Time) bool) {
		p, n := 0, 0
		if days := int((from.Unix() - start.Unix()) / (24 * 60 * 60)); r.count == 0 && days > 0 {
			length := map[string]int{"": 1 << 30, "DAILY": 1, "WEEKLY": 7, "MONTHLY": 31}[r.freq]
			p = max(0, days/(length*r.interval)-1)
		}
		for empty := 0; empty < barren; p++ {
			list := r.period(start, p)
			if empty++; len(list) > 0 {
				empty = 0
			}
			for _, d := range list {
				if n++; r.count > 0 && n > r.count || !yield(d) {
					return
				}
			}
			if r.freq == "" {
				return
			}
		}
	}
}
