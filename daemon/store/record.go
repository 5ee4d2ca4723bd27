package store

import (
	"fmt"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// The first byte of a record blob.
const recordVersion = 4 // 2: what the neighbours feel; 3: a checksum at the end, of it and of the columns; 4: what their supply does

// appendRecord appends what was measured of a throw and how it was judged;
// what has a column of its own is left to that.
func appendRecord(dst []byte, r *detect.Record) []byte {
	w := writer{dst}
	w.byte(recordVersion)
	w.text(r.ThrowID)
	w.uvarint(uint64(len(r.Detections)))
	for _, d := range r.Detections {
		w.text(d.Place)
		w.varint(int64(d.After))
	}
	for _, x := range []ingest.Reading{r.RailTemperature, r.Supply, r.Rain, r.CommonEffort, r.CommonTime, r.CommonSag} {
		if x.Known {
			w.byte(1)
			w.f64(x.Value)
		} else {
			w.byte(0)
		}
	}
	w.uvarint(uint64(len(r.Traces)))
	for i := range r.Traces {
		t := &r.Traces[i]
		w.text(t.Drive)
		w.text(string(t.Quantity))
		w.uvarint(uint64(t.Quality))
		w.f32s(t.Bounds[:])
		w.f32s(t.Features[:])
		w.f32s(t.Profile[:])
	}
	w.uvarint(uint64(len(r.Bands)))
	for i := range r.Bands {
		b := &r.Bands[i]
		w.f32s(b.Expected[:])
		w.f32s(b.Low[:])
		w.f32s(b.High[:])
	}
	var room [256]byte
	w.seal(len(dst), columnsOf(room[:0], r))
	return w.b
}

// columnsOf appends what of a throw has a column of its own, for the checksum.
func columnsOf(dst []byte, r *detect.Record) []byte {
	w := writer{dst}
	w.text(r.Key)
	w.text(r.Cabinet)
	w.varint(int64(r.To))
	w.varint(nanos(r.StartedAt))
	w.varint(nanos(r.ArrivedAt))
	if r.Completed {
		w.byte(1)
	}
	return w.b
}

// consumeRecord reads what appendRecord wrote into r, which has the columns already.
func consumeRecord(b []byte, r *detect.Record) error {
	c := reader{b: b}
	if len(b) > 0 && b[0] >= 3 {
		var room [256]byte
		if err := c.unseal(columnsOf(room[:0], r)); err != nil {
			return fmt.Errorf("record: %w", err)
		}
	}
	version := c.byte()
	if version < 1 || version > recordVersion {
		return fmt.Errorf("record: expected a version of 1 to %d, found %d: %w", recordVersion, version, errCodec)
	}
	r.ThrowID = c.text()
	if n := c.count(2); n > 0 {
		r.Detections = make([]ingest.Detection, n)
		for i := range r.Detections {
			r.Detections[i] = ingest.Detection{Place: c.text(), After: time.Duration(c.varint())}
		}
	}
	for i, x := range []*ingest.Reading{&r.RailTemperature, &r.Supply, &r.Rain, &r.CommonEffort, &r.CommonTime, &r.CommonSag} {
		if i == 3 && version < 2 || i == 5 && version < 4 {
			break
		}
		if c.byte() == 1 {
			*x = ingest.Known(c.f64())
		}
	}
	r.Traces = make([]detect.Trace, c.count(4*int(detect.NumFeatures)))
	for i := range r.Traces {
		t := &r.Traces[i]
		t.Drive = c.text()
		t.Quantity = ingest.Quantity(c.text())
		t.Quality = detect.Quality(c.uvarint())
		c.f32s(t.Bounds[:])
		c.f32s(t.Features[:])
		c.f32s(t.Profile[:])
	}
	r.Bands = make([]detect.Band, c.count(12*int(detect.NumFeatures)))
	for i := range r.Bands {
		d := &r.Bands[i]
		c.f32s(d.Expected[:])
		c.f32s(d.Low[:])
		c.f32s(d.High[:])
	}
	if c.bad || len(c.b) != 0 {
		return fmt.Errorf("record: %w", errCodec)
	}
	return nil
}
