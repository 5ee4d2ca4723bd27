package deploy_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"maps"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/ingest/broker"
	"throwline/ingest/certtest"
	"throwline/ingest/mqtt/mosquittotest"
)

// papers are all the certificates of a test.
type papers struct {
	broker, cabinets *certtest.Authority
	office           *certtest.Authority // of the program, at Mosquitto
	server           certtest.Pair
	program          certtest.Pair
	of               map[string]certtest.Pair
	crl              string
}

func newPapers(t *testing.T) *papers {
	p := &papers{broker: certtest.New(t, "broker CA"), cabinets: certtest.New(t, "cabinets CA"), office: certtest.New(t, "Throwline CA"), of: map[string]certtest.Pair{}}
	p.server = p.broker.Server("127.0.0.1")
	p.program = p.office.Client("throwline")
	for _, name := range []string{"CAB-A", "CAB.B", "gone"} {
		p.of[name] = p.cabinets.Client(name)
	}
	p.crl = p.cabinets.Revoke(p.of["gone"])
	return p
}

// strangers try certificates that must not hold.
func strangers(t *testing.T, e *entry, p *papers) {
	other := certtest.New(t, "cabinets CA") // the same name, another key
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	self := &x509.Certificate{SerialNumber: big.NewInt(3), Subject: pkix.Name{CommonName: "CAB-A"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, self, self, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	list := map[string]certtest.Pair{
		"expired":           p.cabinets.Client("CAB-A", certtest.Expired),
		"not yet":           p.cabinets.Client("CAB-A", func(c *x509.Certificate) { c.NotBefore = time.Now().Add(time.Hour) }),
		"revoked":           p.of["gone"],
		"wrong CA":          other.Client("CAB-A"),
		"signed by itself":  {TLS: tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}},
		"a server's":        p.cabinets.Server("CAB-A"),
		"the broker's own":  p.server,
		"issued by cabinet": issuedBy(t, p.of["CAB-A"], "CAB.B"),
	}
	for name, pair := range list {
		t.Run(name, func(t *testing.T) {
			if _, err := e.connect(t, visitor{id: e.mine("CAB-A"), cert: &pair}, nil); err == nil {
				t.Error("came in")
			}
		})
	}
	t.Run("no certificate", func(t *testing.T) {
		if _, err := e.connect(t, visitor{id: e.mine("CAB-A"), user: "CAB-A", password: "x"}, nil); err == nil {
			t.Error("came in")
		}
	})
	// Names that are wildcards, or look like a part of another's topic.
	for _, name := range []string{"+", "#", "CAB-A/throw", "", "$SYS", "throwline/v1"} {
		t.Run("name "+name, func(t *testing.T) {
			h := newHeard()
			e.open(t, h.take, programReads...)
			pair := p.cabinets.Client(name)
			if c, err := e.connect(t, visitor{id: "x", cert: &pair}, nil); err == nil {
				publishAs(t, c, under+"CAB.B/throw/W1", "wild", false)
			}
			b := e.enter(t, e.cabinet("CAB.B"), nil)
			publishAs(t, b, under+"CAB.B/throw/W2", "fence", false)
			for _, s := range h.until(t, under+"CAB.B/throw/W2=fence") {
				if strings.Contains(s, "wild") {
					t.Errorf("came through: %s", s)
				}
			}
		})
	}
}

// issuedBy is a certificate that a cabinet has signed with its own.
func issuedBy(t *testing.T, by certtest.Pair, name string) certtest.Pair {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(4), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, c, by.Leaf, key.Public(), by.TLS.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	return certtest.Pair{TLS: tls.Certificate{Certificate: [][]byte{der, by.Leaf.Raw}, PrivateKey: key}}
}

// strangersWithPasswords try names and passwords that must not hold.
func strangersWithPasswords(t *testing.T, e *entry) {
	right := e.cabinet("CAB-A")
	for name, v := range map[string]visitor{
		"wrong password":   {user: "CAB-A", password: "wrong"},
		"another's":        {user: "CAB.B", password: right.password},
		"no password":      {user: "CAB-A"},
		"nobody":           {},
		"unknown":          {user: "CAB-X", password: right.password},
		"the program":      {user: "throwline", password: right.password},
		"a wildcard":       {user: "+", password: right.password},
		"hash as password": {user: "CAB-A", password: "$2a$10$abcdefghijklmnopqrstuuA7m3sQ3XSY5kR3bTQ6BT0nM0vR6uT9e"},
	} {
		t.Run(name, func(t *testing.T) {
			v.id = e.mine("CAB-A")
			if _, err := e.connect(t, v, nil); err == nil {
				t.Error("came in")
			}
		})
	}
}

// innerEntry starts the program's own broker.
func innerEntry(t *testing.T, g broker.Guard) (*entry, *broker.Broker) {
	t.Helper()
	g.Owner = "throwline"
	g.Write = []string{under + "{cabinet}/throw/+", under + "{cabinet}/state", under + "{cabinet}/conditions"}
	g.Read = []string{under + "{cabinet}/receipt"}
	b, err := broker.Start(t.Context(), broker.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guard: g})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	e := &entry{url: b.Addr(), mine: func(name string) string { return strings.ReplaceAll(name, ".", ":") }}
	e.owner = func() (visitor, *tls.Config) {
		_, user, password, secure := b.Owner()
		return visitor{id: "throwline", user: user, password: password}, secure
	}
	return e, b
}

// mosquittoEntry starts Mosquitto as it is deployed for a network, but for its
// ports and its files, and with cabinets' passwords where they are given.
func mosquittoEntry(t *testing.T, p *papers, passwords map[string]string) *entry {
	t.Helper()
	conf, err := os.ReadFile("mosquitto-network.conf")
	if err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	var second int
	s := mosquittotest.StartWith(t, func(port int, dir string) string {
		second = anotherPort(t, port)
		text := string(conf)
		change := map[string]string{
			"listener 8883": fmt.Sprintf("listener %d 127.0.0.1", port),
			"listener 8884": fmt.Sprintf("listener %d 127.0.0.1", second),
			"persistence_location /var/lib/mosquitto/":     fmt.Sprintf("persistence_location %s/", dir),
			"certfile /etc/mosquitto/certs/broker.pem":     "certfile " + p.server.CertFile,
			"keyfile /etc/mosquitto/certs/broker.key":      "keyfile " + p.server.KeyFile,
			"cafile /etc/mosquitto/certs/cabinets-ca.pem":  "cafile " + p.cabinets.File,
			"crlfile /etc/mosquitto/certs/cabinets-ca.crl": "crlfile " + p.crl,
			"cafile /etc/mosquitto/certs/throwline-ca.pem": "cafile " + p.office.File,
			"acl_file /etc/mosquitto/cabinets.acl":         "acl_file " + filepath.Join(here, "mosquitto-cabinets.acl"),
			"acl_file /etc/mosquitto/throwline.acl":        "acl_file " + filepath.Join(here, "mosquitto-throwline.acl"),
		}
		if passwords != nil { // as the file says to
			file := filepath.Join(dir, "passwords")
			var b strings.Builder
			for _, name := range slices.Sorted(maps.Keys(passwords)) {
				fmt.Fprintf(&b, "%s:%s\n", name, passwords[name])
			}
			if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
				t.Fatal(err)
			}
			mosquittotest.HashPasswords(t, file)
			change["#password_file /etc/mosquitto/cabinets.passwords"] = "password_file " + file
			for _, line := range []string{"cafile /etc/mosquitto/certs/cabinets-ca.pem", "crlfile /etc/mosquitto/certs/cabinets-ca.crl"} {
				change[line] = ""
			}
			for _, line := range []string{"require_certificate true", "use_identity_as_username true"} { // of the first listener
				text = strings.Replace(text, "\n"+line+"\n", "\n\n", 1)
			}
		}
		for old, changed := range change {
			if !strings.Contains(text, "\n"+old+"\n") {
				t.Fatalf("expected %q in mosquitto-network.conf", old)
			}
			text = strings.ReplaceAll(text, "\n"+old+"\n", "\n"+changed+"\n")
		}
		return text
	})
	e := &entry{url: strings.Replace(s.URL(), "tcp://", "ssl://", 1), roots: p.broker.Pool, mine: func(name string) string { return name }}
	e.cabinet = func(name string) visitor {
		if passwords != nil {
			return visitor{id: name, user: name, password: passwords[name]}
		}
		pair := p.of[name]
		return visitor{id: name, cert: &pair}
	}
	e.ours = fmt.Sprintf("ssl://127.0.0.1:%d", second)
	e.owner = func() (visitor, *tls.Config) { return visitor{id: "throwline", cert: &p.program}, nil }
	t.Cleanup(func() {
		if out := s.Output(); strings.Contains(out, "nknown configuration") || strings.Contains(out, "deprecated") || strings.Contains(out, "Invalid ACL") {
			t.Errorf("mosquitto says:\n%s", out)
		}
		if t.Failed() {
			t.Log(s.Output())
		}
	})
	return e
}

// anotherPort returns a port beside one, at which nobody listens.
func anotherPort(t *testing.T, port int) int {
	t.Helper()
	for other := port + 1; other < port+100; other++ {
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", other)); err == nil {
			_ = l.Close()
			return other
		}
	}
	t.Fatalf("found no free port beside %d", port)
	return 0
}
