package wire

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/ingest"
)

func ptr(v float64) *float64 { return &v }

// plant is a mapping that uses most of what there is.
func plant() Mapping {
	return Mapping{
		ThrowID:         MappedID{At: "/head/id"},
		To:              MappedEnd{At: "/head/dir", Values: map[string]string{"N": "normal", "R": "reverse"}},
		StartedAt:       MappedMoment{At: "/head/ts", As: "unix_ms"},
		Completed:       MappedBool{At: "/status", Values: map[string]bool{"ok": true, "timeout": false}},
		Detections:      []MappedDetection{{Place: "toe", After: MappedNumber{At: "/det/0", Factor: ptr(0.001)}}, {Place: "heel", After: MappedNumber{At: "/det/1", Factor: ptr(0.001)}}},
		RailTemperature: MappedNumber{At: "/env/rail_f", Factor: ptr(0.5), Plus: -16},
		Supply:          MappedNumber{At: "/env/a~1b~0c"},
		Channels: []MappedChannel{
			{Drive: "main", Quantity: "motor_current", Unit: "A", SampleRate: 50, Scale: ptr(0.01), Samples: MappedSamples{At: "/curve/i"}},
			{Drive: "back", Quantity: "hydraulic_pressure", Unit: "kPa", SampleRateAt: "/curve/fs", Zero: 2, Samples: MappedSamples{At: "/curve/p", Value: "/v"}, Optional: true},
		},
	}
}

const plantMessage = `{"head":{"id":4711,"dir":"N","ts":1772345647123.5},"status":"ok","det":[2500,null],
	"env":{"rail_f":"60","a/b~c":230.5,"more":[1,{}]},
	"curve":{"i":[0,1,2,3,4,5,6,7],"fs":100,"p":[{"t":0,"v":1},{"v":2},{"v":3},{"v":4},{"v":5},{"v":6},{"v":7},{"v":8}]}}`

func newMap(t testing.TB, m Mapping, topic bool) *Map {
	t.Helper()
	out, faults := NewMap(m, topic, topic)
	if faults != nil {
		t.Fatal(faults)
	}
	return out
}

func TestMapped(t *testing.T) {
	eight := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	full := ingest.Throw{
		ID: "4711", Cabinet: "BOX", Turnout: "W1", To: ingest.Normal, StartedAt: at("2026-03-01T06:14:07.1235Z"), Completed: true,
		Detections:      []ingest.Detection{{Place: "toe", After: 2500 * time.Millisecond}},
		RailTemperature: ingest.Known(14), Supply: ingest.Known(230.5),
		Channels: []ingest.Channel{
			{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 50, Scale: 0.01, Samples: eight},
			{Drive: "back", Quantity: ingest.HydraulicPressure, Unit: ingest.Kilopascal, SampleRate: 100, Scale: 1, Zero: 2, Samples: []float64{1, 2, 3, 4, 5, 6, 7, 8}},
		},
	}
	bare := Mapping{
		Cabinet: MappedName{Is: "HUT"}, Turnout: MappedName{At: "/0/asset"},
		To: MappedEnd{At: "/0/to"}, StartedAt: MappedMoment{At: "/0/at"}, Completed: MappedBool{At: "/0/done"},
		Channels: []MappedChannel{{Drive: "main", Quantity: "motor_power", Unit: "W", SampleRate: 20, Samples: MappedSamples{At: "/1"}}},
	}
	small := ingest.Throw{
		Cabinet: "HUT", Turnout: "W2", To: ingest.Reverse, StartedAt: at("2026-03-01T06:14:07Z"),
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorPower, Unit: ingest.Watt, SampleRate: 20, Scale: 1, Samples: eight}},
	}
	seconds, numbers := plant(), plant()
	seconds.StartedAt.As = "unix_s"
	// The same place is read as two things, one of them a part of the other.
	numbers.To.Values = map[string]string{"1": "normal", "true": "reverse"}
	numbers.Completed = MappedBool{At: "/head/dir", Values: map[string]bool{"1": true}}
	numbers.ThrowID.At = "/head/dir"
	byNumber := full
	byNumber.ID = "1"
	noBack := full
	noBack.Channels = full.Channels[:1]
	for _, c := range []struct {
		name    string
		m       Mapping
		topic   bool
		payload string
		want    ingest.Throw
	}{
		{"all there is", plant(), true, plantMessage, full},
		{"gzip", plant(), true, string(gzipped([]byte(plantMessage))), full},
		{"zstd", plant(), true, string(zstded([]byte(plantMessage))), full},
		{"byte order mark", plant(), true, "\xef\xbb\xbf " + plantMessage, full},
		{"seconds", seconds, true, strings.Replace(plantMessage, "1772345647123.5", "1772345647.1235", 1), full},
		{"seconds as text", seconds, true, strings.Replace(plantMessage, "1772345647123.5", `"1772345647.1235"`, 1), full},
		{"number as a word", numbers, true, strings.Replace(plantMessage, `"N"`, "1", 1), byNumber},
		{"without an optional channel", plant(), true, strings.Replace(plantMessage, `"p":`, `"q":`, 1), noBack},
		{"a list, and names in it", bare, false, `[{"asset":"W2","to":"reverse","at":"2026-03-01T06:14:07Z","done":false},[0,1,2,3,4,5,6,7]]`, small},
	} {
		cabinet, turnout := "BOX", "W1"
		if !c.topic {
			cabinet, turnout = "", ""
		}
		d := NewDecoder(DefaultLimits())
		m := newMap(t, c.m, c.topic)
		for range 2 {
			got, err := d.Mapped(m, cabinet, turnout, []byte(c.payload), noTime)
			if err != nil || !reflect.DeepEqual(got, &c.want) {
				t.Errorf("%s: expected\n%+v\nfound\n%+v, %v", c.name, &c.want, got, err)
			}
		}
	}
}

func TestMappedRefusals(t *testing.T) {
	with := func(old, new string) string {
		t.Helper()
		if strings.Count(plantMessage, old) != 1 {
			t.Fatal(old)
		}
		return strings.Replace(plantMessage, old, new, 1)
	}
	for _, c := range []struct{ name, payload, want string }{
		{"empty", "", ": expected a JSON object, found nothing"},
		{"no JSON", "\x01\x02", ": expected a JSON object, plain or in gzip or zstd, found bytes that begin with 01 02"},
		{"cut short", plantMessage[:30], "head: expected JSON after RFC 8259, found its end after 30 bytes (cut short?)"},
		{"two", plantMessage + "{}", ": expected one JSON object, found another value after it"},
		{"twice", with(`"dir":"N"`, `"dir":"N","dir":"R"`), "head.dir: expected every member once, found it again"},
		{"word unknown", with(`"N"`, `"left"`), `/head/dir (to): expected one of "N", "R", found "left"`},
		{"word missing", with(`"dir"`, `"direction"`), `/head/dir (to): expected one of "N", "R", found nothing`},
		{"word an object", with(`"ok"`, `{"ok":1}`), `/status (completed): expected one of "ok", "timeout", found an object`},
		{"time a text", with(`1772345647123.5`, `"yesterday"`), `/head/ts (started_at): expected milliseconds since 1970, up to 1e14, found "yesterday"`},
		{"time too early", with(`1772345647123.5`, `1772345647`), `/head/ts (started_at): expected a time from 2000-01-01T00:00:00Z on (was the clock set?), found 1970-01-21T12:19:05Z`},
		{"time ahead", with(`1772345647123.5`, `1872345647123`), `/head/ts (started_at): expected a time at most 1h0m0s after its arrival at 2026-03-01T06:15:00Z (is the clock right?), found 2029-05-01T16:00:47Z`},
		{"time negative", with(`1772345647123.5`, `-1`), `/head/ts (started_at): expected milliseconds since 1970, up to 1e14, found -1`},
		{"detection", with(`[2500,null]`, `["soon",-5]`), `/det/0 (detections[0].after_s): expected a number, found "soon"; /det/1 (detections[1].after_s): expected a number from 0 to 7200, found -0.005`},
		{"temperature", with(`"60"`, `"-400"`), `/env/rail_f (rail_temperature_c): expected a number from -90 to 120, found -216`},
		{"beyond float64", with(`230.5`, `1e999`), `/env/a~1b~0c (supply_v): expected a number, found 1e999`},
		{"sample", with(`"i":[0,1,`, `"i":[0,"1",`), `/curve/i/1 (channels[0].samples[1]): expected a number, found "1"`},
		{"sample in an object", with(`{"v":3}`, `{"w":3}`), `/curve/p/2/v (channels[1].samples[2]): expected a number, found nothing`},
		{"sample too large", with(`{"v":3}`, `{"v":3e12}`), `/curve/p/2/v (channels[1].samples[2]): expected at most 1e+12 either way once scaled, found 3e+12`},
		{"few samples", with(`[0,1,2,3,4,5,6,7]`, `[0]`), `/curve/i (channels[0].samples): expected 8 to 200000 samples, found 1`},
		{"no samples", with(`"i":`, `"j":`), `/curve/i (channels[0].samples): expected a list of numbers, found nothing`},
		{"no list", with(`[0,1,2,3,4,5,6,7]`, `7`), `/curve/i (channels[0].samples): expected a list of numbers, found 7`},
		{"too many", with(`[0,1,2,3,4,5,6,7]`, "["+strings.Repeat("1,", 5000)+"1]"), `/curve/i (channels[0].samples): expected at most 4096 samples in all channels, found 5001 after 0`},
		{"no rate", with(`"fs":100,`, ``), `/curve/fs (channels[1].sample_rate_hz): expected a number, found nothing`},
		{"rate", with(`"fs":100`, `"fs":1`), `/curve/fs (channels[1].sample_rate_hz): expected a number from 5 to 20000, found 1`},
		{"id", with(`4711`, `[]`), `/head/id (throw_id): expected text of 1 to 128 characters, or a number, found a list`},
		{"too large", plantMessage + strings.Repeat(" ", 1<<16), ": expected at most 65536 bytes, found " + fmt.Sprint(len(plantMessage)+1<<16)},
	} {
		d := NewDecoder(small)
		_, err := d.Mapped(newMap(t, plant(), true), "BOX", "W1", []byte(c.payload), at("2026-03-01T06:15:00Z"))
		r := ingest.AsRefusal(err)
		if r == nil || r.Turnout != "W1" {
			t.Errorf("%s: found %#v", c.name, err)
			continue
		}
		want := strings.Split(c.want, "; ")
		var got []string
		for _, f := range r.Faults {
			got = append(got, fmt.Sprintf("%s: expected %s, found %s", f.Path, f.Expected, f.Found))
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: expected\n%s\nfound\n%s", c.name, c.want, strings.Join(got, "; "))
		}
	}
	_, err := NewDecoder(small).Mapped(newMap(t, plant(), true), "B X", "", []byte(plantMessage), noTime)
	if want := `topic (turnout): expected 1 to 64 of A-Z a-z 0-9 . _ -, found ""; topic (cabinet): expected 1 to 64 of A-Z a-z 0-9 . _ -, found "B X"`; err == nil || err.Error() != want {
		t.Errorf("expected %s, found %v", want, err)
	}
}

func TestMappingFaults(t *testing.T) {
	for _, c := range []struct {
		want   string
		change func(*Mapping)
	}{
		{"cabinet: expected one of {cabinet} in the topic, at and is, found 2 of them", func(m *Mapping) { m.Cabinet.Is = "B" }},
		{"to.at: expected a JSON pointer like /data/start, found nothing", func(m *Mapping) { m.To.At = "" }},
		{`to.at: expected a JSON pointer, which begins with /, found "dir"`, func(m *Mapping) { m.To.At = "dir" }},
		{`to.at: expected a JSON pointer, in which ~0 stands for ~ and ~1 for /, found "/a~2"`, func(m *Mapping) { m.To.At = "/a~2" }},
		{"to.at: expected a JSON pointer of at most 256 bytes and 16 steps, found 34 bytes, 17 steps", func(m *Mapping) { m.To.At = strings.Repeat("/a", 17) }},
		{`to.values[L]: expected normal or reverse, found "left"`, func(m *Mapping) { m.To.Values["L"] = "left" }},
		{`started_at.as: expected one of rfc3339, unix_s, unix_ms, found "unix"`, func(m *Mapping) { m.StartedAt.As = "unix" }},
		{"completed.at: expected a JSON pointer like /data/start, found nothing", func(m *Mapping) { m.Completed.At = "" }},
		{"supply_v.factor: expected a number other than 0, at most 1e12 either way, found 0", func(m *Mapping) { m.Supply.Factor = ptr(0) }},
		{"supply_v.at: expected a JSON pointer beside factor and plus, found nothing", func(m *Mapping) { m.Supply = MappedNumber{Plus: 1} }},
		{"detections[1].place: expected 1 to 64 characters, found 0", func(m *Mapping) { m.Detections[1].Place = "" }},
		{"channels: expected 1 to 16, found 0", func(m *Mapping) { m.Channels = nil }},
		{`channels[0].unit: expected A for motor_current, found "V"`, func(m *Mapping) { m.Channels[0].Unit = "V" }},
		{"channels[0].sample_rate_hz: expected a rate, or where it stands as sample_rate_at, found neither", func(m *Mapping) { m.Channels[0].SampleRate = 0 }},
		{"channels[1].sample_rate_hz: expected a rate, or where it stands as sample_rate_at, found both", func(m *Mapping) { m.Channels[1].SampleRate = 9 }},
		{"channels[0].scale: expected a number other than 0, at most 1e12 either way, found 0", func(m *Mapping) { m.Channels[0].Scale = ptr(0) }},
		{"channels[0].samples.at: expected a JSON pointer like /data/start, found nothing", func(m *Mapping) { m.Channels[0].Samples.At = "" }},
	} {
		m := plant()
		c.change(&m)
		_, faults := NewMap(m, true, true)
		if len(faults) != 1 || faults[0].String() != c.want {
			t.Errorf("expected %s, found %v", c.want, faults)
		}
	}
	_, faults := NewMap(plant(), false, false)
	if len(faults) != 2 || faults[1].String() != "turnout: expected {turnout} in the topic, or at or is here, found none of them" {
		t.Errorf("found %v", faults)
	}
}

// Whatever comes, it becomes a throw that keeps every rule and comes back from
// our own syntax, or there is a reason.
func FuzzMapped(f *testing.F) {
	f.Add([]byte(plantMessage))
	f.Add([]byte(strings.Replace(plantMessage, `"N"`, `{"x":[]}`, 1)))
	f.Add(gzipped([]byte(plantMessage)))
	f.Add([]byte(`[{"head":{"ts":"1e3"}}]`))
	nested := plant()
	nested.Turnout, nested.Cabinet = MappedName{At: "/head/dir"}, MappedName{Is: "HUT"}
	nested.Channels[0].SampleRate, nested.Channels[0].SampleRateAt = 0, "/curve/i/7" // one within the other
	maps := []*Map{newMap(f, plant(), true), newMap(f, nested, false)}
	names := [][2]string{{"BOX", "W1"}, {"", ""}}
	d := NewDecoder(small)
	f.Fuzz(func(t *testing.T, payload []byte) {
		kept := bytes.Clone(payload)
		for i, m := range maps {
			throw, err := d.Mapped(m, names[i][0], names[i][1], payload, noTime)
			if !bytes.Equal(payload, kept) {
				t.Fatal("the payload was changed")
			}
			if fresh, err2 := NewDecoder(small).Mapped(m, names[i][0], names[i][1], payload, noTime); !reflect.DeepEqual(fresh, throw) || !reflect.DeepEqual(err, err2) {
				t.Fatalf("a used decoder reads %+v, %v, a new one %+v, %v", throw, err, fresh, err2)
			}
			if (err == nil) != (throw != nil) {
				t.Fatalf("found %+v and %v", throw, err)
			}
			if err != nil {
				checkError(t, err)
				continue
			}
			if err := throw.Validate(noTime); err != nil {
				t.Fatal(err)
			}
			checkThrow(t, d, throw)
		}
	})
}

// The examples of RFC 6901, section 5, and what it says of elements (section 4).
func TestPointers(t *testing.T) {
	const document = `{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8,"~1":9,"deep":{"0":{"x":[[],[{"y":10}]]}}}`
	want := map[string]string{
		"/foo": `["bar","baz"]`, "/foo/0": `"bar"`, "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4",
		`/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8", "/~01": "9", "/deep/0/x/1/0/y": "10",
		"/foo/2": "", "/foo/-": "", "/foo/00": "", "/foo/0/0": "", "/bar": "", "/deep/0/x/0/0/y": "",
	}
	root, slots := newWay(), map[string]int{}
	for p := range want {
		slots[p] = len(slots)
		root.add(p, slots[p])
	}
	for range 2 { // with all at once, and again with the decoder used
		g := gathering{d: NewDecoder(small), m: &Map{root: root, most: len(slots)}}
		if f, bad := g.gather([]byte(document)); bad {
			t.Fatal(f)
		}
		for p, value := range want {
			if got := string(g.found[root.find(p)]); got != value {
				t.Errorf("%s: expected %s, found %s", p, value, got)
			}
		}
	}
}

// BenchmarkMapped is a throw of 350 samples by a mapping, beside the same as the
// contract has it.
func BenchmarkMapped(b *testing.B) {
	samples := strings.TrimSuffix(strings.Repeat("412,", 350), ",")
	mapping := plant()
	mapping.Channels = mapping.Channels[:1]
	m := newMap(b, mapping, true)
	d := NewDecoder(DefaultLimits())
	b.Run("mapped", func(b *testing.B) {
		payload := []byte(strings.Replace(plantMessage, "0,1,2,3,4,5,6,7", samples, 1))
		b.ReportAllocs()
		for b.Loop() {
			if _, err := d.Mapped(m, "BOX", "W1", payload, noTime); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("own", func(b *testing.B) {
		payload := []byte(samplesOf("[" + samples + "]"))
		b.ReportAllocs()
		for b.Loop() {
			t, err := d.Throw(payload)
			if err == nil {
				err = t.Validate(noTime)
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	})
}
