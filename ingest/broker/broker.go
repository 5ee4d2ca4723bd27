// Package broker is the broker inside the program, for one machine: an MQTT
// listener whose messages are on disk before they are acknowledged.
package broker

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Options of the broker.
type Options struct {
	Dir      string // where messages are kept
	Listen   string // host:port of the MQTT listener; port 0 takes a free one
	InFlight int    // messages that a subscriber may have unacknowledged, 1024 where 0
	Guard    Guard  // who may come in
	Log      *slog.Logger
}

// Broker is a running broker.
type Broker struct {
	server *server.Server
	guard  *guard
	addr   string
	end    context.CancelFunc
	ended  chan struct{} // the guard looks at its files no more
}

// Start starts a broker and returns when it takes connections. Only the MQTT
// listener is opened.
func Start(ctx context.Context, o Options) (*Broker, error) {
	host, text, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker: expected host:port to listen on, found %q: %w", o.Listen, err)
	}
	port, err := strconv.Atoi(text)
	if err != nil || port < 0 || port > 65535 {
		return nil, fmt.Errorf("broker: expected a port from 0 to 65535, found %q", text)
	}
	if o.InFlight <= 0 {
		o.InFlight = 1024
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	log := &logger{log: o.Log.With("part", "broker"), fatal: make(chan error, 1), seldom: newSeldom()}
	g, err := newGuard(o.Guard, log.log, log.seldom)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	opts := &server.Options{
		MaxConn: mostConnections, AuthTimeout: loginWithin.Seconds(),
		ServerName: "throwline", DontListen: true, NoSigs: true,
		MaxPayload: largestPayload, MaxPending: 4 * largestPayload,
		JetStream: true, StoreDir: o.Dir, SyncAlways: true,
		MQTT: server.MQTTOpts{Host: host, Port: port, MaxAckPending: uint16(min(o.InFlight, 65535)), AckWait: redeliverAfter, TLSTimeout: loginWithin.Seconds()},
	}
	scheme := "tcp"
	if o.Guard.CertFile != "" {
		opts.MQTT.TLSConfig, scheme = g.serverTLS(), "ssl"
	}
	if o.Guard.Closed() {
		opts.CustomClientAuthentication = g
	}
	if port == 0 {
		opts.MQTT.Port = -1 // to the server, 0 is no listener at all
	}
	s, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	g.server = s
	s.SetLoggerV2(log, false, false, false)
	go s.Start()
	deadline := time.Now().Add(startWithin)
	for !s.ReadyForConnections(50 * time.Millisecond) {
		err := ctx.Err()
		select {
		case err = <-log.fatal:
		default:
		}
		if err == nil && time.Now().After(deadline) {
			err = fmt.Errorf("it did not listen within %s; is the port free and the folder writable?", startWithin)
		}
		if err != nil {
			s.Shutdown()
			s.WaitForShutdown()
			return nil, fmt.Errorf("broker on %s in %s: %w", o.Listen, o.Dir, err)
		}
	}
	// The server notes there which port it took.
	b := &Broker{server: s, guard: g, addr: scheme + "://" + net.JoinHostPort(host, strconv.Itoa(opts.MQTT.Port)), ended: make(chan struct{})}
	running, end := context.WithCancel(context.WithoutCancel(ctx))
	b.end = end
	go func() {
		defer close(b.ended)
		g.run(running)
	}()
	return b, nil
}

// mostConnections is how many there may be at once; each costs some memory.
const mostConnections = 10_000

// loginWithin is how long a client may take for the TLS handshake, and then
// until it says who it is.
const loginWithin = 10 * time.Second

// largestPayload is the largest throw of the contract, and its topic.
const largestPayload = 33 << 20

// redeliverAfter is how long the broker waits for an acknowledgement before it
// brings a message again, to the same connection too; a repeat does no harm.
const redeliverAfter = 10 * time.Second

// startWithin is how long a start may take; a large store is read first.
const startWithin = 20 * time.Second

// Addr is where the broker listens, as tcp://host:port, or ssl:// with TLS.
func (b *Broker) Addr() string { return b.addr }

// Owner is how the program itself, whose client id is [Guard.Owner], reaches
// its broker: user and password are "" where nobody has to log in, the
// configuration is nil without TLS. They hold as long as the broker runs.
func (b *Broker) Owner() (address, user, password string, secure *tls.Config) {
	address = b.addr
	if u, err := url.Parse(b.addr); err == nil {
		if ip := net.ParseIP(u.Hostname()); u.Hostname() == "" || ip != nil && ip.IsUnspecified() {
			address = u.Scheme + "://" + net.JoinHostPort("localhost", u.Port())
		}
	}
	if b.guard.o.Closed() {
		user, password = b.guard.o.Owner, b.guard.password
	}
	if b.guard.o.CertFile != "" {
		secure = b.guard.ownTLS()
	}
	return address, user, password, secure
}

// Close stops the broker and returns when it has stopped.
func (b *Broker) Close() error {
	b.end()
	<-b.ended
	b.server.Shutdown()
	b.server.WaitForShutdown()
	return nil
}
