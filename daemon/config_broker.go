package daemon

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/ingest/broker"
	"throwline/ingest/mqtt"
	"throwline/ingest/sparkplug"
)

// BrokerConfig is the broker inside the program. Without listen there is none,
// and mqtt.brokers are used.
type BrokerConfig struct {
	Listen       string `yaml:"listen" validate:"omitempty,listen"`
	CertFile     string `yaml:"cert_file" validate:"required_with=KeyFile"`
	KeyFile      string `yaml:"key_file" validate:"required_with=CertFile"`
	ClientCAFile string `yaml:"client_ca_file"`
	CRLFile      string `yaml:"crl_file"`
	UsersFile    string `yaml:"users_file"`
}

// brokerDir is the folder of the inner broker's messages in the data folder.
const brokerDir = "broker"

// checkBroker tells fault what is wrong with the broker inside.
func (c *Config) checkBroker(fault func(path, expected, what string)) {
	b := &c.Broker
	if b.Listen == "" {
		if *b != (BrokerConfig{}) {
			fault("broker.listen", "host:port beside what else stands under broker", "nothing")
		}
		return
	}
	closed := b.UsersFile != "" || b.ClientCAFile != ""
	if !Loopback(b.Listen) {
		if !closed {
			fault("broker.listen", "a broker.client_ca_file or broker.users_file beside it, because other machines reach "+found(b.Listen)+
				" and everyone there could write as any cabinet; or an address of this machine only, like 127.0.0.1:1883", "neither")
		}
		if b.CertFile == "" {
			fault("broker.cert_file", "a certificate and its key, because other machines reach "+found(b.Listen)+" and passwords and throws would travel in clear", "nothing")
		}
	}
	if b.ClientCAFile != "" && b.CertFile == "" {
		fault("broker.cert_file", "a certificate and its key beside broker.client_ca_file: without TLS no client shows a certificate", "nothing")
	}
	if b.CRLFile != "" && b.ClientCAFile == "" {
		fault("broker.client_ca_file", "the authorities that have revoked what is in broker.crl_file", "nothing")
	}
	m := &c.MQTT
	if m.Username != "" || m.PasswordFile != "" || m.TLS != (TLSConfig{}) || !reflect.DeepEqual(m.Brokers, DefaultConfig().MQTT.Brokers) {
		fault("mqtt.brokers", "neither brokers nor username, password_file or tls beside broker.listen: the program knows its own broker", "some")
	}
	if strings.ContainsAny(m.ClientID, " .:*>") || strings.HasPrefix(m.ClientID, "throwline-cabinet-") {
		fault("mqtt.client_id", "a name without blanks and . : * >, and none that begins as a cabinet's does (throwline-cabinet-), beside broker.listen", found(m.ClientID))
	}
	for i := range m.Mapped {
		if topic, err := mqtt.ParseTemplate(m.Mapped[i].Topic); err == nil && closed {
			if cabinet, _ := topic.Names(); !cabinet {
				fault(fmt.Sprintf("mqtt.mapped[%d].topic", i), "{cabinet} in it, or the broker inside cannot hold a cabinet to its own name", found(m.Mapped[i].Topic))
			}
		}
	}
}

// guard is who may come in at the broker inside, and to what topics.
func (c *Config) guard() broker.Guard {
	const own = "{cabinet}"
	b, prefix := &c.Broker, c.MQTT.Prefix
	g := broker.Guard{
		CertFile: b.CertFile, KeyFile: b.KeyFile, ClientCAFile: b.ClientCAFile, CRLFile: b.CRLFile, UsersFile: b.UsersFile, Owner: c.MQTT.ClientID,
		Write: []string{mqtt.ThrowTopic(prefix, own, "+"), mqtt.StateTopic(prefix, own), mqtt.ConditionsTopic(prefix, own)},
		Read:  []string{mqtt.ReceiptTopic(prefix, own)},
	}
	for i := range c.MQTT.Mapped {
		g.Write = append(g.Write, strings.ReplaceAll(c.MQTT.Mapped[i].Topic, "{turnout}", "+"))
	}
	// An edge node of Sparkplug logs in under its own id. What it may read are
	// requests for its birth, and whether the host is there.
	s := &c.MQTT.Sparkplug
	for _, group := range s.Groups {
		for _, t := range []sparkplug.MessageType{sparkplug.NBirth, sparkplug.NData, sparkplug.NDeath} {
			g.Write = append(g.Write, sparkplug.Topic{Group: group, Type: t, Node: own}.String())
		}
		for _, t := range []sparkplug.MessageType{sparkplug.DBirth, sparkplug.DData, sparkplug.DDeath} {
			g.Write = append(g.Write, sparkplug.Topic{Group: group, Type: t, Node: own, Device: "+"}.String())
		}
		g.Read = append(g.Read, sparkplug.Topic{Group: group, Type: sparkplug.MessageType("NCMD"), Node: own}.String())
	}
	if s.HostID != "" {
		g.Read = append(g.Read, sparkplug.StateTopic(s.HostID))
	}
	return g
}

// openBroker starts the broker inside, where there is to be one, and returns
// the configuration by which the program reaches a broker.
func (d *Daemon) openBroker(ctx context.Context, secure *tls.Config) (*Config, *tls.Config, error) {
	if d.c.Broker.Listen == "" {
		return &d.c, secure, nil
	}
	var faults []Problem
	d.c.checkBroker(func(path, expected, found string) { faults = append(faults, Problem{0, path, expected, found}) })
	if faults != nil {
		return nil, nil, &ConfigError{"configuration", faults}
	}
	b, err := broker.Start(ctx, broker.Options{
		Dir: filepath.Join(d.c.DataDir, brokerDir), Listen: d.c.Broker.Listen, InFlight: d.c.MQTT.InFlight, Guard: d.c.guard(), Log: d.o.Log,
	})
	if err != nil {
		return nil, nil, fmt.Errorf("broker inside (broker.listen): %w", err)
	}
	d.undo.push("broker inside", func(context.Context) error { return b.Close() })
	c := d.c
	var address string
	address, c.MQTT.Username, c.MQTT.Password, secure = b.Owner()
	c.MQTT.Brokers = []string{address}
	d.brokerAddr, d.inner = b.Addr(), b
	return &c, secure, nil
}

// BrokerAddr is where the broker inside listens, as tcp://host:port or
// ssl://host:port; "" where there is none.
func (d *Daemon) BrokerAddr() string { return d.brokerAddr }

// examineOwnBroker looks at the broker inside from without: only the program
// itself may read there.
func (c *Config) examineOwnBroker(ctx context.Context) alerting.Sign {
	s := alerting.Sign{What: "broker inside", Word: alerting.Bad}
	g := c.guard()
	if err := g.Check(); err != nil {
		s.Said, s.Do = err.Error(), "mend what stands under broker"
		return s
	}
	conn, err := (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", c.Broker.Listen)
	if err != nil {
		s.Word, s.Said, s.Do = alerting.Worse, "nothing listens at "+c.Broker.Listen+": "+err.Error(), "start the program; the broker is a part of it"
		return s
	}
	_ = conn.Close()
	s.Word, s.Said = alerting.Good, "something listens at "+c.Broker.Listen+"; what comes there the program alone can see"
	return s
}
