package sparkplug

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	"throwline/ingest"
)

func every(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/every.bin")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func decoded(t testing.TB, b []byte) *Payload {
	t.Helper()
	p, err := Decode(b, Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A payload that another implementation of protobuf wrote is read to the value,
// and written again to the same bytes.
func TestEveryDatatype(t *testing.T) {
	b := every(t)
	p := decoded(t, b)
	if p.Timestamp != 1772345647000 || p.Seq != 7 || !p.Numbered || !p.Timed {
		t.Errorf("found %d, %d", p.Timestamp, p.Seq)
	}
	want := map[string]string{
		"bdSeq": "3", "Int8": "-23", "Int16": "-30000", "Int32": "-1", "Int64": "-5", "UInt8": "250", "UInt16": "52360", "UInt32": "3293969225",
		"UInt64": "16444743074749521625", "Float": "0.1", "Double": "-2.5e-07", "Boolean": "true", "String": `"a \"b\" \\ é"`, "DateTime": "1772345640500",
		"Text": `"x\u000ay"`, "UUID": `"0a-1"`, "Bytes": "[]", "File": "[]", "StringArray": "[]", "Table": "{}", "Throw": "{}",
		"Past": "1.5", "Passing": "2.5",
		"Int8Array": "[-23 123]", "Int16Array": "[-30000 30000]", "Int32Array": "[-1 3.15338746e+08]",
		"Int64Array": "[-4.270929666821192e+18 -3.601064768563267e+18]", "UInt8Array": "[23 250]", "UInt16Array": "[30 52360]",
		"UInt32Array": "[52 3.293969225e+09]", "UInt64Array": "[52 1.6444743074749522e+19]",
		"FloatArray": fmt.Sprint([]float64{float64(float32(1.23)), float64(float32(89.341))}), "DoubleArray": "[12.354213 1022.9123213]",
		"BooleanArray": "[0 0 1 1 0 1 0 0 1 1 0 1]", "DateTimeArray": "[1.256102875335e+12 1.656107875e+12]", "Rated": "[1 2]",
	}
	for i := range p.Metrics {
		m := &p.Metrics[i]
		if m.Name == "Null" {
			if !m.Null || m.Value.Form != NoValue {
				t.Errorf("found %+v", m)
			}
			continue
		}
		got, err := part(&m.Value, m.Type, 100)
		if err != nil {
			t.Errorf("%s: %v", m.Name, err)
			continue
		}
		text := string(got.JSON)
		if got.List != nil {
			text = fmt.Sprint(got.List)
			if back := PackArray(m.Type, got.List); !bytes.Equal(back, m.Value.Bytes) && !strings.Contains(m.Name, "64") {
				t.Errorf("%s: packed again to % x, was % x", m.Name, back, m.Value.Bytes)
			}
		}
		if text != want[m.Name] {
			t.Errorf("%s: expected %s, found %s", m.Name, want[m.Name], text)
		}
		if m.Historical != (m.Name == "Past") || m.Transient != (m.Name == "Passing") {
			t.Errorf("found %+v", m)
		}
		delete(want, m.Name)
		switch m.Name {
		case "StringArray":
			if s := Strings(m.Value.Bytes); !reflect.DeepEqual(s, []string{"ABC", "hello"}) {
				t.Errorf("found %q", s)
			}
		case "Rated":
			if len(m.Properties) != 2 || m.Properties[0].Key != "Rate" || m.Properties[1].Value.Bits != 192 || m.Alias != 17 {
				t.Errorf("found %+v", m)
			}
		case "Table":
			if list := m.Value.DataSet.column(1, 10); !reflect.DeepEqual(list, []float64{5, -7}) {
				t.Errorf("found %v", list)
			}
		case "Throw":
			x := m.Value.Template
			if x.Ref != "PM" || x.Definition || len(x.Metrics) != 3 || !x.Metrics[2].Value.Template.Metrics[0].Aliased && x.Metrics[2].Value.Template.Metrics[0].Name != "deep" {
				t.Errorf("found %+v", x)
			}
		}
	}
	if len(want) > 0 {
		t.Errorf("not found: %v", want)
	}
	if back := Append(nil, p); !bytes.Equal(back, b) {
		t.Errorf("came back as\n%x, was\n%x", back, b)
	}
}

// The bytes of the specification's examples of arrays. Those of FloatArray and
// DoubleArray there have each element the other way round, against the words
// beside them; they are turned here.
func TestArraysOfTheSpecification(t *testing.T) {
	for _, x := range []struct {
		t    DataType
		hex  string
		want []float64
	}{
		{Int8Array, "ef7b", []float64{-17, 123}}, // the text says -23, which is e9
		{Int16Array, "d08a3075", []float64{-30000, 30000}},
		{Int32Array, "fffffffffaafcb12", []float64{-1, 315338746}},
		{Int64Array, "ce0672ac189cbac4c4ba9c18ac7206ce", []float64{-4270929666821191986, -3601064768563266876}},
		{UInt8Array, "17fa", []float64{23, 250}},
		{UInt16Array, "1e0088cc", []float64{30, 52360}},
		{UInt32Array, "3400000049fb55c4", []float64{52, 3293969225}},
		{UInt64Array, "3400000000000000d99e02d1b27637e4", []float64{52, 16444743074749521625}},
		{FloatArray, "a4709d3f98aeb242", []float64{float64(float32(1.23)), float64(float32(89.341))}},
		{DoubleArray, "d7a205685bb528408e171c6f4cf78f40", []float64{12.354213, 1022.9123213}},
		{BooleanArray, "0c00000034d0", []float64{0, 0, 1, 1, 0, 1, 0, 0, 1, 1, 0, 1}},
		// The text's bytes lack the two zeros at the end of each.
		{DateTimeArray, "c7d0907524010000b8bab89781010000", []float64{1256102875335, 1656107875000}},
	} {
		b, err := hex.DecodeString(x.hex)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := array(b, x.t, 100); err != nil || !reflect.DeepEqual(got, x.want) {
			t.Errorf("%s: expected %v, found %v, %v", x.t, x.want, got, err)
		}
	}
}

func TestRefusals(t *testing.T) {
	one := func(m Metric) []byte { return Append(nil, &Payload{Metrics: []Metric{m}}) }
	nested := Metric{Name: "m", Type: Int8, Value: Int(1)}
	for range mostNested + 1 {
		nested = Metric{Name: "m", Type: TemplateType, Value: Value{Form: TemplateValue, Template: &Template{Metrics: []Metric{nested}}}}
	}
	many := make([]Metric, 30)
	// A property set with a key more than values: the metric's properties grow by one key.
	odd := protowire.AppendBytes(protowire.AppendTag(nil, 9, protowire.BytesType), protowire.AppendBytes(protowire.AppendTag(nil, 1, protowire.BytesType), []byte("k")))
	for _, x := range []struct {
		name string
		b    []byte
		l    Limits
		want string
	}{
		{"bytes", make([]byte, 11), Limits{Bytes: 10}, "message: expected at most 10 bytes, found 11"},
		{"cut", every(t)[:100], Limits{}, "expected a protobuf message, found unexpected EOF"},
		{"JSON", []byte(`{"a":1}`), Limits{}, "expected a protobuf message"},
		{"seq", Append(nil, &Payload{Seq: 256, Numbered: true}), Limits{}, "seq: expected 0 to 255, found 256"},
		{"datatype", one(Metric{Name: "m", Type: numTypes}), Limits{}, "metrics[0].datatype: expected 0 to 34, found 35"},
		{"text", one(Metric{Name: "\xff"}), Limits{}, `metrics[0].name: expected text in UTF-8, found "\xff"`},
		{"metrics", Append(nil, &Payload{Metrics: many}), Limits{Metrics: 29}, "metrics[29]: expected at most 29 metrics and cells, found more"},
		{"deep", one(nested), Limits{}, "expected templates at most 8 deep, found more"},
		{"properties", protowire.AppendBytes(protowire.AppendTag(nil, 2, protowire.BytesType), odd), Limits{}, "metrics[0].properties: expected as many values as keys, found 1 keys and 0 values"},
		{"columns", one(Metric{Value: Value{Form: DataSetValue, DataSet: &DataSet{Columns: []string{"a"}}}}), Limits{}, "dataset_value: expected as many types as columns"},
		{"row", one(Metric{Value: Value{Form: DataSetValue, DataSet: &DataSet{Columns: []string{"a"}, Types: []DataType{Int8}, Rows: [][]Value{{}}}}}), Limits{}, "rows[0]: expected 1 elements, as many as columns, found 0"},
		{"compressed", Append(nil, &Payload{UUID: "SPBV1.0_COMPRESSED", Body: []byte{1}}), Limits{}, "uuid: expected a payload that is not compressed"},
	} {
		_, err := Decode(x.b, x.l)
		if r := ingest.AsRefusal(err); r == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: expected %s, found %v", x.name, x.want, err)
		}
	}
	for _, x := range []struct {
		v    Value
		t    DataType
		want string
	}{
		{String("x"), Int32, `expected int_value or long_value of type Int32, found "x"`},
		{Int(1), Double, "expected float_value or double_value of type Double, found int_value"},
		{Bytes([]byte{1, 2, 3}), Int16Array, "expected 2 bytes for each element of Int16Array, found 3 bytes"},
		{Bytes(make([]byte, 88)), DoubleArray, "expected at most 10 elements, found 11"},
		{Bytes([]byte{9, 0, 0, 0, 1}), BooleanArray, "expected 2 bytes for 9 elements of BooleanArray, found 1"},
		{Bytes([]byte{1}), BooleanArray, "expected four bytes with the number of elements"},
		{Bytes([]byte{255, 255, 255, 255}), BooleanArray, "expected 536870912 bytes for 4294967295 elements of BooleanArray, found 0"},
	} {
		if _, err := part(&x.v, x.t, 10); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("expected %s, found %v", x.want, err)
		}
	}
	if p, err := part(&Value{Form: DoubleValue, Bits: math.Float64bits(math.NaN())}, Double, 0); err != nil || string(p.JSON) != `"NaN"` {
		t.Errorf("found %s, %v", p.JSON, err)
	}
}

func TestTopics(t *testing.T) {
	for s, want := range map[string]Topic{
		"spBv1.0/G/NBIRTH/N":      {"G", NBirth, "N", ""},
		"spBv1.0/G x/DDATA/N/D é": {"G x", DData, "N", "D é"},
		"spBv1.0/G/NDEATH/N":      {"G", NDeath, "N", ""},
	} {
		if got, ok := ParseTopic(s); !ok || got != want || got.String() != s {
			t.Errorf("%s: found %+v, %v", s, got, ok)
		}
	}
	for _, s := range []string{
		"spBv1.0/G/NBIRTH/N/D", "spBv1.0/G/DBIRTH/N", "spBv1.0/G/NCMD/N", "spBv1.0/STATE/host", "spAv1.0/G/NBIRTH/N", "spBv1.0/G/DDATA/N/", "spBv1.0//NDATA/N",
		"spBv1.0/G/NDATA/", "spBv1.0/G/DDATA/N/D/E", "",
	} {
		if got, ok := ParseTopic(s); ok {
			t.Errorf("%s: found %+v", s, got)
		}
	}
	if want := "spBv1.0/+/DDEATH/+/+"; Filters("+")[4] != want {
		t.Errorf("found %q", Filters("+"))
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(every(f))
	f.Add(Rebirth(1))
	f.Add([]byte{})
	f.Add([]byte("\x12\x02\x7a\x00"))
	f.Add(Append(nil, &Payload{Numbered: true, Metrics: []Metric{
		{Name: "Count", Alias: 1, Aliased: true, Type: UInt32, Value: Int(1)}, {Name: "Trace", Type: Int16Array, Value: samples(1, 2), Properties: []Property{{Key: "Rate", Type: Double, Value: Float64(50)}}},
		{Name: "Throw", Type: TemplateType, Value: Value{Form: TemplateValue, Template: &Template{Ref: "PM", Metrics: []Metric{{Name: "to", Type: Text, Value: String("N")}}}}},
	}}))
	f.Add(Append(nil, &Payload{Numbered: true, Seq: 1, Metrics: []Metric{alias(1, Int(2)), {Name: "Count", Historical: true, Type: Int8, Value: Int(-1), Timestamp: 5, Timed: true}}}))
	small := Limits{Bytes: 1 << 16, Metrics: 500, Samples: 4096}
	s := Settings{Uses: uses, Limits: small}
	f.Fuzz(func(t *testing.T, b []byte) {
		kept := bytes.Clone(b)
		p, err := Decode(b, small)
		if !bytes.Equal(b, kept) {
			t.Fatal("the payload was changed")
		}
		h := NewHost(s)
		for _, topic := range []string{"spBv1.0/G/NBIRTH/N", "spBv1.0/G/DBIRTH/N/D", "spBv1.0/G/DDATA/N/D", "spBv1.0/G/NDATA/N", "spBv1.0/G/NDEATH/N"} {
			for _, e := range h.Take(topic, b, noon) {
				if e.Kind == Refused && (e.Refusal == nil || len(e.Refusal.Error()) > 2000) {
					t.Fatalf("refused without a reason, or with too long a one: %+v", e.Refusal)
				}
				if e.Kind == Data && e.Reading.Refusal == nil {
					again(t, s, e.Reading)
				}
			}
		}
		if err != nil {
			if r := ingest.AsRefusal(err); r == nil || r.Faults[0].Expected == "" || r.Faults[0].Found == "" {
				t.Fatalf("refused without a reason: %#v", err)
			}
			return
		}
		for i := range p.Metrics {
			m := &p.Metrics[i]
			if got, err := part(&m.Value, m.Type, small.Samples); err == nil && len(got.List) > small.Samples {
				t.Fatalf("%d elements", len(got.List))
			}
		}
		once := Append(nil, p)
		back, err := Decode(once, Limits{Bytes: 1 << 20, Metrics: 500})
		if err != nil {
			t.Fatalf("what was written is refused: %v", err)
		}
		if twice := Append(nil, back); !bytes.Equal(once, twice) {
			t.Fatalf("written as %x, then as %x", once, twice)
		}
	})
}

// again wants what is kept of a reading to be read to the same parts.
func again(t *testing.T, s Settings, r *Reading) {
	t.Helper()
	s.Limits = Limits{}
	list, err := Alone(s, r.Topic, nil, r.Whole())
	if err != nil {
		t.Fatalf("what was kept is refused: %v", err)
	}
	for _, x := range list {
		if x.Use != r.Use || r.Topic.Type == NBirth || r.Topic.Type == DBirth {
			continue
		}
		for name, p := range r.parts {
			if got := x.parts[name]; string(got.JSON) != string(p.JSON) || fmt.Sprint(got.List) != fmt.Sprint(p.List) {
				t.Fatalf("%s: kept as %s %v, was %s %v", name, got.JSON, got.List, p.JSON, p.List)
			}
		}
		return
	}
	if r.Topic.Type == NData || r.Topic.Type == DData {
		t.Fatalf("what was kept holds no throw: %x", r.Whole())
	}
}
