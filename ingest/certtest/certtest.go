// Package certtest makes certificates for a test: authorities, what they issue,
// and lists of what they have revoked.
package certtest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority issues certificates.
type Authority struct {
	File string // its certificate, PEM
	Pool *x509.CertPool

	t    testing.TB
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	last int64 // serial number
}

// Pair is a certificate and its key, as files and as what Go takes.
type Pair struct {
	CertFile, KeyFile string
	TLS               tls.Certificate
	Leaf              *x509.Certificate
}

// New makes an authority. Its files end with the test.
func New(t testing.TB, name string) *Authority {
	t.Helper()
	a := &Authority{t: t, dir: t.TempDir(), last: 1}
	a.key = a.newKey()
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, a.key.Public(), a.key)
	a.must(err)
	a.cert, err = x509.ParseCertificate(der)
	a.must(err)
	a.File = a.write("ca.pem", "CERTIFICATE", der)
	a.Pool = x509.NewCertPool()
	a.Pool.AddCert(a.cert)
	return a
}

// Client issues a certificate for a client whose common name is name; change
// may make it another.
func (a *Authority) Client(name string, change ...func(*x509.Certificate)) Pair {
	a.t.Helper()
	c := &x509.Certificate{Subject: pkix.Name{CommonName: name}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
	return a.issue(c, change)
}

// Server issues a certificate for names and addresses of hosts.
func (a *Authority) Server(hosts ...string) Pair {
	a.t.Helper()
	c := &x509.Certificate{Subject: pkix.Name{CommonName: hosts[0]}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, h)
		}
	}
	return a.issue(c, nil)
}

// Expired makes what is issued be over.
func Expired(c *x509.Certificate) {
	c.NotBefore, c.NotAfter = time.Now().Add(-2*time.Hour), time.Now().Add(-time.Hour)
}

func (a *Authority) issue(c *x509.Certificate, change []func(*x509.Certificate)) Pair {
	a.t.Helper()
	a.last++
	c.SerialNumber, c.KeyUsage = big.NewInt(a.last), x509.KeyUsageDigitalSignature
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(12*time.Hour)
	for _, f := range change {
		f(c)
	}
	key := a.newKey()
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, key.Public(), a.key)
	a.must(err)
	leaf, err := x509.ParseCertificate(der)
	a.must(err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	a.must(err)
	base := c.SerialNumber.String()
	p := Pair{CertFile: a.write(base+".pem", "CERTIFICATE", der), KeyFile: a.write(base+".key", "PRIVATE KEY", private), Leaf: leaf}
	p.TLS = tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
	return p
}

// Revoke writes a list of what is revoked, in PEM, and returns its file, the
// same each time.
func (a *Authority) Revoke(pairs ...Pair) string {
	a.t.Helper()
	a.last++
	list := &x509.RevocationList{Number: big.NewInt(a.last), ThisUpdate: time.Now().Add(-time.Minute), NextUpdate: time.Now().Add(time.Hour)}
	for _, p := range pairs {
		list.RevokedCertificateEntries = append(list.RevokedCertificateEntries, x509.RevocationListEntry{
			SerialNumber: p.Leaf.SerialNumber, RevocationTime: time.Now().Add(-time.Minute),
		})
	}
	der, err := x509.CreateRevocationList(rand.Reader, list, a.cert, a.key)
	a.must(err)
	return a.write("crl.pem", "X509 CRL", der)
}

func (a *Authority) newKey() *ecdsa.PrivateKey {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	a.must(err)
	return key
}

func (a *Authority) write(name, kind string, der []byte) string {
	name = filepath.Join(a.dir, name)
	a.must(os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	return name
}

func (a *Authority) must(err error) {
	a.t.Helper()
	if err != nil {
		a.t.Fatal(err)
	}
}
