package notify

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"
)

// Targets are the ways out that an operator has configured, by the names that
// routes use: 1-64 of A-Z a-z 0-9 . _ -.
type Targets map[string]*Config

// Config is one of the ways out: exactly one of the keys is given. What a key
// leaves out has the default that stands beside it.
type Config struct {
	Webhook      *Webhook      `yaml:"webhook"`
	Mail         *Mail         `yaml:"mail"`
	MQTT         *MQTT         `yaml:"mqtt"`
	Alertmanager *Alertmanager `yaml:"alertmanager"`
}

// Webhook is posted JSON, signed.
type Webhook struct {
	URL        string        `yaml:"url" validate:"web"`
	SecretFile string        `yaml:"secret_file"` // at least 16 bytes; whsec_ and base64, or as it is
	Pictures   bool          `yaml:"pictures"`    // in the JSON, as base64
	Timeout    time.Duration `yaml:"timeout" validate:"omitempty,min=100ms,max=2m"`
	TLS        TLS           `yaml:"tls"`

	Secret string `yaml:"-"` // of SecretFile or the environment; see [Targets.Load]
}

// Mail is a mail to each of the addresses.
type Mail struct {
	Server       string        `yaml:"server" validate:"hostport"` // host:port
	Security     string        `yaml:"security" validate:"omitempty,oneof=starttls tls none"`
	TLS          TLS           `yaml:"tls"`
	Username     string        `yaml:"username" validate:"max=256"`
	PasswordFile string        `yaml:"password_file"`
	From         string        `yaml:"from" validate:"address"`
	To           []string      `yaml:"to" validate:"min=1,max=100,dive,address"`
	Hello        string        `yaml:"hello" validate:"omitempty,hostname_rfc1123"` // our name before the server; "": that of the machine
	Zone         string        `yaml:"zone" validate:"omitempty,timezone"`          // IANA name, of the times in the text; "": UTC
	Timeout      time.Duration `yaml:"timeout" validate:"omitempty,min=100ms,max=5m"`

	Password string `yaml:"-"`
}

// MQTT is a message on a topic, at QoS 1.
type MQTT struct {
	Topic        string        `yaml:"topic" validate:"omitempty,template"` // "": [DefaultTopic]
	Retain       bool          `yaml:"retain"`
	Broker       string        `yaml:"broker" validate:"omitempty,broker"` // "": the program's own session
	ClientID     string        `yaml:"client_id" validate:"omitempty,max=64,printascii"`
	Username     string        `yaml:"username" validate:"max=256"`
	PasswordFile string        `yaml:"password_file"`
	TLS          TLS           `yaml:"tls"`
	Timeout      time.Duration `yaml:"timeout" validate:"omitempty,min=100ms,max=2m"`

	Password string `yaml:"-"`
}

// Alertmanager is one Alertmanager, or all of a cluster.
type Alertmanager struct {
	URLs         []string      `yaml:"urls" validate:"min=1,max=16,dive,web"`
	Username     string        `yaml:"username" validate:"max=256"`
	PasswordFile string        `yaml:"password_file"`
	Every        time.Duration `yaml:"every" validate:"omitempty,min=10s,max=1h"` // how often an open alert is told again; 0: 3 min
	Keep         time.Duration `yaml:"keep" validate:"omitempty,min=30s,max=24h"` // how long one stands when nothing is heard of us; 0: 1 h
	Timeout      time.Duration `yaml:"timeout" validate:"omitempty,min=100ms,max=2m"`
	TLS          TLS           `yaml:"tls"`

	Password string `yaml:"-"`
}

// TLS is what secures a connection, beside the system's authorities.
type TLS struct {
	CAFile   string `yaml:"ca_file"`
	CertFile string `yaml:"cert_file" validate:"required_with=KeyFile"`
	KeyFile  string `yaml:"key_file" validate:"required_with=CertFile"`
}

const (
	defaultWait  = 10 * time.Second
	defaultEvery = 3 * time.Minute // under Alertmanager's resolve_timeout of 5 min
	defaultKeep  = time.Hour       // that we are away does not end an alert at once
	leastSecret  = 16              // bytes
)

func wait(d time.Duration) time.Duration {
	if d == 0 {
		return defaultWait
	}
	return d
}

func (a *Alertmanager) every() time.Duration {
	if a.Every == 0 {
		return defaultEvery
	}
	return a.Every
}

func (a *Alertmanager) keep() time.Duration {
	if a.Keep == 0 {
		return defaultKeep
	}
	return a.Keep
}

func (t *MQTT) topic() string {
	if t.Topic == "" {
		return DefaultTopic
	}
	return t.Topic
}

// Kind names the way out.
func (c *Config) Kind() string {
	switch {
	case c.Webhook != nil:
		return "webhook"
	case c.Mail != nil:
		return "mail"
	case c.MQTT != nil:
		return "mqtt"
	}
	return "alertmanager"
}

// Options are what a target needs of the program.
type Options struct {
	// Publisher is the program's session with its broker, for an MQTT target
	// that names no broker of its own.
	Publisher Publisher
}

// New makes the target of that name. The configuration must have passed
// [Targets.Check] and [Targets.Load]; it must not be changed afterwards.
func New(name string, c *Config, o Options) (Target, error) {
	switch {
	case c == nil || c.kinds() != 1:
		return nil, fmt.Errorf("target %s: expected one of webhook, mail, mqtt, alertmanager, found %d of them", name, c.kinds())
	case c.Webhook != nil:
		secure, err := c.Webhook.TLS.config()
		if err != nil {
			return nil, fmt.Errorf("target %s: %w", name, err)
		}
		return &webhook{c.Webhook, newPoster(secure, wait(c.Webhook.Timeout)), time.Now}, nil
	case c.Mail != nil:
		t, err := newMail(c.Mail)
		if err != nil {
			return nil, fmt.Errorf("target %s: %w", name, err)
		}
		return t, nil
	case c.Alertmanager != nil:
		secure, err := c.Alertmanager.TLS.config()
		if err != nil {
			return nil, fmt.Errorf("target %s: %w", name, err)
		}
		return &alertmanager{c.Alertmanager, newPoster(secure, wait(c.Alertmanager.Timeout)), time.Now}, nil
	}
	t := &topical{c: c.MQTT, by: o.Publisher, turn: make(chan struct{}, 1)}
	if c.MQTT.Broker != "" {
		secure, err := c.MQTT.TLS.config()
		if err != nil {
			return nil, fmt.Errorf("target %s: %w", name, err)
		}
		id := c.MQTT.ClientID
		if id == "" {
			id = "throwline-" + name
		}
		t.by = &broker{c.MQTT, id, secure}
	}
	if t.by == nil {
		return nil, fmt.Errorf("target %s: expected a broker, or a session to use, found neither", name)
	}
	return t, nil
}

func (c *Config) kinds() int {
	n := 0
	if c == nil {
		return n
	}
	for _, given := range []bool{c.Webhook != nil, c.Mail != nil, c.MQTT != nil, c.Alertmanager != nil} {
		if given {
			n++
		}
	}
	return n
}

// Load reads the secrets and tries the files of certificates. env is
// [os.LookupEnv] or its like: [SecretVar] of a target, and the same with _FILE
// behind it, go before the configuration's own file. path is where the targets
// stand in the configuration.
func (t Targets) Load(path string, env func(string) (string, bool)) []Problem {
	if env == nil {
		env = func(string) (string, bool) { return "", false }
	}
	var out []Problem
	for _, name := range t.names() {
		c := t[name]
		if c.kinds() != 1 {
			continue
		}
		at := path + "." + name
		read := func(key, file string, into *string) {
			secret, problem := readSecret(key, SecretVar(name), file, env)
			if problem != nil {
				out = append(out, *problem)
				return
			}
			*into = secret
		}
		certificates := func(at string, t *TLS) {
			if _, err := t.config(); err != nil {
				out = append(out, Problem{at, "files of certificates in PEM", err.Error()})
			}
		}
		named := func(at, username, password string) {
			if password != "" && username == "" {
				out = append(out, Problem{at + ".username", "a name beside the password", "nothing"})
			}
		}
		switch {
		case c.Webhook != nil:
			at += ".webhook"
			n := len(out)
			read(at+".secret_file", c.Webhook.SecretFile, &c.Webhook.Secret)
			if len(out) == n {
				if fault := weak(c.Webhook.Secret); fault != "" {
					out = append(out, Problem{at + ".secret_file", fmt.Sprintf("a secret of at least %d bytes there or in %s", leastSecret, SecretVar(name)), fault})
				}
			}
			certificates(at+".tls", &c.Webhook.TLS)
		case c.Mail != nil:
			at += ".mail"
			read(at+".password_file", c.Mail.PasswordFile, &c.Mail.Password)
			named(at, c.Mail.Username, c.Mail.Password)
			certificates(at+".tls", &c.Mail.TLS)
		case c.MQTT != nil:
			at += ".mqtt"
			read(at+".password_file", c.MQTT.PasswordFile, &c.MQTT.Password)
			named(at, c.MQTT.Username, c.MQTT.Password)
			certificates(at+".tls", &c.MQTT.TLS)
		case c.Alertmanager != nil:
			at += ".alertmanager"
			read(at+".password_file", c.Alertmanager.PasswordFile, &c.Alertmanager.Password)
			named(at, c.Alertmanager.Username, c.Alertmanager.Password)
			certificates(at+".tls", &c.Alertmanager.TLS)
		}
	}
	return out
}

// weak says what is wrong with a secret, without any of it.
func weak(s string) string {
	if coded, ok := strings.CutPrefix(s, "whsec_"); ok {
		if _, err := base64.StdEncoding.DecodeString(coded); err != nil {
			return "whsec_ and what is no base64"
		}
	}
	switch n := len(secretKey(s)); {
	case n == 0:
		return "nothing"
	case n < leastSecret:
		return fmt.Sprintf("%d bytes", n)
	}
	return ""
}

// SecretVar names the variable with the secret or password of a target:
// THROWLINE_TARGET_NIGHT_DESK_SECRET for "night-desk".
func SecretVar(name string) string {
	return "THROWLINE_TARGET_" + strings.ToUpper(strings.NewReplacer("-", "_", ".", "_").Replace(name)) + "_SECRET"
}

func readSecret(path, variable, file string, env func(string) (string, bool)) (string, *Problem) {
	if v, ok := env(variable); ok {
		return v, nil
	}
	if v, ok := env(variable + "_FILE"); ok {
		path, file = variable+"_FILE", v
	}
	if file == "" {
		return "", nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", &Problem{path, "a file that can be read", plainFile(err)}
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// config reads the files; nil where none is named.
func (t *TLS) config() (*tls.Config, error) {
	if *t == (TLS{}) {
		return nil, nil
	}
	out := &tls.Config{MinVersion: tls.VersionTLS12}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, errors.New("ca_file: " + plainFile(err))
		}
		out.RootCAs = x509.NewCertPool()
		if !out.RootCAs.AppendCertsFromPEM(pem) {
			return nil, errors.New("ca_file: " + t.CAFile + " without a certificate")
		}
	}
	if t.CertFile != "" && t.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cert_file and key_file: %w", err)
		}
		out.Certificates = []tls.Certificate{pair}
	}
	return out, nil
}

// plainFile says what is wrong with a file without saying "open" before it.
func plainFile(err error) string {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Path + ": " + p.Err.Error()
	}
	return err.Error()
}
