package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"
)

// stamp begins a line of a recording that arrives at x.
func stamp(x time.Time) []byte { return []byte(x.Format(`{"at":"2006-01-02T15:04:05.000Z",`)) }

// encode writes a throw to an end behind the stamp in b.
func (t *turnout) encode(b []byte, when time.Time, to int, res *result) []byte {
	r := t.r
	num := func(k string, v float64, dec int) { b = strconv.AppendFloat(append(b, k...), v, 'f', dec, 64) }
	b = append(b, `"throw":{`...)
	if t.sendID {
		b = fmt.Appendf(b, `"throw_id":"%s-%06d",`, t.name, t.n)
	}
	b = fmt.Appendf(b, `"turnout":"%s","to":"%s","started_at":"%s","completed":%v`, t.name, [2]string{"normal", "reverse"}[to],
		when.In(t.zone).Format("2006-01-02T15:04:05.000Z07:00"), res.completed)
	if t.sendDet {
		b = append(b, `,"detections":[`...)
		first := true
		for i, d := range res.det {
			if d >= 0 && d < t.limit {
				if !first {
					b = append(b, ',')
				}
				first = false
				b = append(b, `{"place":"`+t.places[i]...)
				num(`","after_s":`, d, 2)
				b = append(b, '}')
			}
		}
		b = append(b, ']')
	}
	if t.sendT {
		num(`,"rail_temperature_c":`, res.rail+t.tBias+.3*r.NormFloat64(), 1)
	}
	if t.sendV {
		num(`,"supply_v":`, res.v*(1+.002*r.NormFloat64()), 1)
	}
	b = append(b, `,"channels":[`...)
	for i, d := range t.drives {
		if i > 0 {
			b = append(b, ',')
		}
		b = d.encode(b, t.rate, res.traces[i])
	}
	return append(b, `]}}`...)
}

// encode writes the drive's channel, with the sensor's step.
func (d *drive) encode(b []byte, rate float64, trace []float64) []byte {
	b = fmt.Appendf(b, `{"drive":"%s","quantity":"%s","unit":"%s","sample_rate_hz":%g`, d.name, d.quantity, d.unit, rate)
	if d.decimals < 0 {
		b = strconv.AppendFloat(append(b, `,"scale":`...), d.step, 'f', 5, 64)
		if d.zero != 0 {
			b = strconv.AppendFloat(append(b, `,"zero":`...), d.zero, 'f', 6, 64)
		}
	}
	b = append(b, `,"samples":[`...)
	for j, v := range trace {
		if j > 0 {
			b = append(b, ',')
		}
		if d.decimals < 0 {
			b = strconv.AppendInt(b, int64(math.Round((v-d.zero)/d.step)), 10)
		} else {
			b = strconv.AppendFloat(b, math.Round(v/d.step)*d.step, 'f', d.decimals, 64)
		}
	}
	return append(b, `]}`...)
}

// writeTruth writes what the fleet hides: a line for the fleet, one a turnout,
// one a fault.
func (fl *fleet) writeTruth(w io.Writer) error {
	type m = map[string]any
	enc := json.NewEncoder(w)
	when := func(d float64) string { return at(d).Format(time.RFC3339) }
	if err := enc.Encode(m{"fleet": m{"seed": fl.seed, "days": fl.days, "turnouts": len(fl.turnouts), "start": when(0), "end": when(fl.total)}}); err != nil {
		return err
	}
	for _, t := range fl.turnouts {
		kind := "electric"
		if t.drives[0].kind == hy {
			kind = "hydraulic"
		}
		line := struct {
			Turnout string `json:"turnout"`
			Kind    string `json:"drive_kind"`
		}{t.name, kind}
		if err := enc.Encode(line); err != nil {
			return err
		}
	}
	for _, t := range fl.turnouts {
		if f := t.fault; f != nil {
			line := m{"turnout": t.name, "cause": f.cause, "onset": when(f.onset), "failure": when(f.failure), "repaired": when(f.repair)}
			if err := enc.Encode(m{"fault": line}); err != nil {
				return err
			}
		}
	}
	return nil
}
