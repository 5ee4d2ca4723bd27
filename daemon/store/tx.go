package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// statements are prepared once on the writing connection.
type statements struct {
	addTurnout, addThrow, saveState, saveAlert, addEvent, saveReceipt, saveCabinet, saveConditions,
	addWork, judge, saveCovered, saveCommon, setAside, getAside, refuseAgain, dropAside, dropOldest *sql.Stmt

	people peopleStatements
}

var asideText = asideTable.read("id, at, topic, turnout, faults, payload, retries") + " "

// statement is where a prepared statement goes, and its text.
type statement struct {
	into **sql.Stmt
	text string
}

func (p *statements) all() []statement {
	return append(p.people.all(), []statement{
		{&p.addTurnout, turnoutsTable.add("name", "?1", "cabinet", "?2") + ` ON CONFLICT (name) DO UPDATE SET name = name RETURNING id`},
		{&p.addThrow, `INSERT INTO throws (id, key, turnout, to_end, started_at, arrived_at, completed, cabinet, record, traces, sum)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO NOTHING`},
		{&p.saveState, `UPDATE turnouts SET cabinet = ?, state = ?, state_sum = ?, sum = ? WHERE id = ?`},
		{&p.saveAlert, alertsTable.put("turnout open raised_at cleared_at call body", "id", "?1", "turnout", "?2", "open", "?3", "raised_at", "?4", "cleared_at", "?5", "call", "?6", "body", "?7",
			"handling", "'{}'", "calls", "'null'", "acknowledged", "-1", "untold", "0")},
		{&p.addEvent, eventsTable.add("at", "?1", "alert", "?2", "body", "?3")},
		{&p.saveReceipt, receiptsTable.put("", "cabinet", "?1", "boot", "?2", "through", "?3", "missing", "?4")},
		{&p.saveCabinet, cabinetsTable.put("online at agent clock_offset", "name", "?1", "online", "?2", "at", "?3", "agent", "?4", "clock_offset", "?5")},
		{&p.saveConditions, cabinetsTable.put("conditions_at rail_temperature air_temperature supply rain",
			"name", "?1", "conditions_at", "?2", "rail_temperature", "?3", "air_temperature", "?4", "supply", "?5", "rain", "?6") + `
			WHERE cabinets.conditions_at IS NULL OR cabinets.conditions_at <= excluded.conditions_at`},
		{&p.judge, "UPDATE work SET " + workTable.set("verdicts", "json_insert(verdicts, '$[#]', json(?1))") + " WHERE turnout = ?2 AND done_at = ?3"},
		{&p.addWork, workTable.add("turnout", "?1", "done_at", "?2", "kind", "?3", "note", "?4", "by", "?5", "arrived_at", "?6", "verdicts", "'[]'") + " ON CONFLICT DO NOTHING"},
		{&p.saveCovered, coveredTable.put("", "one", "1", "through", "?1")},
		{&p.saveCommon, `INSERT INTO common (one, body, sum) VALUES (1, ?, ?) ON CONFLICT (one) DO UPDATE SET body = excluded.body, sum = excluded.sum`},
		{&p.setAside, asideTable.add("at", "?1", "topic", "?2", "turnout", "?3", "faults", "?4", "payload", "?5", "retries", "0")},
		{&p.getAside, asideText + "WHERE id = ?"},
		{&p.refuseAgain, asideTable.update(2, "retries", "retries + 1", "faults", "?1")},
		{&p.dropAside, `DELETE FROM aside WHERE id = ? RETURNING length(payload)`},
		{&p.dropOldest, `DELETE FROM aside WHERE id = (SELECT min(id) FROM aside) AND id <> ? RETURNING length(payload)`},
	}...)
}

func (p *statements) prepare(ctx context.Context, db *sql.DB) (err error) {
	for _, st := range p.all() {
		if *st.into, err = db.PrepareContext(ctx, st.text); err != nil {
			return fmt.Errorf("%s: %w", st.text, err)
		}
	}
	return nil
}

func (p *statements) close() error {
	var errs []error
	for _, st := range p.all() {
		if *st.into != nil {
			errs = append(errs, (*st.into).Close())
		}
	}
	return errors.Join(errs...)
}

// Tx is one transaction. It is not for concurrent use and ends with the
// function that [Store.Update] called.
type Tx struct {
	s     *Store
	ctx   context.Context
	tx    *sql.Tx
	buf   []byte
	ids   map[string]int64 // turnouts first seen in this transaction
	last  int64            // the throw filed last in this transaction, 0 for none
	aside Aside            // what is set aside, as this transaction leaves it
}

// Update runs f in one transaction and returns when it is synced to disk. When
// f or the commit fails nothing is kept. Whether to try again: [Temporary].
func (s *Store) Update(ctx context.Context, f func(*Tx) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return fmt.Errorf("store %s: %w", s.path, fs.ErrClosed)
	}
	if err := s.broken.Load(); err != nil {
		return fmt.Errorf("nothing is written to a store that failed: %w", *err)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	// A half-run transaction is rolled back by hand: a context that ends must
	// not leave the only writing connection closed.
	tx, err := s.write.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return s.explain("begin", err)
	}
	t := &Tx{s: s, ctx: context.WithoutCancel(ctx), tx: tx, ids: map[string]int64{}, aside: s.AsideNow()}
	done := false
	defer func() {
		if !done {
			if err := tx.Rollback(); err != nil && !errors.Is(err, sql.ErrTxDone) {
				// A full disk makes SQLite roll back by itself; then there is nothing to roll back.
				s.o.Log.Debug("roll back", "path", s.path, "error", err)
			}
		}
	}()
	if err := f(t); err != nil {
		return s.explain("write", err)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return s.explain("commit", err)
	}
	done = true
	maps.Copy(s.ids, t.ids)
	s.last = t.LastThrow()
	s.asideMu.Lock()
	s.aside = t.aside
	s.asideMu.Unlock()
	s.boundLog(t.ctx)
	return nil
}

func (tx *Tx) exec(st *sql.Stmt, args ...any) (sql.Result, error) {
	return tx.tx.StmtContext(tx.ctx, st).ExecContext(tx.ctx, args...)
}

// turnout returns the number of a turnout, new if it is unknown.
func (tx *Tx) turnout(name, cabinet string) (int64, error) {
	if id, ok := tx.s.ids[name]; ok {
		return id, nil
	}
	if id, ok := tx.ids[name]; ok {
		return id, nil
	}
	var id int64
	if err := tx.tx.StmtContext(tx.ctx, tx.s.tx.addTurnout).QueryRowContext(tx.ctx, name, cabinet).Scan(&id); err != nil {
		return 0, fmt.Errorf("turnout %s: %w", name, err)
	}
	tx.ids[name] = id
	return id, nil
}

// AddThrow files a throw. added is false when its key is there already; then
// nothing was changed.
func (tx *Tx) AddThrow(r *detect.Record, t *ingest.Throw) (added bool, err error) {
	id, err := tx.turnout(r.Turnout, r.Cabinet)
	if err != nil {
		return false, err
	}
	tx.buf = appendRecord(tx.buf[:0], r)
	n := len(tx.buf)
	tx.buf = tx.s.traces.append(tx.buf, t.Channels)
	number := tx.LastThrow() + 1
	res, err := tx.exec(tx.s.tx.addThrow, number, r.Key, id, int(r.To), nanos(r.StartedAt), nanos(r.ArrivedAt), r.Completed, r.Cabinet, tx.buf[:n], tx.buf[n:], sumOfThrow(&tx.s.sums, number, id, r, tx.buf[:n]))
	if err != nil {
		return false, fmt.Errorf("throw %s: %w", r.Key, err)
	}
	rows, err := res.RowsAffected()
	if rows == 1 {
		tx.last = number
	}
	return rows == 1, err
}

// SaveState keeps the state of a turnout.
func (tx *Tx) SaveState(turnout, cabinet string, state []byte) error {
	id, err := tx.turnout(turnout, cabinet)
	if err != nil {
		return err
	}
	own := sum(state)
	row := &tx.s.sums
	row.begin(turnoutsTable.name)
	row.int(id)
	row.text(turnout)
	row.text(cabinet)
	row.int(int64(own))
	if _, err := tx.exec(tx.s.tx.saveState, cabinet, state, own, row.sum(), id); err != nil {
		return fmt.Errorf("state of %s: %w", turnout, err)
	}
	return nil
}

// Transition keeps the alert as it now is, and the event after all before it.
// What was done about the alert stays.
func (tx *Tx) Transition(e alerting.Event) error {
	if err := tx.SaveAlert(&e.Alert); err != nil {
		return err
	}
	event, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("alert %s: %w", e.Alert.ID, err)
	}
	if _, err := tx.exec(tx.s.tx.addEvent, nanos(e.At), e.Alert.ID, string(event)); err != nil {
		return fmt.Errorf("event of alert %s: %w", e.Alert.ID, err)
	}
	return nil
}

// SaveAlert keeps an alert as it is now, with no transition.
func (tx *Tx) SaveAlert(a *alerting.Alert) error {
	body, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("alert %s: %w", a.ID, err)
	}
	var cleared any // NULL while it stands
	if !a.Open() {
		cleared = nanos(a.ClearedAt)
	}
	if _, err := tx.exec(tx.s.tx.saveAlert, a.ID, a.Turnout, a.Open(), nanos(a.RaisedAt), cleared, a.Call, string(body)); err != nil {
		return fmt.Errorf("alert %s: %w", a.ID, err)
	}
	return nil
}

// SaveReceipt keeps what a cabinet is to be told.
func (tx *Tx) SaveReceipt(cabinet string, r ingest.Receipt) error {
	var w writer
	w.uvarint(uint64(len(r.Missing)))
	for _, m := range r.Missing {
		w.uvarint(m[0])
		w.uvarint(m[1])
	}
	if _, err := tx.exec(tx.s.tx.saveReceipt, cabinet, r.Boot, int64(r.Through), w.b); err != nil {
		return fmt.Errorf("receipt of %s: %w", cabinet, err)
	}
	return nil
}

func nullable(r ingest.Reading) any {
	if r.Known {
		return r.Value
	}
	return nil
}

// SaveCabinet keeps the last state of a cabinet.
func (tx *Tx) SaveCabinet(c ingest.CabinetState) error {
	if _, err := tx.exec(tx.s.tx.saveCabinet, c.Cabinet, c.Online, nanos(c.At), c.Agent, nullable(c.ClockOffset)); err != nil {
		return fmt.Errorf("state of cabinet %s: %w", c.Cabinet, err)
	}
	return nil
}

// SaveConditions keeps the latest conditions of a cabinet; older ones change nothing.
func (tx *Tx) SaveConditions(c ingest.Conditions) error {
	if _, err := tx.exec(tx.s.tx.saveConditions, c.Cabinet, nanos(c.At), nullable(c.RailTemperature), nullable(c.AirTemperature), nullable(c.Supply), nullable(c.Rain)); err != nil {
		return fmt.Errorf("conditions of cabinet %s: %w", c.Cabinet, err)
	}
	return nil
}

// AddWork files a visit. added is false when it is there already.
func (tx *Tx) AddWork(w ingest.Work, arrived time.Time) (added bool, err error) {
	res, err := tx.exec(tx.s.tx.addWork, w.Turnout, nanos(w.DoneAt), string(w.Kind), w.Note, w.By, nanos(arrived))
	if err != nil {
		return false, fmt.Errorf("work at %s: %w", w.Turnout, err)
	}
	rows, err := res.RowsAffected()
	return rows == 1, err
}

// Judge adds what the throws after work at the turnout say of it.
func (tx *Tx) Judge(turnout string, v detect.Verdict) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("verdict on work at %s: %w", turnout, err)
	}
	if _, err := tx.exec(tx.s.tx.judge, string(b), turnout, nanos(v.DoneAt)); err != nil {
		return fmt.Errorf("verdict on work at %s: %w", turnout, err)
	}
	return nil
}

// SetAside keeps a refused message and returns its number. The number and Retries of a are not looked at.
func (tx *Tx) SetAside(a ingest.SetAside) (id int64, err error) {
	faults, err := json.Marshal(a.Faults)
	if err != nil {
		return 0, err
	}
	payload := a.Payload
	if payload == nil {
		payload = []byte{} // an empty message: nil would be no payload at all, which the table refuses
	}
	res, err := tx.exec(tx.s.tx.setAside, nanos(a.At), a.Topic, a.Turnout, string(faults), payload)
	if err != nil {
		return 0, fmt.Errorf("set aside a message of %s: %w", a.Topic, err)
	}
	if id, err = res.LastInsertId(); err != nil {
		return 0, err
	}
	tx.aside.Messages++
	tx.aside.Bytes += int64(len(a.Payload))
	for tx.aside.Messages > int64(tx.s.o.MostAside) || tx.aside.Bytes > tx.s.o.MostAsideBytes {
		dropped, err := tx.drop(tx.s.tx.dropOldest, id)
		if err != nil {
			return 0, fmt.Errorf("make room for a message of %s: %w", a.Topic, err)
		}
		if !dropped {
			break // it is the only one
		}
		tx.aside.Dropped++
	}
	return id, nil
}

// drop runs a statement that deletes at most one message that was set aside.
func (tx *Tx) drop(st *sql.Stmt, id int64) (dropped bool, err error) {
	var n int64
	switch err := tx.tx.StmtContext(tx.ctx, st).QueryRowContext(tx.ctx, id).Scan(&n); {
	case errors.Is(err, sql.ErrNoRows):
		return false, nil
	case err != nil:
		return false, err
	}
	tx.aside.Messages--
	tx.aside.Bytes -= n
	return true, nil
}

// Aside returns a message that was set aside.
func (tx *Tx) Aside(id int64) (ingest.SetAside, error) {
	a, err := scanAside(tx.tx.StmtContext(tx.ctx, tx.s.tx.getAside).QueryRowContext(tx.ctx, id))
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("message %d is not set aside: %w", id, fs.ErrNotExist)
	}
	return a, err
}

// RefuseAgain notes that a message was sent through again in vain, and why.
func (tx *Tx) RefuseAgain(id int64, faults []ingest.Fault) error {
	b, err := json.Marshal(faults)
	if err != nil {
		return fmt.Errorf("message %d: %w", id, err)
	}
	if _, err := tx.exec(tx.s.tx.refuseAgain, string(b), id); err != nil {
		return fmt.Errorf("refuse message %d again: %w", id, err)
	}
	return nil
}

// DropAside forgets a message that was set aside; one that is not there is no error.
func (tx *Tx) DropAside(id int64) error {
	if _, err := tx.drop(tx.s.tx.dropAside, id); err != nil {
		return fmt.Errorf("drop message %d: %w", id, err)
	}
	return nil
}

type row interface{ Scan(...any) error }

func scanAside(r row) (ingest.SetAside, error) {
	var a ingest.SetAside
	var at int64
	var faults string
	if err := (checked{r}).Scan(&a.ID, &at, &a.Topic, &a.Turnout, &faults, &a.Payload, &a.Retries); err != nil {
		return a, err
	}
	a.At = time.Unix(0, at).UTC()
	return a, json.Unmarshal([]byte(faults), &a.Faults)
}
