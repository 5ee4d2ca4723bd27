package accounts

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/alerting"
)

// Strangers at very many addresses guess at one account. They are slowed down,
// and its owner comes in all the same: from a browser in which he logged in
// before at once, whatever his address.
func TestStrangersEverywhere(t *testing.T) {
	key := bytes.Repeat([]byte{7}, 32)
	with := func(o *Options) { o.DeviceKey = key }
	r := newRig(t, with)
	r.first()
	r.person("w", alerting.Viewer)
	_, marks, _, err := r.Login(t.Context(), "w", good, here, "")
	if err != nil || marks == "" {
		t.Fatal(marks, err)
	}
	held := 0
	for i := range 1000 {
		_, _, _, err := r.Login(t.Context(), "w", better, fmt.Sprintf("198.51.%d.%d", i/250, i%250), "")
		if errors.As(err, new(Wait)) {
			held++
		} else if !errors.Is(err, alerting.ErrWrongLogin) {
			t.Fatal(err)
		}
	}
	if looked := 1000 - held; looked > freeStrangers+1 {
		t.Errorf("%d guesses of 1000 were looked at", looked)
	}
	for name, c := range map[string]struct {
		marks string
		in    bool
	}{
		"a browser that is known":    {marks, true},
		"one that is not":            {"", false},
		"a mark that is made up":     {strings.Repeat("A", len(marks)), false},
		"a mark for another account": {r.marked("", "chief", "x", r.now), false},
	} {
		_, _, _, err := r.Login(t.Context(), "w", good, "203.0.113.9", c.marks)
		if (err == nil) != c.in {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A restart does not make it a stranger; a new password, or time, does.
	r.open(with)
	if u, _ := r.account("w"); r.device(marks, "w", u.Password, r.now) == "" {
		t.Error("a restart forgot it")
	}
	u, _ := r.account("w")
	if r.device(marks, "w", u.Password, r.now.Add(deviceFor)) != "" || r.device(marks, "w", "another hash", r.now) != "" {
		t.Error("it holds for ever")
	}
	// A known browser that guesses is held up as anyone.
	var wait Wait
	for i := 0; !errors.As(err, &wait); i++ {
		if i > 2*freeAttempts {
			t.Fatal("a known browser guesses without end")
		}
		_, _, _, err = r.Login(t.Context(), "w", better, here, marks)
	}
}

// A browser keeps marks for several accounts, and no more than that.
func TestMarksOfSeveral(t *testing.T) {
	r := newRig(t)
	now, marks := time.Now(), ""
	for i := range 2 * mostMarks {
		marks = r.marked(marks, fmt.Sprint(i), "hash", now)
		marks = r.marked(marks, fmt.Sprint(i), "hash", now) // again: not twice
	}
	for i := range 2 * mostMarks {
		if known := r.device(marks, fmt.Sprint(i), "hash", now) != ""; known != (i >= mostMarks) {
			t.Errorf("account %d: known %v", i, known)
		}
	}
	if n := strings.Count(marks, ".") + 1; n != mostMarks {
		t.Errorf("%d marks", n)
	}
	for _, bad := range []string{strings.Repeat(marks, 10), "...", "=.=", marks[1:]} {
		_ = r.device(bad, "1", "hash", now)
		if got := r.marked(bad, "x", "hash", now); len(got) > len(marks) {
			t.Errorf("keeps %d bytes of %q", len(got), bad)
		}
	}
}

// Who is known does not wait behind strangers who have filled the queue.
func TestQueueOfStrangers(t *testing.T) {
	h := newHasher(cheap, 1)
	h.slots <- struct{}{} // one that takes long
	var wg sync.WaitGroup
	for range cap(h.queue) {
		wg.Go(func() { _, _, _ = h.check(t.Context(), good, "", false) })
	}
	for len(h.queue) < cap(h.queue) {
		time.Sleep(time.Millisecond)
	}
	if _, _, err := h.check(t.Context(), good, "", false); !errors.Is(err, alerting.ErrBusy) {
		t.Errorf("one more stranger: %v", err)
	}
	in := make(chan error, 1)
	go func() { _, err := h.hash(t.Context(), good); in <- err }()
	for len(h.known) == 0 {
		time.Sleep(time.Millisecond)
	}
	<-h.slots
	if err := <-in; err != nil {
		t.Errorf("who is known: %v", err)
	}
	wg.Wait()
}

// Who guesses at the login does not keep its owner from changing the password.
func TestChangeIsNoLogin(t *testing.T) {
	r := newRig(t)
	r.first()
	s := r.person("w", alerting.Viewer)
	v, err := r.BySession(t.Context(), s, true)
	if err != nil {
		t.Fatal(err)
	}
	for range 200 {
		_, _, _, _ = r.Login(t.Context(), "w", better, here, "")
	}
	if _, _, err := r.ChangePassword(t.Context(), v, good, better, here); err != nil {
		t.Errorf("found %v", err)
	}
}

// Whose role changes is no more who he was: an open event stream ends.
func TestStill(t *testing.T) {
	r := newRig(t)
	r.first()
	v, err := r.BySession(t.Context(), r.person("w", alerting.Operator), true)
	if err != nil || !r.Still(v, alerting.Viewer) {
		t.Fatal(err)
	}
	role := alerting.Maintainer
	if _, err := r.Change(t.Context(), "chief", "w", nil, &role, nil); err != nil {
		t.Fatal(err)
	}
	if r.Still(v, alerting.Viewer) {
		t.Error("a new role changed nothing")
	}
}
