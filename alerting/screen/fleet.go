package screen

import (
	"cmp"
	"context"
	"math"
	"reflect"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/go-json-experiment/json"

	"throwline/alerting"
	"throwline/detect"
)

// Fleet is every turnout, heard of or registered: place i of every column is
// the same one. An empty word says that there is nothing to say.
type Fleet struct {
	At         time.Time `json:"at"`
	Turnouts   []string  `json:"turnouts"`
	Area       []string  `json:"area"`
	Line       []string  `json:"line"`
	Position   []float64 `json:"position" doc:"0: not said"`
	Health     []string  `json:"health" enum:"alert,hidden,out-of-service,learning,watched,silent,no-throws" doc:"alert: one stands and calls, or was seen; hidden: one stands and is shelved or suppressed; silent: its cabinet is not heard from; watched never means safe"`
	Priority   []string  `json:"priority" enum:"high,medium,low," doc:"of the worst alert that lives"`
	Standing   []string  `json:"standing" enum:"unacknowledged,acknowledged,returned-unacknowledged,shelved,suppressed,out-of-service,normal," doc:"of the same alert"`
	Condition  []string  `json:"condition" doc:"of the same alert"`
	Alerts     []int     `json:"alerts" doc:"that live"`
	Learnt     column    `json:"learnt" doc:"share of the baseline that is there, 0 to 1, of the end that has less; null: no throws"`
	LastThrow  instants  `json:"last_throw_at" doc:"start of the latest throw in s since 1970-01-01T00:00:00Z; null: none"`
	Cabinet    []string  `json:"cabinet"`
	Silent     []bool    `json:"silent" doc:"its cabinet is offline, or an alert says that it is not heard from"`
	OutService []bool    `json:"out_of_service"`
}

// instants is a list of times in s since 1970, UTC, in which NaN, written as
// null, is none.
type instants []float64

// Schema tells that the numbers may be null.
func (instants) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeNumber, Format: "double", Nullable: true}}
}

// MarshalJSON writes milliseconds.
func (list instants) MarshalJSON() ([]byte, error) {
	b := make([]byte, 1, 2+15*len(list))
	b[0] = '['
	for i, v := range list {
		if i > 0 {
			b = append(b, ',')
		}
		if v-v != 0 {
			b = append(b, "null"...)
			continue
		}
		b = appendTrimmed(b, v, 3)
	}
	return append(b, ']'), nil
}

// fleetJSON is a fleet that was encoded once for all who ask.
type fleetJSON []byte

// Schema is that of a fleet.
func (fleetJSON) Schema(r huma.Registry) *huma.Schema {
	return r.Schema(reflect.TypeFor[Fleet](), true, "Fleet")
}

// MarshalJSON gives what was encoded.
func (f fleetJSON) MarshalJSON() ([]byte, error) { return f, nil }

// fleets keeps the fleet for a second: with very many turnouts, each open page
// asking costs no more than one.
type fleets struct {
	mu    sync.Mutex
	taken time.Time
	whole fleetJSON
}

// anew has the fleet made again when it is next asked for: whoever has changed
// the registry wants to see it.
func (f *fleets) anew() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.taken = time.Time{}
}

func (s *server) fleet(ctx context.Context, _ *struct{}) (*answer[fleetJSON], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	f := &s.fleets
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.taken.IsZero() || time.Since(f.taken) >= time.Second {
		whole := s.newFleet(desk)
		b, err := json.Marshal(whole, jsonOptions)
		if err != nil {
			return nil, s.problem(ctx, err, "write the fleet")
		}
		f.whole, f.taken = b, time.Now()
	}
	return &answer[fleetJSON]{f.whole}, nil
}

// fleetRow is one turnout of the fleet.
type fleetRow struct {
	place   alerting.Place
	area    string
	summary *detect.Summary // nil: not heard of
}

// fleetRows returns every turnout, heard of or registered, in the order of
// area, line, position, name.
func (s *server) fleetRows(desk Desk) []fleetRow {
	turnouts, places := s.o.Yard.Turnouts(), desk.Places()
	said := make(map[string]int, len(places))
	for i := range places {
		said[places[i].Turnout] = i
	}
	rows := make([]fleetRow, 0, max(len(turnouts), len(places)))
	for i := range turnouts {
		r := fleetRow{place: alerting.Place{Turnout: turnouts[i].Turnout}, summary: &turnouts[i]}
		if j, ok := said[r.place.Turnout]; ok {
			r.place = places[j]
			delete(said, r.place.Turnout)
		}
		rows = append(rows, r)
	}
	for _, j := range said {
		rows = append(rows, fleetRow{place: places[j]})
	}
	for i := range rows {
		rows[i].area = rows[i].place.AreaOf(rows[i].place.Turnout)
	}
	slices.SortFunc(rows, func(a, b fleetRow) int {
		return cmp.Or(cmp.Compare(a.area, b.area), cmp.Compare(a.place.Line, b.place.Line),
			cmp.Compare(a.place.Position, b.place.Position), cmp.Compare(a.place.Turnout, b.place.Turnout))
	})
	return rows
}

// worse reports whether a is told of a turnout rather than b: what calls comes
// first, what hides last; then the priority.
func worse(a, b *alerting.Case) bool {
	rank := func(c *alerting.Case) int {
		switch {
		case c.Urgent():
			return 0
		case !c.Open():
			return 2
		case c.Standing.Hidden():
			return 3
		}
		return 1
	}
	return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a.Priority.Rank(), b.Priority.Rank()), cmp.Compare(a.ID, b.ID)) < 0
}

func (s *server) newFleet(desk Desk) *Fleet {
	rows, cases := s.fleetRows(desk), desk.Cases()
	worst, alerts := map[string]*alerting.Case{}, map[string]int{}
	for i := range cases {
		c := &cases[i]
		alerts[c.Turnout]++
		if was := worst[c.Turnout]; was == nil || worse(c, was) {
			worst[c.Turnout] = c
		}
	}
	quiet := map[string]bool{}
	for _, c := range s.o.Yard.Cabinets() {
		quiet[c.Cabinet] = !c.Online
	}
	for i := range cases {
		// One that is online as far as its broker knows may have gone quiet all the same.
		if c := &cases[i]; c.Condition == detect.CabinetSilent && c.Open() && c.Cabinet != "" {
			quiet[c.Cabinet] = true
		}
	}
	n := len(rows)
	f := &Fleet{
		At: s.o.Yard.Now(), Turnouts: make([]string, n), Area: make([]string, n), Line: make([]string, n), Position: make([]float64, n),
		Health: make([]string, n), Priority: make([]string, n), Standing: make([]string, n), Condition: make([]string, n), Alerts: make([]int, n),
		Learnt: make(column, n), LastThrow: make(instants, n), Cabinet: make([]string, n), Silent: make([]bool, n), OutService: make([]bool, n),
	}
	for i := range rows {
		r := &rows[i]
		name := r.place.Turnout
		f.Turnouts[i], f.Area[i], f.Line[i], f.Position[i], f.OutService[i] = name, r.area, r.place.Line, r.place.Position, r.place.OutOfService
		f.Learnt[i], f.LastThrow[i] = float32(math.NaN()), math.NaN()
		if sum := r.summary; sum != nil {
			f.Learnt[i] = learnt(sum)
			if !sum.Last.IsZero() {
				f.LastThrow[i] = float64(sum.Last.UnixMilli()) / 1000
			}
		}
		if s.o.CabinetOf != nil {
			f.Cabinet[i] = s.o.CabinetOf(name)
			f.Silent[i] = f.Cabinet[i] != "" && quiet[f.Cabinet[i]]
		}
		c := worst[name]
		if c != nil {
			f.Priority[i], f.Standing[i], f.Condition[i], f.Alerts[i] = string(c.Priority), string(c.Standing), string(c.Condition), alerts[name]
		}
		f.Health[i] = health(r, c, f.Silent[i])
	}
	return f
}

// learnt is the share of the baseline that is there, of the end that has less.
func learnt(s *detect.Summary) float32 {
	least := 1.0
	for _, l := range s.Learning {
		if l.Needed > 0 {
			least = min(least, float64(l.Throws)/float64(l.Needed))
		}
	}
	// Three digits are enough, and short to write.
	v, _ := strconv.ParseFloat(strconv.FormatFloat(least, 'f', 3, 64), 32)
	return float32(v)
}

// health says how a turnout fares in one word; worst may be nil.
func health(r *fleetRow, worst *alerting.Case, silent bool) string {
	switch {
	case r.place.OutOfService:
		return "out-of-service"
	case worst != nil && worst.Open() && !worst.Standing.Hidden():
		return "alert"
	case silent:
		return "silent"
	case worst != nil && worst.Open():
		return "hidden"
	case r.summary == nil || r.summary.Last.IsZero():
		return "no-throws"
	case learning(r.summary):
		return "learning"
	}
	return "watched"
}
