// Package score holds the alerts of a replay against what is known to have
// been wrong, and says how early, how quiet and how right they were.
package score

import (
	"bufio"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// Fault is one fault of the truth: hidden from Onset on, felt by the railway
// at Failure, mended at Repaired. A zero Failure never came; a zero Repaired
// was not mended within the recording.
type Fault struct {
	Turnout  string    `json:"turnout"`
	Cause    string    `json:"cause"`
	Onset    time.Time `json:"onset"`
	Failure  time.Time `json:"failure"`
	Repaired time.Time `json:"repaired"`
}

// Truth is what is known of a recording.
type Truth struct {
	Start, End time.Time
	Turnouts   map[string]string // kind of drive by turnout
	Faults     []Fault
}

// ReadTruth reads a truth file: one JSON object a line, of the kinds fleet,
// turnout and fault; lines of other kinds are passed over.
func ReadTruth(r io.Reader) (*Truth, error) {
	t := &Truth{Turnouts: map[string]string{}}
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, 1<<20)
	for n := 1; sc.Scan(); n++ {
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
			return nil, fmt.Errorf("truth, line %d: %w", n, err)
		}
		switch {
		case line.Fleet != nil:
			t.Start, t.End = line.Fleet.Start, line.Fleet.End
		case line.Fault != nil:
			t.Faults = append(t.Faults, *line.Fault)
		case line.Turnout != "":
			t.Turnouts[line.Turnout] = line.DriveKind
		}
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("truth: %w", err)
	}
	if t.Start.IsZero() || len(t.Turnouts) == 0 {
		return nil, fmt.Errorf("truth: expected a fleet line with start and end and the turnouts, found %d turnouts", len(t.Turnouts))
	}
	slices.SortFunc(t.Faults, func(a, b Fault) int { return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Turnout, b.Turnout)) })
	return t, nil
}

// Case is what was said of one fault.
type Case struct {
	Fault
	Kind      string // of drive
	Warned    time.Time
	Condition detect.Condition
	First     []detect.Cause // when first warned
	Last      []detect.Cause // as last said before the failure
	Left      float64        // share of the time from onset to failure that was left when warned
	Change    float64
}

// Result is the score of a recording.
type Result struct {
	Cases  []Case
	False  []alerting.Event // warnings of turnouts that had nothing
	Odd    int              // odd throws raised, apart from the warnings
	Years  float64          // turnout-years
	Wanted int              // failures
}

// grace is how long after a repair an alert of the fault may still stand or
// come: its traces may arrive late.
const grace = 3 * 24 * time.Hour

// warning reports whether a condition warns of what is to come; an incomplete
// throw is the failure itself, an odd throw is odd and no more.
func warning(c detect.Condition) bool {
	return c != detect.IncompleteThrow && c != detect.OddThrow && c != detect.CabinetSilent
}

// Score holds events, in their order, against the truth.
func Score(t *Truth, events []alerting.Event) *Result {
	r := &Result{Years: float64(len(t.Turnouts)) * t.End.Sub(t.Start).Hours() / 24 / 365.25}
	of := map[string][]*Case{}
	for _, f := range t.Faults {
		r.Cases = append(r.Cases, Case{Fault: f, Kind: t.Turnouts[f.Turnout]})
	}
	for i := range r.Cases {
		c := &r.Cases[i]
		of[c.Turnout] = append(of[c.Turnout], c)
		if !c.Failure.IsZero() {
			r.Wanted++
		}
	}
	for _, e := range events {
		if e.Alert.Condition == detect.OddThrow && e.Kind == alerting.Raised {
			r.Odd++
		}
		if !warning(e.Alert.Condition) || e.Kind == alerting.Cleared {
			continue
		}
		inFault := false
		for _, c := range of[e.Alert.Turnout] {
			end := c.Repaired
			if end.IsZero() {
				end = t.End
			}
			if e.At.Before(c.Onset) || e.At.After(end.Add(grace)) {
				continue
			}
			inFault = true
			if !c.Failure.IsZero() && !e.At.Before(c.Failure) {
				continue
			}
			if c.Warned.IsZero() {
				c.Warned, c.First, c.Condition, c.Change = e.At, e.Alert.Causes, e.Alert.Condition, e.Alert.ChangePercent
				if !c.Failure.IsZero() {
					c.Left = c.Failure.Sub(e.At).Hours() / c.Failure.Sub(c.Onset).Hours()
				}
			}
			c.Last = e.Alert.Causes
		}
		if !inFault && e.Kind == alerting.Raised {
			r.False = append(r.False, e)
		}
	}
	return r
}

// rank returns the place of the fault's cause in a list, 0 for the first, -1 for none.
func (c *Case) rank(list []detect.Cause) int {
	return slices.IndexFunc(list, func(x detect.Cause) bool { return string(x.Cause) == c.Cause })
}

// Print writes the table.
func (r *Result) Print(w io.Writer) error {
	type sums struct {
		n, caught, first, two int
		left                  []float64
	}
	groups := map[string]*sums{}
	add := func(key string, c *Case) {
		g := groups[key]
		if g == nil {
			g = &sums{}
			groups[key] = g
		}
		g.n++
		if c.Warned.IsZero() {
			return
		}
		g.caught++
		g.left = append(g.left, c.Left)
		if k := c.rank(c.First); k == 0 {
			g.first++
			g.two++
		} else if k == 1 {
			g.two++
		}
	}
	for i := range r.Cases {
		c := &r.Cases[i]
		if c.Failure.IsZero() {
			continue
		}
		add("all", c)
		add("drive "+c.Kind, c)
		add(c.Cause, c)
	}
	keys := []string{}
	for k := range groups {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b string) int {
		return cmp.Or(cmp.Compare(b2i(a != "all"), b2i(b != "all")), cmp.Compare(a, b))
	})
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "\tfailures\twarned before\ttime left, median\tcause first\tamong two")
	for _, k := range keys {
		g := groups[k]
		fmt.Fprintf(tw, "%s\t%d\t%d\t%s\t%d\t%d\n", k, g.n, g.caught, percentile(g.left, 0.5), g.first, g.two)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "false alerts: %d in %.1f turnout-years, %.3f a turnout-year; odd throws raised: %d\n",
		len(r.False), r.Years, float64(len(r.False))/r.Years, r.Odd)
	return err
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func percentile(x []float64, p float64) string {
	if len(x) == 0 {
		return "-"
	}
	x = slices.Sorted(slices.Values(x))
	return fmt.Sprintf("%.0f %%", 100*x[int(p*float64(len(x)-1)+0.5)])
}
