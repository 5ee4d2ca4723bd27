// Package broker is the broker inside the program, for one machine: an MQTT
// listener whose messages are on disk before they are acknowledged.
package broker

import (
	"context"
	"crypto/tls"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/sys/unix"
)

// Options of the broker.
type Options struct {
	Dir      string // where messages are kept
	Listen   string // host:port of the MQTT listener; port 0 takes a free one
	InFlight int    // messages that a subscriber may have unacknowledged, 1024 where 0
	MostKept int64  // bytes of messages on disk; 0: three quarters of what is free at the start
	Guard    Guard  // who may come in
	// LoginWithin is how long a client may take for the TLS handshake, and then
	// until it says who it is; 10 s where 0.
	LoginWithin time.Duration
	Log         *slog.Logger
}

// Broker is a running broker.
type Broker struct {
	server  *server.Server
	options *server.Options
	guard   *guard
	log     *logger
	addr    string
	end     context.CancelFunc
	ended   chan struct{} // the guard looks at its files no more
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
	if o.LoginWithin == 0 {
		o.LoginWithin = loginWithin
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	log := &logger{log: o.Log.With("part", "broker"), fatal: make(chan error, 1), seldom: newSeldom()}
	most, err := mostKept(&o)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	g, err := newGuard(o.Guard, log.log, log.seldom)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	opts := &server.Options{
		MaxConn: mostConnections, AuthTimeout: o.LoginWithin.Seconds(),
		ServerName: "throwline", DontListen: true, NoSigs: true,
		MaxPayload: largestPayload, MaxPending: 4 * largestPayload,
		MaxSubs: mostSubscriptions, MaxClosedClients: mostRemembered, WriteDeadline: readWithin,
		JetStream: true, StoreDir: o.Dir, SyncAlways: true, JetStreamMaxStore: most,
		CustomClientAuthentication: g, // also where nobody has to log in: who says nothing is sent away
		MQTT:                       server.MQTTOpts{Host: host, Port: port, MaxAckPending: uint16(min(o.InFlight, 65535)), AckWait: redeliverAfter, TLSTimeout: o.LoginWithin.Seconds()},
	}
	scheme := "tcp"
	if o.Guard.CertFile != "" {
		opts.MQTT.TLSConfig, scheme = g.serverTLS(), "ssl"
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
	b := &Broker{server: s, options: opts, guard: g, log: log, addr: scheme + "://" + net.JoinHostPort(host, strconv.Itoa(opts.MQTT.Port)), ended: make(chan struct{})}
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

// reserve is how much more than there is at the start may be kept in any case.
const reserve = 64 << 20

// mostKept is how many bytes of messages may be on disk. Where there is no room
// for anything, the server lets in nobody who has it remember a session, and so
// not the program either, that would make room.
func mostKept(o *Options) (int64, error) {
	if err := os.MkdirAll(o.Dir, 0o750); err != nil {
		return 0, err
	}
	used := int64(0)
	err := filepath.WalkDir(o.Dir, func(_ string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		i, err := e.Info()
		if err == nil {
			used += i.Size()
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	most := o.MostKept
	if most == 0 {
		var disk unix.Statfs_t
		if err := unix.Statfs(o.Dir, &disk); err != nil {
			return 0, err
		}
		most = (int64(disk.Bavail)*int64(disk.Bsize) + used) / 4 * 3
	}
	return max(most, used+reserve), nil
}

// mostSubscriptions is how many one connection may have. The program's own needs
// a few for each way in; a cabinet has one, for its receipt.
const mostSubscriptions = 2000

// mostRemembered is how many connections that are over the server remembers,
// with all that they said of themselves.
const mostRemembered = 4

// readWithin is how long a client may take to read what is sent to it.
const readWithin = 10 * time.Second

const loginWithin = 10 * time.Second

// largestPayload is the largest throw of the contract, and its topic.
const largestPayload = 33 << 20

// redeliverAfter is how long the broker waits for an acknowledgement before it
// brings a message again, to the same connection too; a repeat does no harm.
const redeliverAfter = 10 * time.Second

// startWithin is how long a start may take; a large store is read first.
const startWithin = 20 * time.Second

// Figures are how the broker fares.
type Figures struct {
	Connections int
	Kept        int64  // bytes of messages on disk
	Came, LetIn uint64 // connections made, and those of which a client was let in
	NotLetIn    uint64 // logins and certificates refused; the rest said nothing, or found no room
	Slow        uint64 // connections ended because nobody read there
	Large       uint64 // connections ended for a packet that was too large
}

// Figures returns how the broker fares. It takes little time.
func (b *Broker) Figures() Figures {
	f := Figures{
		Connections: b.server.NumClients(), Slow: b.server.NumSlowConsumersClients(),
		LetIn: b.guard.letIn.Load(), NotLetIn: b.guard.notLetIn.Load(), Large: b.log.large.Load(),
	}
	if v, err := b.server.Varz(nil); err == nil {
		f.Came = v.TotalConnections
	}
	if js, err := b.server.Jsz(nil); err == nil {
		f.Kept = int64(js.Store)
	}
	return f
}

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
