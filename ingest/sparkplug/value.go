package sparkplug

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// DataType says what a value means.
type DataType uint8

// The datatypes of Sparkplug B.
const (
	Unknown DataType = iota
	Int8
	Int16
	Int32
	Int64
	UInt8
	UInt16
	UInt32
	UInt64
	Float
	Double
	Boolean
	Text // "String" in the specification
	DateTime
	LongText // "Text" in the specification
	UUID
	DataSetType
	BytesType
	File
	TemplateType
	PropertySet
	PropertySetList
	Int8Array
	Int16Array
	Int32Array
	Int64Array
	UInt8Array
	UInt16Array
	UInt32Array
	UInt64Array
	FloatArray
	DoubleArray
	BooleanArray
	StringArray
	DateTimeArray
	numTypes
)

var typeNames = [numTypes]string{
	"Unknown", "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64", "Float", "Double", "Boolean", "String", "DateTime", "Text",
	"UUID", "DataSet", "Bytes", "File", "Template", "PropertySet", "PropertySetList",
	"Int8Array", "Int16Array", "Int32Array", "Int64Array", "UInt8Array", "UInt16Array", "UInt32Array", "UInt64Array", "FloatArray", "DoubleArray",
	"BooleanArray", "StringArray", "DateTimeArray",
}

// String returns the specification's name.
func (t DataType) String() string {
	if t >= numTypes {
		return fmt.Sprintf("datatype %d", uint8(t))
	}
	return typeNames[t]
}

func (t *DataType) set(v uint64, path string) error {
	if v >= uint64(numTypes) {
		return &broken{path, fmt.Sprintf("0 to %d", numTypes-1), fmt.Sprint(v)}
	}
	*t = DataType(v)
	return nil
}

// Part is what a value says: as a JSON text (a text, number, true or false; {}
// or [] where it is none of them), or as a list of numbers.
type Part struct {
	JSON []byte
	List []float64
}

// part reads a value of a datatype. The error is a *broken.
func part(v *Value, t DataType, most int) (Part, error) {
	wrong := func(expected string) (Part, error) {
		found := v.Form.String()
		if v.Form == StringValue {
			found = fmt.Sprintf("%.60q", v.Bytes)
		}
		return Part{}, &broken{"", expected + " of type " + t.String(), found}
	}
	whole := v.Form == IntValue || v.Form == LongValue
	switch t {
	case Int8, Int16, Int32, Int64:
		if !whole {
			return wrong("int_value or long_value")
		}
		n := int64(v.Bits)
		switch t {
		case Int8:
			n = int64(int8(n))
		case Int16:
			n = int64(int16(n))
		case Int32:
			n = int64(int32(n))
		}
		return Part{JSON: strconv.AppendInt(nil, n, 10)}, nil
	case UInt8, UInt16, UInt32, UInt64, DateTime:
		if !whole {
			return wrong("int_value or long_value")
		}
		n := v.Bits
		switch t {
		case UInt8:
			n = uint64(uint8(n))
		case UInt16:
			n = uint64(uint16(n))
		case UInt32:
			n = uint64(uint32(n))
		}
		return Part{JSON: strconv.AppendUint(nil, n, 10)}, nil
	case Float, Double:
		switch v.Form {
		case FloatValue:
			return Part{JSON: number(float64(math.Float32frombits(uint32(v.Bits))), 32)}, nil
		case DoubleValue:
			return Part{JSON: number(math.Float64frombits(v.Bits), 64)}, nil
		}
		return wrong("float_value or double_value")
	case Boolean:
		if v.Form != BoolValue {
			return wrong("boolean_value")
		}
		return Part{JSON: strconv.AppendBool(nil, v.Bits != 0)}, nil
	case Text, LongText, UUID:
		if v.Form != StringValue {
			return wrong("string_value")
		}
		return Part{JSON: quote(string(v.Bytes))}, nil
	case DataSetType, TemplateType:
		if v.Form != DataSetValue && v.Form != TemplateValue {
			return wrong("dataset_value or template_value")
		}
		return Part{JSON: []byte("{}")}, nil
	case BytesType, File, StringArray:
		if v.Form != BytesValue {
			return wrong("bytes_value")
		}
		return Part{JSON: []byte("[]")}, nil
	}
	if t < Int8Array || t > DateTimeArray {
		return wrong("a value")
	}
	if v.Form != BytesValue {
		return wrong("bytes_value")
	}
	list, err := array(v.Bytes, t, most)
	return Part{JSON: []byte("[]"), List: list}, err
}

// number writes a float as JSON; what JSON cannot hold as a text.
func number(f float64, bits int) []byte {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return quote(fmt.Sprint(f))
	}
	return strconv.AppendFloat(nil, f, 'g', -1, bits)
}

// quote writes a text as JSON.
func quote(s string) []byte {
	b := []byte{'"'}
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b = append(b, '\\', byte(r))
		case r < ' ':
			b = fmt.Appendf(b, `\u%04x`, r)
		default:
			b = append(b, string(r)...)
		}
	}
	return append(b, '"')
}

// width is how many bytes an element of an array takes; 0: it is not so packed.
var width = [numTypes]int{
	Int8Array: 1, Int16Array: 2, Int32Array: 4, Int64Array: 8, UInt8Array: 1, UInt16Array: 2, UInt32Array: 4, UInt64Array: 8,
	FloatArray: 4, DoubleArray: 8, DateTimeArray: 8,
}

// array reads an array of numbers: packed, little endian. (The specification's
// own examples of FloatArray and DoubleArray show the bytes of each element the
// other way round, against its words; what is sent follows the words.)
func array(b []byte, t DataType, most int) ([]float64, error) {
	if t == BooleanArray {
		return booleans(b, most)
	}
	w := width[t]
	if len(b)%w != 0 {
		return nil, &broken{"", fmt.Sprintf("%d bytes for each element of %s", w, t), fmt.Sprintf("%d bytes", len(b))}
	}
	n := len(b) / w
	if n > most {
		return nil, &broken{"", fmt.Sprintf("at most %d elements", most), fmt.Sprint(n)}
	}
	list := make([]float64, n)
	for i := range list {
		e := b[i*w:]
		switch t {
		case Int8Array:
			list[i] = float64(int8(e[0]))
		case Int16Array:
			list[i] = float64(int16(binary.LittleEndian.Uint16(e)))
		case Int32Array:
			list[i] = float64(int32(binary.LittleEndian.Uint32(e)))
		case Int64Array:
			list[i] = float64(int64(binary.LittleEndian.Uint64(e)))
		case UInt8Array:
			list[i] = float64(e[0])
		case UInt16Array:
			list[i] = float64(binary.LittleEndian.Uint16(e))
		case UInt32Array:
			list[i] = float64(binary.LittleEndian.Uint32(e))
		case UInt64Array, DateTimeArray:
			list[i] = float64(binary.LittleEndian.Uint64(e))
		case FloatArray:
			list[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(e)))
		case DoubleArray:
			list[i] = math.Float64frombits(binary.LittleEndian.Uint64(e))
		}
	}
	return list, nil
}

// booleans reads a BooleanArray: the number of elements in four bytes, then
// bits, the first in the highest.
func booleans(b []byte, most int) ([]float64, error) {
	if len(b) < 4 {
		return nil, &broken{"", "four bytes with the number of elements of BooleanArray", fmt.Sprintf("%d bytes", len(b))}
	}
	n, bits := uint64(binary.LittleEndian.Uint32(b)), b[4:]
	if (n+7)/8 != uint64(len(bits)) {
		return nil, &broken{"", fmt.Sprintf("%d bytes for %d elements of BooleanArray", (n+7)/8, n), fmt.Sprint(len(bits))}
	}
	if n > uint64(most) {
		return nil, &broken{"", fmt.Sprintf("at most %d elements", most), fmt.Sprint(n)}
	}
	list := make([]float64, n)
	for i := range list {
		if bits[i/8]&(0x80>>(i%8)) != 0 {
			list[i] = 1
		}
	}
	return list, nil
}

// Strings returns the elements of a StringArray: each ends with a zero byte.
func Strings(b []byte) []string {
	if len(b) == 0 {
		return nil
	}
	return strings.Split(strings.TrimSuffix(string(b), "\x00"), "\x00")
}

// PackArray packs numbers as a bytes_value of an array type; nil for a type that
// holds no numbers. What the type cannot hold is cut off.
func PackArray(t DataType, list []float64) []byte {
	if t == BooleanArray {
		b := binary.LittleEndian.AppendUint32(nil, uint32(len(list)))
		b = append(b, make([]byte, (len(list)+7)/8)...)
		for i, v := range list {
			if v != 0 {
				b[4+i/8] |= 0x80 >> (i % 8)
			}
		}
		return b
	}
	if t >= numTypes || width[t] == 0 {
		return nil
	}
	b := make([]byte, 0, len(list)*width[t])
	for _, v := range list {
		var bits uint64
		switch t {
		case FloatArray:
			bits = uint64(math.Float32bits(float32(v)))
		case DoubleArray:
			bits = math.Float64bits(v)
		case UInt64Array, DateTimeArray:
			bits = uint64(v)
		default:
			bits = uint64(int64(v))
		}
		b = append(b, binary.LittleEndian.AppendUint64(nil, bits)[:width[t]]...)
	}
	return b
}

// column returns a column of a dataset as a list of numbers; nil where it has
// anything else.
func (s *DataSet) column(i, most int) (list []float64) {
	if len(s.Rows) > most {
		return nil
	}
	for _, row := range s.Rows {
		p, err := part(&row[i], s.Types[i], 0)
		if err != nil || s.Types[i] == Boolean {
			return nil
		}
		f, err := strconv.ParseFloat(string(p.JSON), 64)
		if err != nil {
			return nil
		}
		list = append(list, f)
	}
	return list
}

// isPacked reports whether a value may hold a trace.
func (v *Value) isPacked() bool {
	return v.Form == BytesValue || v.Form == DataSetValue || v.Form == TemplateValue
}

// clone returns a copy that does not point into the payload. Datasets and
// templates are not copied: what is known of them are their parts.
func (v *Value) clone() Value {
	return Value{Form: v.Form, Bits: v.Bits, Bytes: append([]byte(nil), v.Bytes...)}
}
