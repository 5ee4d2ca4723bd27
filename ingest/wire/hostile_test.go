package wire

import (
	"bytes"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
)

// Tests of deploy/limits.md: messages that are made to cost much.
// THROWLINE_LIMITS makes them so many times longer.
func times(n int) int {
	more, err := strconv.Atoi(os.Getenv("THROWLINE_LIMITS"))
	if err != nil {
		return n
	}
	return n * max(more, 1)
}

func heap() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// window packs b in a frame that asks for a window of so many bytes.
func window(t *testing.T, b []byte, size int) []byte {
	t.Helper()
	var out bytes.Buffer
	z, err := zstd.NewWriter(&out, zstd.WithWindowSize(size), zstd.WithEncoderConcurrency(1), zstd.WithSingleSegment(false))
	if err != nil {
		t.Fatal(err)
	}
	for len(b) > 0 { // in pieces, so that the length is not known at the beginning
		n := min(len(b), 100)
		if _, err := z.Write(b[:n]); err != nil {
			t.Fatal(err)
		}
		if err := z.Flush(); err != nil {
			t.Fatal(err)
		}
		b = b[n:]
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// TestHostileMessages: whatever a message is made of, it is refused with a short
// reason, and a decoder that has read very many such is no larger for it.
func TestHostileMessages(t *testing.T) {
	const most = 1 << 18
	long := strings.Repeat("x", most/2)
	var names, numbers strings.Builder
	for i := range 20_000 {
		fmt.Fprintf(&names, `"n%d":1,`, i)
		fmt.Fprintf(&numbers, `{"n%d":{}},`, i)
	}
	head := "\xa3\x67turnout"
	hostile := map[string][]byte{
		"very many names":            []byte(`{` + names.String() + `"to":1}`),
		"very many objects":          []byte(`{"x":[` + numbers.String() + `1]}`),
		"deep in objects":            []byte(strings.Repeat(`{"a":`, 50_000)),
		"deep in lists":              []byte(`{"channels":` + strings.Repeat(`[`, 100_000)),
		"a long name":                []byte(`{"` + long + `":1}`),
		"long texts":                 []byte(`{"throw_id":"` + long + `","turnout":"` + long[:most/4] + `","boot":1}`),
		"long texts with escapes":    []byte(`{"throw_id":"` + strings.Repeat(`\n`, most/4) + `","to":"` + strings.Repeat(`\u0001`, most/16) + `"}`),
		"a long number":              []byte(`{"sequence":` + strings.Repeat("9", most/2) + `,"boot":"b"}`),
		"very many channels":         []byte(`{"channels":[` + strings.TrimSuffix(strings.Repeat(`{"drive":"x"},`, 20_000), ",") + `]}`),
		"very many detections":       []byte(`{"detections":[` + strings.TrimSuffix(strings.Repeat(`{"place":"x"},`, 20_000), ",") + `]}`),
		"faults everywhere":          []byte(`{"channels":[` + strings.TrimSuffix(strings.Repeat(`7,`, 100_000), ",") + `]}`),
		"gzip that unpacks to much":  gzipped(bytes.Repeat([]byte(" "), 20*most)),
		"zstd that unpacks to much":  zstded(bytes.Repeat([]byte(" "), 20*most)),
		"zstd with a window of 128M": window(t, []byte(goodText), 128<<20),
		"zstd with a window of 512M": window(t, []byte(goodText), 512<<20),
		"CBOR: a text of 2^63":       []byte(head + "\x7b\x7f\xff\xff\xff\xff\xff\xff\xff"),
		"CBOR: a list of 2^63":       []byte(head + "\x9b\x7f\xff\xff\xff\xff\xff\xff\xff\x01"),
		"CBOR: a map of 2^32":        []byte("\xba\xff\xff\xff\xff\x61a\x01"),
		"CBOR: samples of 2^32":      []byte("\xa1\x68channels\x81\xa1\x67samples\x9a\xff\xff\xff\xff\x01"),
		"CBOR: deep":                 []byte(head + strings.Repeat("\x81", most/2)),
		"CBOR: deep without end":     []byte(head + strings.Repeat("\x9f", most/2)),
		"CBOR: tags in tags":         []byte(head + strings.Repeat("\xc1", most/2)),
		"CBOR: a text in pieces":     []byte(head + "\x7f" + strings.Repeat("\x61x", most/4) + "\xff\x62to\x01\x61a\x01"),
	}
	d := NewDecoder(Limits{Bytes: most, Decompressed: 2 * most, Samples: 100_000})
	m, faults := NewMap(plant(), true, true)
	if faults != nil {
		t.Fatal(faults)
	}
	all := func() {
		for what, payload := range hostile {
			_, err1 := d.Throw(payload)
			_, err2 := d.State("C", payload)
			_, err3 := d.Conditions("C", payload)
			_, err4 := d.Mapped(m, "C", "W1", payload, time.Time{})
			for _, err := range []error{err1, err2, err3, err4} {
				if err == nil || len(err.Error()) > 8000 {
					t.Fatalf("%s: expected a short reason, found %.300v", what, err)
				}
			}
		}
	}
	all()
	before := heap()
	for range times(2) {
		all()
	}
	if grown := heap() - before; grown > 8<<20 {
		t.Errorf("%d MB more are held after them", grown>>20)
	}
	if _, err := d.Throw([]byte(goodText)); err != nil {
		t.Error(err)
	}
	// Windows up to the limit on what is unpacked are granted, and 8 MiB always.
	for size, in := range map[int]*Decoder{8 << 20: d, 32 << 20: NewDecoder(DefaultLimits())} {
		if _, err := in.Throw(window(t, []byte(goodText), size)); err != nil {
			t.Errorf("a window of %d: %v", size, err)
		}
	}
	for _, size := range []int{16 << 20, 128 << 20, 512 << 20} {
		if _, err := d.Throw(window(t, []byte(goodText), size)); err == nil || !strings.Contains(err.Error(), "expected zstd that can be decompressed") {
			t.Errorf("a window of %d: found %v", size, err)
		}
	}
}

// TestNamesAreBounded: texts that are kept to have one for all are some, and short.
func TestNamesAreBounded(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	for i := range 10 * mostNames {
		if _, err := d.Throw([]byte(instead(`"main"`, fmt.Sprintf(`"d%d%s"`, i, strings.Repeat("x", i%100))))); err != nil {
			t.Fatal(err)
		}
	}
	size := 0
	for name := range d.reader.names {
		size += len(name)
	}
	if n := len(d.reader.names); n > mostNames || size > mostNames*mostNameLen {
		t.Errorf("%d texts of %d bytes are kept", n, size)
	}
}
