package mqtt

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/ingest/broker"
	"throwline/ingest/mqtt/mosquittotest"
)

// A receiver that takes nothing while the broker comes and goes gets everything
// in the end, and the session does not hang meanwhile.
func TestReceiverStandsStill(t *testing.T) {
	m := startMosquitto(t, "")
	s := open(t, m, Options{InFlight: 50})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	for i := range 80 {
		send(t, c, "throwline/v1/cab-1/throw/W1", fmt.Sprint(i))
	}
	for round := range 4 {
		n := s.Status().Reconnects
		m.Stop() // in order, so that the broker keeps the session
		m.Begin()
		wait(t, fmt.Sprintf("reconnect %d", round), func() bool { return s.Status().Reconnects > n && s.Status().Subscribed })
	}
	if n := len(s.Messages()); n != 50 {
		t.Errorf("expected each message in flight once, found %d", n)
	}
	for i := range 80 {
		got := next(t, s)
		if string(got.Payload) != fmt.Sprint(i) {
			t.Fatalf("expected %d, found %s", i, got.Payload)
		}
		got.Ack() // of a connection before the last, for the first 50
		got.Ack()
	}
	if n := len(s.held.of); n != 0 {
		t.Errorf("%d messages are held for ever", n)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	s = open(t, m, Options{})
	select {
	case got := <-s.Messages():
		t.Errorf("came again: %s", got.Payload)
	case <-time.After(time.Second):
	}
}

// Acknowledgements given just before Close leave, while the broker still sends.
func TestCloseLosesNoAcknowledgement(t *testing.T) {
	m := startMosquitto(t, "")
	c := publisher(t, m)
	s := open(t, m, Options{})
	wait(t, "subscribed", subscribed(s))
	for i := range 500 {
		c.Publish("throwline/v1/cab-1/throw/W1", 1, false, fmt.Sprint(i))
	}
	acked := map[string]bool{}
	for range 100 {
		got := next(t, s)
		got.Ack()
		acked[string(got.Payload)] = true
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	for range s.Messages() { // the rest in hand is not acknowledged
	}
	s = open(t, m, Options{})
	for range 400 {
		got := next(t, s)
		if acked[string(got.Payload)] {
			t.Errorf("%s comes again, although it was acknowledged", got.Payload)
		}
		got.Ack()
	}
}

// A subscription that the broker refuses is told, and is tried again.
func TestSubscriptionRefused(t *testing.T) {
	// The subscriptions of one client share 65,535 messages in flight there.
	b, err := broker.Start(t.Context(), broker.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", InFlight: 65535})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var log bytes.Buffer
	s, err := Open(t.Context(), Options{Brokers: []string{b.Addr()}, ClientID: "throwline", Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	wait(t, "refusal", func() bool { return strings.Contains(s.Status().LastError, "refuses the subscription") })
	if st := s.Status(); !st.Connected || st.Subscribed {
		t.Errorf("found %+v", st)
	}
	time.Sleep(3 * time.Second) // it is tried again meanwhile
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if n := strings.Count(log.String(), "not subscribed"); n != 1 {
		t.Errorf("logged %d times:\n%s", n, log.String())
	}
}

// The session and the broker inside fit together, over a restart of both.
func TestBrokerInside(t *testing.T) {
	o := broker.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0"}
	b, err := broker.Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	o.Listen = strings.TrimPrefix(b.Addr(), "tcp://")
	s, err := Open(t.Context(), Options{Brokers: []string{b.Addr()}, ClientID: "throwline"})
	if err != nil {
		t.Fatal(err)
	}
	wait(t, "subscribed", subscribed(s))
	l, err := Connect(t.Context(), LinkOptions{Broker: b.Addr(), ClientID: "cab", Forget: true})
	if err != nil {
		t.Fatal(err)
	}
	// Names may hold what means something to the broker inside.
	topics := []string{ThrowTopic(DefaultPrefix, "CAB.1", "W..1_-"), StateTopic(DefaultPrefix, ".a."), ConditionsTopic(DefaultPrefix, "x")}
	large := bytes.Repeat([]byte("x"), 8<<20)
	for _, topic := range topics {
		if err := l.Publish(t.Context(), topic, false, []byte(topic)); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Publish(t.Context(), topics[0], false, large); err != nil {
		t.Fatal(err)
	}
	l.Close()
	for i, topic := range append(topics, topics[0]) {
		got := next(t, s)
		if got.Topic != topic || got.Kind == Unknown || i < 3 && string(got.Payload) != topic || i == 3 && len(got.Payload) != len(large) {
			t.Errorf("expected %s, found %v %s with %d bytes", topic, got.Kind, got.Topic, len(got.Payload))
		}
		if i > 0 {
			got.Ack() // the first is not
		}
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if b, err = broker.Start(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if s, err = Open(t.Context(), Options{Brokers: []string{b.Addr()}, ClientID: "throwline"}); err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	select {
	case got := <-s.Messages():
		if got.Topic != topics[0] || string(got.Payload) != topics[0] {
			t.Errorf("found %s with %d bytes", got.Topic, len(got.Payload))
		}
		got.Ack()
	case <-time.After(25 * time.Second): // it waits for the acknowledgement first
		t.Fatal("what was not acknowledged did not come again")
	}
}

// A topic under which nothing can be filed is handed over all the same, so that
// it can be set aside; so is a message without a promise.
func TestStrayTopics(t *testing.T) {
	m := startMosquitto(t, "")
	s := open(t, m, Options{})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	send(t, c, "throwline/v1/cab 1/throw/W1", "a")
	send(t, c, "throwline/v1/cab-1/throw/W 1", "b")
	send(t, c, "throwline/v1//state", "c")
	c.Publish("throwline/v1/cab-1/state", 0, false, "d").Wait()
	for _, want := range []string{"a", "b", "c", "d"} {
		got := next(t, s)
		if string(got.Payload) != want || (got.Kind == Unknown) != (want != "d") {
			t.Errorf("expected %s, found %v %s from %s", want, got.Kind, got.Payload, got.Topic)
		}
		got.Ack()
	}
}

// Retained states come with the subscription, marked as such.
func TestRetained(t *testing.T) {
	m := startMosquitto(t, "")
	c := publisher(t, m)
	if tok := c.Publish("throwline/v1/cab-1/state", 1, true, "here"); !tok.WaitTimeout(30*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	s := open(t, m, Options{Now: func() time.Time { return time.Unix(5, 0) }})
	got := next(t, s)
	if !got.Retained || got.Kind != State || got.Cabinet != "cab-1" || !got.ArrivedAt.Equal(time.Unix(5, 0)) {
		t.Errorf("found %+v", got)
	}
	got.Ack()
}

// Two processes under one client id throw each other out: that is hard to
// guess, so it is said.
func TestSameClientID(t *testing.T) {
	m := startMosquitto(t, "")
	var log logBuffer
	open(t, m, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	open(t, m, Options{})
	wait(t, "the hint", func() bool { return strings.Contains(log.String(), "another client use the same client id") })
}

type logBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *logBuffer) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(b)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// A broker that is away is logged once, however often it is tried, and nothing
// is published meanwhile.
func TestBrokerAway(t *testing.T) {
	m := startMosquitto(t, "")
	m.Stop()
	var log logBuffer
	s := open(t, m, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	wait(t, "trouble", func() bool { return s.Status().LastError != "" })
	if err := s.Publish(t.Context(), "a", false, nil); !errors.Is(err, ErrNotConnected) {
		t.Errorf("publish: %v", err)
	}
	time.Sleep(2 * time.Second)
	if n := strings.Count(log.String(), "level=WARN"); n != 1 {
		t.Errorf("warned %d times:\n%s", n, log.String())
	}
	m.Begin()
	wait(t, "subscribed", subscribed(s))
	if st := s.Status(); st.Reconnects != 0 || !st.Connected || st.Broker != m.URL() || st.Since.IsZero() {
		t.Errorf("found %+v", st)
	}
	if err := s.Publish(t.Context(), ReceiptTopic(DefaultPrefix, "cab-1"), true, []byte("{}")); err != nil {
		t.Error(err)
	}
	// Of several brokers the first that answers is taken.
	other, err := Open(t.Context(), Options{Brokers: []string{"tcp://127.0.0.1:1", m.URL()}, ClientID: "other"})
	if err != nil {
		t.Fatal(err)
	}
	wait(t, "the second broker", subscribed(other))
	if err := other.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestTLSAndPassword(t *testing.T) {
	dir := t.TempDir()
	pool, cert, key := certificate(t, dir)
	passwords := filepath.Join(dir, "passwords")
	if err := os.WriteFile(passwords, []byte("throwline:secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	mosquittotest.HashPasswords(t, passwords)
	m := mosquittotest.Start(t, fmt.Sprintf("allow_anonymous false\npassword_file %s\ncertfile %s\nkeyfile %s\n", passwords, cert, key))
	address := "mqtts://" + strings.TrimPrefix(m.URL(), "tcp://")
	try := func(o Options) *Session {
		o.Brokers, o.ClientID = []string{address}, "throwline"
		s, err := Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close(context.Background()) })
		return s
	}
	good := Options{Username: "throwline", Password: "secret", TLS: &tls.Config{RootCAs: pool}}
	s := try(good)
	wait(t, "subscribed over TLS", subscribed(s))
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	stranger := good
	stranger.TLS = nil // the system does not know the authority
	s = try(stranger)
	wait(t, "an unknown authority is refused", func() bool { return strings.Contains(s.Status().LastError, "certificate") })
	wrong := good
	wrong.Password = "guess"
	s = try(wrong)
	wait(t, "a wrong password is told", func() bool {
		e := strings.ToLower(s.Status().LastError)
		return strings.Contains(e, "not author") || strings.Contains(e, "bad user name or password")
	})
}

// certificate makes an authority that is its own server, for 127.0.0.1.
func certificate(t *testing.T, dir string) (pool *x509.CertPool, cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	write := func(name, kind string, b []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pool = x509.NewCertPool()
	pool.AddCert(parsed)
	return pool, write("cert.pem", "CERTIFICATE", der), write("key.pem", "PRIVATE KEY", secret)
}

func TestCheckBroker(t *testing.T) {
	for address, want := range map[string]string{
		"tcp://127.0.0.1:1883": "", "mqtt://h:1": "", "ssl://h:1": "", "mqtts://h:1": "", "tls://[::1]:1": "",
		"localhost": "expected", "http://h:1": "mqtts://", "tcp://h": "a port", "tcp://:1": "a host", "tcp://u:p@h:1": "own options", "tcp://h:\x00": "expected",
	} {
		err := CheckBroker(address)
		if (want == "") != (err == nil) || err != nil && (!strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "u:p")) {
			t.Errorf("%q: found %v", address, err)
		}
	}
	for prefix, ok := range map[string]bool{"a": true, "a/b": true, "": false, "/a": false, "a/": false, "a/+": false, "#": false, "\xff": false} {
		if err := CheckPrefix(prefix); (err == nil) != ok {
			t.Errorf("%q: found %v", prefix, err)
		}
	}
}
