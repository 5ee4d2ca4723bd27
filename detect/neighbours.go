package detect

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
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
	groups  map[string]*group
	changed bool // notices came, went or grew since they were last told
}

// group is a set of turnouts that may feel alike.
type group struct {
	index  map[string]int
	felt   []felt
	middle [2]float64 // of the felt, with the newest left as they were until due
	fresh  int        // turnouts in it
	due    int        // takings until the middle is found anew
	sag    float64    // fall of the supply that several of a large group feel, as it was when the middle was found
	notice [3]*Notice // effort, time and supply, nil: none stands
	slow   [2]float64 // running mean of the middle: what stays is the level's to follow
	last   int64      // unix s of the latest middle that went into slow
}

// felt is how far a turnout stands from its own past, ln: effort and time.
type felt struct {
	ln        [2]float64
	raw       [2]float64 // what the weather does left in
	cold, wet float64    // K colder than usual, share of throws in the rain
	sag       float64    // fall of the supply, ln
	supplied  bool       // sag was measured, not guessed from the time
	at        int64      // unix s
}

// Notice is what many turnouts of an area feel at once. It is no alert: no
// single turnout is at fault.
type Notice struct {
	Area     string    `json:"area" doc:"the beginning of the turnouts' names, or a cabinet"`
	What     string    `json:"what" enum:"effort,time,supply"`
	Since    time.Time `json:"since"`
	Change   float64   `json:"change_percent" doc:"the middle of all, against their own past"`
	Turnouts int       `json:"turnouts" doc:"that feel it"`
	Of       int       `json:"of" doc:"of the area that threw of late"`
	Said     string    `json:"said"`
}

// When many feel it: the change of the middle, ln, from which a notice stands
// and under which it ends, and the share of turnouts that feel half of it.
var noticeFrom, noticeUntil = [2]float64{0.07, 0.035}, [2]float64{0.035, 0.018}

const (
	noticeShare = 0.7
	noticeLeast = 6 // turnouts of an area under which there is none
)

const (
	feltOld   = 36 * 3600    // s after which what was felt is no more counted
	feltLeast = 4            // neighbours that have a say
	feltWeigh = 4            // neighbours whose middle weighs as much as that of the wider group
	feltSlow  = 12 * 86400.0 // s, time constant of what is no more news
	feltMost  = 512          // turnouts of a large group that are asked, evenly spread
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

// groupKeys returns the groups of a turnout, the widest first.
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
	if sag, ok := n.sagging(o.Turnout, cabinet, at); ok {
		o.CommonSag = ingest.Known(sag)
	}
	if seen {
		o.CommonEffort, o.CommonTime = ingest.Known(common[0]), ingest.Known(common[1])
	}
}

// Take notes how far the turnout stands from its own past.
func (n *Neighbours) Take(s *State, cabinet string, at time.Time) {
	f, ok := s.felt()
	if !ok || !f.finite() {
		return
	}
	f.at = at.Unix()
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
		n.changed = g.take(s.turnout, f, k) || n.changed
	}
}

// take takes what a turnout feels; changed: a notice of the group has.
func (g *group) take(turnout string, f felt, key string) (changed bool) {
	i, ok := g.index[turnout]
	if !ok {
		i = len(g.felt)
		g.index[turnout] = i
		g.felt = append(g.felt, f)
	}
	g.felt[i] = f
	if g.due--; g.due <= 0 {
		g.middle, g.fresh = g.find(-1, f.at)
		g.sag, _ = g.sagBut(-1, f.at)
		g.due = len(g.felt) / 8
		if g.last == 0 || g.fresh < feltLeast {
			g.slow = g.middle
		}
		w := 1 - math.Exp(-float64(max(f.at-g.last, 0))/feltSlow)
		for i := range g.slow {
			g.slow[i] += w * (g.middle[i] - g.slow[i])
		}
		g.last = max(g.last, f.at)
		if key != "*" && len(g.felt) >= noticeLeast {
			changed = g.heed(key[2:], f.at)
		}
		if key != "*" {
			changed = g.sags(key[2:], f.at) || changed
		}
	}
	return changed
}

// heed looks whether many of the group feel the same now.
func (g *group) heed(area string, at int64) (changed bool) {
	for i, what := range [2]string{"effort", "time"} {
		var x []float64
		cold, wet := 0.0, 0.0
		stride := max(len(g.felt)/feltMost, 1)
		for k := 0; k < len(g.felt); k += stride {
			if f := &g.felt[k]; f.at >= at-feltOld {
				x = append(x, f.raw[i])
				cold, wet = cold+f.cold, wet+f.wet
			}
		}
		if len(x) < noticeLeast {
			continue
		}
		slices.Sort(x)
		n := len(x)
		middle := (x[(n-1)/2] + x[n/2]) / 2
		feel := n - sort.SearchFloat64s(x, max(middle/2, noticeUntil[i]/2))
		was := g.notice[i]
		switch {
		case was == nil && (middle < noticeFrom[i] || float64(feel) < noticeShare*float64(n)):
			continue
		case was != nil && middle < noticeUntil[i]:
			g.notice[i], changed = nil, true
			continue
		}
		now := Notice{Area: area, What: what, Since: time.Unix(at, 0).UTC(), Change: round1(100 * (math.Exp(middle) - 1)), Turnouts: feel * stride, Of: n * stride}
		if was != nil {
			if math.Abs(now.Change-was.Change) < 0.3*was.Change {
				continue
			}
			now.Since = was.Since
		}
		how := "heavier"
		if i == 1 {
			how = "slower"
		}
		now.Said = fmt.Sprintf("%d of %d turnouts of %s throw about %.0f %% %s than their past", now.Turnouts, now.Of, area, now.Change, how)
		switch cold, wet = cold/float64(n), wet/float64(n); {
		case cold > 4:
			now.Said += fmt.Sprintf("; it is %.0f K colder than their usual", cold)
		case cold < -4:
			now.Said += fmt.Sprintf("; it is %.0f K warmer than their usual", -cold)
		case wet > 0.5:
			now.Said += "; it rains"
		default:
			now.Said += "; look for what they share: weather, supply, cabinet"
		}
		g.notice[i], changed = &now, true
	}
	return changed
}

// Notices returns what many feel now, in the order of their areas, and whether
// that has changed since it was last asked for. An area whose cabinet tells the
// same is told once.
func (n *Neighbours) Notices() (list []Notice, changed bool) {
	changed, n.changed = n.changed, false
	if !changed {
		return nil, false
	}
	keys := slices.Sorted(maps.Keys(n.groups))
	for what := range 3 {
		for _, k := range keys { // areas before cabinets
			if x := n.groups[k].notice[what]; x != nil && !n.covered(k, what) {
				list = append(list, *x)
			}
		}
	}
	return list, true
}

// covered reports whether the group is a cabinet whose turnouts' area tells the same.
func (n *Neighbours) covered(key string, what int) bool {
	if !strings.HasPrefix(key, "c/") {
		return false
	}
	for turnout := range n.groups[key].index {
		if g := n.groups["a/"+Area(turnout)]; g != nil && g.notice[what] != nil {
			return true
		}
	}
	return false
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
	stride := max(len(g.felt)/feltMost, 1)
	for i := 0; i < len(g.felt); i += stride {
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
	return middle, n * stride
}

// felt returns how far the turnout's last throws stand from its past, what the
// neighbours feel left in, and whether that is known.
func (s *State) felt() (f felt, ok bool) {
	n := 0.0
	for i := range s.ends {
		e := &s.ends[i]
		if !e.feels {
			continue
		}
		n++
		for k := range 2 {
			f.ln[k] += (float64(e.felt[k]) - f.ln[k]) / n
			f.raw[k] += (float64(e.raw[k]) - f.raw[k]) / n
		}
		if e.sag.known() {
			f.sag, f.supplied = max(f.sag, float64(e.less-e.lessUsual)), true
		}
		f.cold += (float64(e.cold) - f.cold) / n
		f.wet += (float64(e.wet) - f.wet) / n
	}
	if !f.supplied {
		f.sag = max(f.ln[1], 0) // a drive is slower by about as much as its voltage is lower
	}
	return f, n > 0
}

// finite reports whether everything felt is a number.
func (f *felt) finite() bool {
	sum := f.cold + f.wet + f.sag
	for i := range f.ln {
		sum += f.ln[i] + f.raw[i]
	}
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
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
		for k, known := range alone.known {
			if known && k != covLoad {
				d += s.slope[k] * (float32(alone.x[k]) - s.slowX[k])
			}
		}
		e.raw[i] += (d - e.raw[i]) / 4
	}
	s := &t.signals[sTravel]
	if c.known[covTemperature] {
		e.cold += (s.slowX[covTemperature] - float32(c.x[covTemperature]) - e.cold) / 4
	}
	if c.known[covRain] {
		e.wet += (float32(c.x[covRain]) - e.wet) / 4
	}
	e.feels = true
}

// lasting is what of a group does not follow from its turnouts' states.
type lasting struct {
	Slow   [2]float64 `json:"slow"`
	Last   int64      `json:"last"`
	Notice [3]*Notice `json:"notice"`
}

// Lasting writes what does not follow from the turnouts' states: what has long
// been felt in common, and the notices that stand.
func (n *Neighbours) Lasting() ([]byte, error) {
	all := make(map[string]lasting, len(n.groups))
	for k, g := range n.groups {
		all[k] = lasting{g.slow, g.last, g.notice}
	}
	return json.Marshal(all)
}

// Restore reads what Lasting wrote, once all turnouts have been taken.
func (n *Neighbours) Restore(b []byte) error {
	var all map[string]lasting
	if err := json.Unmarshal(b, &all); err != nil {
		return fmt.Errorf("what neighbours have in common: %w", err)
	}
	for k, l := range all {
		if g := n.groups[k]; g != nil {
			g.slow, g.last, g.notice = l.Slow, l.Last, l.Notice
		}
	}
	n.changed = true
	return nil
}
