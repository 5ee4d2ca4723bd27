package sparkplug

import "testing"

// A throw of 350 samples by aliases, from its bytes to its parts.
func BenchmarkTake(b *testing.B) {
	h := NewHost(Settings{Uses: uses})
	h.Take("spBv1.0/G/NBIRTH/N", Append(nil, &Payload{Numbered: true}), noon)
	h.Take("spBv1.0/G/DBIRTH/N/D", Append(nil, &Payload{Numbered: true, Seq: 1, Metrics: []Metric{
		{Name: "Count", Alias: 1, Aliased: true, Type: UInt32, Value: Int(0)}, {Name: "Trace", Alias: 4, Aliased: true, Type: Int16Array, Value: Bytes(nil)},
	}}), noon)
	seq := uint64(1)
	for b.Loop() {
		seq = (seq + 1) % 256
		raw := Append(nil, &Payload{Numbered: true, Seq: seq, Metrics: []Metric{alias(1, Int(1)), alias(4, Bytes(make([]byte, 700)))}})
		if got := h.Take("spBv1.0/G/DDATA/N/D", raw, noon); len(got) != 1 {
			b.Fatalf("found %+v", got)
		}
	}
}
