package wire

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"throwline/ingest"
)

const (
	goodChannel = `{"drive":"main","quantity":"motor_current","unit":"A","sample_rate_hz":50,"samples":[0,1,2,3,4,5,6,7]}`
	goodHead    = `"turnout":"W1","to":"normal","started_at":"2026-03-01T06:14:07Z","completed":true`
	goodText    = `{` + goodHead + `,"channels":[` + goodChannel + `]}`
)

// instead is the good throw with one piece replaced.
func instead(old, new string) string {
	if strings.Count(goodText, old) != 1 {
		panic(old)
	}
	return strings.Replace(goodText, old, new, 1)
}

func samplesOf(s string) string { return instead("[0,1,2,3,4,5,6,7]", s) }

// Bad payloads, and the exact reason that is given for each.
func TestRefusals(t *testing.T) {
	const form = "a JSON object or a CBOR map, plain or in gzip or zstd"
	gz, zst := gzipped([]byte(goodText)), zstded([]byte(goodText))
	damaged := bytes.Clone(gz)
	damaged[len(damaged)-6] ^= 1
	million := strings.TrimSuffix(strings.Repeat("1,", 1_000_000), ",")
	for _, c := range []struct{ name, payload, want string }{
		{"empty", "", ": expected a JSON object or a CBOR map, found nothing"},
		{"blank", " \r\n", ": expected a JSON object or a CBOR map, found nothing"},
		{"neither", "throw!", ": expected " + form + `, found bytes that begin with "throw!"`},
		{"a list", "[" + goodText + "]", ": expected " + form + `, found bytes that begin with "[{\"turnout\":"`},
		{"bytes", "\x00\x01\x02", ": expected " + form + ", found bytes that begin with 00 01 02"},
		{"gzip of nothing", string(gzipped(nil)), ": expected a JSON object or a CBOR map, found nothing"},
		{"gzip in gzip", string(gzipped(gz)), ": expected a JSON object or a CBOR map in the gzip, found gzip again"},
		{"zstd in gzip", string(gzipped(zst)), ": expected a JSON object or a CBOR map in the gzip, found zstd again"},
		{"gzip cut", string(gz[:len(gz)/2]), ": expected gzip that can be decompressed, found its end in the middle (cut short?)"},
		{"gzip's head alone", "\x1f\x8b", ": expected gzip that can be decompressed, found its end in the middle (cut short?)"},
		{"gzip damaged", string(damaged), ": expected gzip that can be decompressed, found gzip: invalid checksum"},
		{"gzip and more", string(gz) + "more", ": expected gzip that can be decompressed, found its end in the middle (cut short?)"},
		{"zstd cut", string(zst[:len(zst)/2]), ": expected zstd that can be decompressed, found data that are corrupt or cut short"},
		{"zstd's head alone", "\x28\xb5\x2f\xfd", ": expected zstd that can be decompressed, found data that are corrupt or cut short"},

		{"no members", "{}", "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found nothing; to: expected normal or reverse, found nothing; started_at: expected a time after RFC 3339 with a zone, found nothing; completed: expected true or false, found nothing; channels: expected a list of 1 to 16 channels, found nothing"},
		{"turnout missing", instead(`"turnout":"W1",`, ``), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found nothing"},
		{"turnout null", instead(`"W1"`, `null`), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found null"},
		{"turnout empty", instead(`"W1"`, `""`), `turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found ""`},
		{"turnout a number", instead(`"W1"`, `1`), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found 1"},
		{"turnout an object", instead(`"W1"`, `{"W":1}`), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found an object"},
		{"to sideways", instead(`"normal"`, `"sideways"`), `to: expected normal or reverse, found "sideways"`},
		{"to true", instead(`"normal"`, `true`), "to: expected normal or reverse, found true"},
		{"to something long", instead(`"normal"`, `"`+strings.Repeat("é", 60)+`"`), `to: expected normal or reverse, found "` + strings.Repeat("é", 40) + `…"`},
		{"broken after many faults", instead(goodChannel, strings.Repeat(`7,`, 15)+"8]],"), manyFaults() + "; : expected JSON after RFC 8259, found invalid character ']' after object value (expecting ',' or '}'), at byte 127"},
		{"completed text", instead(`:true`, `:"true"`), `completed: expected true or false, found "true"`},
		{"completed 1", instead(`:true`, `:1`), "completed: expected true or false, found 1"},
		{"no zone", instead(`07Z"`, `07"`), `started_at: expected a time after RFC 3339 with a zone, found "2026-03-01T06:14:07"`},
		{"epoch", instead(`"2026-03-01T06:14:07Z"`, `1772345647`), "started_at: expected a time after RFC 3339 with a zone, found 1772345647"},
		{"sequence 0", instead(`{"turnout"`, `{"boot":"b","sequence":0,"turnout"`), "sequence: expected a whole number from 1, found 0"},
		{"sequence -1", instead(`{"turnout"`, `{"boot":"b","sequence":-1,"turnout"`), "sequence: expected a whole number from 1, found -1"},
		{"sequence 1.5", instead(`{"turnout"`, `{"boot":"b","sequence":1.5,"turnout"`), "sequence: expected a whole number from 1, found 1.5"},
		{"sequence 1e400", instead(`{"turnout"`, `{"boot":"b","sequence":1e400,"turnout"`), "sequence: expected a whole number from 1, found 1e400"},
		{"sequence text", instead(`{"turnout"`, `{"boot":"b","sequence":"1","turnout"`), `sequence: expected a whole number from 1, found "1"`},
		{"throw_id empty", instead(`{"turnout"`, `{"throw_id":"","turnout"`), `throw_id: expected text of 1 to 128 characters, found ""`},
		{"rail 1e309", instead(`{"turnout"`, `{"rail_temperature_c":-1e309,"turnout"`), "rail_temperature_c: expected a finite number that float64 can hold, found -1e309"},
		{"supply text", instead(`{"turnout"`, `{"supply_v":"110","turnout"`), `supply_v: expected a number, found "110"`},
		{"detections", instead(`{"turnout"`, `{"detections":[{"place":"toe","after_s":1},{"after_s":"2"},7,{"place":"x","after_s":1e10}],"turnout"`),
			`detections[1].after_s: expected a number, found "2"; detections[1].place: expected text of 1 to 64 characters, found nothing; detections[2]: expected an object, found 7; detections[3].after_s: expected seconds, at most 1e9 either way, found 1e+10`},
		{"65 detections", instead(`{"turnout"`, `{"detections":[`+strings.Repeat(`{"place":"toe","after_s":1},`, 64)+`{"place":"toe","after_s":1}],"turnout"`), "detections: expected at most 64, found 65"},

		{"channels an object", instead("["+goodChannel+"]", goodChannel), "channels: expected a list of 1 to 16 channels, found an object"},
		{"no channel", instead("["+goodChannel+"]", `[ ]`), ""}, // Validate's
		{"channel null", instead(goodChannel, `null`), "channels[0]: expected an object, found null"},
		{"17 channels", instead(goodChannel, strings.Repeat(goodChannel+",", 16)+goodChannel), "channels: expected 1 to 16, found 17"},
		{"second channel", instead(goodChannel, goodChannel+`,{"drive":null,"unit":1,"samples":"1,2","scale":"x"}`),
			`channels[1].drive: expected text of 1 to 64 characters, found null; channels[1].unit: expected the name of a unit, found 1; channels[1].samples: expected a list of numbers, found "1,2"; channels[1].scale: expected a number, found "x"; ` +
				`channels[1].quantity: expected the name of a quantity, found nothing; channels[1].sample_rate_hz: expected a number, found nothing`},
		// What can be read is checked as well, so that all is told at once.
		{"wrong type and wrong unit", strings.Replace(instead(`"A"`, `"V"`), `:true`, `:0`, 1), `completed: expected true or false, found 0; channels[0].unit: expected A for motor_current, found "V"`},

		{"samples null", samplesOf("null"), "channels[0].samples: expected a list of numbers, found null"},
		{"a null sample", samplesOf("[0,1,2,3, null ,5,6,null]"), "channels[0].samples[4]: expected a number, found null"},
		{"a text sample", samplesOf(`[0,1,"2",3,4,5,6,7]`), `channels[0].samples[2]: expected a number, found "2"`},
		{"a text with a quote", samplesOf(`[0,"a\"]b",2]`), `channels[0].samples[1]: expected a number, found "a\"]b"`},
		{"a list sample", samplesOf(`[0,1,2,[3],4,5,6,7]`), "channels[0].samples[3]: expected a number, found a list"},
		{"an object sample", samplesOf(`[{"v":1},1,2]`), "channels[0].samples[0]: expected a number, found an object"},
		{"a false sample", samplesOf(`[1,false]`), "channels[0].samples[1]: expected a number, found false"},
		{"a huge sample", samplesOf(`[0,1,1e309,3,4,5,6,7]`), "channels[0].samples[2]: expected a finite number that float64 can hold, found 1e309"},
		{"10^6 samples", samplesOf("[" + million + "]"), "channels[0].samples: expected at most 200000 samples, found 1000000"},

		{"NaN", samplesOf(`[0,1,NaN,3]`), `channels[0].samples[2]: expected JSON after RFC 8259, found invalid character 'N' at start of value, at byte 184`},
		{"cut", goodText[:150], `channels[0]: expected JSON after RFC 8259, found its end after 150 bytes (cut short?)`},
		{"cut before the last brace", goodText[:len(goodText)-1], `: expected JSON after RFC 8259, found its end after 198 bytes (cut short?)`},
		{"two", goodText + goodText, ": expected one JSON object, found another value after it"},
		{"trailing", goodText + "}", ": expected JSON after RFC 8259, found invalid character '}' at start of value, at byte 199"},
		{"single quotes", `{'turnout':1}`, `: expected JSON after RFC 8259, found invalid character '\'' at start of value, at byte 1`},
		{"comma too many", instead(`true,`, `true,,`), `: expected JSON after RFC 8259, found invalid character ',' at start of value, at byte 83`},
		{"leading zero", samplesOf(`[01]`), `channels[0].samples: expected JSON after RFC 8259, found invalid character '1' after array element (expecting ',' or ']'), at byte 181`},
		{"twice", instead(`{"turnout":"W1"`, `{"turnout":"W1","turnout":"W1"`), "turnout: expected every member once, found it again"},
		{"twice and unknown", instead(`{"turnout"`, `{"x":{"a":1,"a":2},"turnout"`), "x.a: expected every member once, found it again"},
		{"bad UTF-8", instead(`W1`, "W\xff"), "turnout: expected JSON after RFC 8259, found invalid UTF-8, at byte 13"},
		{"half a surrogate", instead(`W1`, `W\ud83d`), `turnout: expected JSON after RFC 8259, found invalid surrogate pair ` + "`\\ud83d\",\"to\"`" + ` in string, at byte 13`},
		{"deep", instead(`{"turnout"`, `{"x":`+strings.Repeat("[", 20_000)+strings.Repeat("]", 20_000)+`,"turnout"`), "x[0][0][0][0][0][0][0]…: expected JSON after RFC 8259, found exceeded max depth, at byte 10004"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := NewDecoder(DefaultLimits())
			throw, err := d.Throw([]byte(c.payload))
			if c.want == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			checkRefusal(t, throw, err, c.want)
			// The decoder is as good as new.
			if _, err := d.Throw([]byte(goodText)); err != nil {
				t.Errorf("a good throw after it: %v", err)
			}
		})
	}
}

// manyFaults are one fewer than are told of one payload.
func manyFaults() string {
	var all []string
	for i := range mostFaults - 1 {
		all = append(all, fmt.Sprintf("channels[%d]: expected an object, found 7", i))
	}
	return strings.Join(all, "; ")
}

// checkRefusal wants faults in the form of Refusal.Error, but with an empty
// path where that says "message".
func checkRefusal(t *testing.T, throw *ingest.Throw, err error, want string) {
	t.Helper()
	r := ingest.AsRefusal(err)
	if r == nil || throw != nil {
		t.Fatalf("read %+v, %v, want %s", throw, err, want)
	}
	var got []string
	for _, f := range r.Faults {
		got = append(got, fmt.Sprintf("%s: expected %s, found %s", f.Path, f.Expected, f.Found))
	}
	if s := strings.Join(got, "; "); s != want {
		t.Errorf("refused for\n%s\nwant\n%s", s, want)
	}
}

func TestRefusalsOfCBOR(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	good := asMap(&goodThrows()[0].throw)
	pack := func(change func(m, channel map[string]any)) []byte {
		m := asMap(&goodThrows()[0].throw)
		change(m, m["channels"].([]any)[0].(map[string]any))
		b, err := cbor.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	samples := func(v any) []byte { return pack(func(_, c map[string]any) { c["samples"] = v }) }
	typed := func(tag uint64, h string) []byte {
		b, err := hex.DecodeString(h)
		if err != nil {
			t.Fatal(err)
		}
		return samples(cbor.Tag{Number: tag, Content: b})
	}
	whole, err := cbor.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	ours := AppendThrowCBOR(nil, &goodThrows()[0].throw)
	deep := func(n int) cbor.RawMessage { return append(bytes.Repeat([]byte{0x81}, n), 0x01) }
	for _, c := range []struct {
		name    string
		payload []byte
		want    string
	}{
		{"empty map", []byte{0xa0}, "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found nothing; to: expected normal or reverse, found nothing; started_at: expected a time after RFC 3339 with a zone, found nothing; completed: expected true or false, found nothing; channels: expected a list of 1 to 16 channels, found nothing"},
		{"described list", []byte(selfDescribed + "\x80"), ": expected an object, found a list"},
		{"described nothing", []byte(selfDescribed), ": expected " + "a JSON object or a CBOR map, plain or in gzip or zstd" + ", found bytes that begin with d9 d9 f7"},
		{"more after it", append(bytes.Clone(whole), 0, 0, 0), fmt.Sprintf(": expected CBOR after RFC 8949, found 3 bytes of extraneous data starting at index %d", len(whole))},
		{"cut in the samples", ours[:len(ours)-4], "channels[0].samples: expected CBOR after RFC 8949, found its end in the middle (cut short?)"},
		{"a map of 2^64-1", []byte("\xbb\xff\xff\xff\xff\xff\xff\xff\xff"), ": expected CBOR after RFC 8949, found map length 18446744073709551615 is too large, it would cause integer overflow"},
		{"a reserved head", []byte("\xa1\x61x\x1c"), "x: expected CBOR after RFC 8949, found invalid additional information 28 for type positive integer"},
		{"an odd map", []byte("\xbf\x61x\xff"), "x: expected CBOR after RFC 8949, found unexpected \"break\" code"},
		{"twice", []byte("\xa2\x67turnout\x62W1\x67turnout\x62W1"), "turnout: expected every member once, found it again; to: expected normal or reverse, found nothing; started_at: expected a time after RFC 3339 with a zone, found nothing; completed: expected true or false, found nothing; channels: expected a list of 1 to 16 channels, found nothing"},
		{"deep", pack(func(m, _ map[string]any) { m["x"] = deep(40) }), "x: expected CBOR after RFC 8949, found exceeded max nested level 32"},
		{"turnout in bytes", pack(func(m, _ map[string]any) { m["turnout"] = []byte("W1") }), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found bytes"},
		{"turnout undefined", pack(func(m, _ map[string]any) { m["turnout"] = cbor.RawMessage{0xf7} }), "turnout: expected 1 to 64 of A-Z a-z 0-9 . _ -, found undefined"},
		{"turnout no UTF-8", pack(func(m, _ map[string]any) { m["turnout"] = cbor.RawMessage("\x62W\xff") }), "turnout: expected text in UTF-8, found 57 ff"},
		{"time in tag 1", pack(func(m, _ map[string]any) { m["started_at"] = cbor.Tag{Number: 1, Content: 1772345647} }), "started_at: expected a time after RFC 3339 with a zone, found tag 1"},
		{"completed simple", pack(func(m, _ map[string]any) { m["completed"] = cbor.SimpleValue(99) }), "completed: expected true or false, found simple value 99"},
		{"sequence 1.5", pack(func(m, _ map[string]any) { m["boot"], m["sequence"] = "b", 1.5 }), "sequence: expected a whole number from 1, found 1.5"},
		{"supply NaN", pack(func(m, _ map[string]any) { m["supply_v"] = math.NaN() }), "supply_v: expected a finite number that float64 can hold, found NaN"},
		{"scale a bignum", pack(func(_, c map[string]any) { c["scale"] = cbor.Tag{Number: 2, Content: []byte{1}} }), "channels[0].scale: expected a number, found tag 2"},
		{"a list with null", samples([]any{1, 2, nil, nil}), "channels[0].samples[2]: expected a number, found null"},
		{"a list with NaN", samples([]any{1, 2, math.NaN()}), "channels[0].samples[2]: expected a finite number that float64 can hold, found NaN"},
		{"a list with half an infinity", samples([]any{cbor.RawMessage("\xf9\xfc\x00")}), "channels[0].samples[0]: expected a finite number that float64 can hold, found -Inf"},
		{"a list with false", samples([]any{1, false}), "channels[0].samples[1]: expected a number, found false"},
		{"a list of 10^6", samples(make([]uint8, 1_000_000)), "channels[0].samples: expected a list of numbers, found bytes"},
		{"a list of 10^6 numbers", samples(make([]int, 1_000_000)), "channels[0].samples: expected at most 200000 samples, found 1000000"},
		{"a list of 200001, in pieces", samples(cbor.RawMessage("\x9f" + strings.Repeat("\x01", 200_001) + "\xff")), "channels[0].samples: expected at most 200000 samples, found more"},
		{"a typed array of 10^6", typed(77, strings.Repeat("0100", 1_000_000)), "channels[0].samples: expected at most 200000 samples, found 1000000"},
		{"half NaN", typed(84, "003c007e"), "channels[0].samples[1]: expected a finite number that float64 can hold, found NaN"},
		{"half infinity", typed(80, "7c003c00"), "channels[0].samples[0]: expected a finite number that float64 can hold, found +Inf"},
		{"single NaN", typed(85, "0000c07f"), "channels[0].samples[0]: expected a finite number that float64 can hold, found NaN"},
		{"double infinity", typed(82, "fff0000000000000"), "channels[0].samples[0]: expected a finite number that float64 can hold, found -Inf"},
		{"odd bytes", typed(77, "000102"), "channels[0].samples: expected a typed array of 2 bytes an element, found 3 bytes"},
		{"completed a list", pack(func(m, _ map[string]any) { m["completed"] = []int{} }), "completed: expected true or false, found a list"},
		{"channel true", pack(func(m, _ map[string]any) { m["channels"] = []any{true} }), "channels[0]: expected an object, found true"},
		{"channel infinite", pack(func(m, _ map[string]any) { m["channels"] = []any{math.Inf(1)} }), "channels[0]: expected an object, found +Inf"},
		{"channel -1.5", pack(func(m, _ map[string]any) { m["channels"] = []any{-1.5} }), "channels[0]: expected an object, found -1.5"},
		{"channel no UTF-8", pack(func(m, _ map[string]any) { m["channels"] = []any{cbor.RawMessage("\x62W\xff")} }), "channels[0]: expected an object, found text that is not UTF-8"},
		{"float128", typed(83, strings.Repeat("00", 32)), "channels[0].samples: expected a typed array of integers of 1, 2, 4 or 8 bytes or of floats of 2, 4 or 8, found tag 83"},
		{"reserved tag", typed(76, "00"), "channels[0].samples: expected a typed array of integers of 1, 2, 4 or 8 bytes or of floats of 2, 4 or 8, found tag 76"},
		{"other tag", typed(88, "00"), "channels[0].samples: expected a list of numbers, found tag 88"},
		{"typed list", samples(cbor.Tag{Number: 77, Content: []int{1}}), "channels[0].samples: expected a list of numbers, found tag 77"},
		{"samples text", samples("1,2"), `channels[0].samples: expected a list of numbers, found "1,2"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			throw, err := d.Throw(c.payload)
			checkRefusal(t, throw, err, c.want)
		})
	}
}

// A refusal still says whose throw it was and which number it had, wherever
// the fault stands, so that a receipt can count it.
func TestRefusalNamesTheThrow(t *testing.T) {
	numbered := &ingest.Throw{Turnout: "W7", To: ingest.Normal, StartedAt: at("2026-03-01T06:14:07Z"), Boot: "b 1", Sequence: 42,
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 1, Samples: make([]float64, 20)}}}
	text := string(AppendThrow(nil, numbered))
	packed := AppendThrowCBOR(nil, numbered)
	last := `{"channels":[{"drive":"\"turnout\":","samples":[0,NaN]}],"x":{"sequence":9},"boot" : "b 1" ,"sequence": 42 ,"turnout":"W7"}`
	for name, payload := range map[string][]byte{
		"a wrong member":         []byte(strings.Replace(text, `"normal"`, `7`, 1)),
		"broken after them":      []byte(strings.Replace(text, `[0,`, `[NaN,`, 1)),
		"broken before them":     []byte(last),
		"broken between them":    []byte(strings.Replace(text, `"to":`, `"to":None,"t":`, 1)),
		"CBOR with a wrong type": bytes.Replace(packed, []byte("normal"), []byte("mormal"), 1),
		"CBOR cut short":         packed[:len(packed)-3],
	} {
		_, err := NewDecoder(DefaultLimits()).Throw(payload)
		r := ingest.AsRefusal(err)
		if r == nil || r.Turnout != "W7" || r.Boot != "b 1" || r.Sequence != 42 {
			t.Errorf("%s: %+v, want turnout W7, boot \"b 1\", sequence 42", name, r)
		}
	}
	// What cannot be a number of a throw is not taken for one.
	for _, payload := range []string{
		`{"boot":"b","sequence":99999999999999999999,"to":NaN}`,
		`{"boot":"b","to":NaN,"sequence":99999999999999999999,"turnout":"W7"}`,
		`{"boot":"b","to":NaN,"sequence":12`,
		`{"boot":"b","to":NaN,"sequence":1.5}`,
		`{"boot":"b","sequence":9007199254740992,"to":7}`,
	} {
		_, err := NewDecoder(DefaultLimits()).Throw([]byte(payload))
		if r := ingest.AsRefusal(err); r == nil || r.Sequence != 0 {
			t.Errorf("%s: %+v, want sequence 0", payload, r)
		}
	}
}

func TestLimits(t *testing.T) {
	two := strings.Replace(goodText, goodChannel, goodChannel+","+goodChannel, 1)
	d := NewDecoder(Limits{Bytes: 400, Decompressed: 500, Samples: 15})
	if _, err := d.Throw([]byte(goodText)); err != nil {
		t.Fatal(err)
	}
	throw, err := d.Throw([]byte(two))
	checkRefusal(t, throw, err, "channels[1].samples: expected at most 15 samples in all channels, found 8 after 8")
	throw, err = d.Throw(bytes.Repeat([]byte(" "), 401))
	checkRefusal(t, throw, err, ": expected at most 400 bytes, found 401")
	for name, payload := range packings([]byte(strings.Repeat(" ", 300) + goodText)) {
		if name == "plain" {
			continue
		}
		if _, err := d.Throw(payload); err != nil {
			t.Errorf("%s of 497 bytes: %v", name, err)
		}
	}
	for name, payload := range packings([]byte(strings.Repeat(" ", 304) + goodText)) {
		if name == "plain" {
			continue
		}
		throw, err = d.Throw(payload)
		checkRefusal(t, throw, err, ": expected at most 500 bytes when decompressed, found more")
	}
}

// A bomb of 1 GB is stopped at the limit, with memory of the limit's order.
func TestBombs(t *testing.T) {
	var gz, zst bytes.Buffer
	fill := func(w interface {
		Write([]byte) (int, error)
		Close() error
	}) {
		blanks := bytes.Repeat([]byte(" "), 1<<20)
		for range 1024 {
			if _, err := w.Write(blanks); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if testing.Short() {
		t.Skip("makes bombs of 1 GB")
	}
	fill(newGzip(&gz))
	fill(newZstd(&zst))
	l := Limits{Bytes: 16 << 20, Decompressed: 4 << 20}
	for name, bomb := range map[string][]byte{"gzip": gz.Bytes(), "zstd": zst.Bytes()} {
		d := NewDecoder(l)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		throw, err := d.Throw(bomb)
		runtime.ReadMemStats(&after)
		checkRefusal(t, throw, err, fmt.Sprintf(": expected at most %d bytes when decompressed, found more", l.Decompressed))
		if spent := after.TotalAlloc - before.TotalAlloc; spent > 64<<20 {
			t.Errorf("%s: %d bytes were allocated for a bomb of %d bytes under a limit of %d", name, spent, len(bomb), l.Decompressed)
		}
	}
}

func TestStateRefusals(t *testing.T) {
	d := NewDecoder(DefaultLimits())
	for text, want := range map[string]string{
		``:   "message: expected a JSON object or a CBOR map, found nothing",
		`{}`: "state: expected online or offline, found nothing; at: expected a time after RFC 3339 with a zone, found nothing",
		`{"state":"away","at":"2026-03-01T06:14:07Z"}`:                       `state: expected online or offline, found "away"`,
		`{"state":"online","at":"2026-03-01T06:14:07Z","cabinet":"C-2"}`:     `cabinet: expected "C-1" as in the topic, found "C-2"`,
		`{"state":"online","at":"yesterday","clock_offset_s":"1","agent":5}`: `at: expected a time after RFC 3339 with a zone, found "yesterday"; clock_offset_s: expected a number, found "1"; agent: expected text, found 5`,
	} {
		if s, err := d.State("C-1", []byte(text)); err == nil || err.Error() != want {
			t.Errorf("%s: read %+v, %v, want %s", text, s, err, want)
		}
	}
	if _, err := d.State("", []byte(`{"state":"online","at":"2026-03-01T06:14:07Z"}`)); err == nil || err.Error() != "cabinet: expected 1 to 64 of A-Z a-z 0-9 . _ -, found nothing" {
		t.Error(err)
	}
	for text, want := range map[string]string{
		`{"rain":1}`: "rain: expected true or false, found 1; at: expected a time after RFC 3339 with a zone, found nothing",
		`{"at":"2026-03-01T06:14:07Z","rail_temperature_c":true,"supply_v":-4}`: "rail_temperature_c: expected a number, found true; supply_v: expected a number from 0 to 5000, found -4",
	} {
		if c, err := d.Conditions("C-1", []byte(text)); err == nil || err.Error() != want {
			t.Errorf("%s: read %+v, %v, want %s", text, c, err, want)
		}
	}
}

func TestMoments(t *testing.T) {
	for text, want := range map[string]string{
		"2026-03-01T06:14:07Z":                                 "2026-03-01T06:14:07Z",
		"2026-03-01t06:14:07z":                                 "2026-03-01T06:14:07Z",
		"2026-03-01T06:14:07.1234567899Z":                      "2026-03-01T06:14:07.123456789Z",
		"2026-03-01T06:14:07-00:00":                            "2026-03-01T06:14:07Z",
		"2026-03-01T01:14:07+14:00":                            "2026-02-28T11:14:07Z",
		"1985-04-12T23:20:50.52Z":                              "1985-04-12T23:20:50.52Z", // RFC 3339, section 5.8, and the four below
		"1996-12-19T16:39:57-08:00":                            "1996-12-20T00:39:57Z",
		"1990-12-31T23:59:60Z":                                 "1991-01-01T00:00:00Z",
		"1990-12-31T15:59:60-08:00":                            "1991-01-01T00:00:00Z",
		"1937-01-01T12:00:27.87+00:20":                         "1937-01-01T11:40:27.87Z",
		"2016-12-31T23:59:60.25Z":                              "2017-01-01T00:00:00.25Z",
		"2024-02-29T00:00:00Z":                                 "2024-02-29T00:00:00Z",
		"9999-12-31T23:59:59.999999999Z":                       "9999-12-31T23:59:59.999999999Z",
		"2026-03-01T06:14:60Z":                                 "", // a second 60 where none can be
		"2026-03-01T23:59:61Z":                                 "",
		"2026-02-29T00:00:00Z":                                 "",
		"2026-03-01T24:00:00Z":                                 "",
		"2026-03-01T6:14:07Z":                                  "",
		"2026-03-01T06:14:07":                                  "",
		"2026-03-01 06:14:07Z":                                 "",
		"2026-03-01T06:14:07,5Z":                               "",
		"2026-03-01T06:14:07.Z":                                "",
		"2026-03-01T06:14Z":                                    "",
		"2026-03-01T06:14:07+0100":                             "",
		"2026-03-01T06:14:07+25:00":                            "",
		"2026-03-01T06:14:07+24:00":                            "", // though Go's library reads it
		"2026-03-01T06:14:07-24:00":                            "",
		"2026-03-01T06:14:07+23:59":                            "2026-02-28T06:15:07Z",
		"20260301T061407Z":                                     "",
		"2026-03-01T06:14:07ZZ":                                "",
		"2026-03-01T06:14:07." + strings.Repeat("0", 99) + "Z": "",
	} {
		got, ok := parseMoment([]byte(text))
		if ok != (want != "") || ok && got != at(want) {
			t.Errorf("%q: read as %v, %v, want %q", text, got, ok, want)
		}
	}
}

// Every number is read to the float64 that strconv gives.
func TestNumbers(t *testing.T) {
	texts := []string{"0", "-0", "0.0", "-0.0", "1", "-1", "0.1", "0.30000000000000004", "9007199254740991", "9007199254740992", "9007199254740993",
		"-9007199254740993", "18446744073709551615", "18446744073709551616", "184467440737095516150", "0.000001", "1e22", "1e23", "1E+2", "1e-2", "-12.5e-1",
		"123456789012345678901234567890", "0.12345678901234567890123456789", "0.0000000000000000000000001", "1.7976931348623157e308", "5e-324", "2e-324",
		"0." + strings.Repeat("0", 400) + "1", "1" + strings.Repeat("0", 300), "1." + strings.Repeat("0", 400), "90071992547409.91", "900719925474.0993", "4.35", "2.2250738585072011e-308"}
	random := rand.New(rand.NewPCG(1, 2))
	for range 20_000 {
		v := math.Float64frombits(random.Uint64())
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		texts = append(texts, strconv.FormatFloat(v, 'e', -1, 64), strconv.FormatFloat(random.NormFloat64()*100, 'f', random.IntN(24), 64), strconv.FormatInt(random.Int64()>>random.IntN(63), 10))
	}
	for _, text := range texts {
		want, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		got, end, ok := parseNumber([]byte("["+text+",1]"), 1)
		if !ok || end != 1+len(text) || got != want || math.Signbit(got) != math.Signbit(want) {
			t.Errorf("%s: read as %v up to %d, %v, want %v", text, got, end, ok, want)
		}
		back := appendFloat([]byte("x"), want)[1:]
		if v, err := strconv.ParseFloat(string(back), 64); err != nil || v != want {
			t.Errorf("%v: written as %s", want, back)
		}
	}
}

// A duration keeps its nanoseconds through the decimal seconds of the wire.
func TestSeconds(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	want := goodThrows()[0].throw
	for range 64 {
		want.Detections = append(want.Detections, ingest.Detection{Place: "toe", After: time.Duration(random.Int64N(int64(ingest.MaxThrowLength)))})
	}
	d := NewDecoder(DefaultLimits())
	for name, payload := range map[string][]byte{"JSON": AppendThrow(nil, &want), "CBOR": AppendThrowCBOR(nil, &want)} {
		got, err := d.Throw(payload)
		if err != nil || !slices.Equal(got.Detections, want.Detections) {
			t.Errorf("%s: read %v, %v, want %v", name, got, err, want.Detections)
		}
	}
}
