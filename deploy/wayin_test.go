package deploy_test

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"throwline/ingest/broker"
	"throwline/ingest/certtest"
)

// The way in, held by the program's own broker and by Mosquitto as it is
// deployed, each with certificates and with passwords: the same tries at both.

// visitor is how someone comes to a broker.
type visitor struct {
	id             string
	user, password string
	cert           *certtest.Pair
	version        uint16    // of TLS, at most
	will           string    // a topic
	conn           *net.Conn // where not nil, it gets the connection
}

// entry is a broker, and how its guests come in.
type entry struct {
	url     string // ssl://host:port
	ours    string // the same for the program, where it has a door of its own
	roots   *x509.CertPool
	owner   func() (visitor, *tls.Config) // the program; a configuration where it has its own
	cabinet func(name string) visitor     // CAB-A, CAB-B
	mine    func(name string) string      // the client id of a cabinet
}

const wait = 60 * time.Second

// connect returns a client, or why there is none.
func (e *entry) connect(t *testing.T, v visitor, got func(paho.Message)) (paho.Client, error) {
	t.Helper()
	secure := &tls.Config{RootCAs: e.roots, MinVersion: tls.VersionTLS10, MaxVersion: v.version}
	if v.cert != nil {
		// Whatever the broker says which it would take.
		secure.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &v.cert.TLS, nil }
	}
	return dialBroker(t, e.url, v, secure, got)
}

func dialBroker(t *testing.T, where string, v visitor, secure *tls.Config, got func(paho.Message)) (paho.Client, error) {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(where).SetClientID(v.id).SetUsername(v.user).SetPassword(v.password).SetTLSConfig(secure).
		SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(wait).SetOrderMatters(true)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		if got != nil {
			got(m)
		}
	})
	if v.will != "" {
		o.SetWill(v.will, "offline", 1, true)
	}
	if v.conn != nil {
		o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
			c, err := tls.Dial("tcp", u.Host, secure)
			*v.conn = c
			return c, err
		})
	}
	c := paho.NewClient(o)
	tok := c.Connect()
	if !tok.WaitTimeout(wait) {
		return nil, errors.New("no answer")
	}
	if tok.Error() != nil {
		return nil, tok.Error()
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c, nil
}

// enter is connect that has to come in.
func (e *entry) enter(t *testing.T, v visitor, got func(paho.Message)) paho.Client {
	t.Helper()
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		c, err := e.connect(t, v, got)
		if err == nil {
			return c
		}
		if time.Now().After(end) { // a broker may hold up who comes and goes
			t.Fatalf("%s does not come in: %v", v.id, err)
		}
	}
}

// heard notes what came.
type heard struct {
	mu   sync.Mutex
	seen []string // topic, and whether it is retained
	cond chan struct{}
}

func newHeard() *heard { return &heard{cond: make(chan struct{}, 1)} }

func (h *heard) take(m paho.Message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seen = append(h.seen, fmt.Sprintf("%s=%s", m.Topic(), m.Payload()))
	select {
	case h.cond <- struct{}{}:
	default:
	}
}

// until waits for what must come, and returns all that came.
func (h *heard) until(t *testing.T, what string) []string {
	t.Helper()
	end := time.After(wait)
	for {
		h.mu.Lock()
		seen := slices.Clone(h.seen)
		h.mu.Unlock()
		if slices.Contains(seen, what) {
			return seen
		}
		select {
		case <-h.cond:
		case <-end:
			t.Fatalf("expected %s, found %q", what, seen)
		}
	}
}

// publish sends, and waits until the broker has answered; that it lost the
// connection is an answer too.
func publishAs(t *testing.T, c paho.Client, topic, payload string, retained bool) {
	t.Helper()
	if tok := c.Publish(topic, 1, retained, payload); !tok.WaitTimeout(wait) {
		t.Fatalf("%s: no answer", topic)
	}
}

func (e *entry) open(t *testing.T, got func(paho.Message), filters ...string) paho.Client {
	t.Helper()
	v, secure := e.owner()
	var c paho.Client
	if secure != nil {
		var err error
		if c, err = dialBroker(t, e.url, v, secure, got); err != nil {
			t.Fatalf("the program does not come in: %v", err)
		}
	} else {
		own := *e
		own.url = e.ours
		c = own.enter(t, v, got)
	}
	for _, f := range filters {
		if tok := c.Subscribe(f, 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
			t.Fatalf("%s: %v", f, tok.Error())
		}
	}
	return c
}

const under = "throwline/v1/"

var programReads = []string{under + "+/throw/+", under + "+/state", under + "+/conditions"}

// tryAll is the list of tries, at a broker where CAB-A is someone else's.
func tryAll(t *testing.T, e *entry) {
	t.Run("as itself", func(t *testing.T) {
		h := newHeard()
		e.open(t, h.take, programReads...)
		a := e.enter(t, e.cabinet("CAB-A"), nil)
		defer a.Disconnect(0)
		for _, own := range []string{"throw/W1", "conditions"} {
			publishAs(t, a, under+"CAB-A/"+own, "x", false)
			h.until(t, under+"CAB-A/"+own+"=x")
		}
		publishAs(t, a, under+"CAB-A/state", "on", true)
		h.until(t, under+"CAB-A/state=on")
		leaveWill(t, e, e.cabinet("CAB-A"), under+"CAB-A/state")
		h.until(t, under+"CAB-A/state=offline")
		// A cabinet with a dot in its name, as any other.
		b := e.enter(t, e.cabinet("CAB.B"), nil)
		publishAs(t, b, under+"CAB.B/throw/W.2", "y", false)
		h.until(t, under+"CAB.B/throw/W.2=y")
	})
	t.Run("writes as another", func(t *testing.T) {
		h := newHeard()
		e.open(t, h.take, append(programReads, under+"CAB-A/#", under+"CAB.B/#")...)
		for i, topic := range []string{
			under + "CAB.B/throw/W1", under + "CAB.B/state", under + "CAB.B/conditions", under + "CAB.B/receipt", under + "CAB-A/receipt", under + "CAB-A",
			under + "CAB-A/throw/W1/more", under + "CAB-A/x", under + "CAB//B/throw/W1", "throwline/v1", "x", "$SYS/broker/uptime", "$MQTT/msgs/x",
		} {
			for _, retained := range []bool{false, true} {
				// Some brokers end the connection for it: each try is a new one.
				a := e.enter(t, e.cabinet("CAB-A"), nil)
				publishAs(t, a, topic, "planted", retained)
				a.Disconnect(0)
			}
			if i%4 == 1 {
				leaveWill(t, e, e.cabinet("CAB-A"), topic)
			}
		}
		a := e.enter(t, e.cabinet("CAB-A"), nil)
		publishAs(t, a, under+"CAB-A/throw/W1", "fence", false)
		a.Disconnect(0)
		leaveWill(t, e, e.cabinet("CAB-A"), under+"CAB-A/state")
		h.until(t, under+"CAB-A/state=offline")
		for _, s := range h.until(t, under+"CAB-A/throw/W1=fence") {
			if strings.Contains(s, "planted") || strings.Contains(s, "offline") && !strings.HasPrefix(s, under+"CAB-A/state") {
				t.Errorf("came through: %s", s)
			}
		}
		// Nothing stays for who comes later: neither the program nor the other cabinet.
		later := newHeard()
		program := e.open(t, later.take, append(programReads, under+"+/receipt", under+"#")...)
		a = e.enter(t, e.cabinet("CAB-A"), nil)
		publishAs(t, a, under+"CAB-A/throw/W1", "fence 2", false)
		for _, s := range later.until(t, under+"CAB-A/throw/W1=fence 2") {
			if strings.Contains(s, "planted") || strings.Contains(s, "CAB.B") && strings.Contains(s, "offline") {
				t.Errorf("was kept: %s", s)
			}
		}
		other := newHeard()
		b := e.enter(t, e.cabinet("CAB.B"), other.take)
		if tok := b.Subscribe(under+"CAB.B/receipt", 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		publishAs(t, program, under+"CAB.B/receipt", "true one", true)
		if got := other.until(t, under+"CAB.B/receipt=true one"); len(got) != 1 {
			t.Errorf("expected the program's receipt only, found %q", got)
		}
		publishAs(t, program, under+"CAB.B/receipt", "", true)
	})
	t.Run("reads what is another's", func(t *testing.T) {
		h := newHeard()
		a := e.enter(t, e.cabinet("CAB-A"), h.take)
		if tok := a.Subscribe(under+"CAB-A/receipt", 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		for _, f := range []string{
			"#", "+/#", "throwline/#", under + "#", under + "+/receipt", under + "+/throw/+", under + "+/state", under + "CAB.B/receipt", under + "CAB.B/#",
			"+/+/+/receipt", "$SYS/#", "$MQTT/#", "$MQTT/sub/#", "$share/g/" + under + "#", under + "CAB-A/state",
		} {
			_ = a.Subscribe(f, 1, nil).WaitTimeout(wait) // refused, or of no use
		}
		if !a.IsConnectionOpen() { // for a try: then what was granted is what it has
			a = e.enter(t, e.cabinet("CAB-A"), h.take)
			if tok := a.Subscribe(under+"CAB-A/receipt", 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
				t.Fatal(tok.Error())
			}
		}
		program := e.open(t, nil)
		b := e.enter(t, e.cabinet("CAB.B"), nil)
		publishAs(t, b, under+"CAB.B/throw/W2", "secret", false)
		publishAs(t, b, under+"CAB.B/state", "secret", true)
		publishAs(t, program, under+"CAB.B/receipt", "secret", true)
		publishAs(t, program, under+"CAB-A/receipt", "mine", true)
		for _, s := range h.until(t, under+"CAB-A/receipt=mine") {
			if s != under+"CAB-A/receipt=mine" {
				t.Errorf("read: %s", s)
			}
		}
		for _, c := range []string{"CAB-A/receipt", "CAB.B/receipt"} {
			publishAs(t, program, under+c, "", true)
		}
		publishAs(t, b, under+"CAB.B/state", "", true)
	})
	t.Run("takes over a client id", func(t *testing.T) {
		h := newHeard()
		program := e.open(t, h.take, programReads...)
		own := newHeard()
		b := e.enter(t, e.cabinet("CAB.B"), own.take)
		if tok := b.Subscribe(under+"CAB.B/receipt", 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		for _, id := range []string{e.mine("CAB.B"), "throwline-cabinet-" + e.mine("CAB.B"), "CAB.B", "throwline", "throwline-cabinet-throwline"} {
			v := e.cabinet("CAB-A")
			v.id = id
			got := newHeard()
			if a, err := e.connect(t, v, got.take); err == nil { // as itself, then
				publishAs(t, a, under+"CAB.B/throw/W1", "as B", false)
				a.Disconnect(0)
			}
		}
		// Both are still there, and nothing has come in their names.
		publishAs(t, program, under+"CAB.B/receipt", "still", false)
		own.until(t, under+"CAB.B/receipt=still")
		publishAs(t, b, under+"CAB.B/throw/W2", "still", false)
		for _, s := range h.until(t, under+"CAB.B/throw/W2=still") {
			if strings.Contains(s, "as B") {
				t.Errorf("came through: %s", s)
			}
		}
	})
	t.Run("TLS 1.1", func(t *testing.T) {
		v := e.cabinet("CAB-A")
		v.version = tls.VersionTLS11
		if _, err := e.connect(t, v, nil); err == nil || !strings.Contains(err.Error(), "version") {
			t.Errorf("found %v", err)
		}
	})
	t.Run("in clear", func(t *testing.T) {
		v := e.cabinet("CAB-A")
		if _, err := dialBroker(t, strings.Replace(e.url, "ssl://", "tcp://", 1), v, nil, nil); err == nil {
			t.Error("came in")
		}
	})
}

// leaveWill comes in and breaks off with no goodbye: the broker publishes the
// Will, if it may.
func leaveWill(t *testing.T, e *entry, v visitor, topic string) {
	t.Helper()
	var conn net.Conn
	v.will, v.conn = topic, &conn
	c := e.enter(t, v, nil)
	// Our half of the connection: once the broker has ended its own, it has taken notice.
	if err := conn.(*tls.Conn).NetConn().(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(wait); c.IsConnectionOpen(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the connection stays")
		}
	}
}

func TestWayInInnerCertificates(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	e, _ := innerEntry(t, broker.Guard{CertFile: p.server.CertFile, KeyFile: p.server.KeyFile, ClientCAFile: p.cabinets.File, CRLFile: p.crl})
	e.roots = p.broker.Pool
	e.cabinet = func(name string) visitor {
		pair := p.of[name]
		return visitor{id: e.mine(name), cert: &pair}
	}
	tryAll(t, e)
	strangers(t, e, p)
}

// Who was let in is sent away once his certificate is revoked, or over.
func TestWayInSendsAway(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	e, _ := innerEntry(t, broker.Guard{CertFile: p.server.CertFile, KeyFile: p.server.KeyFile, ClientCAFile: p.cabinets.File, CRLFile: p.crl})
	e.roots = p.broker.Pool
	pair, short := p.of["CAB-A"], p.cabinets.Client("CAB.B", func(c *x509.Certificate) { c.NotAfter = time.Now().Add(5 * time.Second) })
	a := e.enter(t, visitor{id: "throwline-cabinet-CAB-A", cert: &pair}, nil)
	b := e.enter(t, visitor{id: "CAB:B", cert: &short}, nil)
	p.cabinets.Revoke(p.of["gone"], pair)
	for end := time.Now().Add(wait); a.IsConnectionOpen() || b.IsConnectionOpen(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("still there: revoked %v, over %v", a.IsConnectionOpen(), b.IsConnectionOpen())
		}
	}
	if _, err := e.connect(t, visitor{id: "CAB-A", cert: &pair}, nil); err == nil {
		t.Error("came in again")
	}
}

func TestWayInInnerPasswords(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	users, passwords := broker.Users{}, map[string]string{}
	file := filepath.Join(t.TempDir(), "users")
	for _, name := range []string{"CAB-A", "CAB.B"} {
		var err error
		if passwords[name], err = users.Set(name); err != nil {
			t.Fatal(err)
		}
	}
	if err := users.Write(file); err != nil {
		t.Fatal(err)
	}
	e, _ := innerEntry(t, broker.Guard{CertFile: p.server.CertFile, KeyFile: p.server.KeyFile, UsersFile: file})
	e.roots = p.broker.Pool
	e.cabinet = func(name string) visitor { return visitor{id: e.mine(name), user: name, password: passwords[name]} }
	tryAll(t, e)
	strangersWithPasswords(t, e)
	// A new password sends away who came with the old one.
	a := e.enter(t, e.cabinet("CAB-A"), nil)
	if _, err := users.Set("CAB-A"); err != nil {
		t.Fatal(err)
	}
	if err := users.Write(file); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(wait); a.IsConnectionOpen(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("still there")
		}
	}
	if _, err := e.connect(t, e.cabinet("CAB-A"), nil); err == nil {
		t.Error("came in with the old password")
	}
}

func TestWayInMosquittoCertificates(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	e := mosquittoEntry(t, p, nil)
	tryAll(t, e)
	strangers(t, e, p)
	t.Run("the program's door", func(t *testing.T) {
		own := *e
		own.url = e.ours
		if _, err := own.connect(t, e.cabinet("CAB-A"), nil); err == nil {
			t.Error("a cabinet came in")
		}
		if _, err := own.connect(t, visitor{id: "throwline"}, nil); err == nil {
			t.Error("nobody came in")
		}
		if _, err := e.connect(t, visitor{id: "throwline", cert: &p.program}, nil); err == nil {
			t.Error("the program came in by the cabinets' door")
		}
		// Several connections of the program stand beside each other.
		first := e.open(t, nil)
		other := own.enter(t, visitor{id: "throwline-doctor-1", cert: &p.program}, nil)
		for _, c := range []paho.Client{first, other} {
			if tok := c.Subscribe(under+"+/state", 1, nil); !tok.WaitTimeout(wait) || tok.Error() != nil {
				t.Errorf("found %v", tok.Error())
			}
		}
		// It sends no cabinet anything but receipts.
		h := newHeard()
		a := e.enter(t, e.cabinet("CAB-A"), h.take)
		for _, f := range []string{"#", under + "CAB-A/#", under + "CAB-A/command", under + "CAB-A/throw/W1", under + "CAB-A/state", under + "CAB-A/receipt"} {
			_ = a.Subscribe(f, 1, nil).WaitTimeout(wait)
		}
		for _, topic := range []string{under + "CAB-A/command", under + "CAB-A/throw/W1", under + "CAB-A/state"} {
			again := e.open(t, nil) // some versions end the connection for it
			publishAs(t, again, topic, "do", false)
		}
		publishAs(t, e.open(t, nil), under+"CAB-A/receipt", "fence", false)
		for _, s := range h.until(t, under+"CAB-A/receipt=fence") {
			if strings.HasSuffix(s, "=do") {
				t.Errorf("a command came through: %s", s)
			}
		}
	})
}

func TestWayInMosquittoPasswords(t *testing.T) {
	t.Parallel()
	e := mosquittoEntry(t, newPapers(t), map[string]string{"CAB-A": "a password of A", "CAB.B": "a password of B"})
	tryAll(t, e)
	strangersWithPasswords(t, e)
}

// The two configurations of Mosquitto differ in who may connect, and in nothing else.
func TestMosquittoConfigurationsAgree(t *testing.T) {
	const rest = "# --- Nothing is thrown away while Throwline is away"
	var parts []string
	for _, name := range []string{"mosquitto.conf", "mosquitto-network.conf"} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		_, after, ok := strings.Cut(string(b), rest)
		if !ok {
			t.Fatalf("%s: expected %q", name, rest)
		}
		parts = append(parts, after)
	}
	if parts[0] != parts[1] {
		t.Error("mosquitto.conf and mosquitto-network.conf differ below who may connect")
	}
}

// Who connects and says nothing, or half of it, is sent away.
func TestWayInSilent(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	e, _ := innerEntry(t, broker.Guard{CertFile: p.server.CertFile, KeyFile: p.server.KeyFile, ClientCAFile: p.cabinets.File})
	host := strings.TrimPrefix(e.url, "ssl://")
	raw, err := net.Dial("tcp", host)
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	secure, err := tls.Dial("tcp", host, &tls.Config{RootCAs: p.broker.Pool, Certificates: []tls.Certificate{p.of["CAB-A"].TLS}})
	if err != nil {
		t.Fatal(err)
	}
	defer secure.Close()
	if _, err := secure.Write([]byte{0x10, 0x20, 0x00}); err != nil { // the beginning of a CONNECT
		t.Fatal(err)
	}
	for _, c := range []net.Conn{raw, secure} {
		_ = c.SetReadDeadline(time.Now().Add(wait))
		_, err := c.Read(make([]byte, 16))
		if timeout, ok := err.(net.Error); err == nil || ok && timeout.Timeout() {
			t.Errorf("%T: expected the end, found %v", c, err)
		}
	}
}
