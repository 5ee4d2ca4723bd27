package mqtt

import (
	"fmt"
	"strings"
	"testing"
)

// What is in hand is bounded in bytes as well; what waits at the broker comes
// when there is room, and a message that is larger than that alone comes too.
func TestInHandIsBounded(t *testing.T) {
	const most, each, n = 100_000, 10_000, 200
	m := startMosquitto(t, "")
	s := open(t, m, Options{InHand: most})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	send(t, c, "throwline/v1/cab-1/throw/W1", strings.Repeat("x", 3*most))
	next(t, s).Ack()
	for i := range n {
		send(t, c, "throwline/v1/cab-1/throw/W1", fmt.Sprintf("%d %s", i, strings.Repeat("x", each)))
	}
	wait(t, "that it waits", func() bool { return s.Status().Waits > 0 })
	inHand := func() int64 {
		s.held.mu.Lock()
		defer s.held.mu.Unlock()
		return s.held.bytes
	}
	for i := range n {
		if b := inHand(); b > most+2*(each+100) {
			t.Fatalf("%d bytes are in hand", b)
		}
		got := next(t, s)
		if !strings.HasPrefix(string(got.Payload), fmt.Sprint(i, " ")) {
			t.Fatalf("expected %d, found %.10s", i, got.Payload)
		}
		got.Ack()
	}
	if b := inHand(); b != 0 {
		t.Errorf("%d bytes are in hand after all were acknowledged", b)
	}
}
