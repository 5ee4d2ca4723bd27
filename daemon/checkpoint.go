package daemon

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"throwline/detect"
)

// A turnout's state follows from its throws, which are filed one by one, each
// with all that was measured of it. To write the state with each would cost
// several times what the throw does, so it is written when something happened
// (an alert, work, a turnout's first throw), after saveEvery throws, and
// otherwise in turn: with every batch the states that have waited longest. What
// a state lacks after a crash is stepped again from the throws filed since, and
// gives the same state, for a step depends on nothing else.

// saveEvery is after how many throws of a turnout its state is written.
const saveEvery = 16

// saveShare is how many throws of a batch bring one turnout that waits its turn.
const saveShare = 8

// commonLeast is after how many throws, and as many as there are turnouts, what
// neighbours have in common is kept: it moves over days, so a crash costs nothing.
const commonLeast = 1000

// behind is a turnout whose state as it is kept lacks throws, and the first of
// them. It no longer counts once the turnout's own first is another.
type behind struct {
	name  string
	first int64
}

// checkpoint writes the states that are due, and up to which throw all states
// are whole. all: every state that lacks something.
func (f *filer) checkpoint(tx entries, d *draft, batch int, all bool) error {
	save := func(name string, t *turnout) error {
		var err error
		if fault := guard(func() { err = tx.SaveState(name, t.cabinet, t.state) }); fault != nil {
			// It would hold up all others for ever: this turnout learns anew.
			d.faults = append(d.faults, fmt.Errorf("the state of turnout %q, which learns anew: %w", name, fault))
			t.state = new(detect.State)
			err = tx.SaveState(name, t.cabinet, t.state)
		}
		if err != nil {
			return fmt.Errorf("state of turnout %q: %w", name, err)
		}
		t.due, t.lacks, t.first = false, 0, 0
		return nil
	}
	for _, name := range d.touched {
		t := d.turnouts[name]
		if t.due || t.lacks >= saveEvery {
			if err := save(name, t); err != nil {
				return err
			}
		}
	}
	room := batch/saveShare + 1
	whole := tx.LastThrow()
	for _, b := range f.yard.behind {
		t := f.known(d, b.name)
		if t.first == b.first {
			if room == 0 && !all {
				whole = b.first - 1
				break
			}
			room--
			if d.turnouts[b.name] == nil { // what others see is never changed
				t = &turnout{state: t.state, cabinet: t.cabinet, past: t.past, latest: t.latest}
				d.put(b.name, t, true)
			}
			if err := save(b.name, t); err != nil {
				return err
			}
		}
		d.caughtUp++
	}
	if f.unkept += batch; all || f.unkept >= max(commonLeast, len(f.yard.turnouts)) {
		var b []byte
		var err error
		if fault := guard(func() { b, err = f.near.Lasting() }); fault != nil {
			d.faults = append(d.faults, fmt.Errorf("what neighbours have in common: %w", fault))
		} else if err == nil {
			err = tx.SaveCommon(b)
		}
		if err != nil {
			return err
		}
		f.unkept = 0
	}
	for _, name := range d.touched {
		t := d.turnouts[name]
		if now := f.yard.turnouts[name]; t.first != 0 && (now == nil || now.first != t.first) {
			d.behind = append(d.behind, behind{name, t.first})
			whole = min(whole, t.first-1)
		}
	}
	if err := tx.Covered(whole); err != nil {
		return fmt.Errorf("note which states are whole: %w", err)
	}
	return nil
}

// appendCheckpoint appends a state as it is kept: the number of the throw up to
// which it holds all, then the state.
func appendCheckpoint(b []byte, through int64, s *detect.State) ([]byte, error) {
	return s.AppendBinary(binary.LittleEndian.AppendUint64(b, uint64(through)))
}

func readCheckpoint(b []byte) (through int64, s *detect.State, err error) {
	s = new(detect.State)
	if len(b) < 8 {
		return 0, s, errors.New("expected a state, found too few bytes")
	}
	return int64(binary.LittleEndian.Uint64(b)), s, s.UnmarshalBinary(b[8:])
}

// flush writes all states that lack something, so that the next start has
// nothing to step again. The committer must have ended.
func (f *filer) flush(ctx context.Context, l ledger) error {
	if len(f.yard.behind) == 0 && f.unkept == 0 {
		return nil
	}
	var d *draft
	err := l.Update(ctx, func(tx entries) error {
		d = newDraft()
		return f.checkpoint(tx, d, 0, true)
	})
	if err != nil {
		return fmt.Errorf("write what was learned: %w", err)
	}
	f.yard.take(d)
	return nil
}
