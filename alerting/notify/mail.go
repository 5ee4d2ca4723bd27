package notify

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base32"
	"errors"
	"fmt"
	"html/template"
	"net"
	stdmail "net/mail"
	"strconv"
	"strings"
	"sync"
	"time"

	gomail "github.com/wneessen/go-mail"

	"throwline/alerting"
)

const (
	mailWait     = 30 * time.Second // greylisting servers are slow on purpose
	refusedAfter = 5 * time.Minute  // when a server would not let us in: someone has to mend that
	partlyAtMost = 256              // messages of which it is known who has them
)

type mailer struct {
	c      *Mail
	from   *stdmail.Address
	to     []*stdmail.Address
	zone   *time.Location
	secure *tls.Config
	host   string
	port   int

	mu     sync.Mutex
	partly map[string]map[string]bool // by key: the addresses that have it already
}

func newMail(c *Mail) (*mailer, error) {
	m := &mailer{c: c, zone: time.UTC, partly: map[string]map[string]bool{}}
	var err error
	if m.from, err = stdmail.ParseAddress(c.From); err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	for _, s := range c.To {
		a, err := stdmail.ParseAddress(s)
		if err != nil {
			return nil, fmt.Errorf("to: %w", err)
		}
		m.to = append(m.to, a)
	}
	if m.zone, err = time.LoadLocation(c.Zone); err != nil {
		return nil, fmt.Errorf("zone: %w", err)
	}
	host, port, err := net.SplitHostPort(c.Server)
	if err != nil {
		return nil, fmt.Errorf("server: %w", err)
	}
	m.host = host
	if m.port, err = strconv.Atoi(port); err != nil {
		return nil, fmt.Errorf("server: %w", err)
	}
	if m.secure, err = c.TLS.config(); err != nil {
		return nil, err
	}
	if m.secure == nil {
		m.secure = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	m.secure.ServerName = host
	return m, nil
}

// Send sends a mail to each address by itself, so that one that is refused
// does not keep it from the others. A server that does not let us in is a
// temporary failure; a mail that it refuses with 5xx is a permanent one.
func (m *mailer) Send(ctx context.Context, msg alerting.Message, pictures []Picture) error {
	timeout := mailWait
	if m.c.Timeout > 0 {
		timeout = m.c.Timeout
	}
	within, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	has := m.known(msg.Key)
	var mails []*gomail.Msg
	var whom []string
	for _, to := range m.to {
		if has[to.Address] {
			continue
		}
		one, err := m.compose(&msg, to, pictures)
		if err != nil {
			return permanent("mail to %s: %w", to.Address, err)
		}
		mails, whom = append(mails, one), append(whom, to.Address)
	}
	if err := m.deliver(within, timeout, mails); err != nil {
		return err
	}
	var failures []*Failure
	for i, one := range mails {
		if one.IsDelivered() {
			has[whom[i]] = true
			continue
		}
		failures = append(failures, refused(within, whom[i], one.SendError()))
	}
	err := together(failures)
	var f *Failure
	m.keep(msg.Key, has, errors.As(err, &f) && !f.Permanent)
	return err
}

// refused makes a failure of what a server said of one mail.
func refused(ctx context.Context, whom string, err error) *Failure {
	if err == nil {
		err = errors.New("the connection was lost before it")
	}
	var s *gomail.SendError
	if errors.As(err, &s) && s.ErrorCode() >= 500 {
		return permanent("mail to %s: %s", whom, oneLine(err.Error(), longLine))
	}
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	return temporary("mail to %s: %s", whom, oneLine(err.Error(), longLine))
}

// deliver opens a session and sends what it can; each mail then says whether
// it was taken.
func (m *mailer) deliver(ctx context.Context, timeout time.Duration, mails []*gomail.Msg) error {
	// The library leaves the connection open when no session comes about, and
	// looks at ctx only while it connects.
	var conn net.Conn
	free := func() bool { return true }
	defer func() {
		free()
		if conn != nil {
			_ = conn.Close()
		}
	}()
	options := []gomail.Option{
		gomail.WithPort(m.port),
		gomail.WithTimeout(timeout),
		gomail.WithTLSConfig(m.secure),
		gomail.WithTLSPolicy(map[string]gomail.TLSPolicy{
			"none": gomail.NoTLS,
			"tls":  gomail.TLSOpportunistic, // it is encrypted already, which the library finds by itself
		}[m.c.Security]),
		gomail.WithDialContextFunc(func(_ context.Context, _, address string) (net.Conn, error) {
			c, err := dial(ctx, address, m.secure, m.c.Security == "tls")
			if err != nil {
				return nil, err
			}
			conn, free = c, context.AfterFunc(ctx, func() { _ = c.Close() })
			return c, nil
		}),
	}
	if m.c.Security == "" || m.c.Security == "starttls" {
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if m.c.Hello != "" {
		options = append(options, gomail.WithHELO(m.c.Hello))
	}
	if m.c.Username != "" {
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(m.c.Username), gomail.WithPassword(m.c.Password))
	}
	client, err := gomail.NewClient(m.host, options...)
	if err != nil {
		return permanent("mail server %s: %w", m.c.Server, err)
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		f := temporary("mail server %s: %w", m.c.Server, first(ctx, err))
		if conn != nil && ctx.Err() == nil {
			f.After = refusedAfter
		}
		return f
	}
	_ = client.SendWithSMTPClient(session, mails...) // each mail says it for itself
	_ = client.CloseWithSMTPClient(session)          // what was taken stays taken
	return nil
}

// known returns the addresses that have a message already. The caller owns it.
func (m *mailer) known(key string) map[string]bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	has := map[string]bool{}
	for a := range m.partly[key] {
		has[a] = true
	}
	return has
}

// keep remembers them while the message will be tried again. It is a courtesy:
// what is forgotten is sent again, with the same Message-ID.
func (m *mailer) keep(key string, has map[string]bool, again bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !again || len(has) == 0 {
		delete(m.partly, key)
		return
	}
	if len(m.partly) >= partlyAtMost {
		clear(m.partly)
	}
	m.partly[key] = has
}

// compose writes the mail to one address. Nothing of a message gets into a
// header but what oneLine has passed or a hash.
func (m *mailer) compose(msg *alerting.Message, to *stdmail.Address, pictures []Picture) (*gomail.Msg, error) {
	w := Write(*msg, m.zone)
	out := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	out.FromMailAddress(m.from)
	out.ToMailAddress(to)
	out.Subject(oneLine(w.Subject, 200))
	at := msg.At
	if at.IsZero() {
		at = time.Now()
	}
	out.SetDateWithValue(at)
	_, domain, _ := strings.Cut(m.from.Address, "@")
	out.SetMessageIDWithValue(hashed("message", msg.Key) + "@" + domain)
	if msg.Alert.ID != "" {
		// All mails about an alert answer the same one, which never was: that
		// puts them together without anyone remembering what was sent first.
		thread := "<" + hashed("alert", msg.Alert.ID) + "@" + domain + ">"
		out.SetGenHeader(gomail.HeaderReferences, thread)
		out.SetGenHeader(gomail.HeaderInReplyTo, thread)
	}
	out.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday notes, please
	if msg.Alert.Priority == alerting.High && msg.Reason != alerting.NoLonger && msg.Reason != alerting.Trial {
		out.SetImportance(gomail.ImportanceHigh)
	}
	page := mailPage{Words: w}
	for i, p := range pictures {
		id := fmt.Sprintf("picture%d.%s@%s", i+1, hashed("message", msg.Key), domain)
		page.Pictures = append(page.Pictures, shown{template.URL("cid:" + id), paragraph(p.Caption, longLine)})
		if err := out.EmbedReader(fileName(p.Name, i), bytes.NewReader(p.PNG), gomail.WithFileContentID("<"+id+">"), gomail.WithFileContentType("image/png")); err != nil {
			return nil, err
		}
	}
	var html bytes.Buffer
	if err := mailHTML.Execute(&html, page); err != nil {
		return nil, err
	}
	out.SetBodyString(gomail.TypeTextPlain, w.Text())
	out.AddAlternativeString(gomail.TypeTextHTML, strings.ReplaceAll(html.String(), " %", "\u00a0%"))
	return out, nil
}

func fileName(s string, i int) string {
	if s = level(s); s == "-" {
		return fmt.Sprintf("picture%d.png", i+1)
	}
	return s
}

// hashed makes of anything what may stand in a Message-ID.
func hashed(kind, s string) string {
	h := sha256.Sum256([]byte(kind + "\x00" + s))
	return "throwline." + strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(h[:15]))
}

type mailPage struct {
	Words
	Pictures []shown
}

type shown struct {
	Source  template.URL
	Caption string
}

// mailHTML is as plain as mail programs need it: tables of styles do not
// survive there.
var mailHTML = template.Must(template.New("mail").Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{{.Subject}}</title></head>
<body style="margin:0;padding:16px;background:#fff;color:#1b2430;font:16px/1.45 system-ui,'Segoe UI','Helvetica Neue',sans-serif">
<div style="max-width:640px">
<h1 style="font-size:20px;line-height:1.25;margin:0 0 4px">{{.Subject}}</h1>
{{with .News}}<p style="margin:0 0 12px;color:#545e6b">{{.}}</p>
{{end}}{{with .Reason}}<p style="margin:0 0 12px">{{.}}</p>
{{end}}{{with .Forecast}}<p style="margin:0 0 12px"><b>Forecast.</b> {{.}}</p>
{{end}}{{with .Note}}<p style="margin:0 0 12px"><b>Note.</b> {{.}}</p>
{{end}}{{range .Pictures}}<p style="margin:0 0 12px"><img src="{{.Source}}" alt="{{.Caption}}" width="640" style="display:block;width:100%;max-width:640px;height:auto;border:0"></p>
{{end}}{{with .Checks}}<h2 style="font-size:16px;margin:16px 0 4px">What to check on site, as your rule book allows</h2>
<ul style="margin:0 0 12px;padding-left:20px">{{range .}}<li>{{.}}</li>{{end}}</ul>
{{end}}{{with .Causes}}<h2 style="font-size:16px;margin:16px 0 4px">Causes, most probable first</h2>
<ul style="margin:0 0 12px;padding-left:20px">{{range .}}<li>{{.}}</li>{{end}}</ul>
{{end}}{{with .Evidence}}<h2 style="font-size:16px;margin:16px 0 4px">What was measured</h2>
<ul style="margin:0 0 12px;padding-left:20px">{{range .}}<li>{{.}}</li>{{end}}</ul>
{{end}}{{with .Link}}<p style="margin:16px 0"><a href="{{.}}" style="color:#1d4f91">The turnout's page: trends, traces, acknowledging</a></p>
{{end}}{{with .Facts}}<table style="border-collapse:collapse;margin:0 0 12px;color:#545e6b;font-size:14px">
{{range .}}<tr><th scope="row" style="text-align:left;font-weight:normal;padding:0 16px 0 0;vertical-align:top">{{.Name}}</th><td style="padding:0;color:#1b2430">{{.Value}}</td></tr>
{{end}}</table>
{{end}}{{with .Caution}}<p style="margin:16px 0 0;padding:8px 0 0;border-top:1px solid #aaa595;font-size:14px">{{.}}</p>
{{end}}</div></body></html>
`))
