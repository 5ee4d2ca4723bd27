package daemon

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/detect"
	"throwline/ingest/wire"
)

// Config is what an operator chooses. deploy/throwline.yaml names every key,
// with its default and what it does.
type Config struct {
	DataDir   string           `yaml:"data_dir" validate:"required"`
	MQTT      MQTTConfig       `yaml:"mqtt"`
	Broker    BrokerConfig     `yaml:"broker"`
	HTTP      HTTPConfig       `yaml:"http"`
	Access    AccessConfig     `yaml:"access"`
	Limits    LimitsConfig     `yaml:"limits"`
	Retention RetentionConfig  `yaml:"retention"`
	Detection DetectionConfig  `yaml:"detection"`
	Targets   notify.Targets   `yaml:"targets"`
	Routes    []alerting.Route `yaml:"routes"`
	Silence   SilenceConfig    `yaml:"silence"`
	Export    ExportConfig     `yaml:"export"`
	Metrics   MetricsConfig    `yaml:"metrics"`
	Batch     BatchConfig      `yaml:"batch"`
	Log       LogConfig        `yaml:"log"`
}

// MQTTConfig is the session with the broker.
type MQTTConfig struct {
	Brokers      []string  `yaml:"brokers" validate:"min=1,max=16,dive,broker"`
	ClientID     string    `yaml:"client_id" validate:"required,max=64,printascii"`
	Prefix       string    `yaml:"prefix" validate:"topic"`
	Username     string    `yaml:"username" validate:"max=256"`
	PasswordFile string    `yaml:"password_file"`
	TLS          TLSConfig `yaml:"tls"`
	InFlight     int       `yaml:"in_flight" validate:"min=1,max=65535"`

	Mapped    []MappedConfig  `yaml:"mapped"`
	Sparkplug SparkplugConfig `yaml:"sparkplug"`

	// Password is never in the file: it is read of PasswordFile or the environment.
	Password string `yaml:"-"`
}

// TLSConfig is what secures the session where a broker is ssl:// or mqtts://.
type TLSConfig struct {
	CAFile   string `yaml:"ca_file"`
	CertFile string `yaml:"cert_file" validate:"required_with=KeyFile"`
	KeyFile  string `yaml:"key_file" validate:"required_with=CertFile"`
}

// HTTPConfig is where the pages and the API are served.
type HTTPConfig struct {
	Listen string        `yaml:"listen" validate:"listen"`
	TLS    HTTPTLSConfig `yaml:"tls"`
}

// LimitsConfig bounds what a sender can cost.
type LimitsConfig struct {
	Payload      Size `yaml:"payload" validate:"size=1KiB 256MiB"`
	Decompressed Size `yaml:"decompressed" validate:"size=1KiB 1GiB"`
	Samples      int  `yaml:"samples" validate:"min=8,max=3200000"`
	Turnouts     int  `yaml:"turnouts" validate:"min=1,max=1000000"`
}

// RetentionConfig is how long things are kept.
type RetentionConfig struct {
	Traces Duration `yaml:"traces" validate:"duration=1d 36500d"`
	Throws Duration `yaml:"throws" validate:"duration=1d 36500d"`
}

// DetectionConfig is how quiet the program is, and what the operator allows.
type DetectionConfig struct {
	FalseAlerts float64                  `yaml:"false_alerts_per_turnout_year" validate:"min=0.0001,max=100"`
	Limits      TurnoutLimits            `yaml:"limits"`
	Own         map[string]TurnoutLimits `yaml:"turnouts" validate:"dive,keys,turnout,endkeys"`
}

// TurnoutLimits are what the operator sets for all turnouts or for one. Zero: nothing is set.
type TurnoutLimits struct {
	ThrowTime  Duration `yaml:"throw_time" validate:"omitempty,duration=500ms 10m"`
	EffortRise float64  `yaml:"effort_rise_percent" validate:"omitempty,min=1,max=1000"`
}

// SilenceConfig is after what time a cabinet counts as silent.
type SilenceConfig struct {
	// Offline: it has said so, or the broker in its place.
	Offline Duration `yaml:"offline" validate:"duration=1m 30d"`
	// Quiet: nothing has come of it, though it has not said that it is offline.
	// Sooner, where it usually sends far more often.
	Quiet Duration `yaml:"quiet" validate:"duration=1h 365d"`
}

// BatchConfig is how many messages may share one synced transaction.
type BatchConfig struct {
	Throws int `yaml:"throws" validate:"min=1,max=4096"`
}

// LogConfig is what is logged, to standard error.
type LogConfig struct {
	Level  string `yaml:"level" validate:"oneof=debug info warn error"`
	Format string `yaml:"format" validate:"oneof=text json"`
}

// DefaultConfig returns what is in force where a configuration says nothing.
func DefaultConfig() Config {
	limits := wire.DefaultLimits()
	return Config{
		DataDir: "throwline-data",
		MQTT: MQTTConfig{
			Brokers:  []string{"tcp://127.0.0.1:1883"},
			ClientID: "throwline",
			Prefix:   "throwline/v1",
			InFlight: 1000,

			Sparkplug: defaultSparkplug(),
		},
		HTTP:   HTTPConfig{Listen: "127.0.0.1:8080"},
		Access: defaultAccess(),
		Limits: LimitsConfig{
			Payload:      Size(limits.Bytes),
			Decompressed: Size(limits.Decompressed),
			Samples:      limits.Samples,
			Turnouts:     65_000,
		},
		Retention: RetentionConfig{Traces: Duration(90 * day), Throws: Duration(1825 * day)},
		Detection: DetectionConfig{FalseAlerts: detect.DefaultSettings().FalseAlerts},
		Targets:   notify.Targets{},
		Silence:   SilenceConfig{Offline: Duration(15 * time.Minute), Quiet: Duration(3 * day)},
		Export:    defaultExport(),
		Metrics:   MetricsConfig{MostTurnouts: 1000},
		Batch:     BatchConfig{Throws: 256},
		Log:       LogConfig{Level: "info", Format: "text"},
	}
}

// Problem is one thing wrong with a configuration.
type Problem struct {
	Line     int    // from 1; 0 where it stands in no line
	Path     string // the key, e.g. "mqtt.brokers[0]"; "" for the file as a whole
	Expected string
	Found    string
}

func (p Problem) String() string {
	var b strings.Builder
	if p.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", p.Line)
	}
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	fmt.Fprintf(&b, "expected %s, found %s", p.Expected, p.Found)
	return b.String()
}

// ConfigError is a configuration that cannot be used, with all that is wrong.
type ConfigError struct {
	Name     string // of the file
	Problems []Problem
}

func (e *ConfigError) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = e.Name + ": " + p.String()
	}
	return strings.Join(lines, "\n")
}

// Environment variables that hold a secret, or name the file that does. They
// go before the configuration's own password_file.
const (
	PasswordVar     = "THROWLINE_MQTT_PASSWORD"
	PasswordFileVar = "THROWLINE_MQTT_PASSWORD_FILE"
)

// LoadConfig reads a configuration and its secrets. env is [os.LookupEnv] or
// its like. Where anything is wrong with it the error is a [*ConfigError]
// that names everything.
func LoadConfig(name string, env func(string) (string, bool)) (Config, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return Config{}, &ConfigError{name, []Problem{{Expected: "a file that can be read", Found: plainError(err)}}}
	}
	return ReadConfig(name, data, env)
}

// ReadConfig is LoadConfig of a file's content; name is for the messages.
func ReadConfig(name string, data []byte, env func(string) (string, bool)) (Config, error) {
	return readConfig(name, data, env, (*document).secrets)
}

// LoadConfigFile is LoadConfig without what stands in other files, which may
// be missing yet.
func LoadConfigFile(name string, env func(string) (string, bool)) (Config, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return Config{}, &ConfigError{name, []Problem{{Expected: "a file that can be read", Found: plainError(err)}}}
	}
	return readConfig(name, data, env, func(*document, *Config, func(string) (string, bool)) {})
}

func readConfig(name string, data []byte, env func(string) (string, bool), secrets func(*document, *Config, func(string) (string, bool))) (Config, error) {
	c := DefaultConfig()
	d := newDocument(data)
	d.fill(&c)
	d.override(&c, env)
	d.check(&c)
	secrets(d, &c, env)
	if len(d.problems) > 0 {
		return Config{}, &ConfigError{name, d.sorted()}
	}
	return c, nil
}

// secrets reads the files that the configuration and the environment name.
func (d *document) secrets(c *Config, env func(string) (string, bool)) {
	if env == nil {
		env = func(string) (string, bool) { return "", false }
	}
	path, name := "mqtt.password_file", c.MQTT.PasswordFile
	if v, ok := env(PasswordFileVar); ok {
		path, name = PasswordFileVar, v
	}
	if v, ok := env(PasswordVar); ok {
		c.MQTT.Password, name = v, ""
	}
	if name != "" {
		b, err := os.ReadFile(name)
		if err != nil {
			d.add(path, "a file that can be read", plainError(err))
		}
		c.MQTT.Password = strings.TrimRight(string(b), "\r\n")
	}
	if c.MQTT.Password != "" && c.MQTT.Username == "" {
		d.add("mqtt.username", "a name beside the password", "nothing")
	}
	_ = c.MQTT.TLS.load(d.add)
	c.HTTP.TLS.check(d.add)
	if g := c.guard(); c.Broker.Listen != "" {
		if err := g.Check(); err != nil {
			d.add("broker", "files that can be read and hold what they should", err.Error())
		}
	}
	c.Access.OpenID.secrets(env, d.add)
	c.Export.Influx.secrets(env, d.add)
	for _, p := range c.Targets.Load("targets", env) {
		d.add(c.targetPath(p.Path), p.Expected, p.Found)
	}
}

// load reads the files; fault is told what is wrong with them. The
// configuration is nil where no file is named: the system's own authorities
// are trusted then.
func (t *TLSConfig) load(fault func(path, expected, found string)) *tls.Config {
	if *t == (TLSConfig{}) {
		return nil
	}
	out := &tls.Config{MinVersion: tls.VersionTLS12}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		out.RootCAs = x509.NewCertPool()
		if err != nil {
			fault("mqtt.tls.ca_file", "a file that can be read", plainError(err))
		} else if !out.RootCAs.AppendCertsFromPEM(pem) {
			fault("mqtt.tls.ca_file", "certificates in PEM", t.CAFile+" without one")
		}
	}
	if t.CertFile != "" && t.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
		if err != nil {
			fault("mqtt.tls.cert_file", "a certificate and, in key_file, its key, in PEM", err.Error())
		}
		out.Certificates = []tls.Certificate{pair}
	}
	return out
}

// wireLimits returns the limits as the decoder takes them.
func (c *LimitsConfig) wireLimits() wire.Limits {
	return wire.Limits{Bytes: int(c.Payload), Decompressed: int(c.Decompressed), Samples: c.Samples}
}

// settings returns the operator's choices as detection takes them.
func (c *DetectionConfig) settings() detect.Settings {
	return detect.Settings{FalseAlerts: c.FalseAlerts, Limits: c.limits}
}

// limits returns what is set for a turnout; what is not set for it by itself is
// what is set for all.
func (c *DetectionConfig) limits(turnout string) detect.Limits {
	l, own := c.Limits, c.Own[turnout]
	if own.ThrowTime > 0 {
		l.ThrowTime = own.ThrowTime
	}
	if own.EffortRise > 0 {
		l.EffortRise = own.EffortRise
	}
	return detect.Limits{ThrowTime: time.Duration(l.ThrowTime).Seconds(), EffortRise: l.EffortRise}
}

// workers is how many goroutines decode.
func workers() int { return max(1, runtime.GOMAXPROCS(0)) }

// plainError says what is wrong with a file without saying "open" before it.
func plainError(err error) string {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Path + ": " + p.Err.Error()
	}
	return err.Error()
}
