package daemon

import (
	"crypto/tls"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
)

// HTTPTLSConfig lets the program speak HTTPS itself. Without files it speaks HTTP.
type HTTPTLSConfig struct {
	CertFile string `yaml:"cert_file" validate:"required_with=KeyFile"`
	KeyFile  string `yaml:"key_file" validate:"required_with=CertFile"`
}

// on reports whether HTTPS is spoken.
func (c *HTTPTLSConfig) on() bool { return c.CertFile != "" }

func (c *HTTPTLSConfig) check(fault func(path, expected, found string)) {
	if c.CertFile == "" || c.KeyFile == "" {
		return
	}
	if _, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile); err != nil {
		fault("http.tls.cert_file", "a certificate and, in key_file, its key, in PEM", plainError(err))
	}
}

// pair is a certificate that may be replaced while it is served.
type pair struct {
	now atomic.Pointer[tls.Certificate]
}

// open reads the files; nil where there is to be no TLS.
func (c *HTTPTLSConfig) open() (*pair, error) {
	if !c.on() {
		return nil, nil
	}
	p := &pair{}
	return p, p.load(c)
}

// load reads the files again; after an error what was served still is.
func (p *pair) load(c *HTTPTLSConfig) error {
	next, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
	if err != nil {
		return &ConfigError{"configuration", []Problem{{Path: "http.tls.cert_file", Expected: "a certificate and, in key_file, its key, in PEM", Found: plainError(err)}}}
	}
	p.now.Store(&next)
	return nil
}

// serve answers browsers until the server is shut down.
func (d *Daemon) serve() error {
	trusted, _ := proxies(d.c.Access.Proxies) // checked before
	crowd := newCrowd(d.listener, trusted, &d.refused, d.o.Log)
	if d.pair == nil {
		return d.server.Serve(crowd)
	}
	d.server.TLSConfig = &tls.Config{
		MinVersion:     tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return d.pair.now.Load(), nil },
	}
	inner := d.server.Handler
	d.server.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// A browser that was here once asks in clear no more (RFC 6797); for this host alone.
		w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		inner.ServeHTTP(w, r)
	})
	return d.server.ServeTLS(crowd, "", "")
}

// BaseURL is under which address browsers on this machine reach the program
// that listens there, with no slash at its end.
func (c *HTTPConfig) BaseURL(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if ip := net.ParseIP(host); err == nil && (host == "" || ip != nil && ip.IsUnspecified()) {
		listen = net.JoinHostPort("127.0.0.1", port)
	}
	scheme := "http://"
	if c.TLS.on() {
		scheme = "https://"
	}
	return scheme + strings.TrimSuffix(listen, "/")
}
