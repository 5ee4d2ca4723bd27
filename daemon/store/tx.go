package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"reflect"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// statements are prepared once on the writing connection.
type statements struct {
	AddTurnout, AddThrow, SaveState, SaveAlert, AddEvent, SaveReceipt, SaveCabinet, SaveConditions,
	AddWork, SetAside, GetAside, RefuseAgain, DropAside, TrimAside *sql.Stmt
}

var texts = map[string]string{
	"AddTurnout": `INSERT INTO turnouts (name, cabinet) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET name = name RETURNING id`,
	"AddThrow": `INSERT INTO throws (key, turnout, to_end, started_at, arrived_at, completed, cabinet, record, traces)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO NOTHING`,
	"SaveState": `UPDATE turnouts SET cabinet = ?, state = ? WHERE id = ?`,
	"SaveAlert": `INSERT INTO alerts (id, turnout, open, raised_at, body) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET open = excluded.open, body = excluded.body`,
	"AddEvent": `INSERT INTO events (at, alert, body) VALUES (?, ?, ?)`,
	"SaveReceipt": `INSERT INTO receipts (cabinet, boot, through, missing) VALUES (?, ?, ?, ?)
		ON CONFLICT (cabinet) DO UPDATE SET boot = excluded.boot, through = excluded.through, missing = excluded.missing`,
	"SaveCabinet": `INSERT INTO cabinets (name, online, at, agent, clock_offset) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET online = excluded.online, at = excluded.at, agent = excluded.agent, clock_offset = excluded.clock_offset`,
	"SaveConditions": `INSERT INTO cabinets (name, conditions_at, rail_temperature, air_temperature, supply, rain) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET conditions_at = excluded.conditions_at, rail_temperature = excluded.rail_temperature,
		air_temperature = excluded.air_temperature, supply = excluded.supply, rain = excluded.rain
		WHERE cabinets.conditions_at IS NULL OR cabinets.conditions_at <= excluded.conditions_at`,
	"AddWork":     `INSERT INTO work (turnout, done_at, kind, note, by, arrived_at) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
	"SetAside":    `INSERT INTO aside (at, topic, turnout, faults, payload) VALUES (?, ?, ?, ?, ?)`,
	"GetAside":    `SELECT id, at, topic, turnout, faults, payload, retries FROM aside WHERE id = ?`,
	"RefuseAgain": `UPDATE aside SET retries = retries + 1, faults = ? WHERE id = ?`,
	"DropAside":   `DELETE FROM aside WHERE id = ?`,
	"TrimAside":   `DELETE FROM aside WHERE id <= ?`,
}

func (p *statements) prepare(ctx context.Context, db *sql.DB) error {
	v := reflect.ValueOf(p).Elem()
	for i := range v.NumField() {
		st, err := db.PrepareContext(ctx, texts[v.Type().Field(i).Name])
		if err != nil {
			return fmt.Errorf("%s: %w", v.Type().Field(i).Name, err)
		}
		v.Field(i).Set(reflect.ValueOf(st))
	}
	return nil
}

func (p *statements) close() error {
	var errs []error
	v := reflect.ValueOf(p).Elem()
	for i := range v.NumField() {
		if st := v.Field(i).Interface().(*sql.Stmt); st != nil {
			errs = append(errs, st.Close())
		}
	}
	return errors.Join(errs...)
}

// Tx is one transaction. It is not for concurrent use and ends with the
// function that [Store.Update] called.
type Tx struct {
	s   *Store
	ctx context.Context
	tx  *sql.Tx
	buf []byte
	ids map[string]int64 // turnouts first seen in this transaction
}

// Update runs f in one transaction and returns when it is synced to disk. When
// f or the commit fails nothing is kept. Whether to try again: [Temporary].
func (s *Store) Update(ctx context.Context, f func(*Tx) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return fmt.Errorf("store %s: %w", s.path, fs.ErrClosed)
	}
	// A half-run transaction is rolled back by hand: a context that ends must
	// not leave the only writing connection closed.
	tx, err := s.write.BeginTx(context.WithoutCancel(ctx), nil)
	if err != nil {
		return s.explain("begin", err)
	}
	t := &Tx{s: s, ctx: context.WithoutCancel(ctx), tx: tx, ids: map[string]int64{}}
	done := false
	defer func() {
		if !done {
			tx.Rollback()
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
	for name, id := range t.ids {
		s.ids[name] = id
	}
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
	if err := tx.tx.StmtContext(tx.ctx, tx.s.tx.AddTurnout).QueryRowContext(tx.ctx, name, cabinet).Scan(&id); err != nil {
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
	tx.buf = appendTraces(tx.buf, t.Channels, &tx.s.whole)
	res, err := tx.exec(tx.s.tx.AddThrow, r.Key, id, int(r.To), r.StartedAt.UnixNano(), r.ArrivedAt.UnixNano(), r.Completed, r.Cabinet, tx.buf[:n], tx.buf[n:])
	if err != nil {
		return false, fmt.Errorf("throw %s: %w", r.Key, err)
	}
	rows, err := res.RowsAffected()
	return rows == 1, err
}

// SaveState keeps the state of a turnout.
func (tx *Tx) SaveState(turnout, cabinet string, state []byte) error {
	id, err := tx.turnout(turnout, cabinet)
	if err != nil {
		return err
	}
	if _, err := tx.exec(tx.s.tx.SaveState, cabinet, state, id); err != nil {
		return fmt.Errorf("state of %s: %w", turnout, err)
	}
	return nil
}

// Transition keeps the alert as it now is, and the event after all before it.
func (tx *Tx) Transition(e alerting.Event) error {
	alert, err := json.Marshal(e.Alert)
	if err != nil {
		return fmt.Errorf("alert %s: %w", e.Alert.ID, err)
	}
	event, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("alert %s: %w", e.Alert.ID, err)
	}
	if _, err := tx.exec(tx.s.tx.SaveAlert, e.Alert.ID, e.Alert.Turnout, e.Alert.Open(), e.Alert.RaisedAt.UnixNano(), string(alert)); err != nil {
		return fmt.Errorf("alert %s: %w", e.Alert.ID, err)
	}
	if _, err := tx.exec(tx.s.tx.AddEvent, e.At.UnixNano(), e.Alert.ID, string(event)); err != nil {
		return fmt.Errorf("event of alert %s: %w", e.Alert.ID, err)
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
	if _, err := tx.exec(tx.s.tx.SaveReceipt, cabinet, r.Boot, int64(r.Through), w.b); err != nil {
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
	if _, err := tx.exec(tx.s.tx.SaveCabinet, c.Cabinet, c.Online, c.At.UnixNano(), c.Agent, nullable(c.ClockOffset)); err != nil {
		return fmt.Errorf("state of cabinet %s: %w", c.Cabinet, err)
	}
	return nil
}

// SaveConditions keeps the latest conditions of a cabinet; older ones change nothing.
func (tx *Tx) SaveConditions(c ingest.Conditions) error {
	if _, err := tx.exec(tx.s.tx.SaveConditions, c.Cabinet, c.At.UnixNano(), nullable(c.RailTemperature), nullable(c.AirTemperature), nullable(c.Supply), nullable(c.Rain)); err != nil {
		return fmt.Errorf("conditions of cabinet %s: %w", c.Cabinet, err)
	}
	return nil
}

// AddWork files a visit. added is false when it is there already.
func (tx *Tx) AddWork(w ingest.Work, arrived time.Time) (added bool, err error) {
	res, err := tx.exec(tx.s.tx.AddWork, w.Turnout, w.DoneAt.UnixNano(), string(w.Kind), w.Note, w.By, arrived.UnixNano())
	if err != nil {
		return false, fmt.Errorf("work at %s: %w", w.Turnout, err)
	}
	rows, err := res.RowsAffected()
	return rows == 1, err
}

// SetAside keeps a refused message and returns its number. The number and Retries of a are not looked at.
func (tx *Tx) SetAside(a ingest.SetAside) (id int64, err error) {
	faults, err := json.Marshal(a.Faults)
	if err != nil {
		return 0, err
	}
	res, err := tx.exec(tx.s.tx.SetAside, a.At.UnixNano(), a.Topic, a.Turnout, string(faults), a.Payload)
	if err != nil {
		return 0, fmt.Errorf("set aside a message of %s: %w", a.Topic, err)
	}
	if id, err = res.LastInsertId(); err != nil {
		return 0, err
	}
	if id > mostAside {
		_, err = tx.exec(tx.s.tx.TrimAside, id-mostAside)
	}
	return id, err
}

// Aside returns a message that was set aside.
func (tx *Tx) Aside(id int64) (ingest.SetAside, error) {
	a, err := scanAside(tx.tx.StmtContext(tx.ctx, tx.s.tx.GetAside).QueryRowContext(tx.ctx, id))
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("message %d is not set aside: %w", id, fs.ErrNotExist)
	}
	return a, err
}

// RefuseAgain notes that a message was sent through again in vain, and why.
func (tx *Tx) RefuseAgain(id int64, faults []ingest.Fault) error {
	b, err := json.Marshal(faults)
	if err != nil {
		return err
	}
	_, err = tx.exec(tx.s.tx.RefuseAgain, string(b), id)
	return err
}

// DropAside forgets a message that was set aside.
func (tx *Tx) DropAside(id int64) error {
	_, err := tx.exec(tx.s.tx.DropAside, id)
	return err
}

type row interface{ Scan(...any) error }

func scanAside(r row) (ingest.SetAside, error) {
	var a ingest.SetAside
	var at int64
	var faults string
	if err := r.Scan(&a.ID, &at, &a.Topic, &a.Turnout, &faults, &a.Payload, &a.Retries); err != nil {
		return a, err
	}
	a.At = time.Unix(0, at).UTC()
	return a, json.Unmarshal([]byte(faults), &a.Faults)
}
