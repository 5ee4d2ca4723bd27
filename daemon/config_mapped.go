package daemon

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// MappedConfig is a way in for cabinets that cannot be changed: where they send
// to, and where in their JSON the parts of a throw stand.
type MappedConfig struct {
	Name  string       `yaml:"name"`
	Topic string       `yaml:"topic"` // see [mqtt.ParseTemplate]
	Throw wire.Mapping `yaml:"throw"`
}

// mapping is a MappedConfig that was checked.
type mapping struct {
	name  string
	topic mqtt.Template
	throw *wire.Map
}

// mappings checks what is mapped; fault is told what is wrong with it.
func (c *MQTTConfig) mappings(fault func(path, expected, found string)) []mapping {
	var list []mapping
	for i := range c.Mapped {
		m := &c.Mapped[i]
		at := fmt.Sprintf("mqtt.mapped[%d]", i)
		if !ingest.ValidName(m.Name) {
			fault(at+".name", "1 to 64 of A-Z a-z 0-9 . _ -", found(m.Name))
		}
		for j := range c.Mapped[:i] {
			if c.Mapped[j].Name == m.Name {
				fault(at+".name", "a name of its own", fmt.Sprintf("%q, as in mqtt.mapped[%d]", m.Name, j))
			}
		}
		topic, err := mqtt.ParseTemplate(m.Topic)
		if err != nil {
			fault(at+".topic", "levels of a topic with {cabinet}, {turnout} and + as levels of their own", found(m.Topic))
		} else {
			for _, own := range mqtt.Own(c.Prefix) {
				if topic.Overlaps(own) {
					fault(at+".topic", "topics of its own", fmt.Sprintf("some that are %s as well", own))
				}
			}
			for _, o := range list {
				if topic.Overlaps(o.topic) {
					fault(at+".topic", "topics of its own", fmt.Sprintf("some that are %s of %q as well", o.topic, o.name))
				}
			}
		}
		cabinet, turnout := topic.Names()
		throw, faults := wire.NewMap(m.Throw, cabinet, turnout)
		for _, f := range faults {
			if (f.Path == "cabinet" || f.Path == "turnout") && err != nil {
				continue // the topic may have meant to name it
			}
			fault(at+".throw."+f.Path, f.Expected, f.Found)
		}
		if err == nil {
			list = append(list, mapping{m.Name, topic, throw})
		}
	}
	return list
}

// checkMapped tells what is wrong with what is mapped, but for what reading the
// file has told already.
func (d *document) checkMapped(c *Config) {
	told := map[string]bool{}
	for path := range d.bad {
		told[path] = true
	}
	unless := func(path, expected, found string) {
		for p := path; p != ""; p = p[:max(strings.LastIndexAny(p, ".["), 0)] {
			if told[p] {
				return
			}
		}
		d.add(path, expected, found)
	}
	c.MQTT.mappings(unless)
	c.MQTT.Sparkplug.check(c.MQTT.Mapped, unless)
}

// sameMapped says why a configuration asks for a restart, if it does.
func sameMapped(was, is *Config) []Problem {
	if len(was.MQTT.Mapped)+len(is.MQTT.Mapped) == 0 || reflect.DeepEqual(was.MQTT.Mapped, is.MQTT.Mapped) {
		return nil
	}
	return []Problem{{Path: "mqtt.mapped", Expected: "the same until the next restart", Found: "something else"}}
}

// templates returns what the session subscribes to for the mappings.
func templates(list []mapping) []mqtt.Template {
	var out []mqtt.Template
	for _, m := range list {
		out = append(out, m.topic)
	}
	return out
}

// placed makes a parcel of what arrived, or once arrived, on a topic.
func placed(prefix string, list []mapping, topic string, payload []byte, arrived time.Time) *parcel {
	p := &parcel{kind: aStrayTopic, topic: topic, payload: payload, arrived: arrived}
	if k, cabinet, turnout, ok := mqtt.ParseTopic(prefix, topic); ok {
		p.kind, p.cabinet, p.turnout = kindOf(k), cabinet, turnout
		return p
	}
	for _, m := range list {
		if cabinet, turnout, ok := m.topic.Match(topic); ok {
			p.kind, p.cabinet, p.turnout, p.mapping = aMapped, cabinet, turnout, m.throw
			break
		}
	}
	return p
}

// Map tells what a message becomes by the mapping of that name, as if it
// arrived on the topic at that time; the topic "" stands for one with the names
// CABINET and TURNOUT. The error is an [*ingest.Refusal] where the message
// would be set aside.
func (c *Config) Map(name, topic string, payload []byte, arrived time.Time) (*ingest.Throw, error) {
	var names []string
	var problems []Problem
	list := c.MQTT.mappings(func(path, expected, found string) { problems = append(problems, Problem{0, path, expected, found}) })
	if problems != nil {
		return nil, &ConfigError{"configuration", problems}
	}
	for _, m := range list {
		if m.name != name {
			names = append(names, m.name)
			continue
		}
		if topic == "" {
			topic = strings.NewReplacer("{cabinet}", "CABINET", "{turnout}", "TURNOUT", "+", "any").Replace(m.topic.String())
		}
		cabinet, turnout, ok := m.topic.Match(topic)
		if !ok {
			return nil, fmt.Errorf("topic: expected one of %s, found %q", m.topic, topic)
		}
		return wire.NewDecoder(c.Limits.wireLimits()).Mapped(m.throw, cabinet, turnout, payload, arrived)
	}
	if len(names) == 0 {
		names = []string{"mqtt.mapped to have one"}
	}
	return nil, fmt.Errorf("mapping: expected %s, found %q", strings.Join(names, " or "), name)
}
