package wire

import (
	"math"
	"strconv"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"throwline/ingest"
)

// The encoders below write what the decoder reads to an equal value, as long as
// it is valid. What is at its default or not known is left out. A number that is
// not finite, which no valid value has, becomes null.

// AppendThrow appends t as JSON to dst. The cabinet is not written: the topic
// names it.
func AppendThrow(dst []byte, t *ingest.Throw) []byte { return appendThrow(dst, t, false) }

func appendThrow(dst []byte, t *ingest.Throw, withCabinet bool) []byte {
	dst = append(dst, '{')
	if t.ID != "" {
		dst = appendText(dst, "throw_id", t.ID)
	}
	if withCabinet && t.Cabinet != "" {
		dst = appendText(dst, "cabinet", t.Cabinet)
	}
	dst = appendText(dst, "turnout", t.Turnout)
	dst = appendText(dst, "to", t.To.String())
	dst = appendMoment(dst, "started_at", t.StartedAt)
	dst = strconv.AppendBool(appendName(dst, "completed"), t.Completed)
	if len(t.Detections) > 0 {
		dst = append(appendName(dst, "detections"), '[')
		for i, d := range t.Detections {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = append(dst, '{')
			dst = appendText(dst, "place", d.Place)
			dst = appendNumber(dst, "after_s", d.After.Seconds())
			dst = append(dst, '}')
		}
		dst = append(dst, ']')
	}
	if t.Boot != "" {
		dst = appendText(dst, "boot", t.Boot)
	}
	if t.Sequence != 0 {
		dst = strconv.AppendUint(appendName(dst, "sequence"), t.Sequence, 10)
	}
	dst = appendReading(dst, "rail_temperature_c", t.RailTemperature)
	dst = appendReading(dst, "supply_v", t.Supply)
	dst = append(appendName(dst, "channels"), '[')
	for i := range t.Channels {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendChannel(dst, &t.Channels[i])
	}
	return append(dst, "]}"...)
}

func appendChannel(dst []byte, c *ingest.Channel) []byte {
	dst = append(dst, '{')
	dst = appendText(dst, "drive", c.Drive)
	dst = appendText(dst, "quantity", string(c.Quantity))
	dst = appendText(dst, "unit", string(c.Unit))
	dst = appendNumber(dst, "sample_rate_hz", c.SampleRate)
	if c.Offset != 0 {
		dst = appendNumber(dst, "offset_s", c.Offset)
	}
	if c.Scale != 1 {
		dst = appendNumber(dst, "scale", c.Scale)
	}
	if c.Zero != 0 {
		dst = appendNumber(dst, "zero", c.Zero)
	}
	dst = append(appendName(dst, "samples"), '[')
	for i, v := range c.Samples {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendFloat(dst, v)
	}
	return append(dst, "]}"...)
}

// AppendState appends s as JSON to dst, without the cabinet.
func AppendState(dst []byte, s *ingest.CabinetState) []byte { return appendState(dst, s, false) }

func appendState(dst []byte, s *ingest.CabinetState, withCabinet bool) []byte {
	dst = append(dst, '{')
	if withCabinet {
		dst = appendText(dst, "cabinet", s.Cabinet)
	}
	state := "offline"
	if s.Online {
		state = "online"
	}
	dst = appendText(dst, "state", state)
	dst = appendMoment(dst, "at", s.At)
	if s.Agent != "" {
		dst = appendText(dst, "agent", s.Agent)
	}
	dst = appendReading(dst, "clock_offset_s", s.ClockOffset)
	return append(dst, '}')
}

// AppendConditions appends c as JSON to dst, without the cabinet.
func AppendConditions(dst []byte, c *ingest.Conditions) []byte {
	return appendConditions(dst, c, false)
}

func appendConditions(dst []byte, c *ingest.Conditions, withCabinet bool) []byte {
	dst = append(dst, '{')
	if withCabinet {
		dst = appendText(dst, "cabinet", c.Cabinet)
	}
	dst = appendMoment(dst, "at", c.At)
	dst = appendReading(dst, "rail_temperature_c", c.RailTemperature)
	dst = appendReading(dst, "air_temperature_c", c.AirTemperature)
	dst = appendReading(dst, "supply_v", c.Supply)
	if c.Rain.Known {
		dst = strconv.AppendBool(appendName(dst, "rain"), c.Rain.Value != 0)
	}
	return append(dst, '}')
}

func appendWork(dst []byte, w *ingest.Work) []byte {
	dst = append(dst, '{')
	dst = appendText(dst, "turnout", w.Turnout)
	dst = appendMoment(dst, "done_at", w.DoneAt)
	dst = appendText(dst, "work", string(w.Kind))
	if w.Note != "" {
		dst = appendText(dst, "note", w.Note)
	}
	if w.By != "" {
		dst = appendText(dst, "by", w.By)
	}
	return append(dst, '}')
}

// AppendReceipt appends r as JSON to dst; at is when it was given.
func AppendReceipt(dst []byte, r ingest.Receipt, at time.Time) []byte {
	dst = append(dst, '{')
	dst = appendText(dst, "boot", r.Boot)
	dst = strconv.AppendUint(appendName(dst, "through"), r.Through, 10)
	dst = append(appendName(dst, "missing"), '[')
	for i, m := range r.Missing {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = strconv.AppendUint(append(dst, '['), m[0], 10)
		dst = strconv.AppendUint(append(dst, ','), m[1], 10)
		dst = append(dst, ']')
	}
	dst = append(dst, ']')
	dst = appendMoment(dst, "at", at)
	return append(dst, '}')
}

// AppendArrival appends a as one line of a recording to dst, without the line's
// end. A throw's cabinet is written where it is known.
func AppendArrival(dst []byte, a ingest.Arrival) []byte {
	dst = append(dst, '{')
	dst = appendMoment(dst, "at", a.At)
	if a.Throw != nil {
		dst = appendThrow(appendName(dst, "throw"), a.Throw, true)
	}
	if a.Work != nil {
		dst = appendWork(appendName(dst, "work"), a.Work)
	}
	if a.State != nil {
		dst = appendState(appendName(dst, "state"), a.State, true)
	}
	if a.Conditions != nil {
		dst = appendConditions(appendName(dst, "conditions"), a.Conditions, true)
	}
	return append(dst, '}')
}

// appendName appends a member's name, and the comma before it where one is due.
// The names are this file's own and need no escaping.
func appendName(dst []byte, name string) []byte {
	if dst[len(dst)-1] != '{' {
		dst = append(dst, ',')
	}
	dst = append(dst, '"')
	dst = append(dst, name...)
	return append(dst, `":`...)
}

func appendText(dst []byte, name, text string) []byte {
	// Invalid UTF-8 is written as U+FFFD, so that a broken note breaks no line.
	dst, _ = jsontext.AppendQuote(appendName(dst, name), text)
	return dst
}

func appendMoment(dst []byte, name string, t time.Time) []byte {
	dst = append(appendName(dst, name), '"')
	dst = t.UTC().AppendFormat(dst, time.RFC3339Nano)
	return append(dst, '"')
}

func appendNumber(dst []byte, name string, v float64) []byte {
	return appendFloat(appendName(dst, name), v)
}

func appendReading(dst []byte, name string, r ingest.Reading) []byte {
	if !r.Known {
		return dst
	}
	return appendNumber(dst, name, r.Value)
}

// appendFloat appends the shortest number that reads as v.
func appendFloat(dst []byte, v float64) []byte {
	size := math.Abs(v)
	switch {
	case !(size <= math.MaxFloat64):
		return append(dst, "null"...)
	case size < 1e15 && v == math.Trunc(v):
		return strconv.AppendInt(dst, int64(v), 10)
	case size >= 1e-6 && size < 1e21:
		return strconv.AppendFloat(dst, v, 'f', -1, 64)
	}
	dst = strconv.AppendFloat(dst, v, 'e', -1, 64)
	if n := len(dst); dst[n-2] == '0' && dst[n-4] == 'e' { // 1e-09
		dst[n-2] = dst[n-1]
		dst = dst[:n-1]
	}
	return dst
}
