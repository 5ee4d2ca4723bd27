// Package sparkplug reads and writes Sparkplug B (Eclipse Sparkplug 3.0, ISO/IEC
// 20237): its topics, its payloads, and what a host application may believe of
// edge nodes and their devices by their births, deaths, sequence numbers and
// aliases.
//
// It knows nothing of brokers and clocks: bytes and times are arguments. What a
// throw is made of it knows by name only; see [Use].
//
// The specification gives the datatypes of metrics, and what their aliases
// stand for, in birth messages alone, and everything but an edge node's Will is
// sent at QoS 0: what is lost is lost, and shows as a gap in the sequence
// numbers if anything comes after it.
package sparkplug

import (
	"fmt"
	"math"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"

	"throwline/ingest"
)

// Limits bound what one payload may cost.
type Limits struct {
	Bytes   int // of a payload
	Metrics int // with members of templates, and rows and columns of datasets
	Samples int // of one array
}

// DefaultLimits returns limits that leave room for every throw of the contract.
func DefaultLimits() Limits {
	return Limits{Bytes: 16 << 20, Metrics: 100_000, Samples: ingest.MaxChannels * ingest.MaxSamples}
}

func (l Limits) or(defaults Limits) Limits {
	if l.Bytes <= 0 {
		l.Bytes = defaults.Bytes
	}
	if l.Metrics <= 0 {
		l.Metrics = defaults.Metrics
	}
	if l.Samples <= 0 {
		l.Samples = defaults.Samples
	}
	return l
}

// mostNested is how deep templates and property sets may stand in each other.
const mostNested = 8

// Payload is a Sparkplug B payload. What the schema has no field for is not kept.
type Payload struct {
	Timestamp uint64 // ms since 1970, of sending
	Timed     bool   // there is a Timestamp
	Metrics   []Metric
	Seq       uint64 // 0 to 255
	Numbered  bool   // there is a Seq
	UUID      string
	Body      []byte
}

// Metric is a key with a value.
type Metric struct {
	Name       string // "" where Alias stands for it
	Alias      uint64
	Aliased    bool // there is an Alias
	Timestamp  uint64
	Timed      bool     // there is a Timestamp
	Type       DataType // Unknown where only the birth has it
	Historical bool     // no current value
	Transient  bool     // of no interest to a historian
	Null       bool     // there is no value
	Meta       []byte   // metadata, as it was sent
	Properties []Property
	Value      Value
}

// Property is one entry of a metric's property set.
type Property struct {
	Key   string
	Type  DataType
	Null  bool
	Value Value // of a set within the set: nothing
}

// Form is the field in which a value was sent.
type Form uint8

// The forms, in the order of the schema.
const (
	NoValue Form = iota
	IntValue
	LongValue
	FloatValue
	DoubleValue
	BoolValue
	StringValue
	BytesValue
	DataSetValue
	TemplateValue
)

func (f Form) String() string {
	return [...]string{"no value", "int_value", "long_value", "float_value", "double_value", "boolean_value", "string_value", "bytes_value", "dataset_value", "template_value"}[f]
}

// Value is a value as it was sent. What it means its DataType says.
type Value struct {
	Form     Form
	Bits     uint64 // of an int, long or bool, or of a float's or double's IEEE 754 form
	Bytes    []byte // of a string or bytes
	DataSet  *DataSet
	Template *Template
}

// DataSet is a table, by rows.
type DataSet struct {
	Columns []string
	Types   []DataType
	Rows    [][]Value
}

// Template is the definition or an instance of a template.
type Template struct {
	Version    string
	Metrics    []Metric // members
	Ref        string   // of an instance: the definition
	Definition bool
}

// decoding is one payload being read.
type decoding struct {
	limits Limits
	room   int // metrics and cells that may still come
}

// broken is why a payload cannot be read.
type broken struct{ path, expected, found string }

func (b *broken) Error() string { return b.path + ": expected " + b.expected + ", found " + b.found }

// within puts where it stands before the path.
func within(path string, err error) error {
	if b, ok := err.(*broken); ok { //nolint:errorlint // our own, never wrapped
		if b.path != "" {
			path += "." + b.path
		}
		return &broken{path, b.expected, b.found}
	}
	return err
}

// Decode reads a payload. Strings and bytes point into b. The error is nil or an
// [*ingest.Refusal] with the first thing that is wrong.
func Decode(b []byte, l Limits) (*Payload, error) {
	l = l.or(DefaultLimits())
	if len(b) > l.Bytes {
		return nil, refuse("", fmt.Sprintf("at most %d bytes", l.Bytes), fmt.Sprint(len(b)))
	}
	d := decoding{limits: l, room: l.Metrics}
	p := new(Payload)
	err := fields(b, func(n protowire.Number, v field) error {
		switch n {
		case 1:
			if v.typ == protowire.VarintType {
				p.Timestamp, p.Timed = v.varint, true
			}
		case 2:
			if v.typ != protowire.BytesType {
				return nil
			}
			at := fmt.Sprintf("metrics[%d]", len(p.Metrics))
			if err := d.spend(); err != nil {
				return within(at, err)
			}
			p.Metrics = append(p.Metrics, Metric{})
			return within(at, d.metric(&p.Metrics[len(p.Metrics)-1], v.bytes, 0))
		case 3:
			if v.typ == protowire.VarintType {
				p.Seq, p.Numbered = v.varint, true
			}
		case 4:
			return text(&p.UUID, v, "uuid")
		case 5:
			if v.typ == protowire.BytesType {
				p.Body = v.bytes
			}
		}
		return nil
	})
	switch b, _ := err.(*broken); { //nolint:errorlint // our own, never wrapped
	case b != nil:
		return nil, refuse(b.path, b.expected, b.found)
	case p.Numbered && p.Seq > 255:
		return nil, refuse("seq", "0 to 255", fmt.Sprint(p.Seq))
	case p.UUID == "SPBV1.0_COMPRESSED":
		return nil, refuse("uuid", "a payload that is not compressed", "one in a body, "+p.UUID)
	}
	return p, nil
}

func refuse(path, expected, found string) *ingest.Refusal {
	return &ingest.Refusal{Faults: []ingest.Fault{{Path: path, Expected: expected, Found: found}}}
}

// field is a field's value.
type field struct {
	typ    protowire.Type
	varint uint64 // or the bits of a fixed one
	bytes  []byte
}

// fields calls do for every field of a message. A field in another wire type
// than the schema's is skipped by do, as protobuf wants it.
func fields(b []byte, do func(protowire.Number, field) error) error {
	for len(b) > 0 {
		n, typ, used := protowire.ConsumeTag(b)
		if used < 0 {
			return &broken{"", "a protobuf message", protowire.ParseError(used).Error()}
		}
		b = b[used:]
		v := field{typ: typ}
		switch typ {
		case protowire.VarintType:
			v.varint, used = protowire.ConsumeVarint(b)
		case protowire.Fixed32Type:
			var x uint32
			x, used = protowire.ConsumeFixed32(b)
			v.varint = uint64(x)
		case protowire.Fixed64Type:
			v.varint, used = protowire.ConsumeFixed64(b)
		case protowire.BytesType:
			v.bytes, used = protowire.ConsumeBytes(b)
		default:
			used = protowire.ConsumeFieldValue(n, typ, b)
		}
		if used < 0 {
			return &broken{"", "a protobuf message", protowire.ParseError(used).Error()}
		}
		b = b[used:]
		if err := do(n, v); err != nil {
			return err
		}
	}
	return nil
}

func text(into *string, v field, path string) error {
	if v.typ != protowire.BytesType {
		return nil
	}
	if !utf8.Valid(v.bytes) {
		return &broken{path, "text in UTF-8", fmt.Sprintf("%.40q", v.bytes)}
	}
	*into = string(v.bytes)
	return nil
}

func (d *decoding) spend() error {
	if d.room--; d.room < 0 {
		return &broken{"", fmt.Sprintf("at most %d metrics and cells", d.limits.Metrics), "more"}
	}
	return nil
}

func (d *decoding) metric(m *Metric, b []byte, deep int) error {
	if deep > mostNested {
		return &broken{"", fmt.Sprintf("templates at most %d deep", mostNested), "more"}
	}
	return fields(b, func(n protowire.Number, v field) error {
		isVarint := v.typ == protowire.VarintType
		switch {
		case n == 1:
			return text(&m.Name, v, "name")
		case n == 2 && isVarint:
			m.Alias, m.Aliased = v.varint, true
		case n == 3 && isVarint:
			m.Timestamp, m.Timed = v.varint, true
		case n == 4 && isVarint:
			return m.Type.set(v.varint, "datatype")
		case n == 5 && isVarint:
			m.Historical = v.varint != 0
		case n == 6 && isVarint:
			m.Transient = v.varint != 0
		case n == 7 && isVarint:
			m.Null = v.varint != 0
		case n == 8 && v.typ == protowire.BytesType:
			m.Meta = v.bytes
		case n == 9 && v.typ == protowire.BytesType:
			m.Properties = nil
			return within("properties", d.properties(&m.Properties, v.bytes))
		case n >= 10 && n <= 18:
			return d.value(&m.Value, Form(n-9), v, deep)
		}
		return nil
	})
}

// value reads a value in the field of the form, if it is of the field's type.
func (d *decoding) value(into *Value, f Form, v field, deep int) error {
	wants := protowire.BytesType
	switch f {
	case IntValue, LongValue, BoolValue:
		wants = protowire.VarintType
	case FloatValue:
		wants = protowire.Fixed32Type
	case DoubleValue:
		wants = protowire.Fixed64Type
	}
	if v.typ != wants {
		return nil
	}
	*into = Value{Form: f, Bits: v.varint}
	switch f {
	case IntValue:
		into.Bits = uint64(uint32(v.varint))
	case BoolValue:
		into.Bits = uint64(protowire.EncodeBool(v.varint != 0))
	case StringValue:
		if !utf8.Valid(v.bytes) {
			return &broken{f.String(), "text in UTF-8", fmt.Sprintf("%.40q", v.bytes)}
		}
		into.Bytes = v.bytes
	case BytesValue:
		into.Bytes = v.bytes
	case DataSetValue:
		into.DataSet = new(DataSet)
		return within(f.String(), d.dataSet(into.DataSet, v.bytes))
	case TemplateValue:
		into.Template = new(Template)
		return within(f.String(), d.template(into.Template, v.bytes, deep))
	}
	return nil
}

func (d *decoding) template(t *Template, b []byte, deep int) error {
	return fields(b, func(n protowire.Number, v field) error {
		switch {
		case n == 1:
			return text(&t.Version, v, "version")
		case n == 2 && v.typ == protowire.BytesType:
			at := fmt.Sprintf("metrics[%d]", len(t.Metrics))
			if err := d.spend(); err != nil {
				return within(at, err)
			}
			t.Metrics = append(t.Metrics, Metric{})
			return within(at, d.metric(&t.Metrics[len(t.Metrics)-1], v.bytes, deep+1))
		case n == 4:
			return text(&t.Ref, v, "template_ref")
		case n == 5 && v.typ == protowire.VarintType:
			t.Definition = v.varint != 0
		}
		return nil
	})
}

func (d *decoding) properties(into *[]Property, b []byte) error {
	var keys []string
	var values []Property
	err := fields(b, func(n protowire.Number, v field) error {
		if v.typ != protowire.BytesType || n > 2 {
			return nil
		}
		if err := d.spend(); err != nil {
			return err
		}
		if n == 1 {
			var key string
			err := text(&key, v, fmt.Sprintf("keys[%d]", len(keys)))
			keys = append(keys, key)
			return err
		}
		var p Property
		err := fields(v.bytes, func(n protowire.Number, v field) error {
			switch isVarint := v.typ == protowire.VarintType; {
			case n == 1 && isVarint:
				return p.Type.set(v.varint, "type")
			case n == 2 && isVarint:
				p.Null = v.varint != 0
			case n >= 3 && n <= 8:
				return d.value(&p.Value, Form(n-2), v, 0)
			}
			return nil
		})
		values = append(values, p)
		return within(fmt.Sprintf("values[%d]", len(values)-1), err)
	})
	if err != nil {
		return err
	}
	if len(keys) != len(values) {
		return &broken{"", "as many values as keys", fmt.Sprintf("%d keys and %d values", len(keys), len(values))}
	}
	for i := range values {
		values[i].Key = keys[i]
	}
	*into = values
	return nil
}

func (d *decoding) dataSet(s *DataSet, b []byte) error {
	columns, counted := uint64(0), false
	err := fields(b, func(n protowire.Number, v field) error {
		switch {
		case n == 1 && v.typ == protowire.VarintType:
			columns, counted = v.varint, true
		case n == 2 && v.typ == protowire.BytesType:
			if err := d.spend(); err != nil {
				return err
			}
			s.Columns = append(s.Columns, "")
			return text(&s.Columns[len(s.Columns)-1], v, fmt.Sprintf("columns[%d]", len(s.Columns)-1))
		case n == 3 && v.typ == protowire.VarintType:
			return d.columnType(s, v.varint)
		case n == 3 && v.typ == protowire.BytesType: // packed
			for rest := v.bytes; len(rest) > 0; {
				t, used := protowire.ConsumeVarint(rest)
				if used < 0 {
					return &broken{"types", "a protobuf message", protowire.ParseError(used).Error()}
				}
				rest = rest[used:]
				if err := d.columnType(s, t); err != nil {
					return err
				}
			}
		case n == 4 && v.typ == protowire.BytesType:
			if err := d.spend(); err != nil {
				return err
			}
			row, err := d.row(v.bytes)
			s.Rows = append(s.Rows, row)
			return within(fmt.Sprintf("rows[%d]", len(s.Rows)-1), err)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(s.Columns) != len(s.Types) || counted && columns != uint64(len(s.Columns)) {
		return &broken{"", "as many types as columns, and as many as num_of_columns says", fmt.Sprintf("%d columns, %d types, %d said", len(s.Columns), len(s.Types), columns)}
	}
	for i, row := range s.Rows {
		if len(row) != len(s.Columns) {
			return &broken{fmt.Sprintf("rows[%d]", i), fmt.Sprintf("%d elements, as many as columns", len(s.Columns)), fmt.Sprint(len(row))}
		}
	}
	return nil
}

func (d *decoding) columnType(s *DataSet, v uint64) error {
	if err := d.spend(); err != nil {
		return err
	}
	s.Types = append(s.Types, Unknown)
	return s.Types[len(s.Types)-1].set(v, fmt.Sprintf("types[%d]", len(s.Types)-1))
}

func (d *decoding) row(b []byte) (row []Value, err error) {
	err = fields(b, func(n protowire.Number, v field) error {
		if n != 1 || v.typ != protowire.BytesType {
			return nil
		}
		if err := d.spend(); err != nil {
			return err
		}
		var cell Value
		err := fields(v.bytes, func(n protowire.Number, v field) error {
			if n >= 1 && n <= 6 {
				return d.value(&cell, Form(n), v, 0)
			}
			return nil
		})
		row = append(row, cell)
		return within(fmt.Sprintf("elements[%d]", len(row)-1), err)
	})
	return row, err
}

// Float32 is a float_value.
func Float32(v float32) Value { return Value{Form: FloatValue, Bits: uint64(math.Float32bits(v))} }

// Float64 is a double_value.
func Float64(v float64) Value { return Value{Form: DoubleValue, Bits: math.Float64bits(v)} }

// Int is an int_value, two's complement where it is negative.
func Int(v int32) Value { return Value{Form: IntValue, Bits: uint64(uint32(v))} }

// Long is a long_value.
func Long(v uint64) Value { return Value{Form: LongValue, Bits: v} }

// Bool is a boolean_value.
func Bool(v bool) Value { return Value{Form: BoolValue, Bits: protowire.EncodeBool(v)} }

// String is a string_value.
func String(v string) Value { return Value{Form: StringValue, Bytes: []byte(v)} }

// Bytes is a bytes_value.
func Bytes(v []byte) Value { return Value{Form: BytesValue, Bytes: v} }
