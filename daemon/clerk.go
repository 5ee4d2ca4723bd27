package daemon

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"reflect"
	"slices"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/detect"
)

// peopleEntries is what is entered of what people do about alerts and of what
// is sent to them. A replay has no people.
type peopleEntries interface {
	Handled(alert string) (store.Handled, error)
	SaveHandling(alert string, h alerting.Handling) error
	SaveCalls(alert string, calls json.RawMessage, untold bool) error
	AddEntry(e alerting.Entry) (int64, error)
	Enqueue(o store.Outgoing) (added bool, err error)
	SavePlace(p alerting.Place) error
	DropPlace(turnout string) error
	ReplacePlaces(places []alerting.Place) error
	SaveWindow(w alerting.Window) (int64, error)
	DropWindow(id int64) error
	Audit(at time.Time, by, what, detail string) error
}

// clerk keeps what people do about alerts and what they have said of the
// railway: in memory what is not over, the rest is the store's. The committer
// alone writes it; anyone may read it.
type clerk struct {
	routes []alerting.Route
	link   string // what stands before a path of the pages; "": nobody can follow links
	now    func() time.Time

	mu      sync.RWMutex
	cases   map[string]*handled
	places  map[string]alerting.Place
	windows []alerting.Window
	silent  map[string]alerting.Past // by cabinet
	hearing
}

// handled is an alert that is not over. It is never changed once others can
// see it.
type handled struct {
	alert    alerting.Alert
	handling alerting.Handling
	told     alerting.Told
	standing alerting.Standing // when it was last looked at
}

func newClerk(routes []alerting.Route, link string, now func() time.Time) *clerk {
	return &clerk{
		routes: routes, link: link, now: now,
		cases: map[string]*handled{}, places: map[string]alerting.Place{}, silent: map[string]alerting.Past{},
	}
}

// papers are what a batch makes of the clerk's knowledge.
type papers struct {
	cases   map[string]*handled
	order   []string // their ids, as first touched
	sent    bool     // something was entered to be sent
	places  map[string]alerting.Place
	windows []alerting.Window
	planned bool // windows is what they are now
	silent  map[string]alerting.Past
}

func (p *papers) put(h *handled) {
	if p.cases == nil {
		p.cases = map[string]*handled{}
	}
	if p.cases[h.alert.ID] == nil {
		p.order = append(p.order, h.alert.ID)
	}
	p.cases[h.alert.ID] = h
}

// take makes what was committed what is known.
func (c *clerk) take(p *papers) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for id, h := range p.cases {
		// What is over has nothing left to say, but to who is still to be told.
		if h.standing == alerting.Normal && !h.told.Untold(&h.alert) {
			delete(c.cases, id)
		} else {
			c.cases[id] = h
		}
	}
	if p.places != nil {
		c.places = p.places
	}
	if p.planned {
		c.windows = p.windows
	}
	for cabinet, past := range p.silent {
		if len(past.Open)+len(past.Recent) == 0 {
			delete(c.silent, cabinet)
		} else {
			c.silent[cabinet] = past
		}
	}
}

// view is what the clerk knows at one moment, with what a batch changes of it.
type view struct {
	*clerk
	*papers
	at time.Time
}

// find returns a case, or nil where it is over or was never there.
func (v *view) find(id string) *handled {
	if h := v.papers.cases[id]; h != nil {
		return h
	}
	return v.clerk.cases[id]
}

func (v *view) place(turnout string) alerting.Place {
	places := v.clerk.places
	if v.papers.places != nil {
		places = v.papers.places
	}
	p := places[turnout]
	p.Turnout = turnout
	return p
}

// registered reports whether the registry names a turnout.
func (v *view) registered(turnout string) bool {
	places := v.clerk.places
	if v.papers.places != nil {
		places = v.papers.places
	}
	_, ok := places[turnout]
	return ok
}

func (v *view) windows() []alerting.Window {
	if v.papers.planned {
		return v.papers.windows
	}
	return v.clerk.windows
}

// standing returns where an alert is in its life, and what hides it, in words.
func (v *view) standing(a *alerting.Alert, h *alerting.Handling) (s alerting.Standing, quiet string, until time.Time) {
	p := v.place(a.Turnout)
	w, end := alerting.Suppressing(v.windows(), p, a, v.at)
	s = alerting.StandingOf(a, h, v.at, w != nil, p.OutOfService)
	switch s {
	case alerting.OutOfService:
		quiet = "the turnout is out of service"
	case alerting.Suppressed:
		quiet, until = w.Name, end
	case alerting.Shelved:
		quiet, until = "shelved by "+h.ShelvedBy+": "+h.ShelvedFor, h.ShelvedUntil
	}
	return s, quiet, until
}

// criticality returns how much hangs on a turnout; see [alerting.Place].
func (c *clerk) criticality(turnout string) int { return c.places[turnout].Criticality }

// limits returns what people have set for a turnout, before what the
// configuration says.
func (c *clerk) limits(otherwise func(string) detect.Limits) func(string) detect.Limits {
	return func(turnout string) detect.Limits {
		l := detect.Limits{}
		if otherwise != nil {
			l = otherwise(turnout)
		}
		c.mu.RLock()
		p := c.places[turnout]
		c.mu.RUnlock()
		if p.ThrowTime > 0 {
			l.ThrowTime = p.ThrowTime
		}
		if p.EffortRise > 0 {
			l.EffortRise = p.EffortRise
		}
		return l
	}
}

// note enters a transition of an alert, and what must be sent for it. late: it
// is no news, however short ago it was.
func (v *view) note(tx peopleEntries, e *alerting.Event, late bool) error {
	h := &handled{alert: e.Alert}
	if was := v.find(e.Alert.ID); was != nil {
		h.handling, h.told = was.handling, was.told
	} else if e.Kind != alerting.Raised || e.Alert.Reopened > 0 {
		// It was over, and is back.
		kept, err := tx.Handled(e.Alert.ID)
		if err != nil {
			return err
		}
		h.handling = kept.Handling
		if kept.Calls != nil {
			if err := json.Unmarshal(kept.Calls, &h.told); err != nil {
				return fmt.Errorf("who was told of alert %s: %w", e.Alert.ID, err)
			}
		}
	}
	h.standing, _, _ = v.standing(&h.alert, &h.handling)
	if _, err := tx.AddEntry(alerting.EntryOf(e)); err != nil {
		return err
	}
	if e.Kind == alerting.Cleared {
		if err := v.makeRoom(tx, &e.Alert); err != nil {
			return err
		}
	}
	standing := h.standing
	if e.Kind != alerting.Cleared && (late || v.at.Sub(e.At) > lateBy) {
		standing = alerting.Suppressed // for now: what still stands is told when it is next looked
	}
	var list []alerting.Delivery
	list, h.told = alerting.Deliveries(v.routes, e, v.place(e.Alert.Turnout), standing, h.told, v.at)
	return v.send(tx, h, list)
}

// makeRoom ends the oldest of the cases like this one, which clears, where too many
// have cleared and nobody acknowledges any.
func (v *view) makeRoom(tx peopleEntries, a *alerting.Alert) error {
	var like []*handled
	for id := range v.clerk.cases {
		if h := v.find(id); h.waits(a) {
			like = append(like, h)
		}
	}
	for id, h := range v.papers.cases {
		if v.clerk.cases[id] == nil && h.waits(a) {
			like = append(like, h)
		}
	}
	slices.SortFunc(like, func(x, y *handled) int {
		return cmp.Or(x.alert.ClearedAt.Compare(y.alert.ClearedAt), cmp.Compare(x.alert.ID, y.alert.ID))
	})
	for _, was := range like[:max(0, len(like)+1-alerting.MostReturned)] {
		h, entry := *was, alerting.MadeRoom(&was.alert, v.at)
		h.handling = h.handling.After(entry)
		if err := tx.SaveHandling(h.alert.ID, h.handling); err != nil {
			return err
		}
		if _, err := tx.AddEntry(entry); err != nil {
			return err
		}
		h.standing, _, _ = v.standing(&h.alert, &h.handling)
		v.papers.put(&h)
	}
	return nil
}

// waits reports whether a case is another one like a, has cleared, and waits to be
// acknowledged.
func (h *handled) waits(a *alerting.Alert) bool {
	x := &h.alert
	return x.ID != a.ID && x.Condition == a.Condition && x.Turnout == a.Turnout && x.Cabinet == a.Cabinet && !x.Open() && !h.handling.Acknowledges(x)
}

// lateBy is how old a throw may be for its alert to be told as it happens.
// What a cabinet or the broker held back for longer may be over by the next
// throw, which comes right behind it.
const lateBy = time.Hour

// send enters what must be sent of a case, and the case.
func (v *view) send(tx peopleEntries, h *handled, list []alerting.Delivery) error {
	for _, d := range list {
		d.Message.Link = v.linkTo(&h.alert)
		body, err := json.Marshal(&d.Message)
		if err != nil {
			return err
		}
		added, err := tx.Enqueue(store.Outgoing{
			Target: d.Target, Key: d.Message.Key, Alert: h.alert.ID, Turnout: h.alert.Turnout, Reason: d.Message.Reason, Body: body, Due: v.at,
		})
		if err != nil {
			return err
		}
		v.papers.sent = v.papers.sent || added
		if r := d.Message.Reason; r == alerting.Reminder || r == alerting.Escalated {
			action := alerting.Remind
			if r == alerting.Escalated {
				action = alerting.Escalate
			}
			if _, err := tx.AddEntry(alerting.Entry{
				Alert: h.alert.ID, Turnout: h.alert.Turnout, At: v.at, Action: string(action), Note: d.Message.Note, Target: d.Target,
			}); err != nil {
				return err
			}
		}
	}
	calls, err := json.Marshal(&h.told)
	if err != nil {
		return err
	}
	if err := tx.SaveCalls(h.alert.ID, calls, h.told.Untold(&h.alert)); err != nil {
		return err
	}
	v.papers.put(h)
	return nil
}

func (c *clerk) linkTo(a *alerting.Alert) string {
	switch {
	case c.link == "":
		return ""
	case a.Cabinet != "":
		return c.link + "/cabinets"
	}
	return c.link + "/turnouts/" + a.Turnout
}

// due returns which cases something is to be said or shown of now, though
// nothing has happened to them.
func (c *clerk) due() (ids []string) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	v := view{c, &papers{}, c.now()}
	for id, h := range c.cases {
		standing, _, _ := v.standing(&h.alert, &h.handling)
		list, told, _ := alerting.Due(c.routes, &h.alert, &h.handling, v.place(h.alert.Turnout), standing, h.told, v.at)
		if len(list) > 0 || standing != h.standing || !reflect.DeepEqual(plain(told), plain(h.told)) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// plain makes an empty map of one that is not there, so that the two compare alike.
func plain(t alerting.Told) alerting.Told {
	if len(t.Known) == 0 {
		t.Known = nil
	}
	if len(t.Turns) == 0 {
		t.Turns = nil
	}
	return t
}

// call enters what is due of the cases.
func (v *view) call(tx peopleEntries, ids []string) error {
	for _, id := range ids {
		was := v.find(id)
		if was == nil {
			continue
		}
		h := *was
		h.standing, _, _ = v.standing(&h.alert, &h.handling)
		var list []alerting.Delivery
		list, h.told, _ = alerting.Due(v.routes, &h.alert, &h.handling, v.place(h.alert.Turnout), h.standing, h.told, v.at)
		if err := v.send(tx, &h, list); err != nil {
			return fmt.Errorf("what is due of alert %s: %w", id, err)
		}
	}
	return nil
}

// act does something to an alert. refused is the caller's.
func (v *view) act(tx peopleEntries, id string, act alerting.Act) (refused, err error) {
	var h handled
	if was := v.find(id); was != nil {
		h = *was
	} else {
		kept, err := tx.Handled(id)
		if errors.Is(err, fs.ErrNotExist) {
			return err, nil
		}
		if err != nil {
			return nil, err
		}
		h.alert, h.handling = kept.Alert, kept.Handling
		if kept.Calls != nil {
			if err := json.Unmarshal(kept.Calls, &h.told); err != nil {
				return nil, fmt.Errorf("who was told of alert %s: %w", id, err)
			}
		}
	}
	var entry alerting.Entry
	if h.handling, entry, refused = alerting.Apply(&h.alert, h.handling, act, v.at); refused != nil {
		return refused, nil
	}
	if err := tx.SaveHandling(id, h.handling); err != nil {
		return nil, err
	}
	if _, err := tx.AddEntry(entry); err != nil {
		return nil, err
	}
	h.standing, _, _ = v.standing(&h.alert, &h.handling)
	var list []alerting.Delivery
	list, h.told, _ = alerting.Due(v.routes, &h.alert, &h.handling, v.place(h.alert.Turnout), h.standing, h.told, v.at)
	return nil, v.send(tx, &h, list)
}

// caseOf returns a case as it is shown; the caller holds the lock, or is the committer.
func (v *view) caseOf(a *alerting.Alert, h *alerting.Handling) alerting.Case {
	c := alerting.Case{Alert: *a, Handling: *h, Place: v.place(a.Turnout)}
	if a.Cabinet != "" {
		c.Place.Turnout = ""
	}
	c.Standing, c.Quiet, c.QuietTo = v.standing(a, h)
	return c
}

// changed returns the cases that a batch has touched, as they are shown.
func (c *clerk) changed(p *papers) []alerting.Case {
	if len(p.order) == 0 {
		return nil
	}
	c.mu.RLock()
	defer c.mu.RUnlock()
	v := view{c, &papers{}, c.now()}
	out := make([]alerting.Case, 0, len(p.order))
	for _, id := range p.order {
		h := p.cases[id]
		out = append(out, v.caseOf(&h.alert, &h.handling))
	}
	return out
}

// withPlaces returns the registry with a change made to it.
func (v *view) withPlaces(change func(map[string]alerting.Place)) {
	was := v.clerk.places
	if v.papers.places != nil {
		was = v.papers.places
	}
	now := maps.Clone(was)
	change(now)
	v.papers.places = now
}
