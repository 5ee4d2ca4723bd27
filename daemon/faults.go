package daemon

import (
	"errors"
	"fmt"
	"runtime/debug"

	"throwline/ingest"
)

// A message on which the program fails by a fault of its own would come again
// after a restart, and fail for ever: it is set aside like one that is wrong by
// itself, and everything behind it goes on. A failure of the database is none of the
// message's: see [pipeline.settle].

// errFault answers who asked for something that trips a fault of ours.
var errFault = errors.New("this trips a fault of the program; its log says where")

// guard runs do and returns a panic of it as an error.
func guard(do func()) (err error) {
	defer func() {
		if x := recover(); x != nil {
			err = fmt.Errorf("%v\n%s", x, debug.Stack())
		}
	}()
	do()
	return nil
}

// ourFault is the refusal of a throw that we cannot work on by no fault of its own.
func ourFault(t *ingest.Throw) *ingest.Refusal {
	r := &ingest.Refusal{Faults: []ingest.Fault{{
		Expected: "a message that this program can work on", Found: "one that trips a fault of the program; its log says where",
	}}}
	if t != nil {
		r.Turnout, r.Boot, r.Sequence = t.Turnout, t.Boot, t.Sequence
	}
	return r
}

// parcelError is a failure to file one parcel. What was entered of it has to be
// undone with its transaction.
type parcelError struct {
	p        *parcel
	panicked bool
	err      error
}

func (e *parcelError) Error() string { return e.err.Error() }
func (e *parcelError) Unwrap() error { return e.err }

// guarded files one parcel.
func (f *filer) guarded(tx entries, d *draft, p *parcel) error {
	var err error
	if fault := guard(func() { err = f.one(tx, d, p) }); fault != nil {
		return &parcelError{p, true, fault}
	}
	if err != nil {
		return &parcelError{p, false, err}
	}
	return nil
}
