package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"throwline/alerting"
)

// The outbox holds what is to be sent to targets. It is entered in the
// transaction of what it tells of, so that neither is there without the other;
// what was sent and not noted as such before a crash is sent again.

// Outgoing is one message to one target.
type Outgoing struct {
	ID      int64
	Target  string
	Key     string // unique for the target: the receiver may drop what it has
	Alert   string // "": a trial
	Turnout string
	Reason  alerting.Reason
	Body    json.RawMessage // the message, which the store does not look into
	Due     time.Time       // when to try it, or to try it again

	// Of a message that is read; not looked at when it is entered.
	Since   time.Time // when it was due at first
	Tries   int       // in vain so far
	Outcome string    // of the last try
	DoneAt  time.Time // zero while it waits
	Sent    bool      // false though it is done: given up
}

var outgoingText = outboxTable.read("id, target, key, coalesce(alert, ''), turnout, reason, body, since, due, tries, outcome, done_at, sent") + " "

func scanOutgoing(r row) (o Outgoing, err error) {
	var since, due int64
	var done sql.NullInt64
	var body []byte
	if err := (checked{r}).Scan(&o.ID, &o.Target, &o.Key, &o.Alert, &o.Turnout, &o.Reason, &body, &since, &due, &o.Tries, &o.Outcome, &done, &o.Sent); err != nil {
		return o, err
	}
	o.Body, o.Since, o.Due, o.DoneAt = body, time.Unix(0, since).UTC(), time.Unix(0, due).UTC(), when(done)
	return o, nil
}

// when is the time in a column that may be NULL, or the zero time.
func when(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}

// isForeign reports whether what failed refers to something that is not there.
func isForeign(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code() == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY
}

// isConstraint reports whether a table refused what was to be entered.
func isConstraint(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	code := e.Code() & 0xff
	return code == sqlite3.SQLITE_CONSTRAINT || code == sqlite3.SQLITE_MISMATCH
}

// Enqueue enters a message. added is false when the target has one of this key
// already, sent or not; then nothing was changed. The alert, if it names one,
// must be there, or the error wraps [fs.ErrNotExist]. What is to be sent to a
// target for an alert leaves in the order of entry: enter a reminder when it is
// due, not before, or what comes after waits for it.
func (tx *Tx) Enqueue(o Outgoing) (added bool, err error) {
	if o.Target == "" || o.Key == "" || o.Due.IsZero() || !json.Valid(o.Body) {
		return false, fmt.Errorf("outbox: expected a target, a key, a time and JSON, found %q, %q, %v and %.60q", o.Target, o.Key, o.Due, o.Body)
	}
	due := nanos(o.Due)
	res, err := tx.exec(tx.s.tx.people.enqueue, o.Target, o.Key, orNull(o.Alert), o.Turnout, string(o.Reason), string(o.Body), due, due)
	if isForeign(err) {
		return false, fmt.Errorf("message %s to %s: %w", o.Key, o.Target, noAlert(o.Alert))
	}
	if err != nil {
		return false, fmt.Errorf("message %s to %s: %w", o.Key, o.Target, err)
	}
	rows, err := res.RowsAffected()
	return rows == 1, err
}

// longestDelay is farther ahead than most messages are due: what is due later was
// put off by its target's wish, or by a clock that ran ahead.
const longestDelay = 2 * time.Hour

// mostPutOff is how many that were put off are looked at for a clock that ran
// ahead, those first that are due last: a target's wish is believed for a day, so
// that what a clock more than a day ahead has put off comes before all of those.
const mostPutOff = 256

const firstOfAlert = ` AND done_at IS NULL
		AND NOT EXISTS (SELECT 1 FROM outbox AS before WHERE before.target = outbox.target AND before.alert = outbox.alert AND before.id < outbox.id AND before.done_at IS NULL)`

var (
	dueText = outgoingText + "WHERE target = ? AND due <= ?" + firstOfAlert + " ORDER BY due, id LIMIT ?"
	// Entered at a time that has not come.
	enteredAheadText = outgoingText + "WHERE target = ? AND since > ? AND +due > ?" + firstOfAlert + " ORDER BY since LIMIT ?"
	// Tried last at a time that has not come. What was put off and was entered at a
	// time that has is the oldest of its alert: nothing else takes up places.
	triedAheadText = outgoingText + `WHERE id IN (SELECT id FROM outbox WHERE target = ? AND due > ? AND since <= ? AND done_at IS NULL ORDER BY due DESC, id DESC LIMIT ` + strconv.Itoa(mostPutOff) + `)
		AND (SELECT at FROM attempts WHERE outgoing = outbox.id ORDER BY id DESC LIMIT 1) > ?` + firstOfAlert + " ORDER BY id LIMIT ?"
	ofAlertText = outgoingText + "WHERE alert = ? ORDER BY id"
	pruneText   = "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE done_at < ? ORDER BY done_at LIMIT ?)"
	waitingText = "SELECT target, count(*), min(since) FROM outbox WHERE done_at IS NULL GROUP BY target"
)

// DueOutgoing returns what a target is to be sent now, at most limit messages,
// longest due first. Of an alert there is at most one, the oldest: what comes
// after it is not given before it is sent or given up. What a clock that ran ahead
// for more than two hours has entered or put off comes after all else; where very
// many are put off for hours, what a clock less than a day ahead has put off may
// come only when it is due.
func (s *Store) DueOutgoing(ctx context.Context, target string, now time.Time, limit int) ([]Outgoing, error) {
	limit = max(1, limit)
	at, late := nanos(now), nanos(now.Add(longestDelay))
	list, err := s.outgoing(ctx, dueText, target, at, limit)
	if err == nil && len(list) < limit {
		var ahead []Outgoing
		ahead, err = s.outgoing(ctx, enteredAheadText, target, at, late, limit-len(list))
		list = append(list, ahead...)
	}
	if err == nil && len(list) < limit {
		var ahead []Outgoing
		ahead, err = s.outgoing(ctx, triedAheadText, target, late, at, at, limit-len(list))
		list = append(list, ahead...)
	}
	return list, err
}

// OutgoingOf returns what was and is to be sent for an alert, oldest first, as
// far as it was not pruned.
func (s *Store) OutgoingOf(ctx context.Context, alert string) ([]Outgoing, error) {
	return s.outgoing(ctx, ofAlertText, alert)
}

func (s *Store) outgoing(ctx context.Context, text string, args ...any) (list []Outgoing, err error) {
	err = s.each(ctx, func(r row) error {
		o, err := scanOutgoing(r)
		list = append(list, o)
		return err
	}, text, args...)
	return list, err
}

// Attempt is one try to send a message.
type Attempt struct {
	At      time.Time
	Outcome string
}

// Attempts returns all tries to send a message, oldest first.
func (s *Store) Attempts(ctx context.Context, id int64) (list []Attempt, err error) {
	err = s.each(ctx, func(r row) error {
		var at int64
		var a Attempt
		if err := (checked{r}).Scan(&at, &a.Outcome); err != nil {
			return err
		}
		a.At = time.Unix(0, at).UTC()
		list = append(list, a)
		return nil
	}, attemptsTable.read("at, outcome")+" WHERE outgoing = ? ORDER BY id", id)
	return list, err
}

var (
	sentText          = outboxTable.update(3, "done_at", "?1", "outcome", "?2", "sent", "1")
	putOffText        = outboxTable.update(4, "due", "?1", "tries", "?2", "outcome", "?3")
	givenUpText       = outboxTable.update(3, "done_at", "?1", "outcome", "?2")
	targetSentText    = targetsTable.add("name", "?1", "sent", "1", "sent_at", "?2", "given_up", "0", "failure", "''") + countText("sent", "sent_at")
	targetFailedText  = targetsTable.put("failed_at failure", "name", "?1", "failed_at", "?2", "failure", "?3", "sent", "0", "given_up", "0")
	targetGivenUpText = targetsTable.add("name", "?1", "failed_at", "?2", "failure", "?3", "given_up", "1", "sent", "0") + countText("given_up", "failed_at failure")
	attemptText       = attemptsTable.add("outgoing", "?1", "at", "?2", "outcome", "?3")
)

// countText adds one to what a target has counted, and takes the rest as given.
func countText(counted, taken string) string {
	to := []string{"name", "excluded.name", counted, "targets." + counted + " + 1"}
	for _, c := range words(taken) {
		to = append(to, c, "excluded."+c)
	}
	return " ON CONFLICT (name) DO UPDATE SET " + targetsTable.set(to...)
}

// Sent notes that a message was sent, and what the target said. A message that
// does not wait is an error that wraps [fs.ErrNotExist]; so with PutOff and GiveUp.
func (tx *Tx) Sent(id int64, at time.Time, outcome string) error {
	return tx.tried(id, at, outcome, true, sentText, targetSentText,
		[]any{nanos(at), outcome, id})
}

// PutOff notes a try in vain, and when the next is due. tries is how many were
// made in vain, this one among them.
func (tx *Tx) PutOff(id int64, at, until time.Time, outcome string, tries int) error {
	return tx.tried(id, at, outcome, false, putOffText, targetFailedText,
		[]any{nanos(until), tries, outcome, id}, outcome)
}

// GiveUp notes that a message will not be tried again, and why.
func (tx *Tx) GiveUp(id int64, at time.Time, outcome string) error {
	return tx.tried(id, at, outcome, true, givenUpText, targetGivenUpText,
		[]any{nanos(at), outcome, id}, outcome)
}

// tried notes a try with the message, with its target, and in the journal. A
// target that fails for days would drown the journal: what fails as it did the
// last time stands in the attempts only.
func (tx *Tx) tried(id int64, at time.Time, outcome string, last bool, message, target string, args []any, more ...any) error {
	wrap := func(err error) error { return fmt.Errorf("message %d: %w", id, err) }
	o, err := scanOutgoing(tx.tx.QueryRowContext(tx.ctx, outgoingText+"WHERE id = ? AND done_at IS NULL", id))
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("it does not wait to be sent: %w", fs.ErrNotExist)
	}
	if err != nil {
		return wrap(err)
	}
	for _, step := range []struct {
		text string
		args []any
	}{
		{message, args},
		{target, append([]any{o.Target, nanos(at)}, more...)},
		{attemptText, []any{id, nanos(at), outcome}},
	} {
		if _, err := tx.tx.ExecContext(tx.ctx, step.text, step.args...); err != nil {
			return wrap(err)
		}
	}
	if !last && outcome == o.Outcome {
		return nil
	}
	_, err = tx.AddEntry(alerting.Entry{
		Alert: o.Alert, Turnout: o.Turnout, At: at, Action: string(alerting.Deliver), Note: string(o.Reason), Target: o.Target, Outcome: outcome,
	})
	return err
}

// PruneOutbox forgets, of at most most messages, what was sent or given up
// before a time. It returns how many there were. The journal keeps what became
// of them; their keys are free again.
func (tx *Tx) PruneOutbox(before time.Time, most int) (pruned int, err error) {
	res, err := tx.tx.ExecContext(tx.ctx, pruneText, nanos(before), most)
	if err != nil {
		return 0, fmt.Errorf("prune the outbox: %w", err)
	}
	n, err := res.RowsAffected()
	return int(n), err
}

// TargetState is how a target fares.
type TargetState struct {
	Target  string
	Waiting int
	Oldest  time.Time // when the one that has waited longest was due at first; zero: none waits
	Sent    int64     // in all, since the store was made
	GivenUp int64

	LastSent    time.Time // zero: never
	LastFailure time.Time
	Failure     string // what went wrong then
}

// OutboxState returns how each target fares that was ever sent anything or is
// to be, by name.
func (s *Store) OutboxState(ctx context.Context) (list []TargetState, err error) {
	err = s.each(ctx, func(r row) error {
		var t TargetState
		var oldest, sent, failed sql.NullInt64
		if err := (checked{r}).Scan(&t.Target, &t.Waiting, &oldest, &t.Sent, &t.GivenUp, &sent, &failed, &t.Failure); err != nil {
			return err
		}
		t.Oldest, t.LastSent, t.LastFailure = when(oldest), when(sent), when(failed)
		list = append(list, t)
		return nil
	}, `WITH waiting (name, n, oldest) AS (`+waitingText+`)
		SELECT name, coalesce(n, 0), oldest, coalesce(sent, 0), coalesce(given_up, 0), sent_at, failed_at, coalesce(failure, ''), `+targetsTable.damaged()+`
		FROM waiting FULL JOIN targets USING (name) ORDER BY name`)
	return list, err
}
