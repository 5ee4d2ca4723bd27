package alerting

import (
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Caution stands under every message.
const Caution = "This is advice from the traces of throws. It never says that a turnout is safe, and takes the place of no rule and no inspection."

// Delivery is one message for one target.
type Delivery struct {
	Target  string   `json:"target"`
	Routes  []string `json:"routes"` // those that name it; none: one that did is gone
	Message Message  `json:"message"`
}

// Told is what is remembered of who was told of an alert. The zero Told:
// nobody, nothing. It is plain data, to be kept with the alert and in the same
// transaction as the deliveries that were returned with it.
type Told struct {
	Call   int             `json:"call,omitempty"`   // of the alert, that this is about
	Since  time.Time       `json:"since,omitzero"`   // when it was told, or would have been
	Hidden bool            `json:"hidden,omitempty"` // was hidden when last looked at
	Seen   bool            `json:"seen,omitempty"`   // was acknowledged when last looked at
	Known  map[string]int  `json:"known,omitempty"`  // by target that was told that it stands: 1 + the call
	Turns  map[string]Turn `json:"turns,omitempty"`  // by route
}

// Turn is how far a route has got with a call.
type Turn struct {
	Waits     bool      `json:"waits,omitempty"` // for its hours, to tell
	Since     time.Time `json:"since,omitzero"`  // when it told, or waits since
	Reminded  time.Time `json:"reminded,omitzero"`
	Escalated int       `json:"escalated,omitempty"` // steps
}

// Untold reports whether someone is still to be told that the alert cleared.
func (t *Told) Untold(a *Alert) bool { return !a.Open() && len(t.Known) > 0 }

func (t Told) clone() Told {
	t.Known, t.Turns = maps.Clone(t.Known), maps.Clone(t.Turns)
	if t.Known == nil {
		t.Known = map[string]int{}
	}
	if t.Turns == nil {
		t.Turns = map[string]Turn{}
	}
	return t
}

// caughtUp takes for now what was told at a time that has not come: the clock was
// put back, and what is counted from then would not be told before that time.
func (t *Told) caughtUp(now time.Time) {
	past := func(at *time.Time) {
		if at.After(now) {
			*at = now
		}
	}
	past(&t.Since)
	for name, turn := range t.Turns {
		past(&turn.Since)
		past(&turn.Reminded)
		t.Turns[name] = turn
	}
}

// Deliveries returns who is to be told of an event now, and what is to be
// remembered of it. Told are: that an alert is raised, or raised again; that
// it has become more serious; and, whoever knows that it stands, that it no
// longer does. Nobody is told while it is hidden, and no route while it is
// outside its hours: [Due] makes up for it. A target gets one message however
// many routes name it, with the same key at every try.
func Deliveries(routes []Route, e *Event, p Place, standing Standing, told Told, now time.Time) ([]Delivery, Told) {
	told = told.clone()
	out := post{alert: &e.Alert, place: p, at: e.At}
	switch {
	case !e.Alert.Open():
		out.gone(routes, &told, standing, now)
	case e.Kind == Raised:
		told.begin(e.Alert.Call, now)
		out.call(routes, &told, standing, NewAlert, strconv.Itoa(e.Alert.Call), e.Alert.Again(), now)
	case e.Alert.Call > told.Call:
		told.begin(e.Alert.Call, now)
		out.call(routes, &told, standing, MoreSerious, strconv.Itoa(e.Alert.Call), "", now)
	}
	return out.list, told
}

// Due returns who is to be told now though nothing has happened to the alert,
// and when to ask again at the latest; the zero time: not before something
// happens to it, or to its standing. It is to be asked too when a window, a
// shelving or a turnout's being out of service begins or ends. Told are:
//
//   - what still stands when that which hid it ends, acknowledged or not;
//   - what still stands unacknowledged when a route's hours begin;
//   - reminders and escalations while it stands unacknowledged, counted from
//     when the route told of it;
//   - what cleared while nobody could be told.
//
// What has returned is not reminded of: there is nothing to do but to see it.
func Due(routes []Route, a *Alert, h *Handling, p Place, standing Standing, told Told, now time.Time) ([]Delivery, Told, time.Time) {
	told = told.clone()
	told.caughtUp(now)
	out := post{alert: a, place: p, at: now}
	var next soonest
	if standing.Hidden() {
		told.Hidden = true
		if standing == Shelved && h != nil {
			next.take(h.ShelvedUntil)
		}
		return nil, told, next.at
	}
	if !a.Open() {
		out.gone(routes, &told, standing, now)
		for t := range told.Known {
			if ok, at := hears(routes, t, now); !ok {
				next.take(at)
			}
		}
		return out.list, told, next.at
	}
	switch {
	case told.Hidden:
		told.begin(a.Call, now)
		out.call(routes, &told, standing, StillStands, stamp(now), "It was kept quiet, or came late, and still stands.", now)
	case a.Call > told.Call && !told.Since.IsZero():
		told.begin(a.Call, now)
		out.call(routes, &told, standing, StillStands, stamp(now), "", now)
	case told.Since.IsZero(), // it was there before anyone was to be told
		told.Seen && standing == Unacknowledged: // someone took his acknowledgement back
		told.begin(a.Call, now)
	}
	told.Seen = standing == Acknowledged
	for i := range routes {
		r := &routes[i]
		if !r.Match.Matches(p, a) {
			continue
		}
		turn, ok := told.Turns[r.Name]
		if !ok {
			turn.Since = told.Since
		}
		if standing == Unacknowledged {
			active, opens := r.Hours.Active(now)
			if active {
				next.take(out.follow(r, &told, &turn, now))
			} else if turn.Waits || r.Remind > 0 || turn.Escalated < len(r.Escalate) {
				next.take(opens)
			}
		} else {
			turn.Waits = false
		}
		told.Turns[r.Name] = turn
	}
	return out.list, told, next.at
}

// begin starts a call: who knew of the alert still does.
func (t *Told) begin(call int, now time.Time) {
	t.Call, t.Since, t.Hidden, t.Seen, t.Turns = call, now, false, false, map[string]Turn{}
}

// post collects messages, at most one a target.
type post struct {
	alert *Alert
	place Place
	at    time.Time
	list  []Delivery
}

// pressing orders the reasons that may fall together, the last is told.
var pressing = []Reason{Reminder, StillStands, Escalated}

func (o *post) add(target, route string, reason Reason, which, note string) {
	i := slices.IndexFunc(o.list, func(d Delivery) bool { return d.Target == target })
	if i < 0 {
		i = len(o.list)
		o.list = append(o.list, Delivery{Target: target})
	}
	d := &o.list[i]
	if route != "" && !slices.Contains(d.Routes, route) {
		d.Routes = append(d.Routes, route)
	}
	if d.Message.Key != "" && slices.Index(pressing, reason) <= slices.Index(pressing, d.Message.Reason) {
		return
	}
	d.Message = Message{
		Key: messageKey(o.alert.ID, reason, which, target), Reason: reason, At: o.at, Alert: *o.alert, Place: o.place, Note: note, Caution: Caution,
	}
}

// call tells of a call all routes that are followed now; the others wait.
func (o *post) call(routes []Route, told *Told, standing Standing, reason Reason, which, note string, now time.Time) {
	if standing.Hidden() {
		told.Hidden = true
		return
	}
	for i := range routes {
		r := &routes[i]
		if !r.Match.Matches(o.place, o.alert) {
			continue
		}
		active, _ := r.Hours.Active(now)
		told.Turns[r.Name] = Turn{Since: now, Waits: !active}
		if !active {
			continue
		}
		for _, t := range r.Targets {
			o.add(t, r.Name, reason, which, note)
			told.Known[t] = 1 + told.Call
		}
	}
}

// follow does what a route does as time passes, and returns when it will do
// something next, or the zero time.
func (o *post) follow(r *Route, told *Told, turn *Turn, now time.Time) time.Time {
	if turn.Waits {
		turn.Waits, turn.Since = false, now
		for _, t := range r.Targets {
			if told.Known[t] <= told.Call { // else another route has told it of this call
				o.add(t, r.Name, StillStands, stamp(now), "It was raised outside the hours of route "+r.Name+".")
				told.Known[t] = 1 + told.Call
			}
		}
	}
	var next soonest
	if r.Remind > 0 {
		last := turn.Since
		if turn.Reminded.After(last) {
			last = turn.Reminded
		}
		if due := last.Add(r.Remind); !now.Before(due) {
			for _, t := range r.Targets {
				o.add(t, r.Name, Reminder, strconv.Itoa(told.Call)+" "+stamp(due), "")
				told.Known[t] = 1 + told.Call
			}
			turn.Reminded = now // one, however many were missed
			next.take(now.Add(r.Remind))
		} else {
			next.take(due)
		}
	}
	for turn.Escalated < len(r.Escalate) {
		step := r.Escalate[turn.Escalated]
		due := turn.Since.Add(step.After)
		if now.Before(due) {
			next.take(due)
			break
		}
		turn.Escalated++
		for _, t := range step.Targets {
			o.add(t, r.Name, Escalated, strconv.Itoa(told.Call)+" "+strconv.Itoa(turn.Escalated)+" "+stamp(turn.Since),
				"Nobody has acknowledged it for "+span(step.After)+".")
			told.Known[t] = 1 + told.Call
		}
	}
	return next.at
}

// gone tells those who know that the alert stands that it no longer does, each
// within the hours of a route that names it.
func (o *post) gone(routes []Route, told *Told, standing Standing, now time.Time) {
	told.Turns = map[string]Turn{}
	if standing.Hidden() {
		told.Hidden = true
		return
	}
	told.Hidden = false
	for _, t := range slices.Sorted(maps.Keys(told.Known)) {
		if ok, _ := hears(routes, t, now); !ok {
			continue
		}
		o.add(t, "", NoLonger, strconv.Itoa(told.Call), "")
		d := &o.list[len(o.list)-1]
		for i := range routes {
			if routes[i].Names(t) {
				d.Routes = append(d.Routes, routes[i].Name)
			}
		}
		delete(told.Known, t)
	}
}

// Names reports whether the route may tell the target.
func (r *Route) Names(target string) bool {
	return slices.Contains(r.Targets, target) ||
		slices.ContainsFunc(r.Escalate, func(e Escalation) bool { return slices.Contains(e.Targets, target) })
}

// hears reports whether a target may be told something now, or when. One that
// no route names any more is told, for it was.
func hears(routes []Route, target string, now time.Time) (ok bool, at time.Time) {
	named := false
	var next soonest
	for i := range routes {
		if !routes[i].Names(target) {
			continue
		}
		named = true
		active, opens := routes[i].Hours.Active(now)
		if active {
			return true, time.Time{}
		}
		next.take(opens)
	}
	return !named, next.at
}

// messageKey is the same for the same message to the same target.
func messageKey(alert string, reason Reason, which, target string) string {
	h := sha256.Sum256([]byte(strings.Join([]string{alert, string(reason), which, target}, "\x00")))
	return hex.EncodeToString(h[:16])
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// soonest is the earliest of some times; zero ones do not count.
type soonest struct{ at time.Time }

func (s *soonest) take(t time.Time) {
	if !t.IsZero() && (s.at.IsZero() || t.Before(s.at)) {
		s.at = t
	}
}
