package deploy_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"net"
	"strings"
	"testing"
	"time"

	"throwline/daemon"
	"throwline/ingest"
	"throwline/ingest/certtest"
	"throwline/ingest/lineside"
	"throwline/ingest/mqtt"
)

// The program and a cabinet, each with its certificate, at Mosquitto as it is
// deployed for a network: a throw is filed and its receipt comes back.
func TestMutualTLSEndToEnd(t *testing.T) {
	t.Parallel()
	p := newPapers(t)
	e := mosquittoEntry(t, p, nil)
	c := daemon.DefaultConfig()
	c.DataDir, c.HTTP.Listen, c.MQTT.Brokers = t.TempDir(), "127.0.0.1:0", []string{e.ours}
	c.MQTT.TLS = daemon.TLSConfig{CAFile: p.broker.File, CertFile: p.program.CertFile, KeyFile: p.program.KeyFile}
	d, err := daemon.New(t.Context(), c, daemon.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Stop(context.Background()) })
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(wait); d.Ready(t.Context()) != nil; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(d.Ready(t.Context()))
		}
	}
	cab, err := lineside.Open(t.Context(), lineside.Options{
		Broker: e.url, Cabinet: "CAB-A", TLS: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: p.broker.Pool, Certificates: []tls.Certificate{p.of["CAB-A"].TLS}},
	})
	if err != nil {
		t.Fatal(err)
	}
	defer cab.Close(context.Background())
	samples := make([]float64, 50)
	for i := range samples {
		samples[i] = 3
	}
	if err := cab.Send(t.Context(), &ingest.Throw{
		Turnout: "W1", To: ingest.Normal, StartedAt: time.Now().Add(-time.Minute), Completed: true,
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 10, Scale: 1, Samples: samples}},
	}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	if err := cab.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Turnout("W1"); err != nil {
		t.Error(err)
	}
}

// The program does not talk to a broker that is not the one it was told of.
func TestSessionRefusesBroker(t *testing.T) {
	t.Parallel()
	p, other := newPapers(t), certtest.New(t, "broker CA")
	serve := func(pair certtest.Pair, change func(*tls.Config)) string {
		c := &tls.Config{Certificates: []tls.Certificate{pair.TLS}, MinVersion: tls.VersionTLS10}
		if change != nil {
			change(c)
		}
		l, err := tls.Listen("tcp", "127.0.0.1:0", c)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = l.Close() })
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				go func() {
					defer conn.Close()
					if conn.(*tls.Conn).Handshake() == nil {
						_, _ = conn.Read(make([]byte, 1024))              // the CONNECT
						_, _ = conn.Write([]byte{0x20, 0x02, 0x00, 0x00}) // welcome
						_, _ = conn.Read(make([]byte, 1024))
					}
				}()
			}
		}()
		return "ssl://" + l.Addr().String()
	}
	expired := p.broker.Client("127.0.0.1", certtest.Expired, func(c *x509.Certificate) {
		c.ExtKeyUsage, c.IPAddresses = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, []net.IP{net.IPv4(127, 0, 0, 1)}
	})
	for name, c := range map[string]struct {
		url, want string
	}{
		"the right one": {serve(p.server, nil), ""},
		"another host":  {serve(p.broker.Server("other.example"), nil), "certificate"},
		"another CA":    {serve(other.Server("127.0.0.1"), nil), "unknown authority"},
		"expired":       {serve(expired, nil), "expired"},
		"a client's":    {serve(p.broker.Client("127.0.0.1", func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)} }), nil), "usage"},
		"TLS 1.1":       {serve(p.server, func(c *tls.Config) { c.MaxVersion = tls.VersionTLS11 }), "version"},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: c.url, ClientID: "throwline", TLS: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: p.broker.Pool}})
			if err == nil {
				l.Close()
			}
			if (c.want == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Errorf("expected %q, found %v", c.want, err)
			}
		})
	}
}
