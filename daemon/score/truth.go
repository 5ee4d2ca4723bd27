package score

import (
	"bufio"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"
)

// longestLine of a truth file, in bytes.
const longestLine = 1 << 20

// ReadTruth reads a truth file: one JSON object a line, of the kinds fleet,
// turnout and fault; lines of other kinds are passed over. An error names the
// line, what was expected and what was found.
func ReadTruth(r io.Reader) (*Truth, error) {
	t := &Truth{Turnouts: map[string]string{}}
	var at []int // lines of the faults
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, longestLine)
	n := 0
	for sc.Scan() {
		n++
		var line struct {
			Fleet *struct {
				Start time.Time `json:"start"`
				End   time.Time `json:"end"`
			} `json:"fleet"`
			Turnout   string `json:"turnout"`
			DriveKind string `json:"drive_kind"`
			Fault     *Fault `json:"fault"`
		}
		if err := json.Unmarshal(sc.Bytes(), &line); err != nil {
			return nil, fmt.Errorf("line %d: expected a JSON object of a truth file, found %w", n, err)
		}
		switch {
		case line.Fleet != nil && !t.Start.IsZero():
			return nil, fmt.Errorf("line %d: expected one fleet line, found another", n)
		case line.Fleet != nil:
			if t.Start, t.End = line.Fleet.Start, line.Fleet.End; t.Start.IsZero() || !t.End.After(t.Start) {
				return nil, fmt.Errorf("line %d: fleet: expected an end after its start, found %s and %s", n, stamp(t.Start), stamp(t.End))
			}
		case line.Fault != nil:
			t.Faults, at = append(t.Faults, *line.Fault), append(at, n)
		case line.Turnout != "":
			t.Turnouts[line.Turnout] = line.DriveKind
		}
	}
	switch err := sc.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		return nil, fmt.Errorf("line %d: expected at most %d bytes, found more: is it a truth file?", n+1, longestLine)
	case err != nil:
		return nil, fmt.Errorf("line %d: %w", n+1, err)
	case t.Start.IsZero():
		return nil, fmt.Errorf("expected a fleet line with start and end, found none in %d lines", n)
	case len(t.Turnouts) == 0:
		return nil, fmt.Errorf("expected the turnouts of the fleet, found none in %d lines", n)
	}
	for i := range t.Faults {
		if err := t.Faults[i].check(t); err != nil {
			return nil, fmt.Errorf("line %d: fault: %w", at[i], err)
		}
	}
	slices.SortStableFunc(t.Faults, func(a, b Fault) int { return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Turnout, b.Turnout)) })
	return t, nil
}

// check says what of a fault cannot be true.
func (f *Fault) check(t *Truth) error {
	_, known := t.Turnouts[f.Turnout]
	switch {
	case !known:
		return fmt.Errorf("turnout: expected one of the %d of the fleet, found %q", len(t.Turnouts), f.Turnout)
	case f.Cause == "":
		return errors.New("cause: expected one, found none")
	case f.Onset.IsZero():
		return errors.New("onset: expected a time, found none")
	case !f.Failure.IsZero() && !f.Failure.After(f.Onset):
		return fmt.Errorf("failure: expected a time after the onset %s, found %s", stamp(f.Onset), stamp(f.Failure))
	case !f.Repaired.IsZero() && !f.Repaired.After(f.Onset):
		return fmt.Errorf("repaired: expected a time after the onset %s, found %s", stamp(f.Onset), stamp(f.Repaired))
	}
	return nil
}

// stamp writes a time for a message.
func stamp(t time.Time) string {
	if t.IsZero() {
		return "none"
	}
	return t.UTC().Format(time.RFC3339)
}
