package daemon

import (
	"database/sql"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
)

// A row changes on the disk while the program runs. The check tells it, in the
// log, the metrics and to the doctor; the program goes on, and the next start is
// refused with what to do.
func TestChecking(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	r := serving(t, c)
	cab := newCabinet(t, m.URL())
	cab.await()
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "a throw", func() bool { return r.yard.size() == 1 })
	if err := r.checking.once(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	before := metricOf(r, "throwline_store_checked_timestamp_seconds")
	if before == 0 || metricOf(r, "throwline_store_checked_rows") == 0 || metricOf(r, "throwline_store_damaged_rows") != 0 {
		t.Errorf("found %v, %v, %v", before, metricOf(r, "throwline_store_checked_rows"), metricOf(r, "throwline_store_damaged_rows"))
	}
	sign := func() alerting.Sign {
		for _, s := range Examine(t.Context(), &c, 0) {
			if s.What == "damage of the store" {
				return s
			}
		}
		return alerting.Sign{}
	}
	if s := sign(); s.Word != alerting.Good || !strings.Contains(s.Said, "all of it was last read") {
		t.Errorf("found %+v", s)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(c.DataDir, StoreName))
	if err == nil {
		_, err = db.Exec("UPDATE throws SET cabinet = 'other'")
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := r.checking.once(t.Context(), store.CheckShare); err != nil {
		t.Fatal(err)
	}
	if n := metricOf(r, "throwline_store_damaged_rows"); n != 1 || metricOf(r, "throwline_store_checked_timestamp_seconds") < before {
		t.Errorf("found %v", n)
	}
	if !strings.Contains(r.log.String(), "the store is damaged") || !strings.Contains(r.log.String(), "turnout TOLB-W01") {
		t.Errorf("found in the log\n%s", r.log)
	}
	if s := sign(); s.Word != alerting.Bad || !strings.Contains(s.Said, "row of throws 1") || s.Do == "" {
		t.Errorf("found %+v", s)
	}
	cab.throw("TOLB-1", invented("TOLB-W02", 1, 0))
	eventually(t, "another throw", func() bool { return r.yard.size() == 2 })
	r.halt()
	if _, err := New(t.Context(), c, Options{}); err == nil || !strings.Contains(err.Error(), "throwline salvage") {
		t.Errorf("found %v", err)
	}
	found, err := Check(t.Context(), &c, "", nil)
	if err != nil || found.Damaged != 1 || found.Broken != 0 {
		t.Errorf("found %+v, %v", found, err)
	}
}

// metricOf is a metric without labels as it is now, -1 where there is none.
func metricOf(r *running, name string) float64 {
	list, err := r.registry.Gather()
	if err != nil {
		r.t.Fatal(err)
	}
	for _, f := range list {
		if f.GetName() == name {
			return f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	return -1
}

// The store is read again within a week, whatever the clock said the last time.
func TestFirstCheck(t *testing.T) {
	for last, want := range map[time.Time]time.Duration{
		{}: checkFirst, firstDay.AddDate(-1, 0, 0): checkFirst, firstDay.Add(-checkEvery + time.Hour): time.Hour, firstDay: checkEvery, firstDay.AddDate(40, 0, 0): checkEvery,
	} {
		if got := firstCheck(last, firstDay); got != want {
			t.Errorf("after %v: expected %v, found %v", last, want, got)
		}
	}
}

// What the doctor says of a store that was not read yet.
func TestDamageSign(t *testing.T) {
	for want, l := range map[string]store.Looked{
		"at every start": {Bytes: 1000}, "throwline verify reads it now": {Bytes: 1 << 40}, "last read 2 hours ago": {Checked: store.Checked{At: firstDay.Add(-2 * time.Hour)}},
	} {
		if s := damageSign(&l, firstDay); s.Word != alerting.Good || !strings.Contains(s.Said, want) {
			t.Errorf("%s: found %+v", want, s)
		}
	}
}
