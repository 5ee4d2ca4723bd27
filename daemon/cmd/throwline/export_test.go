package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/daemon"
	"throwline/daemon/export/exporttest"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
)

func TestExportCommand(t *testing.T) {
	s := exporttest.Influxd(t)
	dir := t.TempDir()
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	st, err := store.Open(t.Context(), filepath.Join(dir, daemon.StoreName), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close() // the program may run meanwhile
	if err := st.Update(context.Background(), func(tx *store.Tx) error {
		for n := range 10 {
			th := &ingest.Throw{ID: fmt.Sprint(n), Turnout: "ORR-W1", To: ingest.Normal, StartedAt: day.AddDate(0, 0, n), Completed: true, Channels: []ingest.Channel{{
				Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 10, Scale: 1, Samples: []float64{0, 9, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 0, 0},
			}}}
			if _, err := tx.AddThrow(&detect.Record{Observation: *detect.Measure(th), ArrivedAt: th.StartedAt}, th); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	config := write(t, dir, "c.yaml", fmt.Sprintf("data_dir: %s\nexport: {influx: {url: %q, bucket: throwline/autogen}}\n", dir, s.URL))
	none := write(t, dir, "none.yaml", "data_dir: "+dir+"\n")
	wrong := write(t, dir, "wrong.yaml", fmt.Sprintf("data_dir: %s\nexport: {influx: {url: %q, bucket: nowhere/autogen}}\n", dir, s.URL))
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--config", config, "--from", "2026-03-03", "--to", "2026-03-06T00:00:00Z"}, exitDone, "3 points written, of 3 throws and 0 events of alerts.\n"},
		{[]string{"--config", config}, exitDone, "10 points written, of 10 throws and 0 events of alerts.\n"},
		{[]string{"--config", config, "--from", "soon"}, exitWrongUse, `--from: expected a time like 2026-03-01T00:00:00Z`},
		{[]string{"--config", config, "--from", "2026-03-06", "--to", "2026-03-03"}, exitWrongUse, "expected a time before --to"},
		{[]string{"--config", none}, exitBadConfig, "export.influx.url: expected where to export to"},
		{[]string{"--config", wrong}, exitFailed, "404"},
		{nil, exitWrongUse, "config"},
	} {
		code, out, errs := throwline(t, "", append([]string{"export", "influx"}, c.args...)...)
		if code != c.code || !strings.Contains(out+errs, c.want) {
			t.Errorf("%v: expected %d and %q, found %d, %q, %q", c.args, c.code, c.want, code, out, errs)
		}
	}
	rows, err := s.Flux(`from(bucket: "throwline/autogen") |> range(start: 2020-01-01T00:00:00Z, stop: 2030-01-01T00:00:00Z) |> filter(fn: (r) => r._field == "completed")`)
	if err != nil || len(rows) != 10 {
		t.Errorf("expected 10 points, found %d, %v", len(rows), err)
	}
	if _, _, _, found, err := st.ExportCursor(t.Context(), "influx"); found || err != nil {
		t.Errorf("expected no cursor to be made, found one, %v", err)
	}
}
