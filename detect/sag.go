package detect

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// A supply that sags at several turnouts at once is the feeder's or the
// cabinet's, no single turnout's: none of them is alerted, and one notice tells
// it. Several is two neighbours, so that it is seen where a cabinet feeds three.

const (
	sagFrom  = 0.03 // ln: fall of the supply that counts as felt
	sagUntil = 0.02 // under which it has gone
	sagFelt  = 3    // turnouts that make a notice
	sagLeast = 2    // neighbours that must feel it
)

// sags returns the fall of the supply at the turnout itself beyond what its
// neighbours have too, for a fall of x against the first supply.
func (e *endState) sags(x float64) float64 {
	if !e.sag.known() {
		e.less, e.lessUsual = float32(x), float32(x)
		return x
	}
	e.less += (float32(x) - e.less) / 4
	own := max(float64(e.less-e.lessUsual), 0)
	e.lessUsual += (float32(x) - e.lessUsual) / 300
	return x - min(own, float64(e.shared))
}

// sagging returns the fall of the supply that a seventh of the neighbours, at
// least two, feel: of the cabinet where that is known and has so many, else of the area.
func (n *Neighbours) sagging(turnout, cabinet string, at int64) (sag float64, ok bool) {
	keys := groupKeys(turnout, cabinet)
	for _, k := range []string{keys[2], keys[1]} {
		g := n.groups[k]
		if k == "" || g == nil {
			continue
		}
		sag, ok = g.sag, len(g.felt) > feltSmall
		if !ok {
			i, isOf := g.index[turnout]
			if !isOf {
				i = -1
			}
			sag, ok = g.sagBut(i, at)
		}
		if ok {
			return max(min(sag, 2*(sag-sagUntil)), 0), true
		}
	}
	return 0, false
}

// sagBut returns the fall of the supply that several feel, but for one of them.
// It is that of the second of a few, the sixth or so of forty: the more there
// are, the more of them are slow for reasons of their own.
func (g *group) sagBut(but int, at int64) (sag float64, ok bool) {
	var small [feltSmall]float64
	x := small[:0]
	stride := max(len(g.felt)/feltMost, 1)
	for i := 0; i < len(g.felt); i += stride {
		if f := &g.felt[i]; i != but && f.at >= at-feltOld {
			x = append(x, f.sag)
		}
	}
	if len(x) < sagLeast {
		return 0, false
	}
	slices.Sort(x)
	return x[len(x)-max(sagLeast, (len(x)+5)/7)], true
}

// sags looks whether the supply of several of the group has fallen.
func (g *group) sags(area string, at int64) (changed bool) {
	was := g.notice[2]
	from := sagFrom
	if was != nil {
		from = sagUntil
	}
	of := 0
	var x []float64
	for i := range g.felt {
		if f := &g.felt[i]; f.supplied && f.at >= at-feltOld {
			of++
			if f.sag > from {
				x = append(x, f.sag)
			}
		}
	}
	if len(x) < sagFelt {
		g.notice[2] = nil
		return was != nil
	}
	slices.Sort(x)
	now := Notice{Area: area, What: "supply", Since: time.Unix(at, 0).UTC(), Change: round1(100 * (math.Exp(-x[len(x)/2]) - 1)), Turnouts: len(x), Of: of}
	if was != nil {
		if math.Abs(now.Change-was.Change) < 0.3*math.Abs(was.Change) {
			return false
		}
		now.Since = was.Since
	}
	now.Said = fmt.Sprintf("the supply of %d of %d turnouts of %s that tell it is about %.0f %% lower than usual; look for what feeds them", now.Turnouts, now.Of, area, -now.Change)
	g.notice[2] = &now
	return true
}
