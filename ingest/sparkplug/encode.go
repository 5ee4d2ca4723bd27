package sparkplug

import "google.golang.org/protobuf/encoding/protowire"

// Append appends the payload, encoded, to dst.
func Append(dst []byte, p *Payload) []byte {
	if p.Timed {
		dst = appendVarint(dst, 1, p.Timestamp)
	}
	for i := range p.Metrics {
		dst = appendMessage(dst, 2, func(b []byte) []byte { return appendMetric(b, &p.Metrics[i]) })
	}
	if p.Numbered {
		dst = appendVarint(dst, 3, p.Seq)
	}
	if p.UUID != "" {
		dst = appendBytes(dst, 4, []byte(p.UUID))
	}
	if p.Body != nil {
		dst = appendBytes(dst, 5, p.Body)
	}
	return dst
}

func appendVarint(b []byte, n protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
}

func appendTrue(b []byte, n protowire.Number, v bool) []byte {
	if !v {
		return b
	}
	return appendVarint(b, n, 1)
}

func appendBytes(b []byte, n protowire.Number, v []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(b, n, protowire.BytesType), v)
}

func appendMessage(b []byte, n protowire.Number, fill func([]byte) []byte) []byte {
	return appendBytes(b, n, fill(nil))
}

func appendMetric(b []byte, m *Metric) []byte {
	if m.Name != "" {
		b = appendBytes(b, 1, []byte(m.Name))
	}
	if m.Aliased {
		b = appendVarint(b, 2, m.Alias)
	}
	if m.Timed {
		b = appendVarint(b, 3, m.Timestamp)
	}
	if m.Type != Unknown {
		b = appendVarint(b, 4, uint64(m.Type))
	}
	b = appendTrue(b, 5, m.Historical)
	b = appendTrue(b, 6, m.Transient)
	b = appendTrue(b, 7, m.Null)
	if m.Meta != nil {
		b = appendBytes(b, 8, m.Meta)
	}
	if m.Properties != nil {
		b = appendMessage(b, 9, func(b []byte) []byte { return appendProperties(b, m.Properties) })
	}
	return appendValue(b, 9, &m.Value)
}

// appendValue appends a value whose form's field number stands base above the form.
func appendValue(b []byte, base protowire.Number, v *Value) []byte {
	n := base + protowire.Number(v.Form)
	switch v.Form {
	case IntValue, LongValue, BoolValue:
		return appendVarint(b, n, v.Bits)
	case FloatValue:
		return protowire.AppendFixed32(protowire.AppendTag(b, n, protowire.Fixed32Type), uint32(v.Bits))
	case DoubleValue:
		return protowire.AppendFixed64(protowire.AppendTag(b, n, protowire.Fixed64Type), v.Bits)
	case StringValue, BytesValue:
		return appendBytes(b, n, v.Bytes)
	case DataSetValue:
		return appendMessage(b, n, func(b []byte) []byte { return appendDataSet(b, v.DataSet) })
	case TemplateValue:
		return appendMessage(b, n, func(b []byte) []byte { return appendTemplate(b, v.Template) })
	}
	return b
}

func appendProperties(b []byte, list []Property) []byte {
	for i := range list {
		b = appendBytes(b, 1, []byte(list[i].Key))
	}
	for i := range list {
		p := &list[i]
		b = appendMessage(b, 2, func(b []byte) []byte {
			if p.Type != Unknown {
				b = appendVarint(b, 1, uint64(p.Type))
			}
			return appendValue(appendTrue(b, 2, p.Null), 2, &p.Value)
		})
	}
	return b
}

func appendDataSet(b []byte, s *DataSet) []byte {
	b = appendVarint(b, 1, uint64(len(s.Columns)))
	for _, c := range s.Columns {
		b = appendBytes(b, 2, []byte(c))
	}
	for _, t := range s.Types {
		b = appendVarint(b, 3, uint64(t))
	}
	for _, row := range s.Rows {
		b = appendMessage(b, 4, func(b []byte) []byte {
			for i := range row {
				b = appendMessage(b, 1, func(b []byte) []byte { return appendValue(b, 0, &row[i]) })
			}
			return b
		})
	}
	return b
}

func appendTemplate(b []byte, t *Template) []byte {
	if t.Version != "" {
		b = appendBytes(b, 1, []byte(t.Version))
	}
	for i := range t.Metrics {
		b = appendMessage(b, 2, func(b []byte) []byte { return appendMetric(b, &t.Metrics[i]) })
	}
	if t.Ref != "" {
		b = appendBytes(b, 4, []byte(t.Ref))
	}
	// In every definition and instance, by the specification.
	return appendVarint(b, 5, protowire.EncodeBool(t.Definition))
}

// RebirthMetric is the metric that asks an edge node to be born again.
const RebirthMetric = "Node Control/Rebirth"

// Rebirth returns the command that asks an edge node for its births, to be
// published on [Topic.Command] at QoS 0, not retained. at is ms since 1970.
func Rebirth(at uint64) []byte {
	return Append(nil, &Payload{
		Timestamp: at, Timed: true,
		Metrics: []Metric{{Name: RebirthMetric, Timestamp: at, Timed: true, Type: Boolean, Value: Bool(true)}},
	})
}
