package alerting

import (
	"fmt"
	"sync"
	"time"
)

// zones keeps the zones that were asked for: reading one takes longer than all
// that is done with it.
var zones sync.Map

// zone returns the zone of an IANA name. The machine's own zone is refused: a
// window would move with the machine.
func zone(name string) (*time.Location, error) {
	if z, ok := zones.Load(name); ok {
		return z.(*time.Location), nil
	}
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("zone: expected an IANA name such as Europe/Oslo, found %q", name)
	}
	z, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("zone: expected an IANA name such as Europe/Oslo, found %q", name)
	}
	zones.Store(name, z)
	return z, nil
}

// wall returns when a clock on the wall of a zone shows the minute of the day,
// 0 to 1440, on a day, of which only the date counts. An hour that the wall
// shows twice is the first of the two; one that it leaves out is told by the
// offset before the change, so that it comes as late after the change as it
// would have come without one (RFC 5545, 3.3.5).
func wall(day time.Time, minute int, z *time.Location) time.Time {
	shown := time.Date(day.Year(), day.Month(), day.Day(), 0, minute, 0, 0, time.UTC)
	// No zone is further from UTC than 14 hours, so the change, if there is
	// one, lies between these two.
	_, before := shown.Add(-15 * time.Hour).In(z).Zone()
	_, after := shown.Add(15 * time.Hour).In(z).Zone()
	first := shown.Add(-time.Duration(before) * time.Second).In(z)
	if before == after {
		return first
	}
	second := shown.Add(-time.Duration(after) * time.Second).In(z)
	fits := func(t time.Time) bool {
		_, offset := t.Zone()
		return t.Add(time.Duration(offset) * time.Second).Equal(shown)
	}
	switch {
	case fits(first) && fits(second) && second.Before(first):
		return second
	case !fits(first) && fits(second):
		return second
	}
	return first
}

// date returns midnight UTC of the date that the zone has at t: days are
// counted in UTC, where all are of one length.
func date(t time.Time, z *time.Location) time.Time {
	y, m, d := t.In(z).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// minuteOf reads a time of day, 00:00 to 24:00, as minutes.
func minuteOf(s string) (int, bool) {
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	for _, i := range []int{0, 1, 3, 4} {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
	}
	h, m := int(s[0]-'0')*10+int(s[1]-'0'), int(s[3]-'0')*10+int(s[4]-'0')
	return h*60 + m, h < 24 && m < 60 || h == 24 && m == 0
}
