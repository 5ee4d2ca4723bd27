package broker

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"os"
	"time"
)

// authorities say which certificates of cabinets hold.
type authorities struct {
	pool    *x509.CertPool
	lists   int             // of what was revoked
	revoked map[string]bool // by issuer and serial number
	overdue time.Time       // when the first list should have been replaced
}

// readAuthorities reads the authorities and, where a file is named, the lists
// of what they have revoked. Both are PEM; a list may be DER.
func readAuthorities(caFile, crlFile string) (*authorities, error) {
	text, err := os.ReadFile(caFile)
	if err != nil {
		return nil, err
	}
	a := &authorities{pool: x509.NewCertPool(), revoked: map[string]bool{}}
	var all []*x509.Certificate
	for rest := text; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			return nil, fmt.Errorf("%s: expected certificates in PEM, found %q", caFile, block.Type)
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", caFile, err)
		}
		if !c.IsCA {
			return nil, fmt.Errorf("%s: expected authorities (CA:TRUE), found %q, which is none", caFile, c.Subject)
		}
		a.pool.AddCert(c)
		all = append(all, c)
	}
	if all == nil {
		return nil, fmt.Errorf("%s: expected certificates in PEM, found none", caFile)
	}
	if crlFile == "" {
		return a, nil
	}
	if text, err = os.ReadFile(crlFile); err != nil {
		return nil, err
	}
	lists := [][]byte{}
	for rest := text; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type == "X509 CRL" {
			lists = append(lists, block.Bytes)
		}
	}
	if len(lists) == 0 {
		lists = append(lists, text)
	}
	for _, der := range lists {
		list, err := x509.ParseRevocationList(der)
		if err != nil {
			return nil, fmt.Errorf("%s: expected lists of revoked certificates in PEM or DER: %w", crlFile, err)
		}
		if err := signedByOne(list, all); err != nil {
			return nil, fmt.Errorf("%s: %w", crlFile, err)
		}
		a.lists++
		if !list.NextUpdate.IsZero() && (a.overdue.IsZero() || list.NextUpdate.Before(a.overdue)) {
			a.overdue = list.NextUpdate
		}
		for _, e := range list.RevokedCertificateEntries {
			a.revoked[revokedKey(list.RawIssuer, e.SerialNumber)] = true
		}
	}
	return a, nil
}

func signedByOne(list *x509.RevocationList, all []*x509.Certificate) error {
	for _, ca := range all {
		if bytes.Equal(ca.RawSubject, list.RawIssuer) && list.CheckSignatureFrom(ca) == nil {
			return nil
		}
	}
	return fmt.Errorf("expected a list signed by one of the authorities, found one of %q", list.Issuer)
}

func revokedKey(issuer []byte, serial *big.Int) string {
	return string(issuer) + "\x00" + serial.String()
}

// verify says why the certificate of a client does not hold. chain is what it
// sent, its own first.
func (a *authorities) verify(chain []*x509.Certificate, now time.Time) error {
	between := x509.NewCertPool()
	for _, c := range chain[1:] {
		between.AddCert(c)
	}
	found, err := chain[0].Verify(x509.VerifyOptions{
		Roots: a.pool, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	})
	if err != nil {
		return err
	}
	for _, c := range found[0][:max(1, len(found[0])-1)] { // who revokes the last?
		if a.revoked[revokedKey(c.RawIssuer, c.SerialNumber)] {
			return fmt.Errorf("the certificate %s of %q was revoked", c.SerialNumber.Text(16), c.Subject)
		}
	}
	return nil
}

// passing is a certificate that only this process has: the program's own
// session shows it.
func passing() (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "the program itself"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(100, 0, 0), // it ends with the process
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, nil
}

var errOtherBroker = errors.New("expected the broker of this program, found another")

// serverTLS is how the listener is secured.
func (g *guard) serverTLS() *tls.Config {
	c := &tls.Config{
		MinVersion: tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			return g.now().pair, nil
		},
		VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 || bytes.Equal(s.PeerCertificates[0].Raw, g.own.Certificate[0]) {
				return nil
			}
			err := g.now().authorities.verify(s.PeerCertificates, g.o.Now())
			if err != nil {
				g.refused("certificate", err)
			}
			return err
		},
		SessionTicketsDisabled: true, // each connection is looked at
	}
	switch {
	case g.o.ClientCAFile != "" && g.o.UsersFile == "":
		c.ClientAuth = tls.RequireAnyClientCert // VerifyConnection looks at it
	case g.o.ClientCAFile != "":
		c.ClientAuth = tls.RequestClientCert
	}
	return c
}

// ownTLS is how the program's own session reaches the listener: it knows the
// very certificate, whatever name is on it.
func (g *guard) ownTLS() *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, // VerifyConnection is stricter
		VerifyConnection: func(s tls.ConnectionState) error {
			if !bytes.Equal(s.PeerCertificates[0].Raw, g.now().pair.Certificate[0]) {
				return errOtherBroker
			}
			return nil
		},
		GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &g.own, nil },
	}
}
