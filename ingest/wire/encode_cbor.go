package wire

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"github.com/x448/float16"

	"throwline/ingest"
)

// AppendThrowCBOR appends t as CBOR to dst, with the samples as typed arrays of
// the smallest element that holds them all exactly. The cabinet is not written.
func AppendThrowCBOR(dst []byte, t *ingest.Throw) []byte {
	members := 5
	for _, there := range []bool{t.ID != "", len(t.Detections) > 0, t.Boot != "", t.Sequence != 0, t.RailTemperature.Known, t.Supply.Known} {
		if there {
			members++
		}
	}
	dst = appendHead(dst, majorMap, uint64(members))
	if t.ID != "" {
		dst = appendPair(dst, "throw_id", t.ID)
	}
	dst = appendPair(dst, "turnout", t.Turnout)
	dst = appendPair(dst, "to", t.To.String())
	dst = appendPair(dst, "started_at", t.StartedAt.UTC().Format(time.RFC3339Nano))
	dst = appendString(dst, "completed")
	if t.Completed {
		dst = append(dst, 0xf5)
	} else {
		dst = append(dst, 0xf4)
	}
	if n := len(t.Detections); n > 0 {
		dst = appendHead(appendString(dst, "detections"), majorList, uint64(n))
		for _, d := range t.Detections {
			dst = appendPair(appendHead(dst, majorMap, 2), "place", d.Place)
			dst = appendCBORNumber(appendString(dst, "after_s"), d.After.Seconds())
		}
	}
	if t.Boot != "" {
		dst = appendPair(dst, "boot", t.Boot)
	}
	if t.Sequence != 0 {
		dst = appendHead(appendString(dst, "sequence"), majorUint, t.Sequence)
	}
	if t.RailTemperature.Known {
		dst = appendCBORNumber(appendString(dst, "rail_temperature_c"), t.RailTemperature.Value)
	}
	if t.Supply.Known {
		dst = appendCBORNumber(appendString(dst, "supply_v"), t.Supply.Value)
	}
	dst = appendHead(appendString(dst, "channels"), majorList, uint64(len(t.Channels)))
	for i := range t.Channels {
		dst = appendChannelCBOR(dst, &t.Channels[i])
	}
	return dst
}

func appendChannelCBOR(dst []byte, c *ingest.Channel) []byte {
	members := 5
	for _, there := range []bool{c.Offset != 0, c.Scale != 1, c.Zero != 0} {
		if there {
			members++
		}
	}
	dst = appendHead(dst, majorMap, uint64(members))
	dst = appendPair(dst, "drive", c.Drive)
	dst = appendPair(dst, "quantity", string(c.Quantity))
	dst = appendPair(dst, "unit", string(c.Unit))
	dst = appendCBORNumber(appendString(dst, "sample_rate_hz"), c.SampleRate)
	if c.Offset != 0 {
		dst = appendCBORNumber(appendString(dst, "offset_s"), c.Offset)
	}
	if c.Scale != 1 {
		dst = appendCBORNumber(appendString(dst, "scale"), c.Scale)
	}
	if c.Zero != 0 {
		dst = appendCBORNumber(appendString(dst, "zero"), c.Zero)
	}
	return appendTyped(appendString(dst, "samples"), c.Samples)
}

// appendTyped appends the samples as a typed array, little endian.
func appendTyped(dst []byte, samples []float64) []byte {
	whole, single := true, true
	low, high := 0.0, 0.0
	for _, v := range samples {
		whole = whole && v == math.Trunc(v)
		single = single && v == float64(float32(v))
		low, high = min(low, v), max(high, v)
	}
	var tag, size uint64
	switch {
	case whole && low >= math.MinInt16 && high <= math.MaxInt16:
		tag, size = 77, 2
	case whole && low >= math.MinInt32 && high <= math.MaxInt32:
		tag, size = 78, 4
	case single:
		tag, size = 85, 4
	default:
		tag, size = 86, 8
	}
	n := uint64(len(samples)) * size
	dst = appendHead(appendHead(dst, majorTag, tag), majorBytes, n)
	dst = slices.Grow(dst, int(n))
	le := binary.LittleEndian
	switch tag {
	case 77:
		for _, v := range samples {
			dst = le.AppendUint16(dst, uint16(int16(v)))
		}
	case 78:
		for _, v := range samples {
			dst = le.AppendUint32(dst, uint32(int32(v)))
		}
	case 85:
		for _, v := range samples {
			dst = le.AppendUint32(dst, math.Float32bits(float32(v)))
		}
	default:
		for _, v := range samples {
			dst = le.AppendUint64(dst, math.Float64bits(v))
		}
	}
	return dst
}

func appendHead(dst []byte, major byte, arg uint64) []byte {
	m := major << 5
	switch {
	case arg < 24:
		return append(dst, m|byte(arg))
	case arg <= math.MaxUint8:
		return append(dst, m|24, byte(arg))
	case arg <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(dst, m|25), uint16(arg))
	case arg <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(dst, m|26), uint32(arg))
	}
	return binary.BigEndian.AppendUint64(append(dst, m|27), arg)
}

func appendString(dst []byte, s string) []byte {
	return append(appendHead(dst, majorText, uint64(len(s))), s...)
}

func appendPair(dst []byte, name, text string) []byte {
	return appendString(appendString(dst, name), text)
}

// appendCBORNumber appends the shortest item that is v: an integer, or a float of
// 2, 4 or 8 bytes.
func appendCBORNumber(dst []byte, v float64) []byte {
	if v == math.Trunc(v) && math.Abs(v) < mostExact {
		if v < 0 {
			return appendHead(dst, majorNegative, uint64(-1-v))
		}
		return appendHead(dst, majorUint, uint64(v))
	}
	single := float32(v)
	if float64(single) != v {
		return binary.BigEndian.AppendUint64(append(dst, majorSimple<<5|27), math.Float64bits(v))
	}
	if half := float16.Fromfloat32(single); half.Float32() == single {
		return binary.BigEndian.AppendUint16(append(dst, majorSimple<<5|25), half.Bits())
	}
	return binary.BigEndian.AppendUint32(append(dst, majorSimple<<5|26), math.Float32bits(single))
}
