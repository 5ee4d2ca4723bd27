package main

import (
	"database/sql"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/store"
	"throwline/ingest"
)

// A damaged row is listed, with what it concerns; what is sound is taken into a new
// store, and that is put in its place.
func TestSalvage(t *testing.T) {
	dir := t.TempDir()
	conf := write(t, dir, "throwline.yaml", "data_dir: "+dir+"\nhttp: {listen: '127.0.0.1:0'}\n")
	path, to := filepath.Join(dir, daemon.StoreName), filepath.Join(dir, "new", "saved.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	if err := s.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.AddWork(ingest.Work{Turnout: "TOLB-W1", DoneAt: at, Kind: ingest.Cleaned}, at)
		return errors.Join(err, tx.SavePlace(alerting.Place{Turnout: "TOLB-W1"}), tx.Audit(at, "", "w", "d"))
	}); err != nil {
		t.Fatal(err)
	}
	step := func(code int, out, problem string, args ...string) {
		t.Helper()
		c, o, e := throwline(t, "", args...)
		if c != code || !strings.Contains(o, out) || !strings.Contains(e, problem) {
			t.Errorf("%v: expected %d, %q, %q, found %d\n%s%s", args, code, out, problem, c, o, e)
		}
	}
	step(0, "1 visits, ", "", "verify", "--config", conf) // beside the program
	step(1, "", "a process holds it", "salvage", path, to)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+path)
	if err == nil {
		_, err = db.Exec("UPDATE work SET note = 'x'")
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	step(65, "damaged  row of work 1, turnout TOLB-W1, of 2026-03-01T06:00:00Z\n", "throwline salvage", "verify", "--config", conf)
	step(65, "", "throwline salvage", "serve", "--config", conf)
	step(0, to+": 2 rows are in it; it was read again and is sound\nwork: 0 kept; 1 left out; turnouts TOLB-W1; from 2026-03-01 06:00:00 to 2026-03-01 06:00:00 UTC\n", "", "salvage", path, to)
	step(0, "0 visits, ", "", "verify", "--config", conf, to)
	step(0, "Restored 0 throws", "", "restore", "--config", conf, to)
	step(0, "0 visits, ", "", "verify", "--config", conf)
	step(0, "Nothing is missing.", "", "salvage", path, filepath.Join(dir, "again.db"))
	step(1, "", "expected a file that can be read", "verify", "--config", conf, filepath.Join(dir, "none.db"))
}
