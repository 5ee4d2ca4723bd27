package store

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

func roundTrip(t *testing.T, what string, codec *traceWriter, samples []float64) (bytes int) {
	t.Helper()
	in := []ingest.Channel{{Drive: "d", Quantity: "q", Unit: "u", SampleRate: 1, Offset: -2, Scale: 3, Zero: 4, Samples: samples}}
	b := codec.append(nil, in)
	out, err := consumeTraces(b)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if len(out) != 1 || len(out[0].Samples) != len(samples) {
		t.Fatalf("%s: expected %d samples, found %+v", what, len(samples), out)
	}
	for j, want := range samples {
		if got := out[0].Samples[j]; math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%s: sample %d: expected %v, found %v", what, j, want, got)
		}
	}
	out[0].Samples = in[0].Samples
	if !reflect.DeepEqual(in, out) {
		t.Fatalf("%s: expected %+v, found %+v", what, in, out)
	}
	return len(b)
}

func TestTracesAreExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var codec traceWriter
	kinds := map[string]func() float64{
		"whole":         func() float64 { return float64(rng.IntN(1 << rng.IntN(30))) },
		"three places":  func() float64 { return math.Round(rng.NormFloat64()*1000) / 1000 },
		"any":           func() float64 { return rng.NormFloat64() * math.Pow(10, float64(rng.IntN(40)-20)) },
		"large":         func() float64 { return -float64(rng.Int64N(1 << 53)) },
		"both zeros":    func() float64 { return math.Copysign(0, float64(rng.IntN(2))-0.5) },
		"single":        func() float64 { return float64(float32(rng.NormFloat64())) },
		"single places": func() float64 { return float64(float32(math.Round(rng.NormFloat64()*100) / 100)) },
		"few":           func() float64 { return float64(rng.IntN(20)-10) * 0.1234567891 },
		"few singles":   func() float64 { return float64(float32(float64(rng.IntN(20)-10) * 0.1234567891)) },
		"any bits":      func() float64 { return math.Float64frombits(rng.Uint64() &^ (1 << 62)) }, // finite
		"edges": func() float64 {
			return []float64{math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 1 << 53, 1<<53 + 2, -1 << 63, 0.1, 1e-7, math.MaxFloat32, 0}[rng.IntN(10)]
		},
	}
	for kind, draw := range kinds {
		for i := range 600 {
			v := make([]float64, rng.IntN(200))
			for j := range v {
				v[j] = draw()
			}
			roundTrip(t, fmt.Sprintf("%s %d", kind, i), &codec, v)
		}
	}
}

// What a trace takes on disk, in bytes a sample, by how its sender writes it.
func TestTracesAreSmall(t *testing.T) {
	th, _ := throw("W1", 1)
	counts := th.Channels[0].Samples
	rng := rand.New(rand.NewPCG(4, 4))
	var codec traceWriter
	for _, c := range []struct {
		what string
		most float64
		f    func(count float64) float64
	}{
		{"counts", 0.85, func(x float64) float64 { return x }},
		{"physical, two places", 0.85, func(x float64) float64 { return x / 100 }},
		{"physical, two places, as single", 0.85, func(x float64) float64 { return float64(float32(x / 100)) }},
		{"counts by a factor", 3.1, func(x float64) float64 { return x * (3.3 / 4096 / 0.066) }},
		{"counts by a factor, as single", 2.2, func(x float64) float64 { return float64(float32(x * (3.3 / 4096 / 0.066))) }},
		{"noise in every digit", 7.2, func(x float64) float64 { return x + rng.NormFloat64() }},
		{"noise in every digit, as single", 3.2, func(x float64) float64 { return float64(float32(x + rng.NormFloat64())) }},
	} {
		v := make([]float64, len(counts))
		for i, x := range counts {
			v[i] = c.f(x)
		}
		n := float64(roundTrip(t, c.what, &codec, v)-roundTrip(t, c.what, &codec, nil)) / float64(len(v))
		t.Logf("%-32s %.2f bytes a sample", c.what, n)
		if n > c.most {
			t.Errorf("%s: expected at most %.2f bytes a sample, found %.2f", c.what, c.most, n)
		}
	}
}

// What earlier releases wrote is read for ever. The blobs were written by hand
// after the description of the format; what is written now is held to the first.
func TestTraceFormat(t *testing.T) {
	var codec traceWriter
	head := "01" + "01" + // version, channels
		"046d61696e" + "0d6d6f746f725f63757272656e74" + "0141" + // main, motor_current, A
		"0000000000005940" + "0000000000000000" + "7b14ae47e17a843f" + "0000000000000000" // 100 Hz, 0 s, 0.01, 0
	for _, c := range []struct {
		what, hex string
		samples   []float64
		written   bool // so by this release
	}{
		// Differences 1 1 -2 in zigzag: 2 2 3, two bits each: 0b11_10_10.
		{"whole", "03" + "00" + "00" + "02" + "3a", []float64{1, 2, 0}, true},
		// One place; 5 and -5 in tenths: 10 and 19 in zigzag, five bits each: 0b10011_01010.
		{"one place", "02" + "00" + "01" + "05" + "6a02", []float64{0.5, -0.5}, true},
		{"float", "01" + "01" + "182d4454fb210940", []float64{math.Pi}, false},
		{"nothing", "00" + "00" + "00", []float64{}, true},
	} {
		b, err := hex.DecodeString(head + c.hex)
		if err != nil {
			t.Fatal(err)
		}
		want := []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 100, Scale: 0.01, Samples: c.samples}}
		got, err := consumeTraces(b)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: expected %+v, found %+v, %v", c.what, want, got, err)
		}
		now := sealed(append([]byte{2}, b[1:]...))
		again := codec.append(nil, want)
		if c.written && string(again) != string(now) {
			t.Errorf("%s: expected %x, written %x", c.what, now, again)
		}
		for i := range 8 * len(again) {
			again[i/8] ^= 1 << (i % 8)
			if _, err := consumeTraces(again); err == nil {
				t.Errorf("%s: bit %d flipped, and read", c.what, i)
			}
			again[i/8] ^= 1 << (i % 8)
		}
		for i := range b {
			if _, err := consumeTraces(b[:i]); err == nil {
				t.Errorf("%s: cut at %d and read", c.what, i)
			}
		}
		if _, err := consumeTraces(append(b, 0)); err == nil {
			t.Errorf("%s: with a byte too many and read", c.what)
		}
	}
}

// A record's blob keeps its shape: a change of what detect measures needs a new
// version here, and the old one read for ever.
func TestRecordFormat(t *testing.T) {
	r := &detect.Record{}
	r.ThrowID = "x"
	r.Detections = []ingest.Detection{{Place: "toe", After: 100}}
	r.Supply = ingest.Known(2)
	r.Traces = []detect.Trace{{Drive: "main", Quantity: "q", Quality: detect.Noisy}}
	r.Traces[0].Profile[47] = 1
	r.Bands = make([]detect.Band, 1)
	r.Bands[0].High[15] = 2
	head := "0178" + "01" + "03746f65" + "c801" + "00" + "01" + "0000000000000040" + "00"          // id, detections, readings
	tail := "01" + "046d61696e" + "0171" + "10" + strings.Repeat("00", 4*(6+16+47)) + "0000803f" + // traces
		"01" + strings.Repeat("00", 4*(16+16+15)) + "00000040" // bands
	old, _ := hex.DecodeString("01" + head + tail) // before the neighbours were heard
	var before detect.Record
	if err := consumeRecord(old, &before); err != nil || !same(&before, r) {
		t.Errorf("version 1: expected %+v\nfound    %+v, %v", *r, before, err)
	}
	r.CommonTime = ingest.Known(2)
	body := head + "00" + "01" + "0000000000000040" + tail
	old, _ = hex.DecodeString("02" + body) // before there were checksums
	var earlier detect.Record
	if err := consumeRecord(old, &earlier); err != nil || !same(&earlier, r) {
		t.Errorf("version 2: expected %+v\nfound    %+v, %v", *r, earlier, err)
	}
	third, _ := hex.DecodeString("03" + body) // before their supply was
	r.Key, r.Cabinet, r.To, r.StartedAt, r.ArrivedAt, r.Completed = "k", "cab", 1, time.Unix(0, 1), time.Unix(0, -1), true
	beside, _ := hex.DecodeString("016b" + "03636162" + "02" + "02" + "01" + "01") // key, cabinet, end, times, completed
	columns := detect.Record{Observation: detect.Observation{Key: r.Key, To: r.To, StartedAt: r.StartedAt, Completed: r.Completed}, Cabinet: r.Cabinet, ArrivedAt: r.ArrivedAt}
	last := columns
	if err := consumeRecord(sealed(third, beside...), &last); err != nil || !same(&last, r) {
		t.Errorf("version 3: expected %+v\nfound    %+v, %v", *r, last, err)
	}
	r.CommonSag = ingest.Known(3)
	want, _ := hex.DecodeString("04" + head + "00" + "01" + "0000000000000040" + "01" + "0000000000000840" + tail)
	want = sealed(want, beside...)
	b := appendRecord([]byte("before"), r)
	if b = b[len("before"):]; string(b) != string(want) {
		t.Fatalf("expected %x\nfound    %x", want, b)
	}
	again := columns
	if err := consumeRecord(b, &again); err != nil || !same(&again, r) {
		t.Errorf("expected %+v\nfound    %+v, %v", *r, again, err)
	}
	for _, change := range []func(*detect.Record){
		func(r *detect.Record) { r.Key = "j" }, func(r *detect.Record) { r.Cabinet = "cat" }, func(r *detect.Record) { r.To = 2 }, func(r *detect.Record) { r.Completed = false },
		func(r *detect.Record) { r.StartedAt = time.Unix(0, 2) }, func(r *detect.Record) { r.ArrivedAt = time.Unix(0, 1) },
	} {
		other := columns
		if change(&other); consumeRecord(b, &other) == nil {
			t.Errorf("read beside %+v", other)
		}
	}
	for i := range 8 * len(b) {
		b[i/8] ^= 1 << (i % 8)
		other := columns
		if err := consumeRecord(b, &other); err == nil {
			t.Errorf("bit %d flipped, and read", i)
		}
		b[i/8] ^= 1 << (i % 8)
	}
	for i := range b {
		if err := consumeRecord(b[:i], &detect.Record{Observation: columns.Observation, Cabinet: r.Cabinet, ArrivedAt: r.ArrivedAt}); err == nil {
			t.Errorf("cut at %d and read", i)
		}
	}
}

// sealed is a blob with its checksum behind it, that of what stands beside it in it.
func sealed(b []byte, beside ...byte) []byte {
	return binary.LittleEndian.AppendUint32(slices.Clone(b), crc32.Checksum(slices.Concat(b, beside), crc32.MakeTable(crc32.Castagnoli)))
}

func FuzzTraces(f *testing.F) {
	var codec traceWriter
	th, _ := throw("W1", 1)
	f.Add(codec.append(nil, th.Channels))
	for _, k := range []float64{0.1234567, math.Pi} {
		c := th.Channels[0]
		c.Samples = []float64{k, 2 * k, k, 3 * k, k, k, k, float64(float32(k))}
		f.Add(codec.append(nil, []ingest.Channel{c, c}))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		list, err := consumeTraces(b)
		if err != nil {
			list, err = consumeTraces(sealed(b)) // no fuzzer finds a checksum
		}
		if err != nil {
			return
		}
		var codec traceWriter
		again, err := consumeTraces(codec.append(nil, list))
		if err != nil || len(again) != len(list) {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		for i := range list {
			for j, s := range list[i].Samples {
				if s == s && math.Float64bits(s) != math.Float64bits(again[i].Samples[j]) {
					t.Fatalf("channel %d sample %d: %v became %v", i, j, s, again[i].Samples[j])
				}
			}
		}
	})
}

// The samples themselves, as bytes: whatever is sent comes back.
func FuzzSamples(f *testing.F) {
	f.Add([]byte("0123456789abcdef"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r := reader{b: b}
		var v []float64
		for len(r.b) >= 8 {
			if x := r.f64(); !math.IsNaN(x) && !math.IsInf(x, 0) { // decoding lets none pass
				v = append(v, x)
			}
		}
		var codec traceWriter
		roundTrip(t, "fuzz", &codec, v)
	})
}

func FuzzRecord(f *testing.F) {
	_, rec := throw("W1", 1)
	f.Add(appendRecord(nil, rec))
	f.Fuzz(func(t *testing.T, b []byte) {
		var r, again detect.Record
		if consumeRecord(b, &r) != nil {
			r = detect.Record{}
			if consumeRecord(sealed(b, columnsOf(nil, &r)...), &r) != nil { // no fuzzer finds a checksum
				return
			}
		}
		if err := consumeRecord(appendRecord(nil, &r), &again); err != nil || !same(&r, &again) {
			t.Fatalf("%+v became %+v, %v", r, again, err)
		}
	})
}

func BenchmarkTraces(b *testing.B) {
	var codec traceWriter
	th, _ := throw("W1", 1)
	counts := th.Channels[0].Samples
	factor := make([]float64, len(counts))
	for i, x := range counts {
		factor[i] = x * (3.3 / 4096 / 0.066)
	}
	for name, samples := range map[string][]float64{"counts": counts, "factor": factor} {
		c := th.Channels[0]
		c.Samples = samples
		list := []ingest.Channel{c}
		n := float64(len(samples))
		buf := codec.append(nil, list)
		if out, err := consumeTraces(buf); err != nil || !reflect.DeepEqual(out, list) {
			b.Fatalf("not exact: %v", err)
		}
		b.Run(name+"/write", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				buf = codec.append(buf[:0], list)
			}
			b.ReportMetric(float64(len(buf))/n, "B/sample")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/sample")
		})
		b.Run(name+"/read", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := consumeTraces(buf); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/sample")
		})
	}
}

func TestNanos(t *testing.T) {
	for _, c := range []struct {
		t    time.Time
		want int64
	}{
		{time.Unix(0, 5), 5}, {time.Unix(0, -5), -5},
		{time.Time{}, math.MinInt64}, {time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), math.MaxInt64},
		{time.Unix(0, math.MaxInt64), math.MaxInt64}, {time.Unix(0, math.MinInt64), math.MinInt64},
	} {
		if got := nanos(c.t); got != c.want {
			t.Errorf("%v: expected %d, found %d", c.t, c.want, got)
		}
	}
}
