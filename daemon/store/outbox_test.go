package store

import (
	"errors"
	"fmt"
	"testing"
)

// A clock that ran ahead when a message was entered or put off holds up neither it
// nor what comes after it for its alert.
func TestOutboxOfAClockAhead(t *testing.T) {
	suite(t, Options{}, func(t *testing.T, open func() keeper) {
		k := open()
		const year = 365 * 24 * 60
		due := func(now int, want ...string) {
			t.Helper()
			list, err := k.DueOutgoing(t.Context(), "mail", minute(now), 10)
			var got []string
			for _, o := range list {
				got = append(got, o.Key)
			}
			expect(t, fmt.Sprintf("due at %d", now), got, want, err)
		}
		keep(t, k, raise(alert("a", "W1", 0), alert("b", "W2", 0), alert("c", "W3", 0)))
		keep(t, k, enqueue(outgoing("mail", "a1", "a", year), outgoing("mail", "a2", "a", 1), outgoing("mail", "b1", "b", 0), outgoing("mail", "c1", "c", 0)))
		keep(t, k, func(e entries) error {
			return errors.Join(
				e.PutOff(3, minute(year), minute(year+1), "refused", 1),     // by the clock that ran ahead
				e.PutOff(4, minute(1), minute(1+23*60), "come tomorrow", 1), // as its target wished
			)
		})
		due(2, "a1", "b1")
		keep(t, k, func(e entries) error {
			return errors.Join(e.Sent(1, minute(2), "sent"), e.PutOff(3, minute(2), minute(4), "refused", 2))
		})
		due(3, "a2")
		due(4, "a2", "b1")
	})
}

// What a clock that ran far ahead has put off is found behind any number of
// messages that their target has put off for hours, the last of them for a day.
func TestOutboxOfManyPutOff(t *testing.T) {
	s := opened(t)
	const many, day = 3 * mostPutOff, 24 * 60
	update(t, s, func(tx *Tx) error {
		for n := range many {
			if _, err := tx.Enqueue(outgoing("mail", fmt.Sprint(n), "", 0)); err != nil {
				return err
			}
			if err := tx.PutOff(int64(n+1), minute(n*day/many), minute(n*day/many+day), "come tomorrow", 1); err != nil {
				return err
			}
		}
		_, err := tx.Enqueue(outgoing("mail", "ahead", "", 0))
		return errors.Join(err, tx.PutOff(many+1, minute(10*day), minute(10*day+1), "refused", 1))
	})
	list, err := s.DueOutgoing(t.Context(), "mail", minute(day-1), 10)
	if err != nil || len(list) != 1 || list[0].Key != "ahead" {
		t.Errorf("expected the one that was put off by a clock ahead, found %+v, %v", list, err)
	}
}
