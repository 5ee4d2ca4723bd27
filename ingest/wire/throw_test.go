package wire

import (
	"bytes"
	"encoding/hex"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"throwline/ingest"
)

var update = flag.Bool("update", false, "write the payloads and recordings of testdata anew")

const payloads = "../../testdata/payloads"

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t.UTC()
}

// goodThrow is a throw, and how its JSON may be written; the first is ours.
type goodThrow struct {
	name  string
	throw ingest.Throw
	json  []string
}

func goodThrows() []goodThrow {
	eight := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	small := ingest.Throw{
		Turnout: "W1", To: ingest.Normal, StartedAt: at("2026-03-01T06:14:07Z"), Completed: true,
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 1, Samples: eight}},
	}
	with := func(change func(*ingest.Throw)) ingest.Throw {
		t := small
		t.Channels = []ingest.Channel{small.Channels[0]}
		change(&t)
		return t
	}
	const channel = `{"drive":"main","quantity":"motor_current","unit":"A","sample_rate_hz":50,"samples":[0,1,2,3,4,5,6,7]}`
	const head = `"turnout":"W1","to":"normal","started_at":"2026-03-01T06:14:07Z","completed":true`
	return []goodThrow{
		{"small", small, []string{
			`{` + head + `,"channels":[` + channel + `]}`,
			"\ufeff \r\n\t{\n " + head + ` , "channels" : [ ` + channel + " ]\n}\n\n",
			`{"channels":[` + channel + `],` + head + `}`,
			// Unknown members of every kind are ignored, also inside.
			`{"v":2,"x":{"turnout":"W9","a":[[[{}]]]},"y":null,"cabinet":7,"z":[1e999,"\ud83d\ude00"],` + head + `,"channels":[{"sensor":{"samples":[null]},` + channel[1:] + `]}`,
			// Names may be written with escapes.
			`{"\u0074urnout":"W\u0031",` + strings.TrimPrefix(head, `"turnout":"W1",`) + `,"channels":[` + channel + `]}`,
			// null stands for what is absent.
			`{"throw_id":null,"boot":null,"sequence":null,"detections":null,"rail_temperature_c":null,"supply_v":null,` + head +
				`,"channels":[{"offset_s":null,"scale":null,"zero":null,` + channel[1:] + `]}`,
			// The same numbers in other forms.
			`{` + head + `,"channels":[{"drive":"main","quantity":"motor_current","unit":"A","sample_rate_hz":5.0e1,"samples":[0.0,1e0, 2.000, 30E-1,0.4e+1 ,5,6,7.0000000000000000000000]}]}`,
			// The zone, the small letters and the digits of a time.
			`{` + strings.Replace(head, "2026-03-01T06:14:07Z", "2026-03-01t07:44:07.000000000000+01:30", 1) + `,"channels":[` + channel + `]}`,
			// The defaults, said.
			`{` + head + `,"detections":[],"channels":[{"offset_s":0,"scale":1,"zero":-0,` + channel[1:] + `]}`,
		}},
		{"full", with(func(t *ingest.Throw) {
			t.ID, t.Boot, t.Sequence = "k7/\"größe\" 1\n2", "b-7", 9007199254740991
			t.To, t.Completed = ingest.Reverse, false
			t.StartedAt = at("2026-03-01T06:14:07.123456789Z")
			t.Detections = []ingest.Detection{{Place: "toe", After: 3212345678}, {Place: "heel 2", After: 0}, {Place: "x", After: 1}}
			t.RailTemperature, t.Supply = ingest.Known(-11.25), ingest.Known(0)
			t.Channels = append(t.Channels, ingest.Channel{
				Drive: "back", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 12.5,
				Offset: -0.04, Scale: 1e-9, Zero: -3, Samples: []float64{-1, 0.1, 1e-7, 1e21, 123456.789, math.SmallestNonzeroFloat64, 5e11, -32769},
			})
		}), []string{
			`{"throw_id":"k7/\"größe\" 1\n2","turnout":"W1","to":"reverse","started_at":"2026-03-01T06:14:07.123456789Z","completed":false,` +
				`"detections":[{"place":"toe","after_s":3.212345678},{"place":"heel 2","after_s":0},{"place":"x","after_s":1e-9}],` +
				`"boot":"b-7","sequence":9007199254740991,"rail_temperature_c":-11.25,"supply_v":0,"channels":[` + channel +
				`,{"drive":"back","quantity":"hydraulic_pressure","unit":"kPa","sample_rate_hz":12.5,"offset_s":-0.04,"scale":1e-9,"zero":-3,` +
				`"samples":[-1,0.1,1e-7,1e+21,123456.789,5e-324,500000000000,-32769]}]}`,
		}},
		{"whole numbers", with(func(t *ingest.Throw) { t.Boot, t.Sequence = "b", 1000 }), []string{
			`{` + head + `,"boot":"b","sequence":1000,"channels":[` + channel + `]}`,
			`{` + head + `,"boot":"b","sequence":1e3,"channels":[` + channel + `]}`,
			`{` + head + `,"boot":"b","sequence":1000.0,"channels":[` + channel + `]}`,
		}},
	}
}

func TestThrow(t *testing.T) {
	d := NewDecoder(DefaultLimits()) // one for all: nothing may stick to it
	for _, g := range goodThrows() {
		t.Run(g.name, func(t *testing.T) {
			if err := g.throw.Validate(g.throw.StartedAt); err != nil {
				t.Fatal("the table itself: ", err)
			}
			for i, text := range g.json {
				for packed, payload := range packings([]byte(text)) {
					kept := bytes.Clone(payload)
					got, err := d.Throw(payload)
					if err != nil || !reflect.DeepEqual(*got, g.throw) {
						t.Errorf("JSON %d in %s: read %+v, %v, want %+v", i, packed, got, err, g.throw)
					}
					if !bytes.Equal(payload, kept) {
						t.Errorf("JSON %d in %s: the payload was changed", i, packed)
					}
				}
			}
			if got := string(AppendThrow([]byte("kept"), &g.throw)); got != "kept"+g.json[0] {
				t.Errorf("written as %s\nwant %s", got, g.json[0])
			}
			ours := AppendThrowCBOR(nil, &g.throw)
			theirs, err := cbor.Marshal(asMap(&g.throw))
			if err != nil {
				t.Fatal(err)
			}
			opts := cbor.EncOptions{Sort: cbor.SortLengthFirst, ShortestFloat: cbor.ShortestFloat16}
			mode, err := opts.EncMode()
			if err != nil {
				t.Fatal(err)
			}
			shortest, err := mode.Marshal(asMap(&g.throw))
			if err != nil {
				t.Fatal(err)
			}
			for name, cbor := range map[string][]byte{
				"ours": ours, "ours, described": append([]byte(selfDescribed), ours...), "the library's": theirs, "the library's shortest": shortest,
				"in pieces": indefinitely(t, theirs),
			} {
				for packed, payload := range packings(cbor) {
					got, err := d.Throw(payload)
					if err != nil || !reflect.DeepEqual(*got, g.throw) {
						t.Errorf("CBOR, %s, in %s: read %+v, %v, want %+v\n%x", name, packed, got, err, g.throw, cbor)
					}
				}
			}
			// The library reads in our CBOR what was written.
			var read map[string]any
			if err := cbor.Unmarshal(ours, &read); err != nil {
				t.Fatal(err)
			}
			if read["turnout"] != g.throw.Turnout || len(read["channels"].([]any)) != len(g.throw.Channels) || read["completed"] != g.throw.Completed {
				t.Errorf("the library reads our CBOR as %v", read)
			}
		})
	}
}

// packings is the payload plain and compressed.
func packings(b []byte) map[string][]byte {
	return map[string][]byte{"plain": b, "gzip": gzipped(b), "zstd": zstded(b)}
}

// asMap is the throw as the library is to write it, with plain lists.
func asMap(t *ingest.Throw) map[string]any {
	m := map[string]any{"turnout": t.Turnout, "to": t.To.String(), "completed": t.Completed,
		"started_at": cbor.Tag{Number: 0, Content: t.StartedAt.Format(time.RFC3339Nano)}, "beside": []any{map[string]any{"x": []byte{1}}, cbor.Tag{Number: 1, Content: 1.5}, nil}}
	if t.ID != "" {
		m["throw_id"] = t.ID
	}
	if t.Boot != "" {
		m["boot"], m["sequence"] = t.Boot, t.Sequence
	}
	if t.RailTemperature.Known {
		m["rail_temperature_c"] = t.RailTemperature.Value
	}
	if t.Supply.Known {
		m["supply_v"] = t.Supply.Value
	}
	var detections, channels []any
	for _, d := range t.Detections {
		detections = append(detections, map[string]any{"place": d.Place, "after_s": d.After.Seconds()})
	}
	for _, c := range t.Channels {
		channels = append(channels, map[string]any{"drive": c.Drive, "quantity": string(c.Quantity), "unit": string(c.Unit),
			"sample_rate_hz": c.SampleRate, "offset_s": c.Offset, "scale": c.Scale, "zero": c.Zero, "samples": c.Samples})
	}
	m["detections"], m["channels"] = detections, channels
	return m
}

// indefinitely writes CBOR again with every list, map and text in pieces.
func indefinitely(t *testing.T, b []byte) []byte {
	t.Helper()
	var out []byte
	var item func(b []byte) []byte // returns what follows
	item = func(b []byte) []byte {
		c := cborSource{b: b}
		major, _, arg, ok := c.head()
		if !ok {
			t.Fatalf("not well formed: % x", b)
		}
		rest := b[c.i:]
		switch major {
		case majorText:
			text := rest[:arg]
			out = append(out, majorText<<5|indefinite)
			for len(text) > 0 { // pieces of one character: RFC 8949 wants each to be UTF-8
				n := len(string([]rune(string(text))[:1]))
				out = append(appendHead(out, majorText, uint64(n)), text[:n]...)
				text = text[n:]
			}
			out = append(out, breakByte)
			return rest[arg:]
		case majorBytes:
			out = append(out, b[:c.i+int(arg)]...)
			return rest[arg:]
		case majorList, majorMap:
			out = append(out, major<<5|indefinite)
			for range arg << (major - majorList) {
				rest = item(rest)
			}
			out = append(out, breakByte)
			return rest
		case majorTag:
			out = append(out, b[:c.i]...)
			return item(rest)
		}
		out = append(out, b[:c.i]...)
		return rest
	}
	if rest := item(b); len(rest) > 0 {
		t.Fatalf("more after it: % x", rest)
	}
	return out
}

// The typed arrays of RFC 8746, table 1 of section 2, each with elements at
// the ends of its range; and the elements of the example in section 3.1.1
// (there in two dimensions), which a trace needs eight of.
func TestTypedArrays(t *testing.T) {
	for _, c := range []struct {
		tag  byte
		hex  string
		want []float64
	}{
		{64, "0001ff", []float64{0, 1, 255}},
		{65, "000200040008000400100100", []float64{2, 4, 8, 4, 16, 256}}, // RFC 8746, figure 1
		{65, "ffff", []float64{65535}},
		{66, "00000001ffffffff", []float64{1, 4294967295}},
		{67, "0020000000000000", []float64{1 << 53}},
		{68, "00ff", []float64{0, 255}},
		{69, "0200ffff", []float64{2, 65535}},
		{70, "01000000ffffffff", []float64{1, 4294967295}},
		{71, "0000000000002000", []float64{1 << 53}},
		{72, "7f80ff", []float64{127, -128, -1}},
		{73, "7fff8000fffe", []float64{32767, -32768, -2}},
		{74, "7fffffff80000000fffffffe", []float64{2147483647, -2147483648, -2}},
		{75, "fffffffffffffffe8000000000000000", []float64{-2, -9223372036854775808}},
		{77, "ff7f0080feff", []float64{32767, -32768, -2}},
		{78, "ffffff7f00000080feffffff", []float64{2147483647, -2147483648, -2}},
		{79, "feffffffffffffff0000000000000080", []float64{-2, -9223372036854775808}},
		{80, "3e007bff0001c400", []float64{1.5, 65504, 5.960464477539063e-8, -4}},
		{81, "47c350007f7fffff", []float64{100000, 3.4028234663852886e+38}},
		{82, "3ff199999999999a", []float64{1.1}},
		{84, "003eff7b010000c4", []float64{1.5, 65504, 5.960464477539063e-8, -4}},
		{85, "0050c347", []float64{100000}},
		{86, "9a9999999999f13f", []float64{1.1}},
	} {
		b, err := hex.DecodeString(c.hex)
		if err != nil {
			t.Fatal(err)
		}
		whole := appendHead(appendHead(nil, majorTag, uint64(c.tag)), majorBytes, uint64(len(b)))
		whole = append(whole, b...)
		pieces := append(appendHead(nil, majorTag, uint64(c.tag)), majorBytes<<5|indefinite)
		for _, one := range b {
			pieces = append(pieces, 0x41, one)
		}
		pieces = append(pieces, breakByte)
		for _, payload := range [][]byte{whole, pieces} {
			if err := newMode().Wellformed(payload); err != nil {
				t.Fatalf("tag %d: %v", c.tag, err)
			}
			var s cborSource
			s.reset(payload)
			got, bad := s.samples(8)
			if bad.expected != "" || s.failed() || !reflect.DeepEqual(got, c.want) || s.i != len(payload) {
				t.Errorf("tag %d of %x: read %v, %+v, want %v", c.tag, payload, got, bad, c.want)
			}
		}
	}
}

// What encoders choose: the smallest element that holds all samples exactly.
func TestAppendTyped(t *testing.T) {
	for _, c := range []struct {
		samples []float64
		tag     byte
	}{
		{[]float64{0, 32767, -32768}, 77},
		{[]float64{32768}, 78},
		{[]float64{-2147483648, 2147483647}, 78},
		{[]float64{2147483648}, 85},
		{[]float64{2147483649}, 86},
		{[]float64{1.5, -0.25}, 85},
		{[]float64{1.1}, 86},
		{[]float64{1e300}, 86},
	} {
		b := appendTyped(nil, c.samples)
		if b[0] != 0xd8 || b[1] != c.tag {
			t.Errorf("%v: written with % x, want tag %d", c.samples, b[:2], c.tag)
		}
		var s cborSource
		s.reset(b)
		if got, bad := s.samples(8); bad.expected != "" || !reflect.DeepEqual(got, c.samples) {
			t.Errorf("%v: read back as %v, %+v", c.samples, got, bad)
		}
	}
}

// Numbers of RFC 8949, appendix A. 1000, 1.1, 1.5, 100000.0 and NaN are copied
// from the page of values that this project checks against; the others are
// from memory, and each is asked of the library, too.
func TestAppendixA(t *testing.T) {
	for _, c := range []struct {
		hex  string
		want float64
	}{
		{"1903e8", 1000}, {"fb3ff199999999999a", 1.1}, {"f93e00", 1.5}, {"fa47c35000", 100000}, {"f97e00", math.NaN()},
		{"00", 0}, {"01", 1}, {"0a", 10}, {"17", 23}, {"1818", 24}, {"1819", 25}, {"1864", 100},
		{"1a000f4240", 1000000}, {"1b000000e8d4a51000", 1000000000000}, {"1bffffffffffffffff", 18446744073709551615},
		{"3bffffffffffffffff", -18446744073709551616}, {"20", -1}, {"29", -10}, {"3863", -100}, {"3903e7", -1000},
		{"f90000", 0}, {"f98000", math.Copysign(0, -1)}, {"f93c00", 1}, {"f97bff", 65504}, {"fa7f7fffff", 3.4028234663852886e+38},
		{"fb7e37e43c8800759c", 1.0e+300}, {"f90001", 5.960464477539063e-8}, {"f90400", 0.00006103515625}, {"f9c400", -4}, {"fbc010666666666666", -4.1},
		{"f97c00", math.Inf(1)}, {"f9fc00", math.Inf(-1)}, {"fa7f800000", math.Inf(1)}, {"fa7fc00000", math.NaN()}, {"faff800000", math.Inf(-1)},
		{"fb7ff0000000000000", math.Inf(1)}, {"fb7ff8000000000000", math.NaN()}, {"fbfff0000000000000", math.Inf(-1)},
	} {
		b, err := hex.DecodeString(c.hex)
		if err != nil {
			t.Fatal(err)
		}
		var library float64
		if c.hex == "3bffffffffffffffff" {
			library = c.want // the library reads it only as a big.Int
		} else if err := cbor.Unmarshal(b, &library); err != nil || library != c.want && !math.IsNaN(c.want) {
			t.Errorf("%s: the library reads %v, %v, the table says %v", c.hex, library, err, c.want)
		}
		var s cborSource
		s.reset(b)
		if k := s.kind(); k != kindNumber {
			t.Errorf("%s: kind %d", c.hex, k)
		}
		n := s.number()
		if math.IsNaN(c.want) || math.IsInf(c.want, 0) {
			if n.found != fmt.Sprint(c.want) {
				t.Errorf("%s: read as %+v, want %v found", c.hex, n, c.want)
			}
			continue
		}
		if n.value != c.want || math.Signbit(n.value) != math.Signbit(c.want) || n.found != "" || s.i != len(b) {
			t.Errorf("%s: read as %+v, want %v", c.hex, n, c.want)
		}
		if b[0] < 0xf9 && math.Abs(c.want) < mostExact {
			if got := appendCBORNumber(nil, c.want); !bytes.Equal(got, b) {
				t.Errorf("%v: written as %x, want %s", c.want, got, c.hex)
			}
		}
	}
	for want, v := range map[string]float64{"f93e00": 1.5, "fb3ff199999999999a": 1.1, "fa47c35040": 100000.5, "1903e8": 1000, "3903e7": -1000} {
		if got := hex.EncodeToString(appendCBORNumber(nil, v)); got != want {
			t.Errorf("%v: written as %s, want %s", v, got, want)
		}
	}
}

func TestStatesAndConditions(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	for _, want := range []ingest.CabinetState{
		{Cabinet: "C-1", Online: true, At: at("2026-03-01T06:14:07.5Z"), Agent: "lineside 1.2", ClockOffset: ingest.Known(-0.25)},
		{Cabinet: "C-1", At: at("2026-03-01T06:14:07Z")},
	} {
		got, err := d.State("C-1", AppendState(nil, &want))
		if err != nil || *got != want {
			t.Errorf("read %+v, %v, want %+v", got, err, want)
		}
		got, err = d.State("", appendState(nil, &want, true))
		if err != nil || *got != want {
			t.Errorf("read %+v, %v, want %+v", got, err, want)
		}
	}
	for _, want := range []ingest.Conditions{
		{Cabinet: "C-1", At: at("2026-03-01T06:14:07.5Z"), RailTemperature: ingest.Known(40.5), AirTemperature: ingest.Known(-3), Supply: ingest.Known(230), Rain: ingest.Known(1)},
		{Cabinet: "C-1", At: at("2026-03-01T06:14:07Z"), Rain: ingest.Known(0)},
		{Cabinet: "C-1", At: at("2026-03-01T06:14:07Z")},
	} {
		got, err := d.Conditions("C-1", AppendConditions(nil, &want))
		if err != nil || *got != want {
			t.Errorf("read %+v, %v, want %+v", got, err, want)
		}
		packed, err := cbor.Marshal(map[string]any{"at": want.At.Format(time.RFC3339Nano), "rain": nil, "cabinet": "C-1"})
		if err != nil {
			t.Fatal(err)
		}
		bare := ingest.Conditions{Cabinet: "C-1", At: want.At}
		if got, err := d.Conditions("C-1", packed); err != nil || *got != bare {
			t.Errorf("read %+v, %v, want %+v", got, err, bare)
		}
	}
}

func TestReceipts(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	var long ingest.Receipt
	for seq := uint64(2); seq < 1000; seq += 3 {
		long = long.With("b", seq)
	}
	for _, want := range []ingest.Receipt{{Boot: "b"}, {Boot: "b", Through: 7, Missing: [][2]uint64{{1, 2}, {4, 4}}}, long} {
		b := AppendReceipt(nil, want, at("2026-03-01T06:14:07Z"))
		got, err := d.Receipt(b)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: read %+v, %v, want %+v", b, got, err, want)
		}
	}
	// As the contract writes it.
	const contract = `{"boot":"b","through":7,"missing":[[1,2],[4,4]],"at":"2026-03-01T06:14:07Z"}`
	if got := string(AppendReceipt(nil, ingest.Receipt{Boot: "b", Through: 7, Missing: [][2]uint64{{1, 2}, {4, 4}}}, at("2026-03-01T06:14:07Z"))); got != contract {
		t.Errorf("written as %s, want %s", got, contract)
	}
	for text, want := range map[string]string{
		`{"through":7}`:                                    "boot: expected text of 1 to 64 characters, found nothing",
		`{"boot":"b","through":-1}`:                        "through: expected a whole number from 0, found -1",
		`{"boot":"b","through":7,"missing":[3]}`:           "missing[0]: expected a list of [first, last], found 3",
		`{"boot":"b","through":7,"missing":[[]]}`:          "missing[0]: expected [first, last], found 0 numbers",
		`{"boot":"b","through":7,"missing":[[1,2,3]]}`:     "missing[0]: expected [first, last], found 3 numbers",
		`{"boot":"b","through":7,"missing":[[5,5],[4,4]]}`: "missing[1]: expected first and last number of a gap, ascending, up to through, found [4 4]",
		`{"boot":"b","through":7,"missing":[[5,8]]}`:       "missing[0]: expected first and last number of a gap, ascending, up to through, found [5 8]",
	} {
		if _, err := d.Receipt([]byte(text)); err == nil || err.Error() != want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}

// The payloads in testdata are what the encoders write, and stay readable.
func TestPayloads(t *testing.T) {
	decimals, counts := typicalThrow(false), typicalThrow(true)
	hydraulic := typicalThrow(true)
	hydraulic.Turnout, hydraulic.ID, hydraulic.To = "W-204", "k7-000124", ingest.Normal
	hydraulic.Channels[0] = ingest.Channel{Drive: "main", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 25, Scale: 10, Zero: -20}
	for i := range 120 {
		hydraulic.Channels[0].Samples = append(hydraulic.Channels[0].Samples, math.Round(400+200*math.Exp(-float64(i)/6)+9*math.Sin(float64(i)/5)))
	}
	for name, c := range map[string]struct {
		throw *ingest.Throw
		bytes []byte
	}{
		"throw.json":        {decimals, AppendThrow(nil, decimals)},
		"throw-counts.json": {counts, AppendThrow(nil, counts)},
		"throw.json.gz":     {decimals, gzipped(AppendThrow(nil, decimals))},
		"throw.json.zst":    {decimals, zstded(AppendThrow(nil, decimals))},
		"throw.cbor":        {counts, AppendThrowCBOR(nil, counts)},
		"hydraulic.cbor.gz": {hydraulic, gzipped(AppendThrowCBOR(nil, hydraulic))},
		"list.cbor":         {counts, plainListCBOR(counts)},
	} {
		path := filepath.Join(payloads, name)
		if *update {
			if err := os.WriteFile(path, c.bytes, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got, err := NewDecoder(DefaultLimits()).Throw(b)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if err := got.Validate(got.StartedAt); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if !reflect.DeepEqual(got, c.throw) {
			t.Errorf("%s: read %+v, want %+v", name, got, c.throw)
		}
	}
}
