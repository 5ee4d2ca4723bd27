// Package broker is the broker inside the program, for one machine: an MQTT
// listener whose messages are on disk before they are acknowledged.
package broker

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Options of the broker.
type Options struct {
	Dir      string // where messages are kept
	Listen   string // host:port of the MQTT listener; port 0 takes a free one
	InFlight int    // messages that a subscriber may have unacknowledged, 1024 where 0
	Log      *slog.Logger
}

// Broker is a running broker.
type Broker struct {
	server *server.Server
	addr   string
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
	opts := &server.Options{
		ServerName: "throwline", DontListen: true, NoSigs: true,
		MaxPayload: largestPayload, MaxPending: 4 * largestPayload,
		JetStream: true, StoreDir: o.Dir, SyncAlways: true,
		MQTT: server.MQTTOpts{Host: host, Port: port, MaxAckPending: uint16(min(o.InFlight, 65535)), AckWait: redeliverAfter},
	}
	if port == 0 {
		opts.MQTT.Port = -1 // to the server, 0 is no listener at all
	}
	s, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	log := &logger{log: o.Log.With("part", "broker"), fatal: make(chan error, 1)}
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
	return &Broker{s, "tcp://" + net.JoinHostPort(host, strconv.Itoa(opts.MQTT.Port))}, nil
}

// largestPayload is the largest throw of the contract, and its topic.
const largestPayload = 33 << 20

// redeliverAfter is how long the broker waits for an acknowledgement before it
// brings a message again, to the same connection too; a repeat does no harm.
const redeliverAfter = 10 * time.Second

// startWithin is how long a start may take; a large store is read first.
const startWithin = 20 * time.Second

// Addr is where the broker listens, as tcp://host:port.
func (b *Broker) Addr() string { return b.addr }

// Close stops the broker and returns when it has stopped.
func (b *Broker) Close() error {
	b.server.Shutdown()
	b.server.WaitForShutdown()
	return nil
}

// logger passes on what the server has to say; its chatter is for debugging.
type logger struct {
	log   *slog.Logger
	fatal chan error // has the first reason to give up
}

func (l *logger) Noticef(f string, v ...any) { l.log.Debug(fmt.Sprintf(f, v...)) }
func (l *logger) Warnf(f string, v ...any)   { l.log.Debug(fmt.Sprintf(f, v...)) }
func (l *logger) Errorf(f string, v ...any)  { l.log.Warn(fmt.Sprintf(f, v...)) }
func (l *logger) Debugf(f string, v ...any)  {}
func (l *logger) Tracef(f string, v ...any)  {}

// Fatalf leaves it to Start to give up; the server does not do so by itself.
func (l *logger) Fatalf(f string, v ...any) {
	select {
	case l.fatal <- fmt.Errorf(f, v...):
	default:
		l.log.Error(fmt.Sprintf(f, v...))
	}
}
