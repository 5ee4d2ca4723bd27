package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"throwline/daemon/demo"
	"throwline/ingest/wire"
)

// smallYard writes a recording of a few seldom thrown turnouts that all have a
// fault, and its truth, and returns their names.
func smallYard(t *testing.T) (recording, truth string) {
	t.Helper()
	var lines, told bytes.Buffer
	w, err := wire.NewRecordingWriter(&lines, "yard.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	o := demo.RecordOptions{Seed: 5, Turnouts: 3, Days: 60, FaultShare: 1, MostThrows: 8}
	if err := errors.Join(demo.Record(t.Context(), w, &told, o), w.Close()); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	return write(t, dir, "yard.ndjson", lines.String()), write(t, dir, "yard.ndjson.truth", told.String())
}

func TestReplayAgainstTheTruth(t *testing.T) {
	recording, truth := smallYard(t)
	t.Run("table", func(t *testing.T) { replayTable(t, recording, truth) })
	t.Run("pictures", func(t *testing.T) { replayPictures(t, recording, truth) })
}

// replayTable: the table follows what replay prints anyway, and changes nothing of it.
func replayTable(t *testing.T, recording, truth string) {
	_, alerts, _ := throwline(t, "", "replay", "--json", recording)
	_, plain, _ := throwline(t, "", "replay", recording)

	code, out, errs := throwline(t, "", "replay", "--truth", truth, recording)
	if code != 0 || errs != "" {
		t.Fatalf("expected a table, found %d, %s", code, errs)
	}
	at := strings.Index(out, "failures  warned before")
	if at < 0 || !strings.Contains(out[:at], plain[:strings.Index(plain, "Took")]) {
		t.Fatalf("expected the alerts and the summary as ever, and a table after them, found\n%s", out)
	}
	for _, want := range []string{
		`(?m)^all +[1-9]`, `(?m)^drive \w+ +\d`, `(?m)^false alerts: \d+ in 0\.5 turnout-years, \d+\.\d\d a turnout-year`,
		`(?m)^incomplete throws alerted by the throw itself: [1-9]\d* \(100 %\) of `, `(?m)^forecasts before a failure: `, `(?m)^0\.9 to 1 +\d`,
	} {
		if !regexp.MustCompile(want).MatchString(out[at-40:]) {
			t.Errorf("expected %s in the table, found\n%s", want, out[at-40:])
		}
	}

	code, jsonOut, errs := throwline(t, "", "replay", "--json", "--truth", truth, recording)
	if code != 0 || jsonOut != alerts || strings.TrimSpace(errs) != strings.TrimSpace(out[strings.LastIndex(out[:at], "\n")+1:]) {
		t.Errorf("with --json: expected the alerts alone on standard output and the same table on standard error, found %d, %d bytes,\n%s", code, len(jsonOut), errs)
	}
}

// replayPictures: one whole SVG for each fault, the same at every run.
func replayPictures(t *testing.T, recording, truth string) {
	told, err := os.ReadFile(truth)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "new", "pictures")
	code, out, errs := throwline(t, "", "replay", "--truth", truth, "--picture", dir, recording)
	pictures, err := filepath.Glob(filepath.Join(dir, "*.svg"))
	if err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("\n%d pictures: %s\n", len(pictures), filepath.Join(dir, "index.html")); code != 0 || errs != "" || !strings.HasSuffix(out, want) {
		t.Fatalf("expected %q at the end, found %d, %s, %s", want, code, out, errs)
	}
	faults, err := filepath.Glob(filepath.Join(dir, "fault-*.svg"))
	if want := bytes.Count(told, []byte(`{"fault"`)); err != nil || want < 3 || len(faults) != want {
		t.Errorf("expected %d faults drawn, found %v, %v", want, faults, err)
	}
	dots := 0
	for _, name := range pictures {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(bytes.NewReader(b))
		for err == nil {
			_, err = d.Token()
		}
		if !errors.Is(err, io.EOF) {
			t.Errorf("%s: %v", name, err)
		}
		dots += bytes.Count(b, []byte("h0"))
	}
	if dots < 1000 {
		t.Errorf("expected dots in the pictures, found %d", dots)
	}
	// Again into the same folder: the same.
	index, err := os.ReadFile(filepath.Join(dir, "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	throwline(t, "", "replay", "--workers", "1", "--truth", truth, "--picture", dir, recording)
	if again, err := os.ReadFile(filepath.Join(dir, "index.html")); err != nil || !bytes.Equal(index, again) {
		t.Errorf("expected the same index again, found\n%s\n%v", again, err)
	}
}

func TestReplayTruthExitCodes(t *testing.T) {
	dir := t.TempDir()
	recording := write(t, dir, "empty.ndjson", "")
	truth := write(t, dir, "truth", `{"fleet":{"start":"2026-03-01T00:00:00Z","end":"2026-03-02T00:00:00Z"}}`+"\n"+`{"turnout":"ORR-W01","drive_kind":"electric"}`+"\n")
	bad := write(t, dir, "bad.truth", "{\"fleet\":\n")
	other := write(t, dir, "other.ndjson", `{"at":"2025-03-01T06:14:07Z","throw":{"turnout":"KESP-W01","to":"normal","started_at":"2025-03-01T06:14:00Z","completed":true,`+
		`"channels":[{"drive":"main","quantity":"motor_current","unit":"A","sample_rate_hz":10,"samples":[0,0,9,5,5,5,5,6,6,0,0]}]}}`+"\n")
	nowhere := filepath.Join(dir, "nowhere")
	for _, c := range []struct {
		args     []string
		code     int
		out, err string
	}{
		{[]string{"--truth", truth, recording}, 0, "false alerts: 0 in 0.0 turnout-years", ""},
		{[]string{"--truth", truth, "--picture", filepath.Join(dir, "p"), recording}, 0, "0 pictures: ", ""},
		{[]string{"--truth", truth, other}, 0, "1 throws of 1 turnouts", truth + " tells nothing of the turnout or the time of 1 of 1 throws: is it the truth of another recording?"},
		{[]string{"--truth", nowhere, recording}, 1, "", "throwline: truth: open " + nowhere + ": no such file"},
		{[]string{"--truth", bad, recording}, 1, "", "throwline: truth: " + bad + ": line 1: expected a JSON object of a truth file, found "},
		{[]string{"--truth", recording, recording}, 1, "", "expected a fleet line with start and end, found none in 0 lines"},
		{[]string{"--truth", truth, "--picture", filepath.Join(bad, "x"), recording}, 1, "", "throwline: folder of the pictures: mkdir " + bad + ": not a directory"},
		{[]string{"--truth", truth, nowhere}, 1, "", "recording: open " + nowhere},
		{[]string{"--truth", "", recording}, 2, "", "--truth: expected a file, found nothing"},
		{[]string{"--picture", dir, recording}, 2, "", "--picture: expected together with --truth, found alone"},
		{[]string{"--truth", truth, "--picture", "", recording}, 2, "", "--picture: expected a folder, found nothing"},
		{[]string{"--truth"}, 2, "", "flag needs an argument: --truth"},
		{[]string{"--help"}, 0, "--truth", ""},
		{[]string{"--help"}, 0, "--picture", ""},
	} {
		code, out, err := throwline(t, "", append([]string{"replay"}, c.args...)...)
		if code != c.code || !strings.Contains(out, c.out) || !strings.Contains(err, c.err) || c.err == "" && err != "" {
			t.Errorf("replay %s: expected %d with %q and %q, found %d with\n%s\n%s", strings.Join(c.args, " "), c.code, c.out, c.err, code, out, err)
		}
	}
}
