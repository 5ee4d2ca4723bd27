package daemon

import (
	"cmp"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// turnout is what is known of a turnout. It is never changed once others can
// see it; the next throw makes a new one.
type turnout struct {
	state   *detect.State
	cabinet string        // that sent the latest throw
	past    alerting.Past // its alerts
	latest  time.Time     // of its throws, visits and transitions: its past never moves back
	summary atomic.Pointer[detect.Summary]

	due   bool  // the state has to be kept with this batch
	lacks int   // throws that the state as it is kept does not hold
	first int64 // number of the first of them, 0 for none
}

// glance returns the summary, which is made when it is first asked for.
func (t *turnout) glance(name string) detect.Summary {
	if s := t.summary.Load(); s != nil {
		return *s
	}
	s := t.state.Summary()
	s.Turnout = name
	t.summary.Store(&s)
	return s
}

// yard is the memory of what is committed. The committer alone writes it;
// anyone may read it.
type yard struct {
	mu       sync.RWMutex
	turnouts map[string]*turnout
	names    []string            // of turnouts, sorted where sorted is true
	sorted   bool                // names
	alerting map[string]*turnout // those with open alerts
	cabinets map[string]ingest.CabinetState
	receipts map[string]ingest.Receipt
	former   map[string]ingest.Receipt // of the count before, where a cabinet has begun another; the committer's alone
	boxes    map[string]struct{}       // cabinets of which anything is kept; see filer.box
	notices  []detect.Notice           // what many feel; never changed in place
	clerk    *clerk                    // what people do
	behind   []behind                  // turnouts whose state as it is kept lacks throws, longest first; the committer's alone
}

func newYard() *yard {
	return &yard{
		turnouts: map[string]*turnout{}, alerting: map[string]*turnout{},
		cabinets: map[string]ingest.CabinetState{}, receipts: map[string]ingest.Receipt{}, former: map[string]ingest.Receipt{}, boxes: map[string]struct{}{}, clerk: newClerk(nil, "", time.Now),
	}
}

// put makes t what is known of the turnout; the caller holds the lock.
func (y *yard) put(name string, t *turnout) {
	if _, known := y.turnouts[name]; !known {
		y.names = append(y.names, name)
		y.sorted = false
	}
	y.turnouts[name] = t
	if len(t.past.Open) > 0 {
		y.alerting[name] = t
	} else {
		delete(y.alerting, name)
	}
}

// take makes what was committed what is known.
func (y *yard) take(d *draft) {
	y.clerk.take(&d.papers)
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, name := range d.touched {
		y.put(name, d.turnouts[name])
	}
	y.behind = append(y.behind[d.caughtUp:], d.behind...)
	for name, c := range d.cabinets {
		y.cabinets[name] = c
	}
	for name, r := range d.receipts {
		y.receipts[name] = r
	}
	for name, r := range d.former {
		y.former[name] = r
	}
	for name := range d.boxes {
		y.boxes[name] = struct{}{}
	}
	if d.noticed {
		y.notices = d.notices
	}
}

// Notices returns what many turnouts feel at once.
func (y *yard) Notices() []detect.Notice {
	y.mu.RLock()
	defer y.mu.RUnlock()
	return y.notices
}

// Turnouts returns all turnouts in the order of their names.
func (y *yard) Turnouts() []detect.Summary {
	y.mu.RLock()
	sorted := y.sorted
	y.mu.RUnlock()
	if !sorted {
		y.mu.Lock()
		if !y.sorted {
			slices.Sort(y.names)
			y.sorted = true
		}
		y.mu.Unlock()
	}
	y.mu.RLock()
	names := y.names[:len(y.names):len(y.names)]
	list := make([]*turnout, len(names))
	for i, n := range names {
		list[i] = y.turnouts[n]
	}
	out := make([]detect.Summary, len(names))
	y.mu.RUnlock()
	for i, t := range list {
		out[i] = t.glance(names[i])
	}
	return out
}

// find returns what is known of a turnout, or nil.
func (y *yard) find(name string) *turnout {
	y.mu.RLock()
	defer y.mu.RUnlock()
	return y.turnouts[name]
}

// cabinetOf names the cabinet that sent a turnout's latest throw, "" where it is not known.
func (y *yard) cabinetOf(name string) string {
	if t := y.find(name); t != nil {
		return t.cabinet
	}
	return ""
}

// Turnout returns one of them, or an error that wraps [fs.ErrNotExist].
func (y *yard) Turnout(name string) (detect.Summary, error) {
	t := y.find(name)
	if t == nil {
		return detect.Summary{}, fmt.Errorf("turnout %q: %w", name, fs.ErrNotExist)
	}
	return t.glance(name), nil
}

// Profile returns the course of past traces.
func (y *yard) Profile(name string, to ingest.End, drive string, q ingest.Quantity) detect.Profile {
	if t := y.find(name); t != nil {
		return t.state.Profile(to, drive, q)
	}
	return detect.Profile{}
}

// OpenAlerts returns the open alerts of all turnouts or of one, newest raised first.
func (y *yard) OpenAlerts(name string) []alerting.Alert {
	y.mu.RLock()
	defer y.mu.RUnlock()
	out := []alerting.Alert{}
	if name != "" {
		if t := y.alerting[name]; t != nil {
			out = append(out, t.past.Open...)
		}
	} else {
		for _, t := range y.alerting {
			out = append(out, t.past.Open...)
		}
	}
	slices.SortFunc(out, func(a, b alerting.Alert) int {
		return cmp.Or(b.RaisedAt.Compare(a.RaisedAt), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// Cabinets returns the last state of every cabinet heard of, in the order of their names.
func (y *yard) Cabinets() []ingest.CabinetState {
	y.mu.RLock()
	defer y.mu.RUnlock()
	out := make([]ingest.CabinetState, 0, len(y.cabinets))
	for _, c := range y.cabinets {
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b ingest.CabinetState) int { return cmp.Compare(a.Cabinet, b.Cabinet) })
	return out
}

// receipt returns the latest receipt of a cabinet.
func (y *yard) receipt(cabinet string) (ingest.Receipt, bool) {
	y.mu.RLock()
	defer y.mu.RUnlock()
	r, ok := y.receipts[cabinet]
	return r, ok
}

// numbering returns the cabinets that number their throws.
func (y *yard) numbering() []string {
	y.mu.RLock()
	defer y.mu.RUnlock()
	out := make([]string, 0, len(y.receipts))
	for c := range y.receipts {
		out = append(out, c)
	}
	slices.Sort(out)
	return out
}

// remember keeps in mind the cabinets of which something was restored; the
// caller holds the lock.
func (y *yard) remember(cabinet string) {
	if cabinet != "" {
		y.boxes[cabinet] = struct{}{}
	}
}

// crowd returns how many cabinets are kept in mind.
func (y *yard) crowd() int {
	y.mu.RLock()
	defer y.mu.RUnlock()
	return len(y.boxes)
}

// size returns how many turnouts are known.
func (y *yard) size() int {
	y.mu.RLock()
	defer y.mu.RUnlock()
	return len(y.turnouts)
}
