package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// The part of the suite that looks at lists, their pages and their bounds.

// Every page size gives the same list, late throws where they belong, equal
// times neither lost nor twice; the limit is kept.
func TestThrowsPageByPage(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		keep(t, k, addThrows(5, 9, 1, 7, 3, 30, 2))
		keep(t, k, func(e entries) error {
			for i := range 5 { // all at the time of t7
				th, rec := throw("W1", 7)
				rec.Key = fmt.Sprintf("W1~same%d", i)
				if _, err := e.AddThrow(rec, th); err != nil {
					return err
				}
			}
			th, rec := throw("W2", 8)
			_, err := e.AddThrow(rec, th)
			return err
		})
		far := time.Date(3000, 1, 1, 0, 0, 0, 0, time.UTC)
		all := []string{"t30", "t9", "same4", "same3", "same2", "same1", "same0", "t7", "t5", "t3", "t2", "t1"}
		for _, c := range []struct {
			start, end time.Time
			want       []string
		}{
			{time.Time{}, time.Time{}, all},
			{time.Date(1, 2, 3, 0, 0, 0, 0, time.UTC), far, all},
			{dawn.Add(2 * time.Minute), dawn.Add(30 * time.Minute), all[1:11]},
			{dawn.Add(7 * time.Minute), dawn.Add(7*time.Minute + 1), all[2:8]},
			{dawn.Add(7 * time.Minute), dawn.Add(7 * time.Minute), nil},
			{far, time.Time{}, nil},
		} {
			for limit := 1; limit <= len(all)+1; limit++ {
				var got []string
				cursor := ""
				for page := 0; ; page++ {
					items, next, err := k.Throws(t.Context(), "W1", c.start, c.end, cursor, limit)
					if err != nil || len(items) > limit || page > len(all) {
						t.Fatalf("limit %d, page %d: %d items, %v", limit, page, len(items), err)
					}
					for _, r := range items {
						got = append(got, strings.TrimPrefix(r.Key, "W1~"))
					}
					if cursor = next; cursor == "" {
						break
					}
				}
				if !slices.Equal(got, c.want) {
					t.Errorf("limit %d: expected %v, found %v", limit, c.want, got)
				}
			}
		}
		if items, next, err := k.Throws(t.Context(), "W3", time.Time{}, time.Time{}, "", 5); err != nil || len(items) != 0 || next != "" {
			t.Errorf("unknown turnout: found %v %q %v", items, next, err)
		}
		if items, _, err := k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 0); err != nil || len(items) != 1 {
			t.Errorf("limit 0: expected the least page, one, found %d, %v", len(items), err)
		}
	})
}

// A cursor that no list gave, or another list, is the caller's error.
func TestBadCursors(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		keep(t, k, addThrows(1, 2, 3))
		_, ofThrows, err := k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 1)
		if err != nil || ofThrows == "" {
			t.Fatalf("found %q, %v", ofThrows, err)
		}
		for _, cursor := range []string{"§", "e30", "bnVsbA", "x", ofThrows, ofThrows[1:], strings.Repeat("A", 5000)} {
			_, _, err1 := k.Alerts(t.Context(), alerting.Query{Cursor: cursor, Limit: 5})
			_, _, err2 := k.Quarantine(t.Context(), cursor, 5)
			var err3 error
			if cursor != ofThrows {
				_, _, err3 = k.Throws(t.Context(), "W1", time.Time{}, time.Time{}, cursor, 5)
			} else {
				err3 = err1
			}
			for i, err := range []error{err1, err2, err3} {
				var bad interface{ BadCursor() bool }
				if !errors.As(err, &bad) || !bad.BadCursor() {
					t.Errorf("list %d, cursor %.20q: found %v", i, cursor, err)
				}
			}
		}
	})
}

func alert(id, turnout string, minutes int) alerting.Alert {
	at := dawn.Add(time.Duration(minutes) * time.Minute)
	return alerting.Alert{ID: id, Turnout: turnout, Condition: detect.Stiffening, Priority: alerting.High, RaisedAt: at, ChangedAt: at, Since: at}
}

func TestAlertsPageByPage(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		var events []string
		keep(t, k, func(e entries) error {
			for i, a := range []alerting.Alert{alert("a", "W1", 1), alert("b", "W2", 5), alert("c", "W1", 5), alert("d", "W1", 5), alert("e", "W2", 2), alert("f", "W1", 9)} {
				if err := e.Transition(alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a}); err != nil {
					return err
				}
				events = append(events, "raised "+a.ID)
				if i%2 == 1 { // b, d, f
					a.ClearedAt = dawn.Add(time.Hour)
					if err := e.Transition(alerting.Event{Kind: alerting.Cleared, At: a.ClearedAt, Alert: a}); err != nil {
						return err
					}
					events = append(events, "cleared "+a.ID)
				}
			}
			return nil
		})
		for _, c := range []struct {
			turnout string
			open    bool
			want    string
		}{{"", false, "fdcbea"}, {"", true, "cea"}, {"W1", false, "fdca"}, {"W1", true, "ca"}, {"W3", false, ""}} {
			for limit := 1; limit < 8; limit++ {
				got, cursor := "", ""
				for page := 0; ; page++ {
					items, next, err := k.Alerts(t.Context(), alerting.Query{Turnout: c.turnout, OpenOnly: c.open, Cursor: cursor, Limit: limit})
					if err != nil || len(items) > limit || page > 8 {
						t.Fatalf("limit %d, page %d: %d items, %v", limit, page, len(items), err)
					}
					for _, a := range items {
						got += a.ID
					}
					if cursor = next; cursor == "" {
						break
					}
				}
				if got != c.want {
					t.Errorf("%q open %v limit %d: expected %s, found %s", c.turnout, c.open, limit, c.want, got)
				}
			}
		}
		var ids string
		list, err := k.OpenAlerts(t.Context())
		for _, a := range list {
			ids += a.ID
		}
		expect(t, "open alerts", ids, "aec", err)

		// Events are read from any place on, and none is met twice.
		var got []string
		for seq := int64(0); ; {
			page, last, err := k.EventsAfter(t.Context(), seq, 2)
			if err != nil {
				t.Fatal(err)
			}
			if len(page) == 0 {
				if last != seq {
					t.Errorf("at the end: expected %d, found %d", seq, last)
				}
				break
			}
			for _, e := range page {
				got = append(got, string(e.Kind)+" "+e.Alert.ID)
			}
			seq = last
		}
		expect(t, "events", got, events, nil)
	})
}

// The oldest of what is set aside makes room; the newest stays, however long.
func TestAsideIsBounded(t *testing.T) {
	suite(t, Options{MostAside: 5, MostAsideBytes: 1000}, func(t *testing.T, open func() keeper) {
		k := open()
		add := func(sizes ...int) {
			for _, n := range sizes {
				keep(t, k, func(e entries) error {
					_, err := e.SetAside(ingest.SetAside{At: dawn, Topic: "t", Payload: make([]byte, n)})
					return err
				})
			}
		}
		check := func(want Aside, sizes ...int) {
			t.Helper()
			items, _, err := k.Quarantine(t.Context(), "", 100)
			var got []int
			for _, a := range items {
				got = append(got, len(a.Payload))
			}
			expect(t, "sizes", got, sizes, err)
			expect(t, "count", k.AsideNow(), want, nil)
		}
		add(1, 2, 3, 4, 5, 6, 7)
		check(Aside{5, 25, 2}, 7, 6, 5, 4, 3)
		add(980)
		check(Aside{4, 998, 4}, 980, 7, 6, 5)
		add(5000)
		check(Aside{1, 5000, 8}, 5000)
		add(0, 10)
		check(Aside{2, 10, 9}, 10, 0)
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		k = open()
		check(Aside{2, 10, 0}, 10, 0)
	})
}

// A page of long messages ends before it fills the memory.
func TestQuarantinePagesAreBounded(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		payload := make([]byte, pageBytes/4)
		keep(t, k, func(e entries) error {
			for range 6 {
				if _, err := e.SetAside(ingest.SetAside{At: dawn, Topic: "t", Payload: payload}); err != nil {
					return err
				}
			}
			return nil
		})
		items, next, err := k.Quarantine(t.Context(), "", 100)
		expect(t, "first page", len(items), 4, err)
		items, next, err = k.Quarantine(t.Context(), next, 100)
		expect(t, "second page", len(items), 2, err)
		expect(t, "next", next, "", nil)
	})
}
