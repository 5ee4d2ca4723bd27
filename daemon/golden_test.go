package daemon

import (
	"bytes"
	"flag"
	"os"
	"testing"

	"throwline/alerting"
)

var update = flag.Bool("update", false, "write the golden files anew")

// A fixed recording of the invented yard gives the same alerts, byte for byte,
// at every run and with any number of workers; what they are is looked at when
// the golden file changes.
func TestGoldenAlerts(t *testing.T) {
	const recording, golden = "../testdata/recordings/yard.ndjson.zst", "../testdata/recordings/yard.alerts.ndjson"
	for _, workers := range []int{1, 2, 5} {
		var got bytes.Buffer
		r, err := Replay(t.Context(), DefaultConfig(), []string{recording}, ReplayOptions{
			Workers: workers, Event: func(e alerting.Event) error { return WriteEvent(&got, &e) },
		})
		if err != nil {
			t.Fatal(err)
		}
		if r.Refused != 0 || r.Turnouts != 6 {
			t.Errorf("refused %d lines, found %d turnouts", r.Refused, r.Turnouts)
		}
		if *update && workers == 1 {
			if err := os.WriteFile(golden, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Bytes(), want) {
			t.Errorf("%d workers: expected the alerts of %s, found others (%d bytes against %d); look at them and run with -update", workers, golden, got.Len(), len(want))
		}
	}
}
