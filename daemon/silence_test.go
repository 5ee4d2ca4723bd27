package daemon

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"throwline/detect"
)

// The broker's word that a cabinet is gone bears the time at which the cabinet
// connected, before its throws. It is silent all the same.
func TestWillAfterThrows(t *testing.T) {
	r, cab, c, now := underClock(t)
	word := `{"state":"STATE","at":"` + firstDay.Add(time.Hour).Format(time.RFC3339) + `","agent":"a"}`
	say := func(state string) {
		cab.publish("throwline/v1/TOLB-1/state", []byte(strings.Replace(word, "STATE", state, 1)))
		eventually(t, state, func() bool { l := r.Cabinets(); return len(l) == 1 && l[0].Online == (state == "online") })
	}
	say("online")
	now.Add(int64(10 * time.Hour))
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "the throw", func() bool { return r.yard.size() == 1 })
	now.Add(int64(time.Minute))
	say("offline")
	if l := r.silences(); len(l) != 0 {
		t.Errorf("expected a while to come back, found %+v", l)
	}
	now.Add(int64(16 * time.Minute))
	if l := r.silences(); len(l) != 1 {
		t.Fatalf("expected a cabinet that is offline for 16 minutes to be silent, found %+v", l)
	}
	eventually(t, "the alert", func() bool { r.look(); return silent(r) == 1 })
	// What the broker has kept comes again at a start, and changes nothing.
	r.halt()
	r = clocked(t, c, now)
	if l := r.silences(); len(l) != 0 || silent(r) != 1 {
		t.Errorf("expected the silence to stand after a restart, found %+v to change", l)
	}
	now.Add(int64(time.Minute))
	word = strings.Replace(word, `"agent":"a"`, `"agent":"b"`, 1)
	say("online")
	eventually(t, "the end of it", func() bool { r.look(); return silent(r) == 0 })
}

func silent(r *running) (n int) {
	for _, x := range r.Cases() {
		if x.Condition == detect.CabinetSilent && x.Open() {
			n++
		}
	}
	return n
}

// A cabinet of which nothing has come for days is silent until something comes:
// a program that is started anew has not heard of it.
func TestSilenceOutlastsRestart(t *testing.T) {
	r, cab, c, now := underClock(t)
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "the throw", func() bool { return r.yard.size() == 1 })
	now.Add(int64(4 * 24 * time.Hour))
	eventually(t, "the alert", func() bool { r.look(); return silent(r) == 1 })
	r.halt()
	r = clocked(t, c, now)
	if l := r.silences(); len(l) != 0 || silent(r) != 1 {
		t.Fatalf("expected the silence to stand, found %+v to change", l)
	}
	now.Add(int64(time.Minute))
	x := invented("TOLB-W01", 1, 0)
	x.StartedAt = firstDay.Add(4 * 24 * time.Hour)
	cab.throw("TOLB-1", x)
	eventually(t, "the end of it", func() bool { r.look(); return silent(r) == 0 })
}

// What was heard by a clock that ran ahead does not keep a cabinet from being silent.
func TestSilenceAfterClockIsPutBack(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	var now atomic.Int64
	right := firstDay.Add(time.Hour)
	now.Store(right.UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	now.Store(right.AddDate(1, 0, 0).UnixNano())
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "the throw", func() bool { return r.yard.size() == 1 })
	now.Store(right.Add(time.Minute).UnixNano())
	if l := r.silences(); len(l) != 0 {
		t.Errorf("expected none yet, found %+v", l)
	}
	now.Add(int64(4 * 24 * time.Hour))
	if l := r.silences(); len(l) != 1 {
		t.Errorf("expected a cabinet of which nothing came for four days, found %+v", l)
	}
}
