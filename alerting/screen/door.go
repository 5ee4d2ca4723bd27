package screen

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"throwline/alerting"
)

// Door lets in who may come in. Accounts is needed.
type Door struct {
	Accounts Accounts
	// PublicURL is under which address people reach the pages, with no path;
	// "" where they use the one that the program listens on. With https://
	// cookies travel over TLS only.
	PublicURL string
	// OpenMetrics lets anyone read /metrics.
	OpenMetrics bool
	// Proxies are believed when they say whom they ask for (X-Forwarded-For).
	Proxies []netip.Prefix
}

// Accounts is who may come in. Errors that are no faults of ours are named in
// package alerting, or are an [ingest.Refusal] or wrap [io/fs.ErrNotExist].
// A secret that is returned is given to its owner and not kept.
type Accounts interface {
	// BySession and ByToken return whose session or token it is; use notes that it was used.
	BySession(ctx context.Context, secret string, use bool) (alerting.Visitor, error)
	ByToken(ctx context.Context, secret string, use bool) (alerting.Visitor, error)
	// Still reports whether a visitor still is who he was, in the same role, and may do what needs the role.
	Still(v alerting.Visitor, least alerting.Role) bool

	// NeedsSetup reports whether there is no administrator yet.
	NeedsSetup() bool
	// Login takes what the browser kept of earlier logins, and returns what it keeps from now on.
	Login(ctx context.Context, name, password, address, kept string) (secret, keep string, v alerting.Visitor, err error)
	Logout(ctx context.Context, v alerting.Visitor, everywhere bool) error
	ChangePassword(ctx context.Context, v alerting.Visitor, old, password, address string) (secret string, now alerting.Visitor, err error)
	// Link says what a link is for, "setup" or "own", and whose account it opens.
	Link(link string) (kind, name string, err error)
	Redeem(ctx context.Context, link, name, display, password, address string) (secret string, v alerting.Visitor, err error)

	// An OpenID provider: Begin sends the browser there with a secret of its own to keep, Finish takes it back.
	HasOpenID() bool
	BeginOpenID(ctx context.Context) (address, browser string, err error)
	FinishOpenID(ctx context.Context, browser, state, code, address string) (secret string, v alerting.Visitor, err error)

	List() []alerting.Account
	// Add and Reset return the end of a link with which the owner chooses a password.
	Add(ctx context.Context, by, name, display string, role alerting.Role) (link string, a alerting.Account, err error)
	Reset(ctx context.Context, by, name string) (link string, err error)
	// Change changes what is not nil.
	Change(ctx context.Context, by, name string, display *string, role *alerting.Role, disabled *bool) (alerting.Account, error)
	EndSessions(ctx context.Context, by, name string) error

	// Tokens returns those of one account, or of all where name is "".
	Tokens(name string) []alerting.Token
	AddToken(ctx context.Context, v alerting.Visitor, label string, role alerting.Role, lasts time.Duration) (secret string, t alerting.Token, err error)
	RevokeToken(ctx context.Context, v alerting.Visitor, id int64) error

	Audit(ctx context.Context, cursor string, limit int) (items []alerting.Audited, next string, err error)
}

// asking is who asks, and from where.
type asking struct {
	visitor alerting.Visitor
	known   bool
	address string
	secure  bool   // the browser is reached over TLS
	device  string // what the browser kept of earlier logins
}

type askingKey struct{}

func whoAsks(ctx context.Context) asking {
	a, _ := ctx.Value(askingKey{}).(asking)
	return a
}

// VisitorOf returns who has logged in to ask; false where nobody needs to.
func VisitorOf(ctx context.Context) (alerting.Visitor, bool) {
	a := whoAsks(ctx)
	return a.visitor, a.known
}

// By returns in whose name something is done: who has logged in, whatever else
// is claimed; the claim where nobody needs to log in.
func By(ctx context.Context, claimed string) string {
	if v, ok := VisitorOf(ctx); ok {
		return v.Account.Name
	}
	return claimed
}

// watchEvery is the time between two looks at whether an open event stream's
// reader may still read.
const watchEvery = time.Second

// door finds who asks and lets through what he may do.
func (s *server) door(next http.Handler) http.Handler {
	d := s.o.Door
	if d == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := s.mux.Handler(r)
		want, listed := needs[pattern]
		if pattern == "GET /metrics" && d.OpenMetrics {
			want = anyone
		}
		if !listed {
			s.o.Log.Error("a route is missing in the table of who may what: nobody is let in", "route", pattern)
			want = need{least: "nobody"}
		}
		a := asking{address: d.address(r), secure: d.secure(r)}
		if c, err := r.Cookie(deviceCookie(a.secure)); err == nil {
			a.device = c.Value
		}
		header, byToken := r.Header["Authorization"]
		var err error
		if byToken {
			scheme, secret, _ := strings.Cut(strings.Join(header, ","), " ")
			if strings.EqualFold(scheme, "Bearer") {
				a.visitor, err = d.Accounts.ByToken(r.Context(), strings.TrimSpace(secret), true)
			} else {
				err = alerting.ErrNobody
			}
		} else if c, cookieErr := r.Cookie(sessionCookie(a.secure)); cookieErr == nil {
			a.visitor, err = d.Accounts.BySession(r.Context(), c.Value, true)
		} else {
			err = alerting.ErrNobody
		}
		a.known = err == nil
		if err != nil && !errors.Is(err, alerting.ErrNobody) {
			s.o.Log.Error("request failed", "doing", "find who asks", "error", err)
		}
		if status, why := want.refuse(a, byToken); status != 0 {
			s.turnAway(w, r, status, why)
			return
		}
		if safe := r.Method == http.MethodGet || r.Method == http.MethodHead; !safe && !byToken && a.known && !d.sameOrigin(r) {
			s.o.Refused.Add(RefusedOrigin)
			writeProblem(w, http.StatusForbidden, "with a cookie, a page of this address only may change anything; a program shows a token")
			return
		}
		// A page says whom it takes to be logged in. Where another is by now, what
		// the one has filled in must not be done in the other's name.
		if as := r.Header.Get("X-Throwline-As"); as != "" && a.known && as != a.visitor.Account.Name {
			writeProblem(w, http.StatusUnauthorized, "expected "+clipped(printable(as), mostFaultEcho)+" to be logged in, found another; load the page anew")
			return
		}
		ctx := context.WithValue(r.Context(), askingKey{}, a)
		if pattern == "GET "+eventsPath {
			var cancel context.CancelFunc
			ctx, cancel = context.WithCancel(ctx)
			defer cancel()
			go d.watch(ctx, cancel, a.visitor, want.least)
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// refuse says with which status and why who asks is refused; 0: he is not.
func (n need) refuse(a asking, byToken bool) (int, string) {
	switch {
	case n == anyone:
		return 0, ""
	case !a.known && byToken:
		return http.StatusUnauthorized, "expected a token that holds, found another"
	case !a.known:
		return http.StatusUnauthorized, "log in first, or show a token"
	case !a.visitor.Role.Allows(n.least):
		return http.StatusForbidden, "expected the role " + string(n.least) + " or more, found " + string(a.visitor.Role)
	case n.person && byToken:
		return http.StatusForbidden, "expected someone who has logged in, found a token"
	}
	return 0, ""
}

// turnAway answers who is not let in: with a problem, or in a browser with the login page.
func (s *server) turnAway(w http.ResponseWriter, r *http.Request, status int, why string) {
	machine := strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/metrics"
	switch {
	case machine:
		if status == http.StatusUnauthorized {
			w.Header().Set("WWW-Authenticate", `Bearer realm="throwline"`)
		}
		w.Header().Set("Cache-Control", "no-store")
		writeProblem(w, status, why)
	case status == http.StatusUnauthorized:
		to := "/login"
		if next := r.URL.RequestURI(); next != "/" {
			to += "?next=" + url.QueryEscape(next)
		}
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, to, http.StatusSeeOther)
	default:
		notice(w, status, "This page is not for your role", `<p>It takes another role than yours. Back to <a href="/">the alerts</a>.</p>`)
	}
}

// watch ends the context once the visitor may no longer read.
func (d *Door) watch(ctx context.Context, end context.CancelFunc, v alerting.Visitor, least alerting.Role) {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if !d.Accounts.Still(v, least) {
				end()
				return
			}
		}
	}
}

// secure reports whether the browser is reached over TLS.
func (d *Door) secure(r *http.Request) bool {
	return r.TLS != nil || strings.HasPrefix(d.PublicURL, "https://")
}

// sameOrigin reports whether a page of ours asks. Browsers say so in
// Sec-Fetch-Site, older ones in Origin; who says neither is no browser.
func (d *Door) sameOrigin(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" {
		return site == "same-origin"
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return false
	}
	if origin == d.PublicURL {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host == r.Host
}

// address returns where a request comes from, as far as it tells one person
// from another: an IPv6 address without its second half.
func (d *Door) address(r *http.Request) string {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	ip := from.Addr().Unmap()
	// The last entry is the nearest proxy's own word; what stands before is believed only from one of ours.
	hops := strings.Split(strings.Join(r.Header["X-Forwarded-For"], ","), ",")
	for i := len(hops) - 1; i >= 0 && d.trusts(ip); i-- {
		hop, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			break
		}
		ip = hop.Unmap()
	}
	if ip.Is6() {
		if p, err := ip.WithZone("").Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

func (d *Door) trusts(ip netip.Addr) bool {
	for _, p := range d.Proxies {
		if p.Contains(ip) {
			return true
		}
	}
	return false
}

func sessionCookie(secure bool) string { return cookieName("throwline", secure) }
func loginCookie(secure bool) string   { return cookieName("throwline-login", secure) }
func deviceCookie(secure bool) string  { return cookieName("throwline-device", secure) }

// cookieName: with __Host- a browser takes the cookie over TLS only, and from
// this very host (RFC 6265bis, 4.1.3.2).
func cookieName(name string, secure bool) string {
	if secure {
		return "__Host-" + name
	}
	return name
}

// cookie makes a cookie that no script reads and no other site's request
// carries; it is taken back where value is "".
func cookie(name, value string, secure bool, lasts time.Duration) http.Cookie {
	c := http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, Secure: secure, SameSite: http.SameSiteLaxMode, MaxAge: int(lasts.Seconds())}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

// hosts refuses requests under a name that is not ours: a foreign page whose
// name was made to point at this machine would be of our origin to a browser.
func hosts(ours []string, next http.Handler) http.Handler {
	if ours == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !ourHost(r.Host, ours) {
			writeProblem(w, http.StatusMisdirectedRequest, "expected localhost or a name of the configuration (access.public_url) as the host, found "+clipped(printable(r.Host), mostFaultEcho))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func ourHost(host string, ours []string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if ip, err := netip.ParseAddr(host); err == nil && ip.Unmap().IsLoopback() {
		return true
	}
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	for _, name := range ours {
		if strings.EqualFold(host, name) {
			return true
		}
	}
	return false
}
