package alerting

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// kept is what a store keeps of an alert; again writes and reads it.
type kept struct {
	Alert    Alert
	Handling Handling
	Told     Told
	Journal  []Entry
}

func again[T any](t *testing.T, x T) (back T) {
	t.Helper()
	b, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	if err = json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	return back
}

// world is a turnout and its people, without a store, a clock or a network.
type world struct {
	t       *testing.T
	rng     *rand.Rand
	now     time.Time
	past    Past
	alerts  map[string]*kept
	windows []Window
	routes  []Route
	place   Place
	next    map[string]time.Time // of Due
	keys    map[string]string    // of all messages: what they said
	knows   map[string]bool      // alert and target: was told that it stands, not that it no longer does
}

func (w *world) standing(k *kept) Standing {
	suppressed, _ := Suppressing(w.windows, w.place, &k.Alert, w.now)
	return StandingOf(&k.Alert, &k.Handling, w.now, suppressed != nil, w.place.OutOfService)
}

func (w *world) sent(k *kept, list []Delivery) {
	w.t.Helper()
	s := w.standing(k)
	targets := map[string]bool{}
	for _, d := range list {
		if s.Hidden() {
			w.t.Fatalf("%s is told of an alert that is %s", d.Target, s)
		}
		if targets[d.Target] {
			w.t.Fatalf("%s is told twice at once", d.Target)
		}
		targets[d.Target] = true
		m := d.Message
		says := fmt.Sprintf("%s %s %s %d", d.Target, m.Reason, m.Alert.ID, m.Alert.Call)
		if _, ok := w.keys[m.Key]; ok {
			w.t.Fatalf("the key of %s came before, as %s", says, w.keys[m.Key])
		}
		w.keys[m.Key] = says
		if m.Reason == Reminder && s != Unacknowledged || m.Reason == Escalated && s != Unacknowledged {
			w.t.Fatalf("%s of an alert that is %s", m.Reason, s)
		}
		inHours := slices.ContainsFunc(w.routes, func(r Route) bool {
			ok, _ := r.Hours.Active(w.now)
			return ok && r.Names(d.Target)
		})
		if !inHours {
			w.t.Fatalf("%s is told outside all hours", d.Target)
		}
		id := k.Alert.ID + " " + d.Target
		if m.Reason == NoLonger {
			if k.Alert.Open() || !w.knows[id] {
				w.t.Fatalf("%s is told that what it did not know, or what stands, has gone", d.Target)
			}
			delete(w.knows, id)
		} else {
			if !k.Alert.Open() {
				w.t.Fatalf("%s is told %s of what has cleared", d.Target, m.Reason)
			}
			w.knows[id] = true
		}
	}
}

func (w *world) event(e Event) {
	w.t.Helper()
	k := w.alerts[e.Alert.ID]
	switch {
	case k == nil && (e.Kind != Raised || e.Alert.Reopened > 0):
		w.t.Fatalf("%s %s, which was never raised", e.Kind, e.Alert.ID)
	case k == nil:
		k = &kept{}
		w.alerts[e.Alert.ID] = k
	case e.Kind == Raised && k.Alert.Open(), e.Kind != Raised && !k.Alert.Open():
		w.t.Fatalf("%s, and open is %v", e.Kind, k.Alert.Open())
	case e.Kind == Raised && (e.Alert.Call != k.Alert.Call+1 || !e.Alert.RaisedAt.Equal(k.Alert.RaisedAt)):
		w.t.Fatalf("raised again as %+v", e.Alert)
	}
	was := w.standing(k)
	louder := e.Alert.Call > k.Alert.Call
	k.Alert = e.Alert
	k.Journal = append(k.Journal, EntryOf(&e))
	s := w.standing(k)
	if louder && (s == Acknowledged || s == Normal) {
		w.t.Fatalf("it calls again, and is %s, was %s", s, was)
	}
	told := again(w.t, k.Told)
	list, next := Deliveries(w.routes, &e, w.place, s, k.Told, w.now)
	retry, _ := Deliveries(w.routes, &e, w.place, s, told, w.now)
	if !reflect.DeepEqual(list, retry) && len(list)+len(retry) > 0 {
		w.t.Fatal("a second try has other messages or keys, or what it is remembered by was changed")
	}
	k.Told = next
	w.sent(k, list)
}

// tick asks what is due of every alert.
func (w *world) tick() {
	w.t.Helper()
	for _, id := range slices.Sorted(maps.Keys(w.alerts)) {
		k := w.alerts[id]
		s := w.standing(k)
		list, told, next := Due(w.routes, &k.Alert, &k.Handling, w.place, s, k.Told, w.now)
		w.sent(k, list)
		k.Told = told
		w.next[id] = next
		if !next.IsZero() && !next.After(w.now) {
			w.t.Fatalf("%s is due at %s, which is past", id, next)
		}
		// Nothing more is due at once.
		if list, _, _ := Due(w.routes, &k.Alert, &k.Handling, w.place, s, k.Told, w.now); len(list) > 0 {
			w.t.Fatalf("due twice: %+v", list[0])
		}
		if s == Unacknowledged && next.IsZero() {
			for i := range w.routes {
				if r := &w.routes[i]; r.Remind > 0 && r.Match.Matches(w.place, &k.Alert) {
					w.t.Fatalf("%s is unacknowledged and route %s will never remind of it", id, r.Name)
				}
			}
		}
		// Whoever should know that it stands does, once it is not hidden.
		if s == Unacknowledged {
			for i := range w.routes {
				r := &w.routes[i]
				if ok, _ := r.Hours.Active(w.now); !ok || !r.Match.Matches(w.place, &k.Alert) {
					continue
				}
				for _, target := range r.Targets {
					if !w.knows[id+" "+target] {
						w.t.Fatalf("%s stands and %s does not know", id, target)
					}
				}
			}
		}
		// And nobody believes that it stands when it does not.
		if !k.Alert.Open() && !s.Hidden() {
			for i := range w.routes {
				if ok, _ := w.routes[i].Hours.Active(w.now); !ok {
					continue
				}
				for _, target := range w.routes[i].Targets {
					if w.knows[id+" "+target] {
						w.t.Fatalf("%s is gone and %s does not know", id, target)
					}
				}
			}
		}
	}
}

func (w *world) act(k *kept) {
	act := Act{
		Action: []Action{Acknowledge, Shelve, Unshelve, Note, Judge, Reopen, Deliver}[w.rng.IntN(7)], By: "Jo", Note: "x",
	}
	switch act.Action {
	case Shelve:
		act.Until = w.now.Add(time.Duration(w.rng.IntN(300)-20) * time.Minute)
	case Judge:
		act.Found = &Found{True: w.rng.IntN(2) == 0}
	}
	before := k.Handling
	h, e, err := Apply(&k.Alert, k.Handling, act, w.now)
	if !reflect.DeepEqual(before, k.Handling) {
		w.t.Fatal("the handling was changed")
	}
	if err != nil {
		return
	}
	k.Handling = h
	k.Journal = append(k.Journal, e)
	s := w.standing(k)
	if act.Action == Acknowledge && s != Acknowledged && s != Normal && !s.Hidden() {
		w.t.Fatalf("acknowledged, and it is %s", s)
	}
}

// Over random sequences of throws, visits, people, windows, restarts and time.
func TestModel(t *testing.T) {
	findings := []detect.Condition{detect.Stiffening, detect.SlowThrow, detect.IncompleteThrow, detect.OddThrow}
	seen := map[Reason]int{}
	standings := map[Standing]int{}
	reopened := 0
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 7))
		w := &world{
			t: t, rng: rng, alerts: map[string]*kept{}, next: map[string]time.Time{}, keys: map[string]string{}, knows: map[string]bool{},
			now: time.Date(2026, 3, 27, 12, 0, 0, 0, time.UTC), // the clocks change on the way
			windows: []Window{
				{Name: "nights", Zone: "Europe/Oslo", Start: "2026-03-01T02:30", Repeat: "FREQ=DAILY;INTERVAL=2", Duration: 2 * time.Hour},
				{Name: "works", Match: Match{Conditions: []string{"slow-throw"}}, Zone: "Europe/Oslo", Start: "2026-03-28T12:00", Duration: 3 * time.Hour},
			},
			routes: []Route{
				{Name: "all", Targets: []string{"hook", "topic"}, Remind: 2 * time.Hour},
				{Name: "day", Targets: []string{"mail", "topic"}, Hours: &Hours{Zone: "Europe/Oslo", From: "06:00", To: "22:00"}, Remind: 4 * time.Hour,
					Escalate: []Escalation{{time.Hour, []string{"chief"}}, {3 * time.Hour, []string{"chief", "mail"}}}},
				{Name: "high", Match: Match{Priorities: []Priority{High}}, Targets: []string{"pager"}, Escalate: []Escalation{{30 * time.Minute, []string{"hook"}}}},
			},
			place: Place{Turnout: "W1"},
		}
		for i := range w.routes {
			if err := w.routes[i].Check([]string{"hook", "topic", "mail", "chief", "pager"}); err != nil {
				t.Fatal(err)
			}
		}
		for range 200 {
			w.now = w.now.Add(time.Duration(rng.IntN(40)+1) * time.Minute)
			w.tick() // windows begin and end
			switch x := rng.IntN(20); {
			case x < 9:
				var f []detect.Finding
				for _, c := range findings {
					if rng.IntN(3) == 0 && (c != detect.OddThrow || rng.IntN(6) == 0) {
						f = append(f, detect.Finding{Condition: c, ChangePercent: 50 * rng.Float64(), Urgency: rng.Float64(), To: ingest.End(rng.IntN(2) + 1), Fresh: rng.IntN(2) == 0})
					}
				}
				before := again(t, w.past)
				next, events := Step(w.past, "W1", f, w.now)
				if !reflect.DeepEqual(before, again(t, w.past)) {
					t.Fatal("the past was changed")
				}
				w.past = next
				for _, e := range events {
					w.event(e)
				}
				standing := 0
				for _, a := range next.Open {
					if a.QuietSince.IsZero() {
						standing++
					} else if a.Reopened == 0 || w.now.Sub(a.QuietSince) >= ReopenWithin {
						t.Fatalf("lingers: %+v", a)
					}
				}
				if standing != len(f) {
					t.Fatalf("%d standing, %d findings", standing, len(f))
				}
			case x < 10:
				w.past = w.past.Visit(w.now)
			case x < 16:
				for _, id := range slices.Sorted(maps.Keys(w.alerts)) { // a seed gives one sequence
					if rng.IntN(3) == 0 {
						w.act(w.alerts[id])
					}
				}
			case x < 17:
				w.place.OutOfService = rng.IntN(4) == 0
			default: // the program starts again: what is kept is all there is
				w.past = again(t, w.past)
				for id, k := range w.alerts {
					back := again(t, *k)
					if !reflect.DeepEqual(again(t, back), back) {
						t.Fatalf("written and read: %+v\nfound %+v", back, again(t, back))
					}
					w.alerts[id] = &back
				}
			}
			w.tick()
			open := map[string]int{}
			for _, k := range w.alerts {
				standings[w.standing(k)]++
				if k.Alert.Open() {
					key := string(k.Alert.Condition)
					if k.Alert.Condition == detect.OddThrow {
						key += k.Alert.To.String()
					}
					if open[key]++; open[key] > 1 {
						t.Fatalf("seed %d: two alerts of %s are open", seed, key)
					}
				}
				var h Handling
				for _, e := range k.Journal {
					h = h.After(e)
				}
				if a, b := again(t, h), again(t, k.Handling); !reflect.DeepEqual(a, b) {
					t.Fatalf("seed %d: the journal says %+v, kept is %+v", seed, a, b)
				}
			}
			if len(w.past.Open) != countOpen(w.alerts) {
				t.Fatalf("seed %d: %d open in the past, %d kept", seed, len(w.past.Open), countOpen(w.alerts))
			}
		}
		for _, k := range w.alerts {
			if k.Alert.Reopened > 0 {
				reopened++
			}
		}
		for _, says := range w.keys {
			for _, r := range []Reason{NewAlert, MoreSerious, NoLonger, Reminder, Escalated, StillStands} {
				if strings.Contains(says, " "+string(r)+" ") {
					seen[r]++
				}
			}
		}
	}
	// A model that never got anywhere proves nothing.
	for _, r := range []Reason{NewAlert, MoreSerious, NoLonger, Reminder, Escalated, StillStands} {
		if seen[r] < 20 {
			t.Errorf("only %d messages of reason %s", seen[r], r)
		}
	}
	for _, s := range []Standing{Unacknowledged, Acknowledged, Returned, Shelved, Suppressed, OutOfService, Normal} {
		if standings[s] < 20 {
			t.Errorf("only %d times %s", standings[s], s)
		}
	}
	if reopened < 10 {
		t.Errorf("only %d reopened", reopened)
	}
}

func countOpen(alerts map[string]*kept) (n int) {
	for _, k := range alerts {
		if k.Alert.Open() {
			n++
		}
	}
	return n
}
