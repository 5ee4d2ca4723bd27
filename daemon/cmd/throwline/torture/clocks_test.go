package torture

import (
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// Cabinets' clocks are wrong in every way. A time that cannot be is set aside
// with the reason, counted in the receipt, and blocks nothing behind it; one that
// can is filed where it says. The same moment written in two ways is one throw,
// and the hour that comes twice in autumn is two.
func TestClocks(t *testing.T) {
	t.Parallel()
	b := benchWith(t, "", "")
	b.start()
	b.awaitReady()
	heard := listen(t, b.broker.URL(), "TOLB-1")
	now := time.Now().UTC().Truncate(time.Second)
	text := func(at time.Time) string { return at.Format(time.RFC3339) }
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	// The last Sunday of an October that is past, at half past two by the wall.
	autumn := time.Date(now.Year()-1, 10, 31, 12, 0, 0, 0, berlin)
	autumn = time.Date(autumn.Year(), 10, 31-int(autumn.Weekday()), 0, 30, 0, 0, time.UTC)
	if a, z := autumn.In(berlin).Format("15:04"), autumn.Add(time.Hour).In(berlin).Format("15:04"); a != z {
		t.Fatalf("expected the same hour twice, found %s and %s", a, z)
	}
	sends := []struct {
		turnout, at, what string
		filed             bool // as a throw of its own
		aside             bool
	}{
		{"W1", text(now.Add(-5 * time.Hour)), "a right clock", true, false},
		{"W1", "1970-01-01T00:00:07Z", "a clock that was never set", false, true},
		{"W1", "1999-12-31T23:59:59Z", "the last second that is not believed", false, true},
		{"W1", text(now.AddDate(30, 0, 0)), "a clock in the future", false, true},
		{"W1", text(now.Add(3 * time.Hour)), "a clock hours ahead", false, true},
		{"W1", text(now.Add(30 * time.Minute)), "a clock a little ahead", true, false},
		{"W1", text(now.Add(-4 * time.Hour)), "put right again: behind what was said before", true, false},
		{"W1", text(now.AddDate(-3, 0, 0)), "a jump back by years", true, false},
		{"W1", text(now.Add(-3 * time.Hour)), "and forth", true, false},
		{"W2", "2016-12-31T23:59:60Z", "a leap second", true, false},
		{"W2", "2017-01-01T00:00:00Z", "the same moment, as most clocks tell it", false, false},
		{"W2", "2017-01-01T00:59:60+01:00", "a leap second in another zone", false, false},
		{"W2", "2017-01-01T00:00:01Z", "the second behind it", true, false},
		{"W2", "2016-06-15T12:00:60Z", "a leap second where none can be", false, true},
		{"W3", autumn.In(berlin).Format(time.RFC3339), "half past two in summer time", true, false},
		{"W3", autumn.Add(time.Hour).In(berlin).Format(time.RFC3339), "half past two again, an hour later", true, false},
		{"W3", text(autumn), "the first of them in UTC", false, false},
		{"W3", strings.TrimSuffix(text(now.Add(-time.Hour)), "Z"), "a time without a zone", false, true},
		{"W3", text(now.Add(-time.Hour)), "and all is well again", true, false},
	}
	publish(t, b.broker.URL(), indices(len(sends)), func(n int) (string, []byte) {
		th := throwAt("TOLB-"+sends[n].turnout, n, 0, now, 0, 0)
		th.ID, th.Boot, th.Sequence = "", "b", uint64(n+1) // it is known by its time
		th.Completed = n != len(sends)-1
		payload := string(wire.AppendThrow(nil, th))
		was := `"started_at":"` + text(now) + `"`
		if strings.Count(payload, was) != 1 {
			t.Fatalf("expected %s in %s", was, payload)
		}
		return mqtt.ThrowTopic(mqtt.DefaultPrefix, "TOLB-1", th.Turnout), []byte(strings.Replace(payload, was, `"started_at":"`+sends[n].at+`"`, 1))
	})
	b.await("a receipt over all of it", func() bool { return heard.made()(uint64(len(sends))) })
	b.emptied()
	b.end(syscall.SIGTERM)
	whole := b.verify()
	var filed, aside int
	for _, s := range sends {
		if s.filed {
			filed++
		}
		if s.aside {
			aside++
		}
	}
	if whole.Throws != filed || whole.Aside != aside {
		t.Errorf("expected %d throws and %d messages set aside, found %d and %d", filed, aside, whole.Throws, whole.Aside)
	}
	starts := b.starts()
	for _, s := range sends {
		at, err := time.Parse(time.RFC3339, strings.Replace(s.at, ":60", ":59", 1))
		if err != nil { // without a zone
			continue
		}
		if strings.Contains(s.at, ":60") {
			at = at.Add(time.Second)
		}
		if starts[at.UnixNano()] == s.aside {
			t.Errorf("%s (%s): expected stored %v, found the contrary", s.what, s.at, !s.aside)
		}
	}
	if n := b.number("SELECT count(*) FROM aside WHERE faults LIKE '%started_at%'"); n != aside {
		t.Errorf("expected all %d set aside for their time, found %d", aside, n)
	}
	follow, states := folded(b.records())
	b.sameStates(states)
	if want, found := byTurnout(follow, told), byTurnout(b.events(), told); fmt.Sprint(want) != fmt.Sprint(found) || len(want) != 1 {
		t.Errorf("expected the alerts %v, found %v", want, found)
	}
	// It was an hour ago, and a clock that jumps is no reason to say it later, or never.
	if n := b.number("SELECT count(*) FROM outbox WHERE turnout = 'TOLB-W3' AND sent = 1"); n != 1 {
		t.Errorf("expected the alert to be told once, found %d messages", n)
	}
	t.Logf("%d messages: %d throws, %d set aside", len(sends), filed, aside)
}

func indices(n int) (list []int) {
	for i := range n {
		list = append(list, i)
	}
	return list
}

// A clock that jumps forth and back while a turnout stiffens: what comes with a
// time before the latest teaches nothing, and nothing is told of a time that has
// not come. When the clock is right again, the alerts are those of the throws in
// time.
func TestClockJumps(t *testing.T) {
	t.Parallel()
	b := benchWith(t, "", "")
	b.start()
	b.awaitReady()
	heard := listen(t, b.broker.URL(), "TOLB-1")
	first := time.Now().Add(-orderThrows*3*time.Hour - 2*time.Hour).Truncate(time.Second)
	jump := func(n int) time.Duration {
		switch n / orderTurnouts / 25 % 4 { // every three days another
		case 1:
			return -49 * time.Hour
		case 3:
			return 2 * time.Hour // summer time, told as if it were none
		}
		return 0
	}
	publish(t, b.broker.URL(), indices(orderAll), func(n int) (string, []byte) {
		th := ordered(n, first)
		th.StartedAt = th.StartedAt.Add(jump(n))
		th.Boot, th.Sequence = "b", uint64(n+1)
		return mqtt.ThrowTopic(mqtt.DefaultPrefix, "TOLB-1", th.Turnout), wire.AppendThrow(nil, th)
	})
	b.await("a receipt over all of it", func() bool { return heard.made()(orderAll) })
	b.emptied()
	b.end(syscall.SIGTERM)
	if whole := b.verify(); whole.Throws != orderAll || whole.Aside != 0 {
		t.Errorf("expected %d throws, found %s, %d set aside", orderAll, contents(whole), whole.Aside)
	}
	follow, states := folded(b.records())
	b.sameStates(states)
	want, found := byTurnout(follow, told), byTurnout(b.events(), told)
	for _, turnout := range []string{"TOLB-W0", "TOLB-W1"} {
		if !slices.Equal(want[turnout], found[turnout]) || len(want[turnout]) == 0 {
			t.Errorf("turnout %s: expected\n%q\nfound\n%q", turnout, want[turnout], found[turnout])
		}
	}
	// An alert's life never moves back.
	last := map[string]time.Time{}
	stiff := 0
	for _, e := range b.events() {
		if e.At.Before(last[e.Alert.Turnout]) {
			t.Errorf("%s is told after what happened at %s", told(&e), last[e.Alert.Turnout])
		}
		last[e.Alert.Turnout] = e.At
		if e.Kind == alerting.Raised && e.Alert.Turnout == "TOLB-W1" && e.Alert.Condition == "stiffening" {
			stiff++
		}
	}
	if stiff == 0 {
		t.Error("expected the turnout that stiffens to be seen in spite of the jumps")
	}
}
