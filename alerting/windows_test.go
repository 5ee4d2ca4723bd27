package alerting

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // a machine without zones tests the same

	"throwline/detect"
)

func at(t *testing.T, s string) time.Time {
	t.Helper()
	x, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// In Oslo the clocks went from 02:00 to 03:00 on 29 March 2026 and go from
// 03:00 to 02:00 on 25 October; on Lord Howe by half an hour, in the other half
// of the year; Apia left out a whole day, 30 December 2011.
func TestWall(t *testing.T) {
	for _, c := range []struct{ zone, day, clock, want string }{
		{"Europe/Oslo", "2026-03-28", "02:30", "2026-03-28T01:30:00Z"},
		{"Europe/Oslo", "2026-03-29", "01:59", "2026-03-29T00:59:00Z"},
		{"Europe/Oslo", "2026-03-29", "02:00", "2026-03-29T01:00:00Z"}, // shown as 03:00
		{"Europe/Oslo", "2026-03-29", "02:30", "2026-03-29T01:30:00Z"}, // shown as 03:30
		{"Europe/Oslo", "2026-03-29", "03:00", "2026-03-29T01:00:00Z"},
		{"Europe/Oslo", "2026-03-30", "02:30", "2026-03-30T00:30:00Z"},
		{"Europe/Oslo", "2026-10-25", "01:59", "2026-10-24T23:59:00Z"},
		{"Europe/Oslo", "2026-10-25", "02:00", "2026-10-25T00:00:00Z"}, // the first of the two
		{"Europe/Oslo", "2026-10-25", "02:59", "2026-10-25T00:59:00Z"},
		{"Europe/Oslo", "2026-10-25", "03:00", "2026-10-25T02:00:00Z"},
		{"Europe/Oslo", "2026-10-25", "24:00", "2026-10-25T23:00:00Z"},
		{"America/St_Johns", "2026-03-08", "02:30", "2026-03-08T06:00:00Z"}, // -03:30 before the change
		{"America/St_Johns", "2026-11-01", "01:30", "2026-11-01T04:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-05", "01:45", "2026-04-04T14:45:00Z"}, // twice, half an hour apart
		{"Australia/Lord_Howe", "2026-10-04", "02:15", "2026-10-03T15:45:00Z"}, // left out
		{"Pacific/Apia", "2011-12-29", "23:00", "2011-12-30T09:00:00Z"},
		{"Pacific/Apia", "2011-12-30", "10:00", "2011-12-30T20:00:00Z"}, // a day that never was
		{"Pacific/Apia", "2011-12-31", "10:00", "2011-12-30T20:00:00Z"},
		{"Asia/Kathmandu", "2026-06-01", "12:00", "2026-06-01T06:15:00Z"},
		{"UTC", "2026-06-01", "00:00", "2026-06-01T00:00:00Z"},
	} {
		z, err := zone(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		minute, ok := minuteOf(c.clock)
		if !ok {
			t.Fatal(c.clock)
		}
		day, _ := time.Parse(time.DateOnly, c.day)
		if got := wall(day, minute, z); !got.Equal(at(t, c.want)) {
			t.Errorf("%s %s %s: expected %s, found %s", c.zone, c.day, c.clock, c.want, got.UTC().Format(time.RFC3339))
		}
	}
}

// Where the wall shows every hour once, wall is what time.Date says; over all
// hours of a year it never goes back from one day to the next.
func TestWallYear(t *testing.T) {
	for _, name := range []string{"Europe/Oslo", "Europe/London", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Tokyo"} {
		z, err := zone(name)
		if err != nil {
			t.Fatal(err)
		}
		day := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		last := time.Time{}
		for range 365 {
			for m := 0; m < 24*60; m += 15 {
				w := wall(day, m, z)
				d := time.Date(day.Year(), day.Month(), day.Day(), 0, m, 0, 0, z)
				if !w.Equal(d) {
					_, a := w.Add(-3 * time.Hour).Zone()
					_, b := w.Add(3 * time.Hour).Zone()
					if a == b {
						t.Errorf("%s: expected %s, found %s", name, d, w)
					}
				}
				if m == 0 && !w.After(last) {
					t.Errorf("%s: %s is not after %s", name, w, last)
				}
				last = w
			}
			day = day.AddDate(0, 0, 1)
		}
	}
}

func starts(t *testing.T, w *Window, from string, n int) string {
	t.Helper()
	if err := w.Check(); err != nil {
		t.Fatal(err)
	}
	z, _ := zone(w.Zone)
	now := at(t, from)
	var b []string
	for range n {
		if now = w.Next(now); now.IsZero() {
			b = append(b, "never")
			break
		}
		b = append(b, now.In(z).Format("02 Jan 15:04 -07"))
	}
	return strings.Join(b, ", ")
}

func TestWindowRepeats(t *testing.T) {
	for _, c := range []struct{ zone, start, repeat, from, want string }{
		{"Europe/Oslo", "2026-03-27T23:30", "", "2026-01-01T00:00:00Z", "27 Mar 23:30 +01, never"},
		{"Europe/Oslo", "2026-03-27T02:30", "FREQ=DAILY", "2026-03-28T00:00:00Z", "28 Mar 02:30 +01, 29 Mar 03:30 +02, 30 Mar 02:30 +02"},
		{"Europe/Oslo", "2026-10-20T02:30", "FREQ=DAILY", "2026-10-24T12:00:00Z", "25 Oct 02:30 +02, 26 Oct 02:30 +01"},
		{"Europe/Oslo", "2026-03-01T23:30", "RRULE:FREQ=WEEKLY;BYDAY=SU", "2026-03-16T00:00:00Z", "22 Mar 23:30 +01, 29 Mar 23:30 +02, 05 Apr 23:30 +02"},
		{"Europe/Oslo", "2026-03-03T22:00", "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,TU", "2026-03-01T00:00:00Z", "03 Mar 22:00 +01, 16 Mar 22:00 +01, 17 Mar 22:00 +01, 30 Mar 22:00 +02"},
		{"Europe/Oslo", "2026-03-03T22:00", "FREQ=WEEKLY", "2036-03-03T22:00:00Z", "04 Mar 22:00 +01, 11 Mar 22:00 +01"}, // 4 March 2036 is a Tuesday
		{"UTC", "2026-01-31T01:00", "FREQ=MONTHLY", "2026-02-01T00:00:00Z", "31 Mar 01:00 +00, 31 May 01:00 +00, 31 Jul 01:00 +00, 31 Aug 01:00 +00"},
		{"UTC", "2026-01-04T01:00", "FREQ=MONTHLY;BYDAY=1SU", "2026-01-05T00:00:00Z", "01 Feb 01:00 +00, 01 Mar 01:00 +00, 05 Apr 01:00 +00"},
		{"UTC", "2026-01-30T01:00", "FREQ=MONTHLY;BYDAY=-1FR", "2026-01-31T00:00:00Z", "27 Feb 01:00 +00, 27 Mar 01:00 +00, 24 Apr 01:00 +00"},
		{"UTC", "2026-01-29T01:00", "FREQ=MONTHLY;BYDAY=5TH", "2026-01-31T00:00:00Z", "30 Apr 01:00 +00, 30 Jul 01:00 +00"},
		{"UTC", "2024-02-29T01:00", "FREQ=MONTHLY;INTERVAL=12", "2024-03-01T00:00:00Z", "29 Feb 01:00 +00, 29 Feb 01:00 +00"},
		{"UTC", "2026-01-01T01:00", "FREQ=DAILY;COUNT=3", "2026-01-01T01:00:00Z", "02 Jan 01:00 +00, 03 Jan 01:00 +00, never"},
		{"UTC", "2026-01-01T01:00", "FREQ=DAILY;UNTIL=20260103", "2026-01-01T01:00:00Z", "02 Jan 01:00 +00, 03 Jan 01:00 +00, never"},
		{"UTC", "2026-01-01T01:00", "FREQ=DAILY;UNTIL=20260103T005959Z", "2026-01-01T01:00:00Z", "02 Jan 01:00 +00, never"},
		{"Europe/Oslo", "2026-01-01T00:30", "FREQ=DAILY;UNTIL=20260102", "2026-01-01T01:00:00Z", "02 Jan 00:30 +01, never"}, // 1 January still, in UTC
		{"UTC", "2026-01-02T01:00", "FREQ=DAILY;INTERVAL=3;BYDAY=MO,FR", "2026-01-02T01:00:00Z", "05 Jan 01:00 +00, 23 Jan 01:00 +00, 26 Jan 01:00 +00"},
	} {
		w := Window{Name: "w", Zone: c.zone, Start: c.start, Duration: time.Hour, Repeat: c.repeat}
		n := strings.Count(c.want, ",") + 1
		if got := starts(t, &w, c.from, n); got != c.want {
			t.Errorf("%s %s: expected %s\nfound %s", c.start, c.repeat, c.want, got)
		}
	}
}

func TestWindowActive(t *testing.T) {
	for _, c := range []struct {
		zone, start, repeat string
		length              time.Duration
		now, end            string // no end: does not hold
	}{
		{"Europe/Oslo", "2026-03-28T23:00", "", 6 * time.Hour, "2026-03-28T21:59:59Z", ""},
		{"Europe/Oslo", "2026-03-28T23:00", "", 6 * time.Hour, "2026-03-28T22:00:00Z", "2026-03-29T04:00:00Z"}, // across the change: 06:00 on the wall
		{"Europe/Oslo", "2026-03-28T23:00", "", 6 * time.Hour, "2026-03-29T04:00:00Z", ""},
		{"Europe/Oslo", "2026-10-24T23:00", "", 6 * time.Hour, "2026-10-25T02:59:00Z", "2026-10-25T03:00:00Z"}, // 04:00
		{"Europe/Oslo", "2026-01-04T23:00", "FREQ=WEEKLY;BYDAY=SU", 6 * time.Hour, "2026-07-05T21:00:00Z", "2026-07-06T03:00:00Z"},
		{"Europe/Oslo", "2026-01-04T23:00", "FREQ=WEEKLY;BYDAY=SU", 6 * time.Hour, "2026-07-05T20:59:00Z", ""},
		// The second 02:30 of the night is in no window of half an hour from 02:15.
		{"Europe/Oslo", "2026-10-25T02:15", "", 30 * time.Minute, "2026-10-25T00:30:00Z", "2026-10-25T00:45:00Z"},
		{"Europe/Oslo", "2026-10-25T02:15", "", 30 * time.Minute, "2026-10-25T01:30:00Z", ""},
		{"Europe/Oslo", "2026-03-29T02:15", "", 30 * time.Minute, "2026-03-29T01:15:00Z", "2026-03-29T01:45:00Z"}, // in the gap
		{"Europe/Oslo", "2026-03-29T02:15", "", 30 * time.Minute, "2026-03-29T01:00:00Z", ""},
		{"UTC", "2026-01-01T00:00", "", MaxWindow, "2026-01-31T23:59:00Z", "2026-02-01T00:00:00Z"},
		// Times that overlap or touch are one.
		{"UTC", "2026-01-05T00:00", "FREQ=WEEKLY;BYDAY=MO,TU,WE", 24 * time.Hour, "2026-01-12T01:00:00Z", "2026-01-15T00:00:00Z"},
		{"UTC", "2026-01-05T00:00", "FREQ=DAILY;COUNT=3", 30 * time.Hour, "2026-01-06T01:00:00Z", "2026-01-08T06:00:00Z"},
		{"UTC", "2026-01-05T00:00", "FREQ=DAILY;COUNT=3", 30 * time.Hour, "2026-01-08T06:00:00Z", ""},
	} {
		w := Window{Name: "w", Zone: c.zone, Start: c.start, Duration: c.length, Repeat: c.repeat}
		if err := w.Check(); err != nil {
			t.Fatal(err)
		}
		active, end := w.Active(at(t, c.now))
		if active != (c.end != "") || active && !end.Equal(at(t, c.end)) {
			t.Errorf("%s %s at %s: expected to end %q, found %v %s", c.start, c.repeat, c.now, c.end, active, end.UTC())
		}
	}
	forever := Window{Name: "w", Zone: "UTC", Start: "2026-01-01T00:00", Duration: 25 * time.Hour, Repeat: "FREQ=DAILY"}
	if active, end := forever.Active(noon); !active || end.Before(noon.AddDate(1, 0, 0)) {
		t.Errorf("found %v %s", active, end)
	}
}

// Active and Next agree, minute by minute around both changes of a year, and a
// window lasts as long as it says.
func TestWindowAgrees(t *testing.T) {
	for _, w := range []Window{
		{Start: "2026-01-01T02:30", Repeat: "FREQ=DAILY", Duration: 90 * time.Minute},
		{Start: "2026-01-04T01:45", Repeat: "FREQ=WEEKLY;BYDAY=SU", Duration: 7 * time.Hour},
		{Start: "2026-01-25T02:00", Repeat: "FREQ=MONTHLY;BYDAY=-1SU", Duration: time.Hour},
	} {
		w.Zone, w.Name = "Europe/Oslo", "w"
		for _, day := range []string{"2026-03-28T00:00:00Z", "2026-10-24T00:00:00Z"} {
			now := at(t, day)
			next := w.Next(now)
			was, minutes := false, 0
			for range 3 * 24 * 60 {
				active, end := w.Active(now)
				if active && !was && !now.Equal(next) {
					t.Fatalf("%s: begins at %s, expected %s", w.Repeat, now, next)
				}
				if active {
					minutes++
					if !end.After(now) {
						t.Fatal("ended before")
					}
				}
				if was && !active {
					if time.Duration(minutes)*time.Minute != w.Duration {
						t.Errorf("%s: expected %s, found %d minutes", w.Repeat, w.Duration, minutes)
					}
					minutes = 0
				}
				if active {
					next = w.Next(now)
				}
				was, now = active, now.Add(time.Minute)
			}
		}
	}
}

func TestWindowCheck(t *testing.T) {
	good := Window{Name: "possession", Zone: "Europe/Oslo", Start: "2026-03-01T23:30", Duration: time.Hour}
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		change func(*Window)
		want   string
	}{
		{func(w *Window) { w.Name = " " }, "expected a name"},
		{func(w *Window) { w.Zone = "Oslo" }, `zone: expected an IANA name such as Europe/Oslo, found "Oslo"`},
		{func(w *Window) { w.Zone = "Local" }, `found "Local"`},
		{func(w *Window) { w.Zone = "" }, `found ""`},
		{func(w *Window) { w.Zone = "../etc/passwd" }, "zone: expected"},
		{func(w *Window) { w.Start = "2026-02-30T10:00" }, "start: expected a local time"},
		{func(w *Window) { w.Start = "2026-03-01T23:30Z" }, "start: expected a local time"},
		{func(w *Window) { w.Duration = time.Second }, "duration: expected 1 minute to 31 days, found 1s"},
		{func(w *Window) { w.Duration = MaxWindow + 1 }, "duration: expected"},
		{func(w *Window) { w.Repeat = "FREQ=YEARLY" }, `repeat, FREQ: expected DAILY, WEEKLY or MONTHLY, found "YEARLY"`},
		{func(w *Window) { w.Repeat = "BYDAY=SU" }, "expected FREQ, found none"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;INTERVAL=0" }, "INTERVAL: expected 1 to 366"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;COUNT=1001" }, "COUNT: expected 1 to 1000"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;COUNT=2;UNTIL=20270101" }, "found both"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;FREQ=DAILY" }, "found it twice"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;UNTIL=2027" }, "UNTIL: expected a date"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;BYHOUR=2" }, `found "BYHOUR=2"`},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;" }, "repeat: expected FREQ, INTERVAL"},
		{func(w *Window) { w.Repeat = "FREQ=WEEKLY;BYDAY=SO" }, "BYDAY: expected days such as SU"},
		{func(w *Window) { w.Repeat = "FREQ=WEEKLY;BYDAY=1SU" }, "expected days without a number"},
		{func(w *Window) { w.Repeat = "FREQ=MONTHLY;BYDAY=6SU" }, "BYDAY: expected"},
		{func(w *Window) { w.Repeat = "FREQ=WEEKLY;BYDAY=TU" }, "expected a day of the rule FREQ=WEEKLY;BYDAY=TU, such as 2026-03-03, found 2026-03-01, Sunday"},
		{func(w *Window) { w.Repeat = "FREQ=DAILY;UNTIL=20260228" }, "expected a rule with a day from 2026-03-01 on"},
		{func(w *Window) { w.Match.Priorities = []Priority{"urgent"} }, `priorities: expected high, medium or low, found "urgent"`},
		{func(w *Window) { w.Match.Conditions = []string{"stiff"} }, `found "stiff"`},
		{func(w *Window) { w.Match.Areas = []string{""} }, "areas: expected names"},
	} {
		w := good
		c.change(&w)
		err := w.Check()
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("expected %q, found %v", c.want, err)
		}
		if active, _ := w.Active(noon); active && strings.Contains(c.want, "zone") {
			t.Errorf("%q: a wrong window holds", c.want)
		}
	}
}

// Whatever the text is, reading it ends and asking it ends.
func FuzzWindow(f *testing.F) {
	f.Add("FREQ=MONTHLY;INTERVAL=12;BYDAY=5SU", "2026-03-01T23:30", "Europe/Oslo", int64(1e18))
	f.Add("FREQ=DAILY;INTERVAL=7;BYDAY=TU", "2026-03-01T23:30", "UTC", int64(0))
	f.Add("FREQ=WEEKLY;COUNT=5", "0001-01-01T00:00", "UTC", int64(-1e18))
	f.Fuzz(func(t *testing.T, repeat, start, zone string, now int64) {
		w := Window{Name: "w", Zone: zone, Start: start, Repeat: repeat, Duration: time.Hour}
		n := time.Unix(0, now)
		active, end := w.Active(n)
		if active && !end.After(n) {
			t.Errorf("holds, and ended at %s", end)
		}
		if next := w.Next(n); !next.IsZero() {
			if !next.After(n) {
				t.Errorf("begins next at %s", next)
			}
			if on, _ := w.Active(next); !on {
				t.Errorf("begins at %s and does not hold", next)
			}
		}
		if w.Check() != nil && active && strings.Contains(w.Check().Error(), "zone") {
			t.Error("a window of no zone holds")
		}
	})
}

func TestHours(t *testing.T) {
	day := &Hours{Zone: "Europe/Oslo", From: "06:00", To: "22:00"}
	night := &Hours{Zone: "Europe/Oslo", From: "22:00", To: "06:00", Days: []string{"fri", "sat"}}
	gap := &Hours{Zone: "Europe/Oslo", From: "02:30", To: "03:15"}
	for _, c := range []struct {
		h    *Hours
		now  string
		next string // none: within
	}{
		{nil, "2026-03-01T03:00:00Z", ""},
		{day, "2026-03-01T05:00:00Z", ""},
		{day, "2026-03-01T04:59:59Z", "2026-03-01T05:00:00Z"},
		{day, "2026-03-28T22:00:00Z", "2026-03-29T04:00:00Z"}, // the clocks change in the night
		{day, "2026-03-29T04:00:00Z", ""},
		{day, "2026-10-24T22:00:00Z", "2026-10-25T05:00:00Z"},
		{night, "2026-03-01T04:59:00Z", ""},                                         // Sunday, of Saturday night
		{night, "2026-03-01T05:00:00Z", "2026-03-06T21:00:00Z"},                     // till Friday
		{night, "2026-03-01T23:00:00Z", "2026-03-06T21:00:00Z"},                     // Sunday night
		{night, "2026-03-29T03:59:00Z", ""},                                         // 05:59 summer time
		{night, "2026-03-29T04:00:00Z", "2026-04-03T20:00:00Z"},                     // 06:00 summer time
		{gap, "2026-03-28T12:00:00Z", "2026-03-30T00:30:00Z"},                       // on the 29th 03:30 to 03:15: nothing
		{&Hours{Zone: "x", From: "06:00", To: "07:00"}, "2026-03-01T12:00:00Z", ""}, // wrong: always
	} {
		active, next := c.h.Active(at(t, c.now))
		if active != (c.next == "") || !active && !next.Equal(at(t, c.next)) {
			t.Errorf("%+v at %s: expected %q, found %v %s", c.h, c.now, c.next, active, next.UTC())
		}
	}
	// Hours that begin where others end cover each minute once, also where the
	// change falls on the hour.
	early, late := Hours{Zone: "Europe/Oslo", From: "02:30", To: "14:00"}, Hours{Zone: "Europe/Oslo", From: "14:00", To: "02:30"}
	for _, day := range []string{"2026-03-28T00:00:00Z", "2026-10-24T00:00:00Z"} {
		for now, n := at(t, day), 0; n < 3*24*60; n, now = n+1, now.Add(time.Minute) {
			a, _ := early.Active(now)
			b, _ := late.Active(now)
			if a == b {
				t.Fatalf("%s: %v and %v", now, a, b)
			}
		}
	}
}

func TestMatches(t *testing.T) {
	a := &Alert{Turnout: "ORR-W02", Condition: detect.Stiffening, Priority: High}
	for _, c := range []struct {
		m    Match
		p    Place
		want bool
	}{
		{Match{}, Place{}, true},
		{Match{Areas: []string{"ORR"}}, Place{}, true},
		{Match{Areas: []string{"ORR"}}, Place{Area: "North"}, false},
		{Match{Areas: []string{"ORR", "North"}}, Place{Area: "North"}, true},
		{Match{Lines: []string{"1"}}, Place{}, false},
		{Match{Lines: []string{"1"}}, Place{Line: "1"}, true},
		{Match{Turnouts: []string{"ORR-*"}}, Place{}, true},
		{Match{Turnouts: []string{"orr-*"}}, Place{}, false},
		{Match{Turnouts: []string{"X", "*-W?2"}}, Place{}, true},
		{Match{Turnouts: []string{"ORR-W0"}}, Place{}, false},
		{Match{Conditions: []string{"slow-throw"}}, Place{}, false},
		{Match{Priorities: []Priority{Medium, High}}, Place{}, true},
		{Match{Priorities: []Priority{Low}}, Place{}, false},
	} {
		if got := c.m.Matches(c.p, a); got != c.want {
			t.Errorf("%+v at %+v: expected %v, found %v", c.m, c.p, c.want, got)
		}
	}
	for _, c := range []struct {
		pattern, name string
		want          bool
	}{
		{"", "", true}, {"*", "", true}, {"?", "", false}, {"a*b*c", "aXbYbZc", true}, {"a*b*c", "aXbYbZ", false}, {"**", "x", true},
		{"*ab", "aab", true}, {"a?c", "abc", true}, {"a?c", "ac", false}, {"[a]", "a", false}, {"*a*a*a*b", strings.Repeat("a", 60), false},
	} {
		if got := glob(c.pattern, c.name); got != c.want {
			t.Errorf("%q of %q: expected %v", c.name, c.pattern, c.want)
		}
	}
}
