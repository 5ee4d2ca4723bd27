package daemon

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/sparkplug"
	"throwline/ingest/wire"
)

// SparkplugConfig is a way in for edge nodes that speak Sparkplug B. Without
// groups there is none.
type SparkplugConfig struct {
	Groups       []string         `yaml:"groups" validate:"max=64"`
	HostID       string           `yaml:"host_id"`
	Cabinet      string           `yaml:"cabinet"`
	RebirthEvery Duration         `yaml:"rebirth_every" validate:"duration=1s 1h"`
	BirthWithin  Duration         `yaml:"birth_within" validate:"duration=1s 10m"`
	Throws       []SparkplugThrow `yaml:"throws"`
}

// SparkplugThrow says what metrics a throw is made of. In Throw at names a
// metric, see [sparkplug.Use]; the cabinet is that of [SparkplugConfig].
type SparkplugThrow struct {
	Name    string       `yaml:"name"`
	Trigger string       `yaml:"trigger"`
	Births  bool         `yaml:"births"` // a birth holds the last throw
	Throw   wire.Mapping `yaml:"throw"`
}

func defaultSparkplug() SparkplugConfig {
	return SparkplugConfig{
		Groups:  []string{},
		Cabinet: "{node}", RebirthEvery: Duration(sparkplug.DefaultRebirthEvery), BirthWithin: Duration(sparkplug.DefaultBirthWithin),
	}
}

// naming makes a cabinet's or turnout's name of a topic of Sparkplug.
type naming string

// of returns the name; what it is made of may be no part of a valid one.
func (n naming) of(t sparkplug.Topic) string {
	return strings.NewReplacer("{group}", t.Group, "{node}", t.Node, "{device}", t.Device).Replace(string(n))
}

// ofDevice: the name is another for every device.
func (n naming) ofDevice() bool { return strings.Contains(string(n), "{device}") }

func (n naming) valid() bool {
	return ingest.ValidName(n.of(sparkplug.Topic{Group: "G", Node: "N", Device: "D"}))
}

// sparkThrow is a SparkplugThrow that was checked.
type sparkThrow struct {
	name    string
	trigger string
	turnout naming // "": the mapping names it
	throw   *wire.Map
}

// throws checks what throws are made of; fault is told what is wrong with it.
func (c *SparkplugConfig) throws(fault func(path, expected, found string)) (list []sparkThrow) {
	for i := range c.Throws {
		m := &c.Throws[i]
		at := fmt.Sprintf("mqtt.sparkplug.throws[%d]", i)
		if !ingest.ValidName(m.Name) {
			fault(at+".name", "1 to 64 of A-Z a-z 0-9 . _ -", found(m.Name))
		}
		for j := range c.Throws[:i] {
			if c.Throws[j].Name == m.Name {
				fault(at+".name", "a name of its own", fmt.Sprintf("%q, as in mqtt.sparkplug.throws[%d]", m.Name, j))
			}
			if c.Throws[j].Trigger == m.Trigger && m.Trigger != "" {
				fault(at+".trigger", "a metric of its own", fmt.Sprintf("%q, as in mqtt.sparkplug.throws[%d]", m.Trigger, j))
			}
		}
		if m.Trigger == "" || len(m.Trigger) > 256 {
			fault(at+".trigger", "the metric whose coming makes a throw, at most 256 bytes", found(m.Trigger))
		}
		if m.Births && strings.HasSuffix(m.Throw.StartedAt.At, "@timestamp") {
			// In a birth they are measured anew: the throw would come again as another.
			fault(at+".births", "false where started_at is when a metric was measured", "true")
		}
		if m.Throw.Cabinet != (wire.MappedName{}) {
			fault(at+".throw.cabinet", "nothing: mqtt.sparkplug.cabinet says it for all", "something")
		}
		x := sparkThrow{name: m.Name, trigger: m.Trigger, turnout: "{device}"}
		given := m.Throw
		given.Cabinet = wire.MappedName{}
		switch {
		case given.Turnout.Is != "" && given.Turnout.At != "": // told below
		case given.Turnout.Is != "":
			x.turnout = naming(given.Turnout.Is)
			if !x.turnout.valid() {
				fault(at+".throw.turnout.is", "a name of A-Z a-z 0-9 . _ - and {group}, {node}, {device}", found(string(x.turnout)))
			}
			given.Turnout = wire.MappedName{}
		case given.Turnout.At != "":
			x.turnout = ""
		}
		var faults []ingest.Fault
		x.throw, faults = wire.NewNamedMap(given, true, x.turnout != "")
		for _, f := range faults {
			fault(at+".throw."+f.Path, f.Expected, f.Found)
		}
		list = append(list, x)
	}
	return list
}

// check tells fault what is wrong with the way in for Sparkplug.
func (c *SparkplugConfig) check(mapped []MappedConfig, fault func(path, expected, found string)) {
	for i, g := range c.Groups {
		at := fmt.Sprintf("mqtt.sparkplug.groups[%d]", i)
		if g != "+" && (!sparkplug.ValidID(g) || g == "STATE") {
			fault(at, "a group of Sparkplug without + / #, or + for all", found(g))
		}
		if g == "+" && len(c.Groups) > 1 {
			fault(at, "+ for all, or single groups", "both")
		}
	}
	if c.HostID != "" && !sparkplug.ValidID(c.HostID) {
		fault("mqtt.sparkplug.host_id", "a name without + / #", found(c.HostID))
	}
	if n := naming(c.Cabinet); !n.valid() || !strings.Contains(c.Cabinet, "{node}") {
		fault("mqtt.sparkplug.cabinet", "a name of A-Z a-z 0-9 . _ - with {node}, and {group} or {device} where they are needed to tell cabinets apart", found(c.Cabinet))
	}
	list := c.throws(fault)
	if len(c.Groups) == 0 {
		if len(list) > 0 {
			fault("mqtt.sparkplug.groups", "at least one beside throws", "none")
		}
		if c.HostID != "" {
			fault("mqtt.sparkplug.groups", "at least one beside host_id", "none")
		}
		return
	}
	if len(list) == 0 {
		fault("mqtt.sparkplug.throws", "at least one: nothing else says what a throw is made of", "none")
	}
	for i := range mapped {
		topic, err := mqtt.ParseTemplate(mapped[i].Topic)
		for _, of := range []string{"spBv1.0/+/+/+", "spBv1.0/+/+/+/+"} {
			if spark, err2 := mqtt.ParseTemplate(of); err == nil && err2 == nil && topic.Overlaps(spark) {
				fault(fmt.Sprintf("mqtt.mapped[%d].topic", i), "topics of its own", "some that are Sparkplug's as well")
			}
		}
	}
}

// filters returns what is subscribed to.
func (c *SparkplugConfig) filters() (list []string) {
	for _, g := range c.Groups {
		list = append(list, sparkplug.Filters(g)...)
	}
	if c.HostID != "" {
		list = append(list, sparkplug.StateTopic(c.HostID))
	}
	return list
}

// settings returns what a host application wants to know.
func (c *SparkplugConfig) settings(list []sparkThrow, l wire.Limits, turnouts int) sparkplug.Settings {
	s := sparkplug.Settings{
		Limits:       sparkplug.Limits{Bytes: l.Bytes, Samples: l.Samples},
		RebirthEvery: time.Duration(c.RebirthEvery), BirthWithin: time.Duration(c.BirthWithin), Most: 2 * turnouts,
	}
	for i := range list {
		s.Uses = append(s.Uses, sparkplug.Use{
			Trigger: list[i].trigger, Names: list[i].throw.Names(), Births: c.Throws[i].Births,
		})
	}
	return s
}

// sameSparkplug says why a configuration asks for a restart, if it does.
func sameSparkplug(was, is *Config) []Problem {
	if len(was.MQTT.Sparkplug.Throws)+len(is.MQTT.Sparkplug.Throws) == 0 || reflect.DeepEqual(was.MQTT.Sparkplug.Throws, is.MQTT.Sparkplug.Throws) {
		return nil
	}
	return []Problem{{Path: "mqtt.sparkplug.throws", Expected: "the same until the next restart", Found: "something else"}}
}

// MapSparkplug is [Config.Map] for a message of Sparkplug and the throws of that
// name in mqtt.sparkplug. births are payloads that explain its aliases. The
// topic "" stands for data of a device DEVICE of an edge node NODE.
func (c *Config) MapSparkplug(name, topic string, births [][]byte, payload []byte, arrived time.Time) (*ingest.Throw, error) {
	list := c.MQTT.Sparkplug.throws(func(string, string, string) {}) // it was checked when it was read
	if topic == "" {
		topic = "spBv1.0/GROUP/DDATA/NODE/DEVICE"
	}
	t, ok := sparkplug.ParseTopic(topic)
	if !ok {
		return nil, fmt.Errorf("topic: expected one like spBv1.0/GROUP/DDATA/NODE/DEVICE or spBv1.0/GROUP/NDATA/NODE, found %q", topic)
	}
	readings, err := sparkplug.Alone(c.MQTT.Sparkplug.settings(list, c.Limits.wireLimits(), c.Limits.Turnouts), t, births, payload)
	if err != nil {
		return nil, err
	}
	for _, r := range readings {
		if x := &list[r.Use]; x.name == name {
			return newReader(c.Limits.wireLimits()).spark(&sparkParcel{reading: r, throw: x, cabinet: naming(c.MQTT.Sparkplug.Cabinet)}, arrived)
		}
	}
	for i := range list {
		if list[i].name == name {
			return nil, &ingest.Refusal{Faults: []ingest.Fault{{Path: list[i].trigger, Expected: "a metric whose coming makes a throw", Found: "nothing"}}}
		}
	}
	return nil, fmt.Errorf("mapping: expected one of mqtt.sparkplug.throws, found %q", name)
}

// HasSparkplug reports whether throws of that name are mapped of Sparkplug.
func (c *Config) HasSparkplug(name string) bool {
	for i := range c.MQTT.Sparkplug.Throws {
		if c.MQTT.Sparkplug.Throws[i].Name == name {
			return true
		}
	}
	return false
}
