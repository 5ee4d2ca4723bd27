package detect

import (
	"math"
	"slices"
	"strings"
	"time"

	"throwline/ingest"
)

// Neighbours is what the turnouts of a cabinet, of an area and of all feel in
// common: the middle of how far each stands from its own past, for its effort
// and for its time. Weather that no sensor tells, a cold week, a supply that
// sags are in it; one turnout's fault is not. It is plain state, stepped in the
// order of arrival. The zero Neighbours knows nothing.
type Neighbours struct {
	groups map[string]*group
}

// group is a set of turnouts that may feel alike.
type group struct {
	index  map[string]int
	felt   []felt
	middle [2]float64 // of the felt, with the newest left as they were until due
	fresh  int        // turnouts in it
	due    int        // takings until the middle is found anew
	slow   [2]float64 // running mean of the middle: what stays is the level's to follow
	last   int64      // unix s of the latest middle that went into slow
}

// felt is how far a turnout stands from its own past, ln: effort and time.
type felt struct {
	ln [2]float64
	at int64 // unix s
}

const (
	feltOld   = 36 * 3600    // s after which what was felt is no more counted
	feltLeast = 4            // neighbours that have a say
	feltWeigh = 4            // neighbours whose middle weighs as much as that of the wider group
	feltSlow  = 12 * 86400.0 // s, time constant of what is no more news
	feltSmall = 48           // turnouts up to which a group's middle is always the newest
)

// Area returns the group of a turnout by its name: what comes before the last
// separator. Common practice: a station or a line, then a number.
func Area(turnout string) string {
	if i := strings.LastIndexAny(turnout, "-_.:/"); i > 0 {
		return turnout[:i]
	}
	return ""
}

// keys are the groups of a turnout, the widest first.
func groupKeys(turnout, cabinet string) [3]string {
	k := [3]string{"*", "", ""}
	if a := Area(turnout); a != "" {
		k[1] = "a/" + a
	}
	if cabinet != "" {
		k[2] = "c/" + cabinet
	}
	return k
}

// Fill gives the observation what its neighbours feel.
func (n *Neighbours) Fill(o *Observation, cabinet string) {
	at := o.StartedAt.Unix()
	var common [2]float64
	seen := false
	for _, k := range groupKeys(o.Turnout, cabinet) {
		g := n.groups[k]
		if k == "" || g == nil {
			continue
		}
		m, fresh := g.without(o.Turnout, at)
		if fresh < feltLeast {
			continue
		}
		w := float64(fresh) / float64(fresh+feltWeigh)
		if !seen {
			w = 1
		}
		seen = true
		for i := range common {
			common[i] += w * (m[i] - g.slow[i] - common[i])
		}
	}
	if seen {
		o.CommonEffort, o.CommonTime = ingest.Known(common[0]), ingest.Known(common[1])
	}
}

// Take notes how far the turnout stands from its own past.
func (n *Neighbours) Take(s *State, cabinet string, at time.Time) {
	ln, ok := s.felt()
	if !ok {
		return
	}
	if n.groups == nil {
		n.groups = map[string]*group{}
	}
	for _, k := range groupKeys(s.turnout, cabinet) {
		if k == "" {
			continue
		}
		g := n.groups[k]
		if g == nil {
			g = &group{index: map[string]int{}}
			n.groups[k] = g
		}
		g.take(s.turnout, felt{ln, at.Unix()})
	}
}

func (g *group) take(turnout string, f felt) {
	i, ok := g.index[turnout]
	if !ok {
		i = len(g.felt)
		g.index[turnout] = i
		g.felt = append(g.felt, f)
	}
	g.felt[i] = f
	if g.due--; g.due <= 0 {
		g.middle, g.fresh = g.find(-1, f.at)
		g.due = len(g.felt) / 8
		if g.last == 0 || g.fresh < feltLeast {
			g.slow = g.middle
		}
		w := 1 - math.Exp(-float64(max(f.at-g.last, 0))/feltSlow)
		for i := range g.slow {
			g.slow[i] += w * (g.middle[i] - g.slow[i])
		}
		g.last = max(g.last, f.at)
	}
}

// without returns the middle of the group without the turnout itself, and of
// how many. A large group hardly feels one of it.
func (g *group) without(turnout string, at int64) ([2]float64, int) {
	if len(g.felt) > feltSmall {
		return g.middle, g.fresh
	}
	i, ok := g.index[turnout]
	if !ok {
		i = -1
	}
	return g.find(i, at)
}

func (g *group) find(but int, at int64) (middle [2]float64, n int) {
	var small [2][feltSmall]float64
	x := [2][]float64{small[0][:0], small[1][:0]}
	for i := range g.felt {
		f := &g.felt[i]
		if i == but || f.at < at-feltOld {
			continue
		}
		x[0], x[1] = append(x[0], f.ln[0]), append(x[1], f.ln[1])
	}
	n = len(x[0])
	if n == 0 {
		return middle, 0
	}
	for i := range x {
		slices.Sort(x[i])
		middle[i] = (x[i][(n-1)/2] + x[i][n/2]) / 2
	}
	return middle, n
}

// felt returns how far the turnout's last throws stand from its past, what the
// neighbours feel left in, and whether that is known.
func (s *State) felt() (ln [2]float64, ok bool) {
	n := 0.0
	for i := range s.ends {
		e := &s.ends[i]
		if e.feels {
			ln[0] += float64(e.felt[0])
			ln[1] += float64(e.felt[1])
			n++
		}
	}
	if n == 0 {
		return ln, false
	}
	return [2]float64{ln[0] / n, ln[1] / n}, true
}

// feel notes how far a throw stands from its past.
func (e *endState) feel(t *track, r *reading, c *covariates) {
	alone := *c
	alone.known[covCommon], alone.known[covPace] = false, false
	for i, sig := range [2]int{sTravel, sDuration} {
		s := &t.signals[sig]
		if !s.learned() || math.IsNaN(r[sig]) {
			return
		}
		mid, _ := s.expected(&alone)
		d := float32(min(max(r[sig]-mid, -0.5), 0.5))
		if !e.feels {
			e.felt[i] = d
		}
		e.felt[i] += (d - e.felt[i]) / 4
	}
	e.feels = true
}
