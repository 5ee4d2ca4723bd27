package daemon

import (
	"crypto/tls"
	"crypto/x509"
	"net/url"
	"os"
	"strings"
	"time"

	"throwline/daemon/export"
)

// ExportConfig is where what is filed is written to as well.
type ExportConfig struct {
	Influx InfluxConfig `yaml:"influx"`
}

// InfluxConfig is a time-series store that takes the InfluxDB v2 API.
type InfluxConfig struct {
	URL         string   `yaml:"url" validate:"max=512"`
	Org         string   `yaml:"org" validate:"max=256"`
	Bucket      string   `yaml:"bucket" validate:"max=256"`
	TokenFile   string   `yaml:"token_file"`
	CAFile      string   `yaml:"ca_file"`
	Prefix      string   `yaml:"measurement_prefix" validate:"max=64"`
	Batch       int      `yaml:"batch" validate:"min=1,max=20000"`
	Every       Duration `yaml:"every" validate:"duration=1s 1h"`
	HealthEvery Duration `yaml:"health_every" validate:"omitempty,duration=10s 1d"`

	// Token is never in the file: it is read of TokenFile or the environment.
	Token string `yaml:"-"`
}

// MetricsConfig is what /metrics tells of single turnouts.
type MetricsConfig struct {
	PerTurnout   bool `yaml:"per_turnout"`
	MostTurnouts int  `yaml:"most_turnouts" validate:"min=1,max=65000"`
}

// Environment variables that hold the token for the time-series store, or name
// the file that does. They go before token_file.
const (
	InfluxTokenVar     = "THROWLINE_INFLUX_TOKEN"
	InfluxTokenFileVar = "THROWLINE_INFLUX_TOKEN_FILE"
)

func defaultExport() ExportConfig {
	return ExportConfig{InfluxConfig{
		Bucket: "throwline", Prefix: "throwline_", Batch: 5000, Every: Duration(10 * time.Second), HealthEvery: Duration(5 * time.Minute),
	}}
}

// check tells fault what is wrong with where to export to.
func (i *InfluxConfig) check(fault func(path, expected, what string)) {
	for _, c := range i.Prefix {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_') {
			fault("export.influx.measurement_prefix", "letters, digits and _ alone", found(i.Prefix))
			break
		}
	}
	if i.URL == "" {
		return
	}
	// What does not parse is not repeated: it may hold a secret.
	u, err := url.Parse(i.URL)
	switch {
	case err != nil:
		fault("export.influx.url", "an address, like http://127.0.0.1:8086", "what is none")
	case u.User != nil:
		fault("export.influx.url", "an address without a user: use token_file, or "+InfluxTokenVar, "a user in it")
	case u.RawQuery != "" || u.Fragment != "":
		fault("export.influx.url", "an address with nothing after its path", "a query in it")
	case u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		fault("export.influx.url", "http:// or https:// and a host, like http://127.0.0.1:8086", found(i.URL))
	}
	if i.Bucket == "" {
		fault("export.influx.bucket", "a value beside url", "nothing")
	}
}

// secrets reads the token; fault is told what is wrong with its file.
func (i *InfluxConfig) secrets(env func(string) (string, bool), fault func(path, expected, what string)) {
	path, name := "export.influx.token_file", i.TokenFile
	if v, ok := env(InfluxTokenFileVar); ok {
		path, name = InfluxTokenFileVar, v
	}
	if v, ok := env(InfluxTokenVar); ok {
		i.Token, name = v, ""
	}
	if name != "" {
		b, err := os.ReadFile(name)
		if err != nil {
			fault(path, "a file that can be read", plainError(err))
		}
		i.Token = strings.TrimRight(string(b), "\r\n")
	}
	if strings.ContainsFunc(i.Token, func(r rune) bool { return r < ' ' || r > '~' }) {
		fault(path, "a token in plain ASCII, in one line", "something else")
	}
	_ = i.tls(fault)
}

func (i *InfluxConfig) tls(fault func(path, expected, what string)) *tls.Config {
	if i.CAFile == "" {
		return nil
	}
	pem, err := os.ReadFile(i.CAFile)
	pool := x509.NewCertPool()
	if err != nil {
		fault("export.influx.ca_file", "a file that can be read", plainError(err))
	} else if !pool.AppendCertsFromPEM(pem) {
		fault("export.influx.ca_file", "certificates in PEM", i.CAFile+" without one")
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
}

// exporter returns the configuration as the exporter takes it.
func (i *InfluxConfig) exporter() export.Config {
	return export.Config{
		URL: i.URL, Org: i.Org, Bucket: i.Bucket, Token: i.Token, TLS: i.tls(func(_, _, _ string) {}), // it was read before
		Prefix: i.Prefix, Batch: i.Batch, Every: time.Duration(i.Every), Health: time.Duration(i.HealthEvery),
	}
}
