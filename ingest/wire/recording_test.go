package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"

	"go.uber.org/goleak"

	"throwline/ingest"
)

const recordings = "../../testdata/recordings"

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// arrivals is one of each kind, and a throw without a known cabinet.
func arrivals() []ingest.Arrival {
	throws := goodThrows()
	first, second := throws[0].throw, throws[1].throw
	second.Cabinet = "C-1"
	return []ingest.Arrival{
		{At: at("2026-03-01T06:14:08.5Z"), Throw: &first},
		{At: at("2026-03-01T06:14:09Z"), Throw: &second},
		{At: at("2026-03-02T10:20:00Z"), Work: &ingest.Work{Turnout: "W1", DoneAt: at("2026-03-02T10:00:00Z"), Kind: ingest.Lubricated, Note: "chairs 3-9,\n\"dry\"", By: "night shift"}},
		{At: at("2026-03-02T10:20:01Z"), Work: &ingest.Work{Turnout: "W1", DoneAt: at("2026-03-02T10:00:00Z"), Kind: ingest.Inspected}},
		{At: at("2026-03-02T10:20:02Z"), State: &ingest.CabinetState{Cabinet: "C-1", Online: true, At: at("2026-03-02T10:20:01Z"), Agent: "a", ClockOffset: ingest.Known(0.5)}},
		{At: at("2026-03-02T10:20:03Z"), Conditions: &ingest.Conditions{Cabinet: "C-1", At: at("2026-03-02T10:20:01Z"), AirTemperature: ingest.Known(3), Rain: ingest.Known(1)}},
	}
}

func TestArrival(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	for _, want := range arrivals() {
		line := AppendArrival(nil, want)
		if bytes.ContainsAny(line, "\n\r") {
			t.Errorf("more than one line: %s", line)
		}
		got, err := d.Arrival(line)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: read %+v, %v, want %+v", line, got, err, want)
		}
	}
	// The lines of the contract.
	for line, want := range map[string]string{
		`{"at":"2026-03-01T06:14:07Z","throw":` + goodText + `}`:                                                                "",
		`{"at":"2026-03-02T10:20:00Z","work":{"turnout":"W1","done_at":"2026-03-02T10:00:00Z","work":"lubricated","note":"x"}}`: "",
		`{"state":{"cabinet":"C","state":"offline","at":"2026-03-02T10:00:00Z"},"at":"2026-03-02T10:20:00Z"}`:                   "",
		`{"at":"2026-03-02T10:20:00Z","conditions":{"cabinet":"C","at":"2026-03-02T10:00:00Z"}}`:                                "",
		`{"at":"2026-03-02T10:20:00Z"}`:                        "message: expected one of throw, work, state or conditions, found none",
		`{"at":"2026-03-02T10:20:00Z","throw":null,"news":{}}`: "message: expected one of throw, work, state or conditions, found none",
		`{"throw":` + goodText + `}`:                           "at: expected a time after RFC 3339 with a zone, found nothing",
		`{"at":"2026-03-02T10:20:00Z","throw":` + goodText + `,"conditions":{"cabinet":"C","at":"2026-03-02T10:00:00Z"}}`: "message: expected one of throw, work, state or conditions, found 2 of them",
		`{"at":"2026-03-02T10:20:00Z","throw":7}`:                                                       "throw: expected an object, found 7",
		`{"at":"2026-03-02T10:20:00Z","throw":` + samplesOf("[1,null]") + `}`:                           "throw.channels[0].samples[1]: expected a number, found null",
		`{"at":"2026-03-02T10:20:00Z","throw":` + instead(`"A"`, `5`) + `}`:                             "throw.channels[0].unit: expected the name of a unit, found 5",
		`{"at":"2026-03-02T10:20:00Z","throw":` + samplesOf("[1,nan]") + `}`:                            "throw.channels[0].samples[1]: expected JSON after RFC 8259, found invalid character 'a' in literal null (expecting 'u'), at byte 220",
		`{"at":"2026-03-02T10:20:00Z","throw":` + instead(`{"turnout"`, `{"cabinet":7,"turnout"`) + `}`: "throw.cabinet: expected 1 to 64 of A-Z a-z 0-9 . _ -, found 7",
		`{"at":"2026-03-02T10:20:00Z","work":{"turnout":"W 1","work":"oiled"}}`:                         `work.done_at: expected a time after RFC 3339 with a zone, found nothing; work.turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found "W 1"; work.work: expected one of inspected, cleaned, lubricated, adjusted, repaired, replaced, other, found "oiled"`,
		`{"at":"2026-03-02T10:20:00Z","state":{"state":"online","at":"2026-03-02T10:00:00Z"}}`:          "state.cabinet: expected 1 to 64 of A-Z a-z 0-9 . _ -, found nothing",
	} {
		_, err := d.Arrival([]byte(line))
		if want == "" && err != nil || want != "" && (err == nil || err.Error() != want) {
			t.Errorf("%s:\n%v, want\n%s", line, err, want)
		}
	}
	_, err := d.Arrival([]byte(`{"at":"2026-03-02T10:20:00Z","work":{"turnout":"W1"}}`))
	if r := ingest.AsRefusal(err); r == nil || r.Turnout != "W1" {
		t.Errorf("a refusal of work at W1: %+v", r)
	}
}

// readAll reads a recording to its end: its good lines, the numbers of those
// that were refused, and the error that ended it.
func readAll(t *testing.T, r io.Reader, l Limits) (lines []Line, refused []string, err error) {
	t.Helper()
	rec, err := NewRecordingReader(r, l)
	if err != nil {
		return nil, nil, err
	}
	for {
		line, err := rec.Next()
		switch {
		case err == nil:
			lines = append(lines, line)
		case ingest.AsRefusal(err) != nil:
			if line.Data != nil {
				t.Errorf("line %d: refused, and given", line.Number)
			}
			refused = append(refused, fmt.Sprintf("%d %v", line.Number, err))
		default:
			if _, again := rec.Next(); again != err {
				t.Errorf("after %v: %v", err, again)
			}
			return lines, refused, err
		}
	}
}

func TestRecordingRoundTrip(t *testing.T) {
	want := arrivals()
	for _, name := range []string{"a.ndjson", "a.ndjson.gz", "a.NDJSON.GZ", "a.ndjson.zst", "a.zstd", "-"} {
		var file bytes.Buffer
		w, err := NewRecordingWriter(&file, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range want {
			if err := w.Write(a); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Write(ingest.Arrival{At: want[0].At}); err == nil {
			t.Error("nothing arrived, and was written")
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if err := w.Write(want[0]); err == nil {
			t.Error("written after the end")
		}
		lines, refused, err := readAll(t, &file, DefaultLimits())
		if err != io.EOF || len(refused) > 0 || len(lines) != len(want) {
			t.Fatalf("%s: %d lines, %v, %v", name, len(lines), refused, err)
		}
		d := NewDecoder(DefaultLimits())
		for i, line := range lines {
			got, err := d.Arrival(line.Data)
			if err != nil || !reflect.DeepEqual(got, want[i]) || line.Number != i+1 {
				t.Errorf("%s: line %d: %+v, %v, want %+v", name, line.Number, got, err, want[i])
			}
		}
	}
}

func TestRecordingLines(t *testing.T) {
	long := strings.Repeat("x", 200_000)
	text := "one\n\n \t\r\ntwo\r\n" + long + "\nthree\n" + long[:100] + "\n" + long[:101] + "\r\nlast"
	type line struct {
		number int
		data   string
	}
	for packed, file := range packings([]byte(text)) {
		for name, r := range map[string]io.Reader{"": bytes.NewReader(file), " a byte at a time": iotest.OneByteReader(bytes.NewReader(file))} {
			lines, refused, err := readAll(t, r, Limits{Decompressed: 100})
			var got []line
			for _, l := range lines {
				got = append(got, line{l.Number, string(l.Data)})
			}
			if want := []line{{1, "one"}, {4, "two"}, {6, "three"}, {7, long[:100]}, {9, "last"}}; err != io.EOF || !reflect.DeepEqual(got, want) {
				t.Errorf("%s%s: read %v, %v, want %v", packed, name, got, err, want)
			}
			if want := []string{"5 message: expected a line of at most 100 bytes, found 200000", "8 message: expected a line of at most 100 bytes, found 101"}; !reflect.DeepEqual(refused, want) {
				t.Errorf("%s%s: refused %v, want %v", packed, name, refused, want)
			}
		}
	}
	// A line longer than the reader's buffer, but within the limit.
	lines, _, err := readAll(t, strings.NewReader("a\n"+long+"\nb"), DefaultLimits())
	if err != io.EOF || len(lines) != 3 || string(lines[1].Data) != long || string(lines[2].Data) != "b" {
		t.Errorf("%d lines, %v", len(lines), err)
	}
	for _, empty := range []string{"", "\n", "\n\n"} {
		if lines, refused, err := readAll(t, strings.NewReader(empty), DefaultLimits()); err != io.EOF || len(lines)+len(refused) > 0 {
			t.Errorf("%q: %v, %v, %v", empty, lines, refused, err)
		}
	}
	// What a line holds is the caller's to keep.
	if kept := string(lines[0].Data); kept != "a" {
		t.Errorf("the first line became %q", kept)
	}
}

// A compressed recording that was cut short gives all its whole lines, then says where it ends.
func TestRecordingCutShort(t *testing.T) {
	var text strings.Builder
	for i := range 40_000 {
		fmt.Fprintf(&text, "%d %x\n", i+1, uint64(i+1)*0x9e3779b97f4a7c15)
	}
	for packed, file := range packings([]byte(text.String())) {
		if packed == "plain" {
			continue
		}
		for _, cut := range []int{len(file) - 1, len(file) / 2, len(file) / 4, 40} {
			lines, refused, err := readAll(t, bytes.NewReader(file[:cut]), DefaultLimits())
			if !errors.Is(err, io.ErrUnexpectedEOF) || len(refused) > 0 {
				t.Fatalf("%s cut at %d: %v, %v", packed, cut, refused, err)
			}
			for i, l := range lines {
				if l.Number != i+1 || !strings.HasPrefix(string(l.Data), fmt.Sprintf("%d ", i+1)) {
					t.Fatalf("%s cut at %d: line %d is %d: %s", packed, cut, i+1, l.Number, l.Data)
				}
			}
			want := fmt.Sprintf("recording: line %d: its %s is cut short, within the first %d bytes of the file: unexpected EOF", len(lines)+1, packed, cut)
			if err.Error() != want {
				t.Errorf("%s cut at %d: %v, want %s", packed, cut, err, want)
			}
			if cut == len(file)-1 && len(lines) < 30_000 {
				t.Errorf("%s: %d lines of 40000 before the last byte", packed, len(lines))
			}
		}
		damaged := bytes.Clone(file)
		damaged[len(damaged)/2] ^= 0x55
		if _, _, err := readAll(t, bytes.NewReader(damaged), DefaultLimits()); err == nil || !strings.Contains(err.Error(), "its "+packed+" is damaged") && !strings.Contains(err.Error(), "is cut short") {
			t.Errorf("%s damaged: %v", packed, err)
		}
	}
	// The reader's own failure is told as it is.
	failure := errors.New("the disk is gone")
	for packed, file := range packings([]byte(text.String())) {
		_, _, err := readAll(t, io.MultiReader(bytes.NewReader(file[:len(file)/2]), iotest.ErrReader(failure)), DefaultLimits())
		if !errors.Is(err, failure) {
			t.Errorf("%s: %v, want %v", packed, err, failure)
		}
	}
	if _, err := NewRecordingReader(iotest.ErrReader(failure), DefaultLimits()); !errors.Is(err, failure) {
		t.Errorf("%v, want %v", err, failure)
	}
	if _, err := NewRecordingReader(strings.NewReader("\x1f\x8bno"), DefaultLimits()); err == nil || !strings.HasPrefix(err.Error(), "recording: begins like gzip: ") {
		t.Error(err)
	}
}

type failing struct{ after int }

func (f *failing) Write(p []byte) (int, error) {
	if f.after -= len(p); f.after < 0 {
		return 0, io.ErrShortWrite
	}
	return len(p), nil
}

// A writer that fails, wherever, is told by Write or by Close.
func TestRecordingWriterFails(t *testing.T) {
	for _, name := range []string{"a", "a.gz", "a.zst"} {
		done := false
		for after := 0; !done; after += 50 {
			w, err := NewRecordingWriter(&failing{after}, name)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range arrivals() {
				if err = w.Write(a); err != nil {
					break
				}
			}
			closed := w.Close()
			if err != nil && closed == nil {
				t.Errorf("%s after %d bytes: Write failed, Close did not", name, after)
			}
			if closed != nil && !errors.Is(closed, io.ErrShortWrite) {
				t.Errorf("%s after %d bytes: %v", name, after, closed)
			}
			if done = closed == nil; done && after == 0 {
				t.Errorf("%s: never failed", name)
			}
		}
	}
}

// The recordings in testdata: one with broken lines in the middle.
func TestBrokenRecording(t *testing.T) {
	good := arrivals()
	var text []byte
	for i, a := range good {
		text = append(AppendArrival(text, a), '\n')
		switch i {
		case 0:
			text = append(text, "{\"at\":\"2026-03-01T06:14:08Z\",\"throw\":{\"turnout\":\"W1\",\"to\n"...)
		case 1:
			text = append(text, "\nnot JSON at all\n\xff\xfe\x00\n"...)
		case 2:
			text = append(text, `{"at":"2026-03-01T06:14:08Z","throw":`+samplesOf("[1,2,null]")+"}\n"...)
		}
	}
	for name, file := range map[string][]byte{"broken.ndjson": text, "broken.ndjson.gz": gzipped(text), "broken.ndjson.zst": zstded(text)} {
		path := filepath.Join(recordings, name)
		if *update {
			if err := os.WriteFile(path, file, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		lines, refused, err := readAll(t, f, DefaultLimits())
		if err != io.EOF || len(refused) > 0 {
			t.Fatalf("%s: %v, %v", name, refused, err)
		}
		d := NewDecoder(DefaultLimits())
		var got []ingest.Arrival
		var bad []string
		for _, line := range lines {
			a, err := d.Arrival(line.Data)
			if err != nil {
				bad = append(bad, fmt.Sprintf("%d %v", line.Number, err))
				continue
			}
			got = append(got, a)
		}
		if !reflect.DeepEqual(got, good) {
			t.Errorf("%s: read %+v, want %+v", name, got, good)
		}
		const form = "message: expected a JSON object or a CBOR map, plain or in gzip or zstd, found bytes that begin with "
		want := []string{
			"2 throw: expected JSON after RFC 8259, found its end after 56 bytes (cut short?)",
			"5 " + form + `"not JSON at "`, "6 " + form + "ff fe 00",
			"8 throw.channels[0].samples[2]: expected a number, found null",
		}
		if !reflect.DeepEqual(bad, want) {
			t.Errorf("%s: bad lines %q, want %q", name, bad, want)
		}
	}
}

func BenchmarkRecording(b *testing.B) {
	a := ingest.Arrival{At: at("2026-03-01T06:14:08Z"), Throw: typicalThrow(false)}
	for _, name := range []string{"a.ndjson", "a.ndjson.gz", "a.ndjson.zst"} {
		b.Run(name, func(b *testing.B) {
			const throws = 2000
			var file bytes.Buffer
			w, err := NewRecordingWriter(&file, name)
			if err != nil {
				b.Fatal(err)
			}
			for range throws {
				if err := w.Write(a); err != nil {
					b.Fatal(err)
				}
			}
			if err := w.Close(); err != nil {
				b.Fatal(err)
			}
			d := NewDecoder(DefaultLimits())
			b.ReportAllocs()
			for b.Loop() {
				r, err := NewRecordingReader(bytes.NewReader(file.Bytes()), DefaultLimits())
				if err != nil {
					b.Fatal(err)
				}
				n := 0
				for {
					line, err := r.Next()
					if err == io.EOF {
						break
					}
					if err != nil {
						b.Fatal(err)
					}
					if _, err := d.Arrival(line.Data); err != nil {
						b.Fatal(err)
					}
					n++
				}
				if n != throws {
					b.Fatalf("%d throws, want %d", n, throws)
				}
			}
			b.ReportMetric(float64(throws*b.N)/b.Elapsed().Seconds(), "throws/s")
		})
	}
}
