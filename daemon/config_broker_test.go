package daemon

import (
	"context"
	"crypto/tls"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/ingest/broker"
	"throwline/ingest/certtest"
	"throwline/ingest/lineside"
)

func TestBrokerProblems(t *testing.T) {
	for name, c := range map[string]struct{ yaml, want string }{
		"open to all":        {"broker: {listen: '0.0.0.0:1883'}", "line 1: broker.listen: expected a broker.client_ca_file or broker.users_file beside it, because other machines reach"},
		"open, no host":      {"broker: {listen: ':1883'}", "broker.listen: expected a broker.client_ca_file"},
		"passwords in clear": {"broker: {listen: ':1883', users_file: x}", "broker.cert_file: expected a certificate and its key, because other machines reach"},
		"CA without TLS":     {"broker: {listen: '127.0.0.1:1883', client_ca_file: x}", "broker.cert_file: expected a certificate and its key beside broker.client_ca_file"},
		"list without CA":    {"broker: {listen: '127.0.0.1:1883', crl_file: x, users_file: y}", "broker.client_ca_file: expected the authorities"},
		"no listener":        {"broker: {users_file: x}", "broker.listen: expected host:port beside"},
		"no file":            {"broker: {listen: '127.0.0.1:1883', users_file: /nowhere/users}", "broker: expected files that can be read"},
		"two brokers":        {"mqtt: {brokers: ['tcp://127.0.0.1:1884']}\nbroker: {listen: '127.0.0.1:1883'}", "mqtt.brokers: expected neither brokers nor username"},
		"name with a dot":    {"mqtt: {client_id: a.b}\nbroker: {listen: '127.0.0.1:1883'}", "mqtt.client_id: expected a name without blanks and . : * >"},
		"no address":         {"broker: {listen: here}", "broker.listen: expected host:port"},
		"no key":             {"broker: {listen: '127.0.0.1:1883', cert_file: x}", "broker.key_file: expected a file beside cert_file"},
		"nobody's topic": {"mqtt:\n  mapped:\n    - {name: pm, topic: 'plant/{turnout}', throw: {cabinet: {is: A}, to: {at: /to}}}\nbroker: {listen: '127.0.0.1:1883', users_file: x}",
			"mqtt.mapped[0].topic: expected {cabinet} in it, or the broker inside cannot hold"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := ReadConfig("c", []byte(c.yaml), nil); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("expected %q, found %v", c.want, err)
			}
		})
	}
	if _, err := ReadConfig("c", []byte("broker: {listen: '127.0.0.1:1883'}"), nil); err != nil {
		t.Errorf("on this machine only: %v", err)
	}
}

// What a cabinet may do is what the configuration says that it sends.
func TestGuardTopics(t *testing.T) {
	c := DefaultConfig()
	c.MQTT.Prefix = "a/b"
	c.MQTT.Mapped = []MappedConfig{{Topic: "plant/{cabinet}/pm/{turnout}"}}
	c.MQTT.Sparkplug.Groups, c.MQTT.Sparkplug.HostID = []string{"G"}, "H"
	g := c.guard()
	if want := []string{
		"a/b/{cabinet}/throw/+", "a/b/{cabinet}/state", "a/b/{cabinet}/conditions", "plant/{cabinet}/pm/+",
		"spBv1.0/G/NBIRTH/{cabinet}", "spBv1.0/G/NDATA/{cabinet}", "spBv1.0/G/NDEATH/{cabinet}",
		"spBv1.0/G/DBIRTH/{cabinet}/+", "spBv1.0/G/DDATA/{cabinet}/+", "spBv1.0/G/DDEATH/{cabinet}/+",
	}; !slices.Equal(g.Write, want) {
		t.Errorf("writes: expected %q, found %q", want, g.Write)
	}
	if want := []string{"a/b/{cabinet}/receipt", "spBv1.0/G/NCMD/{cabinet}", "spBv1.0/STATE/H"}; !slices.Equal(g.Read, want) {
		t.Errorf("reads: expected %q, found %q", want, g.Read)
	}
}

// One machine, one program: cabinets log in at the broker inside, their throws
// are filed and receipts come back; with certificates, with passwords, and
// with neither on loopback.
func TestBrokerInside(t *testing.T) {
	brokers, cabinets := certtest.New(t, "broker CA"), certtest.New(t, "cabinets CA")
	server := brokers.Server("127.0.0.1", "localhost")
	users := broker.Users{}
	password, err := users.Set("CAB.1")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "users")
	if err := users.Write(file); err != nil {
		t.Fatal(err)
	}
	pair := cabinets.Client("CAB.1")
	secure := &tls.Config{RootCAs: brokers.Pool, MinVersion: tls.VersionTLS12}
	with := secure.Clone()
	with.Certificates = []tls.Certificate{pair.TLS}
	for name, x := range map[string]struct {
		b BrokerConfig
		o lineside.Options
	}{
		"open":         {BrokerConfig{Listen: "127.0.0.1:0"}, lineside.Options{}},
		"passwords":    {BrokerConfig{Listen: "0.0.0.0:0", CertFile: server.CertFile, KeyFile: server.KeyFile, UsersFile: file}, lineside.Options{Username: "CAB.1", Password: password, TLS: secure}},
		"certificates": {BrokerConfig{Listen: "127.0.0.1:0", CertFile: server.CertFile, KeyFile: server.KeyFile, ClientCAFile: cabinets.File, CRLFile: cabinets.Revoke()}, lineside.Options{TLS: with}},
		"either": {BrokerConfig{Listen: "127.0.0.1:0", CertFile: server.CertFile, KeyFile: server.KeyFile, ClientCAFile: cabinets.File, UsersFile: file},
			lineside.Options{Username: "CAB.1", Password: password, TLS: secure}},
	} {
		t.Run(name, func(t *testing.T) {
			c := DefaultConfig()
			c.DataDir, c.HTTP.Listen, c.Broker = t.TempDir(), "127.0.0.1:0", x.b
			d := serving(t, c)
			address := d.BrokerAddr()
			host, port, err := net.SplitHostPort(address[strings.Index(address, "//")+2:])
			if err != nil {
				t.Fatal(err)
			}
			if host == "0.0.0.0" {
				address = strings.Replace(address, host, "127.0.0.1", 1)
			}
			if strings.HasPrefix(address, "ssl") != (x.b.CertFile != "") || port == "0" {
				t.Errorf("found %s", address)
			}
			x.o.Broker, x.o.Cabinet = address, "CAB.1"
			cab, err := lineside.Open(t.Context(), x.o)
			if err != nil {
				t.Fatal(err)
			}
			defer cab.Close(t.Context())
			for i := range 3 {
				if err := cab.Send(t.Context(), invented("W1", i, 0)); err != nil {
					t.Fatal(err)
				}
			}
			ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
			defer cancel()
			if err := cab.Flush(ctx); err != nil { // until receipts cover everything
				t.Fatal(err)
			}
			if status := d.get("/api/v1/turnouts/W1", nil); status != 200 {
				t.Errorf("found %d", status)
			}
			// The same configuration, loaded again, asks for no restart.
			if err := d.Reload(t.Context(), c); err != nil {
				t.Error(err)
			}
		})
	}
}
