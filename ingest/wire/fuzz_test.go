package wire

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"throwline/ingest"
)

// small are limits under which fuzzing stays quick, and memory is seen to be bounded.
var small = Limits{Bytes: 1 << 16, Decompressed: 1 << 17, Samples: 4096}

func addFiles(f *testing.F, dir string) {
	f.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil || len(files) == 0 {
		f.Fatal(dir, ": no files, ", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
}

// checkError wants every error to be a refusal of bounded size with a reason.
func checkError(t *testing.T, err error) {
	t.Helper()
	r := ingest.AsRefusal(err)
	if r == nil || len(r.Faults) == 0 || len(r.Faults) > mostFaults {
		t.Fatalf("refused without a reason, or with too many: %#v", err)
	}
	for _, f := range r.Faults {
		if f.Expected == "" || f.Found == "" {
			t.Fatalf("half a reason: %+v", f)
		}
		if n := len(f.Path) + len(f.Expected) + len(f.Found); n > 2000 {
			t.Fatalf("a reason of %d bytes: %+v", n, f)
		}
	}
	if len(r.Turnout) > ingest.MaxNameLen || len(r.Boot) > 4*ingest.MaxNameLen || r.Sequence > ingest.MaxSequence {
		t.Fatalf("refusal of what can be no throw: %+v", r)
	}
}

// checkThrow wants a valid throw to come back from both syntaxes.
func checkThrow(t *testing.T, d *Decoder, throw *ingest.Throw) {
	t.Helper()
	total := 0
	for _, c := range throw.Channels {
		total += len(c.Samples)
	}
	if total > small.Samples || len(throw.Channels) > ingest.MaxChannels || len(throw.Detections) > ingest.MaxDetections {
		t.Fatalf("beyond the limits: %d samples, %d channels, %d detections", total, len(throw.Channels), len(throw.Detections))
	}
	if err := throw.Validate(noTime); err != nil {
		checkError(t, err)
		return
	}
	// What is written may be longer than what was read; the limit is not the matter here.
	roomy := NewDecoder(DefaultLimits())
	for name, b := range map[string][]byte{"JSON": AppendThrow(nil, throw), "CBOR": AppendThrowCBOR(nil, throw)} {
		if name == "CBOR" {
			if err := d.mode.Wellformed(b); err != nil {
				t.Fatalf("wrote CBOR that is not: %v", err)
			}
		}
		back, err := roomy.Throw(b)
		if err != nil {
			t.Fatalf("%s is refused: %v\n%q", name, err, b)
		}
		back.Cabinet = throw.Cabinet
		if !reflect.DeepEqual(back, throw) {
			t.Fatalf("%s came back as %+v, was %+v", name, back, throw)
		}
		if again, key := back.Key(), throw.Key(); again != key {
			t.Fatalf("key %q became %q", key, again)
		}
	}
}

func FuzzThrow(f *testing.F) {
	addFiles(f, payloads)
	for _, g := range goodThrows() {
		for _, text := range g.json {
			f.Add([]byte(text))
		}
		f.Add(AppendThrowCBOR(nil, &g.throw))
	}
	f.Add([]byte(samplesOf("[1e309,null,-0,0.1e-7]")))
	f.Add([]byte("\xbf\x67turnout\x7f\x61W\x61\x31\xff\x68channels\x9f\xbf\x67samples\xd8\x4d\x5f\x42\x01\x00\xff\xff\xff\xff"))
	d := NewDecoder(small)
	f.Fuzz(func(t *testing.T, payload []byte) {
		kept := bytes.Clone(payload)
		throw, err := d.Throw(payload)
		if !bytes.Equal(payload, kept) {
			t.Fatal("the payload was changed")
		}
		// A used decoder and a new one agree.
		if fresh, err2 := NewDecoder(small).Throw(payload); !reflect.DeepEqual(fresh, throw) || !reflect.DeepEqual(err, err2) {
			t.Fatalf("a used decoder reads %+v, %v, a new one %+v, %v", throw, err, fresh, err2)
		}
		if _, err := d.State("C", payload); err != nil {
			checkError(t, err)
		}
		if _, err := d.Conditions("C", payload); err != nil {
			checkError(t, err)
		}
		if _, err := d.Receipt(payload); err != nil {
			checkError(t, err)
		}
		if err != nil {
			checkError(t, err)
			return
		}
		checkThrow(t, d, throw)
	})
}

// checkArrival wants a valid arrival to come back from its line.
func checkArrival(t *testing.T, d *Decoder, a ingest.Arrival) {
	t.Helper()
	var err error
	switch {
	case a.Throw != nil:
		checkThrow(t, d, a.Throw)
		err = a.Throw.Validate(noTime)
	case a.Work != nil:
		err = a.Work.Validate(noTime)
	case a.State != nil:
		err = a.State.Validate(noTime)
	case a.Conditions != nil:
		err = a.Conditions.Validate(noTime)
	default:
		t.Fatal("nothing arrived")
	}
	if err != nil {
		checkError(t, err)
		return
	}
	line := AppendArrival(nil, a)
	if bytes.ContainsAny(line, "\r\n") {
		t.Fatalf("more than one line: %q", line)
	}
	back, err := NewDecoder(DefaultLimits()).Arrival(line)
	if err != nil || !reflect.DeepEqual(back, a) {
		t.Fatalf("%s came back as %+v, %v, was %+v", line, back, err, a)
	}
}

func FuzzArrival(f *testing.F) {
	for _, a := range arrivals() {
		f.Add(AppendArrival(nil, a))
	}
	f.Add([]byte(`{"at":"2016-12-31T23:59:60.5Z","work":{"turnout":"W1","done_at":"2026-03-01T06:14:07Z","work":"other","by":null}}`))
	d := NewDecoder(small)
	f.Fuzz(func(t *testing.T, line []byte) {
		a, err := d.Arrival(line)
		if err != nil {
			checkError(t, err)
			return
		}
		checkArrival(t, d, a)
	})
}

func FuzzRecording(f *testing.F) {
	addFiles(f, recordings)
	f.Add([]byte("\n\r\n{}\n"))
	f.Add(gzipped([]byte("a\nb"))[:20])
	f.Add(zstded(bytes.Repeat([]byte("a\n"), 500)))
	d := NewDecoder(small)
	f.Fuzz(func(t *testing.T, file []byte) {
		const longest = 4096
		r, err := NewRecordingReader(bytes.NewReader(file), Limits{Decompressed: longest})
		if err != nil {
			return
		}
		number, given := 0, 0
		for given < 1<<20 { // a bomb has no end worth waiting for
			line, err := r.Next()
			if err != nil && ingest.AsRefusal(err) == nil {
				if err == io.EOF && packing(file) == plain {
					if want := bytes.Count(bytes.TrimRight(file, "\n\r \t\v\f"), []byte("\n")); number < want {
						t.Fatalf("ended after line %d, with %d line ends before", number, want)
					}
				}
				return
			}
			if line.Number <= number {
				t.Fatalf("line %d after %d", line.Number, number)
			}
			number = line.Number
			given += len(line.Data) + 1
			if err != nil {
				checkError(t, err)
				continue
			}
			if len(line.Data) == 0 || len(line.Data) > longest || bytes.IndexByte(line.Data, '\n') >= 0 {
				t.Fatalf("line %d: %q", line.Number, line.Data)
			}
			a, err := d.Arrival(line.Data)
			if err != nil {
				checkError(t, err)
				continue
			}
			checkArrival(t, d, a)
		}
	})
}
