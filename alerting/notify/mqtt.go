package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"

	paho "github.com/eclipse/paho.mqtt.golang"

	"throwline/alerting"
)

// Publisher publishes at QoS 1 and returns when the broker has the message.
// The program's session with its broker is one.
type Publisher interface {
	Publish(ctx context.Context, topic string, retained bool, payload []byte) error
}

// DefaultTopic is where messages are published if nothing else is said.
const DefaultTopic = "throwline/v1/alerts/{area}/{turnout}"

type topical struct {
	c    *MQTT
	by   Publisher
	turn chan struct{} // one at a time: a broker ends the older of two connections of one name
}

// Send publishes the message and waits for the broker's acknowledgement. An
// acknowledgement does not say that somebody listens; and a broker that speaks
// MQTT 3.1.1 also acknowledges what its access list makes it drop.
func (t *topical) Send(ctx context.Context, m alerting.Message, _ []Picture) error {
	body, f := toJSON(m, nil)
	if f != nil {
		return f
	}
	topic := topicOf(t.c.topic(), &m)
	within, cancel := context.WithTimeout(ctx, wait(t.c.Timeout))
	defer cancel()
	select {
	case t.turn <- struct{}{}:
		defer func() { <-t.turn }()
	case <-within.Done():
		return temporary("topic %s: %w", topic, within.Err())
	}
	if err := t.by.Publish(within, topic, t.c.Retain, body); err != nil {
		return temporary("topic %s: %w", topic, err)
	}
	return nil
}

// topicFields are what a template may name.
var topicFields = []string{"{area}", "{line}", "{turnout}", "{condition}", "{priority}"}

// topicOf fills the template. Each field becomes part of one level: what is
// not of A-Z a-z 0-9 . _ - becomes an underscore, and nothing a hyphen.
func topicOf(template string, m *alerting.Message) string {
	of := m.Alert.Turnout
	if of == "" {
		of = m.Alert.Cabinet // that is silent
	}
	values := []string{m.Place.Area, m.Place.Line, of, string(m.Alert.Condition), string(m.Alert.Priority)}
	var pairs []string
	for i, f := range topicFields {
		pairs = append(pairs, f, level(values[i]))
	}
	levels := strings.Split(strings.NewReplacer(pairs...).Replace(template), "/")
	if at := cabinetLevel(levels); at >= 0 {
		levels[at] += "_" // an area may be called "throw"
	}
	return strings.Join(levels, "/")
}

func level(s string) string {
	s = strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '_' || r == '-' {
			return r
		}
		return '_'
	}, s)
	if s == "" {
		return "-"
	}
	return s[:min(len(s), longName)]
}

// cabinetLevel returns the level by which a topic could be taken for one of a
// cabinet's, -1 where it could not. Cabinets use …/throw/{turnout}, …/state,
// …/conditions and …/receipt, under a prefix that may be anything.
func cabinetLevel(levels []string) int {
	last := len(levels) - 1
	if slices.Contains([]string{"state", "conditions", "receipt"}, levels[last]) {
		return last
	}
	if last > 0 && levels[last-1] == "throw" {
		return last - 1
	}
	return -1
}

// broker connects for each message: alerts are rare, and nothing runs between
// them that could get stuck.
type broker struct {
	c      *MQTT
	id     string
	secure *tls.Config
}

func (b *broker) Publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	where, err := url.Parse(b.c.Broker)
	if err != nil {
		return errors.New("expected the address of a broker")
	}
	o := paho.NewClientOptions()
	o.Servers = []*url.URL{where}
	o.SetProtocolVersion(4)
	o.SetClientID(b.id)
	o.SetUsername(b.c.Username)
	o.SetPassword(b.c.Password)
	o.SetCleanSession(true)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetStore(paho.NewMemoryStore())
	lost := make(chan error, 1)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	var free func() bool
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		c, err := dial(ctx, where.Host, b.secure, where.Scheme == "ssl" || where.Scheme == "mqtts" || where.Scheme == "tls")
		if err != nil {
			return nil, err
		}
		free = context.AfterFunc(ctx, func() { _ = c.Close() })
		return c, nil
	})
	client := paho.NewClient(o)
	token := client.Connect()
	<-token.Done() // the connection is closed when ctx ends
	if free != nil {
		defer free()
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("%s: %w", where.Host, first(ctx, err))
	}
	defer client.Disconnect(250)
	token = client.Publish(topic, 1, retained, payload)
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			return fmt.Errorf("%s: %w", where.Host, first(ctx, err))
		}
		return nil
	case err := <-lost:
		return fmt.Errorf("%s: the connection was lost before the acknowledgement: %w", where.Host, first(ctx, err))
	case <-ctx.Done():
		return fmt.Errorf("%s: no acknowledgement: %w", where.Host, ctx.Err())
	}
}

// first prefers the end of ctx, which is why the connection was closed.
func first(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return err
}

// dial connects, by TLS where encrypted is set. Of a server that says more than
// anyone has to say about one message, the rest is not read.
func dial(ctx context.Context, address string, secure *tls.Config, encrypted bool) (net.Conn, error) {
	plain, err := new(net.Dialer).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	plain = &terse{Conn: plain, left: saidAtMost}
	if !encrypted {
		return plain, nil
	}
	c := secure.Clone()
	if c == nil {
		c = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	if c.ServerName == "" {
		if c.ServerName, _, err = net.SplitHostPort(address); err != nil {
			return nil, errors.Join(err, plain.Close())
		}
	}
	out := tls.Client(plain, c)
	if err := out.HandshakeContext(ctx); err != nil {
		return nil, errors.Join(err, plain.Close())
	}
	return out, nil
}

// saidAtMost is how many bytes are read of one connection of a mail server or
// broker, certificates included.
const saidAtMost = 1 << 20

// terse is a connection that is read no further than so many bytes.
type terse struct {
	net.Conn
	left int64
}

func (t *terse) Read(p []byte) (int, error) {
	if t.left <= 0 {
		return 0, fmt.Errorf("expected at most %d bytes from the other side, found more", saidAtMost)
	}
	n, err := t.Conn.Read(p[:min(int64(len(p)), t.left)])
	t.left -= int64(n)
	return n, err
}
