package daemon

import (
	"crypto/tls"
	"crypto/x509"
	"net/http"
	"os"
	"strings"
	"testing"

	"throwline/ingest/certtest"
)

// The program speaks HTTPS itself, with secure cookies, and takes another
// certificate of the same files at a reload.
func TestHTTPS(t *testing.T) {
	m := startMosquitto(t)
	ca := certtest.New(t, "CA")
	first := ca.Server("127.0.0.1")
	c := configOf(m, t.TempDir())
	c.Access.Mode = AccessAccounts
	c.HTTP.TLS = HTTPTLSConfig{first.CertFile, first.KeyFile}
	d := serving(t, c)
	ask := func(change func(*tls.Config), body string) (*http.Response, error) {
		secure := &tls.Config{RootCAs: ca.Pool, MinVersion: tls.VersionTLS10}
		if change != nil {
			change(secure)
		}
		r, err := http.NewRequestWithContext(t.Context(), "POST", "https://"+d.Addr()+"/api/v1/session/redeem", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		tr := &http.Transport{TLSClientConfig: secure, ForceAttemptHTTP2: true}
		defer tr.CloseIdleConnections()
		res, err := tr.RoundTrip(r)
		if err == nil {
			res.Body.Close()
		}
		return res, err
	}
	_, link, _ := strings.Cut(d.SetupPath(), "#")
	res, err := ask(nil, `{"link":"`+link+`","name":"chief","password":"correct horse battery"}`)
	if err != nil || res.StatusCode != http.StatusOK || res.ProtoMajor != 2 {
		t.Fatalf("found %+v, %v", res, err)
	}
	session := ""
	for _, k := range res.Cookies() {
		if !k.Secure || !k.HttpOnly || !strings.HasPrefix(k.Name, "__Host-") {
			t.Errorf("the cookie %s: %+v", k.Name, k)
		}
		if k.Name == "__Host-throwline" {
			session = k.Value
		}
	}
	if session == "" || res.Header.Get("Strict-Transport-Security") == "" || res.Header.Get("Content-Security-Policy") == "" {
		t.Errorf("found %v", res.Header)
	}
	for name, change := range map[string]func(*tls.Config){
		"TLS 1.1":         func(c *tls.Config) { c.MaxVersion = tls.VersionTLS11 },
		"another's roots": func(c *tls.Config) { c.RootCAs = x509.NewCertPool() },
		"another's name":  func(c *tls.Config) { c.ServerName = "other.example" },
	} {
		if _, err := ask(change, "{}"); err == nil {
			t.Errorf("%s: an answer", name)
		}
	}
	if res, err := http.Get("http://" + d.Addr() + "/livez"); err == nil {
		res.Body.Close()
		if res.StatusCode != http.StatusBadRequest {
			t.Errorf("in clear: found %d", res.StatusCode)
		}
	}

	serial := func() (n string) {
		_, err := ask(func(c *tls.Config) {
			c.VerifyConnection = func(s tls.ConnectionState) error {
				n = s.PeerCertificates[0].SerialNumber.String()
				return nil
			}
		}, "{}")
		if err != nil {
			t.Error(err)
		}
		return n
	}
	before := serial()
	next := ca.Server("127.0.0.1")
	for from, to := range map[string]string{next.CertFile: first.CertFile, next.KeyFile: first.KeyFile} {
		b, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Reload(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	if after := serial(); after == before || after != next.Leaf.SerialNumber.String() {
		t.Errorf("before %s, after %s, expected %s", before, after, next.Leaf.SerialNumber)
	}
	// A key that does not fit is refused, and what was served still is.
	if err := os.WriteFile(first.KeyFile, []byte("no key"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "http.tls.cert_file") {
		t.Errorf("found %v", err)
	}
	if after := serial(); after != next.Leaf.SerialNumber.String() {
		t.Errorf("serves %s", after)
	}
}
