package notify

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"io"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	stdmail "net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// postOffice is an SMTP server on loopback that keeps what it takes.
type postOffice struct {
	address, ca string
	mu          sync.Mutex
	mails       []taken
	rcpt        map[string]error // what is said to an address
	data        error            // what is said to a mail
}

type taken struct {
	from, to, user string
	body           []byte
	encrypted      bool
}

type session struct {
	o    *postOffice
	c    *smtp.Conn
	mail taken
}

func (s *session) Reset()        { s.mail = taken{user: s.mail.user} }
func (s *session) Logout() error { return nil }
func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	s.mail.from = from
	return nil
}
func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	s.mail.to = to
	return s.o.rcpt[to]
}
func (s *session) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	if s.o.data != nil {
		return s.o.data
	}
	s.mail.body = b
	_, s.mail.encrypted = s.c.TLSConnectionState()
	s.o.mails = append(s.o.mails, s.mail)
	return nil
}
func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }
func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "throwline" || password != "right" {
			return smtp.ErrAuthFailed
		}
		s.mail.user = user
		return nil
	}), nil
}

// certificate makes one for 127.0.0.1, and a file with it.
func certificate(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail"}, NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, name
}

func openPostOffice(t *testing.T, security string) *postOffice {
	t.Helper()
	o := &postOffice{rcpt: map[string]error{}}
	pair, ca := certificate(t)
	o.ca = ca
	s := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) { return &session{o: o, c: c}, nil }))
	s.Domain, s.ErrorLog = "mail.example", quiet()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o.address = l.Addr().String()
	config := &tls.Config{Certificates: []tls.Certificate{pair}}
	switch security {
	case "tls":
		l = tls.NewListener(l, config)
	case "starttls":
		s.TLSConfig = config
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close(); <-done })
	return o
}

func (o *postOffice) all() []taken {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]taken(nil), o.mails...)
}

func (o *postOffice) says(data error, rcpt map[string]error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.data, o.rcpt = data, rcpt
}

func mailTo(t *testing.T, o *postOffice, security string, change func(*Mail)) Target {
	t.Helper()
	c := &Mail{Server: o.address, Security: security, From: "Throwline <throwline@rail.example>", To: []string{"desk@rail.example"}, Timeout: 30 * time.Second}
	if security != "none" {
		c.TLS.CAFile, c.Username, c.Password = o.ca, "throwline", "right"
	}
	if change != nil {
		change(c)
	}
	m, err := New("mail", &Config{Mail: c}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// parts returns the leaves of a mail by type, decoded, and its headers.
func parts(t *testing.T, b []byte) (stdmail.Header, map[string][]string, []string) {
	t.Helper()
	m, err := stdmail.ReadMessage(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	var ids []string
	var walk func(kind, coding string, r io.Reader)
	walk = func(kind, coding string, r io.Reader) {
		media, params, err := mime.ParseMediaType(kind)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(media, "multipart/") {
			for mr := multipart.NewReader(r, params["boundary"]); ; {
				p, err := mr.NextRawPart()
				if errors.Is(err, io.EOF) {
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				if id := p.Header.Get("Content-ID"); id != "" {
					ids = append(ids, strings.Trim(id, "<>"))
				}
				walk(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p)
			}
		}
		switch strings.ToLower(coding) {
		case "quoted-printable":
			r = quotedprintable.NewReader(r)
		case "base64":
			r = base64.NewDecoder(base64.StdEncoding, r)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[media] = append(out[media], string(text))
	}
	walk(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), m.Body)
	return m.Header, out, ids
}

func TestMailReal(t *testing.T) {
	trend, err := aTrend().PNG()
	if err != nil {
		t.Fatal(err)
	}
	trace, err := aTrace().PNG()
	if err != nil {
		t.Fatal(err)
	}
	pictures := []Picture{{"trend.png", "the change", trend}, {"trace.png", "a throw <beside> its past", trace}}
	for _, security := range []string{"starttls", "tls", "none"} {
		o := openPostOffice(t, security)
		target := mailTo(t, o, security, nil)
		for range 2 {
			if err := target.Send(t.Context(), stiff(), pictures); err != nil {
				t.Fatalf("%s: %v", security, err)
			}
		}
		later := stiff()
		later.Key = "another"
		if err := target.Send(t.Context(), later, nil); err != nil {
			t.Fatal(err)
		}
		mails := o.all()
		if len(mails) != 3 {
			t.Fatalf("%s: expected 3 mails, found %d", security, len(mails))
		}
		if m := mails[0]; m.encrypted != (security != "none") || (m.user == "throwline") != (security != "none") || m.from != "throwline@rail.example" || m.to != "desk@rail.example" {
			t.Errorf("%s: found %v, user %q, %s to %s", security, m.encrypted, m.user, m.from, m.to)
		}
		h, p, ids := parts(t, mails[0].body)
		again, _, _ := parts(t, mails[1].body)
		other, _, _ := parts(t, mails[2].body)
		if id := h.Get("Message-ID"); id == "" || id != again.Get("Message-ID") || id == other.Get("Message-ID") || !strings.HasSuffix(id, "@rail.example>") {
			t.Errorf("found the Message-IDs %s, %s, %s", id, again.Get("Message-ID"), other.Get("Message-ID"))
		}
		if r := h.Get("References"); r == "" || r != other.Get("References") || h.Get("Auto-Submitted") != "auto-generated" || h.Get("Importance") != "high" {
			t.Errorf("found %v", h)
		}
		if at, err := h.Date(); err != nil || !at.Equal(noon) {
			t.Errorf("found the date %s, %v", at, err)
		}
		if s, err := new(mime.WordDecoder).DecodeHeader(h.Get("Subject")); err != nil || s != "High: W12 is getting stiff to reverse (dry slide chairs 81 %)" {
			t.Errorf("found the subject %q", s)
		}
		text, html := strings.Join(p["text/plain"], ""), strings.Join(p["text/html"], "")
		if !strings.HasSuffix(strings.TrimSpace(text), "blades move without warning.") || !strings.Contains(html, "blades move without warning.") || !strings.Contains(html, "&lt;beside&gt;") {
			t.Errorf("found %s\n%s", text, html)
		}
		if len(p["image/png"]) != 2 || p["image/png"][0] != string(trend) || len(ids) != 2 {
			t.Fatalf("expected two pictures, found %d with %v", len(p["image/png"]), ids)
		}
		for _, id := range ids {
			if !strings.Contains(html, `src="cid:`+id+`"`) {
				t.Errorf("no picture %s in %s", id, html)
			}
		}
		if *picturesTo != "" {
			for i, name := range []string{"trend", "trace"} {
				html = strings.Replace(html, "cid:"+ids[i], name+".png", 1)
			}
			if err := os.WriteFile(filepath.Join(*picturesTo, "mail.html"), []byte(html), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// What a cabinet or a person writes adds no header, recipient or element.
func TestMailInjection(t *testing.T) {
	o := openPostOffice(t, "none")
	m := stiff()
	bad := "W12\r\nBcc: thief@example.org\r\n\r\n.\r\nMAIL FROM:<x@example.org>\u2028<script>"
	m.Key, m.Alert.ID, m.Alert.Turnout, m.Place.Area, m.Note, m.Link = bad, bad, bad, bad, bad, "javascript:alert(1)"
	m.Alert.Causes[0].Evidence = []string{bad}
	if err := mailTo(t, o, "none", nil).Send(t.Context(), m, []Picture{{bad, bad, []byte("x")}}); err != nil {
		t.Fatal(err)
	}
	mails := o.all()
	if len(mails) != 1 || mails[0].to != "desk@rail.example" {
		t.Fatalf("found %v", mails)
	}
	h, p, _ := parts(t, mails[0].body)
	for name := range h {
		if !strings.Contains(" Subject From To Date Message-Id References In-Reply-To Auto-Submitted Importance Priority X-Priority X-Msmail-Priority Mime-Version Content-Type ", " "+name+" ") {
			t.Errorf("found the header %s: %v", name, h[name])
		}
	}
	if html := strings.Join(p["text/html"], ""); strings.Contains(html, "<script") || strings.Contains(html, "javascript") {
		t.Errorf("found %s", html)
	}
}

func TestMailRefused(t *testing.T) {
	o := openPostOffice(t, "starttls")
	two := func(c *Mail) { c.To = []string{"desk@rail.example", "Gone Away <gone@rail.example>"} }
	target := mailTo(t, o, "starttls", two)
	say := func(code int) error {
		return &smtp.SMTPError{Code: code, EnhancedCode: smtp.NoEnhancedCode, Message: "as told"}
	}

	o.says(say(451), nil)
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent || !strings.Contains(f.Error(), "451") {
		t.Errorf("found %v", f)
	}
	o.says(say(554), nil)
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); !f.Permanent || !strings.Contains(f.Error(), "554") {
		t.Errorf("found %v", f)
	}
	// One address is refused for good: the other one has its mail.
	o.says(nil, map[string]error{"gone@rail.example": say(550)})
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); !f.Permanent || !strings.Contains(f.Error(), "gone@rail.example") || len(o.all()) != 1 {
		t.Errorf("found %v, %d mails", f, len(o.all()))
	}
	// One is put off: only that one is tried again.
	o.says(nil, map[string]error{"gone@rail.example": say(450)})
	if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent || len(o.all()) != 2 {
		t.Errorf("found %v, %d mails", f, len(o.all()))
	}
	o.says(nil, nil)
	if err := target.Send(t.Context(), stiff(), nil); err != nil {
		t.Error(err)
	}
	if mails := o.all(); len(mails) != 3 || mails[2].to != "gone@rail.example" {
		t.Errorf("found %d mails", len(mails))
	}

	// A server that does not let us in: someone mends that, and the message goes.
	for name, change := range map[string]func(*Mail){
		"a wrong password":     func(c *Mail) { c.Password = "wrong" },
		"an unknown authority": func(c *Mail) { c.TLS = TLS{} },
		"tls where none is":    func(c *Mail) { c.Security = "tls"; c.Timeout = time.Second },
	} {
		f := failure(t, mailTo(t, o, "starttls", change).Send(t.Context(), stiff(), nil))
		if f.Permanent || strings.Contains(f.Error(), "wrong") {
			t.Errorf("%s: found %v", name, f)
		}
	}
	bare := openPostOffice(t, "none")
	f := failure(t, mailTo(t, bare, "starttls", nil).Send(t.Context(), stiff(), nil))
	if f.Permanent || f.After == 0 || !strings.Contains(f.Error(), "STARTTLS") || len(bare.all()) != 0 {
		t.Errorf("no STARTTLS: found %v", f)
	}
}

// A server that takes the connection and hangs, at the greeting or later.
func TestMailHangs(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	o := &postOffice{address: l.Addr().String()}
	for _, greeting := range []string{"", "220 mail.example ESMTP\r\n250 mail.example\r\n"} {
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			_, _ = io.WriteString(c, greeting)
			_, _ = io.Copy(io.Discard, c)
		}()
		target := mailTo(t, o, "none", func(c *Mail) { c.Timeout = 300 * time.Millisecond })
		if f := failure(t, target.Send(t.Context(), stiff(), nil)); f.Permanent {
			t.Errorf("found %v", f)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if f := failure(t, mailTo(t, o, "none", nil).Send(ctx, stiff(), nil)); f.Permanent || !errors.Is(f, context.Canceled) {
		t.Errorf("found %v", f)
	}
}
