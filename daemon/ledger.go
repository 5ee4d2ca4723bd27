package daemon

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io/fs"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
)

// ledger is where the pipeline files what it has taken. The store is one;
// replay uses another that keeps nothing.
type ledger interface {
	// Update files everything that do enters, or nothing of it. An error for
	// which temporary returns true can be tried again.
	Update(ctx context.Context, do func(entries) error) error
	temporary(err error) bool
	// ours reports whether what was to be entered is to blame for an error, and not
	// the ledger.
	ours(err error) bool
}

// entries is what can be entered in one Update.
type entries interface {
	AddThrow(r *detect.Record, t *ingest.Throw) (added bool, err error)
	LastThrow() int64 // number of the throw added last; numbers rise
	SaveState(turnout, cabinet string, s *detect.State) error
	Covered(through int64) error // all states that are kept hold every throw up to this one
	SaveCommon(b []byte) error   // what neighbours have in common
	Transition(e alerting.Event) error
	SaveAlert(a *alerting.Alert) error
	SaveReceipt(cabinet string, r ingest.Receipt) error
	SaveCabinet(s ingest.CabinetState) error
	SaveConditions(c ingest.Conditions) error
	AddWork(w ingest.Work, arrived time.Time) (added bool, err error)
	Judge(turnout string, v detect.Verdict) error
	SetAside(a ingest.SetAside) (id int64, err error)
	Aside(id int64) (ingest.SetAside, error)
	RefuseAgain(id int64, faults []ingest.Fault) error
	DropAside(id int64) error
	People() peopleEntries // nil where there are none
}

// storeLedger files in the store.
type storeLedger struct {
	*store.Store
	buf []byte // of a state being written
}

func (l *storeLedger) Update(ctx context.Context, do func(entries) error) error {
	return l.Store.Update(ctx, func(tx *store.Tx) error { return do(storeEntries{tx, l}) })
}

func (*storeLedger) temporary(err error) bool { return store.Temporary(err) }
func (*storeLedger) ours(err error) bool      { return store.Refused(err) }

// storeEntries is a store's transaction that writes states by itself.
type storeEntries struct {
	*store.Tx
	l *storeLedger
}

func (e storeEntries) People() peopleEntries { return e.Tx }

func (e storeEntries) SaveState(turnout, cabinet string, s *detect.State) error {
	var err error
	if e.l.buf, err = appendCheckpoint(e.l.buf[:0], e.LastThrow(), s); err != nil {
		return fmt.Errorf("state of turnout %q: %w", turnout, err)
	}
	return e.Tx.SaveState(turnout, cabinet, e.l.buf)
}

// digest stands for a key: 16 bytes whatever its length, and never the same
// for two keys in practice.
type digest [16]byte

func digestOf(key string) digest {
	sum := sha256.Sum256([]byte(key))
	return digest(sum[:16])
}

// memory is a ledger that remembers only which throws and visits were there.
type memory struct {
	throws map[digest]struct{}
	work   map[digest]struct{}
}

func newMemory() *memory {
	return &memory{throws: map[digest]struct{}{}, work: map[digest]struct{}{}}
}

// Update runs do. There is nothing to take back: no entry of it fails.
func (m *memory) Update(_ context.Context, do func(entries) error) error { return do(m) }

func (*memory) temporary(error) bool { return false }
func (*memory) ours(error) bool      { return false }

func (m *memory) AddThrow(r *detect.Record, _ *ingest.Throw) (bool, error) {
	return add(m.throws, r.Key), nil
}

func (m *memory) AddWork(w ingest.Work, _ time.Time) (bool, error) {
	return add(m.work, w.Turnout+"\x00"+w.DoneAt.UTC().Format(time.RFC3339Nano)+"\x00"+string(w.Kind)), nil
}

func add(set map[digest]struct{}, key string) bool {
	d := digestOf(key)
	if _, known := set[d]; known {
		return false
	}
	set[d] = struct{}{}
	return true
}

func (*memory) People() peopleEntries                         { return nil }
func (*memory) Judge(string, detect.Verdict) error            { return nil }
func (*memory) LastThrow() int64                              { return 0 }
func (*memory) Covered(int64) error                           { return nil }
func (*memory) SaveCommon([]byte) error                       { return nil }
func (*memory) SaveState(string, string, *detect.State) error { return nil }
func (*memory) Transition(alerting.Event) error               { return nil }
func (*memory) SaveAlert(*alerting.Alert) error               { return nil }
func (*memory) SaveReceipt(string, ingest.Receipt) error      { return nil }
func (*memory) SaveCabinet(ingest.CabinetState) error         { return nil }
func (*memory) SaveConditions(ingest.Conditions) error        { return nil }
func (*memory) SetAside(ingest.SetAside) (int64, error)       { return 0, nil }
func (*memory) RefuseAgain(int64, []ingest.Fault) error       { return nil }
func (*memory) DropAside(int64) error                         { return nil }
func (*memory) Aside(id int64) (a ingest.SetAside, err error) {
	return a, fmt.Errorf("message %d: %w", id, fs.ErrNotExist)
}
