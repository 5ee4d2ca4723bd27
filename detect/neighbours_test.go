package detect

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// A week in which all turnouts of an area get heavier is one notice and no
// alert; the one of them that gets heavier than the others still stands out.
func TestFeltByMany(t *testing.T) {
	const n = 12
	var near Neighbours
	set := DefaultSettings()
	var benches [n]*bench
	var states [n]*State
	for i := range benches {
		benches[i], states[i] = newBench(uint64(i)), &State{}
	}
	common, own := 0.0, 0.0
	alerted := map[int]int{}
	var notices []Notice
	round := func() {
		for i, w := range benches {
			w.travel = common
			if i == 3 {
				w.travel += own
			}
			o := w.throw()
			o.Turnout = fmt.Sprintf("ELM-W%02d", i)
			near.Fill(o, "")
			var a Assessment
			states[i], a = states[i].Step(o, &set)
			near.Take(states[i], "", o.StartedAt)
			if len(a.Findings) > 0 {
				alerted[i]++
			}
			if list, changed := near.Notices(); changed {
				notices = list
			}
		}
	}
	for range 500 {
		round()
	}
	if len(alerted) > 0 || len(notices) > 0 {
		t.Fatalf("calm: %v alerted, notices %+v", alerted, notices)
	}
	for i := range 200 { // some five days
		common = min(float64(i)/60, 1) * 0.14
		if i > 80 {
			own = 0.25
		}
		round()
	}
	if len(alerted) != 1 || alerted[3] == 0 {
		t.Errorf("expected an alert of the fourth turnout alone, found %v", alerted)
	}
	if len(notices) != 1 || notices[0].Area != "ELM" || notices[0].What != "effort" || notices[0].Turnouts < n-2 || !strings.Contains(notices[0].Said, "heavier") {
		t.Errorf("expected one notice of the area, found %+v", notices)
	}
	common, own = 0, 0
	for range 60 {
		round()
	}
	if len(notices) != 0 {
		t.Errorf("the notice stays: %+v", notices)
	}
}

func TestArea(t *testing.T) {
	for name, want := range map[string]string{"ORR-W01": "ORR", "12": "", "A.B_3": "A.B", "-x": "", "Elm:7": "Elm"} {
		if got := Area(name); got != want {
			t.Errorf("%q: expected %q, found %q", name, want, got)
		}
	}
}

// A large group's middle is found now and then only, and still follows.
func TestLargeGroup(t *testing.T) {
	var g group
	g.index = map[string]int{}
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Unix()
	for round := range 4 {
		for i := range 400 {
			g.take(fmt.Sprint(i), felt{ln: [2]float64{float64(round) * 0.1, 0}, at: at + int64(round*600+i)}, "*")
		}
	}
	m, n := g.without("7", at+3000)
	if n < 390 || m[0] < 0.19 || m[0] > 0.31 {
		t.Errorf("found middle %.2f of %d", m[0], n)
	}
}

// A cabinet is told beside its area only where the area tells nothing.
func TestCoveredByArea(t *testing.T) {
	note := func(area string) [3]*Notice { return [3]*Notice{{Area: area, What: "effort"}} }
	n := Neighbours{changed: true, groups: map[string]*group{
		"a/ELM":   {notice: note("ELM")},
		"c/ELM-1": {index: map[string]int{"ELM-W1": 0}, notice: note("ELM-1")},
		"a/OAK":   {},
		"c/OAK-1": {index: map[string]int{"OAK-W1": 0}, notice: note("OAK-1")},
	}}
	list, changed := n.Notices()
	if !changed || len(list) != 2 || list[0].Area != "ELM" || list[1].Area != "OAK-1" {
		t.Errorf("found %+v", list)
	}
	if _, changed = n.Notices(); changed {
		t.Error("told twice")
	}
}
