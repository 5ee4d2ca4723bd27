package screen

import (
	"context"
	"encoding/base64"
	"errors"
	"html"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
)

const (
	sessionFor = 7 * 24 * time.Hour // of the cookie; the session itself may end earlier
	loginFor   = 10 * time.Minute   // at the OpenID provider
	deviceFor  = 90 * 24 * time.Hour
)

// SessionView says who is logged in, and how one can.
type SessionView struct {
	Access string        `json:"access" enum:"open,accounts" doc:"open: nobody needs to log in"`
	Setup  bool          `json:"setup,omitempty" doc:"there is no administrator yet: the program has printed a link for the first one"`
	OpenID bool          `json:"openid,omitempty" doc:"one can log in at an OpenID provider, at /login/openid"`
	User   *Person       `json:"user,omitempty" doc:"left out: nobody"`
	Role   alerting.Role `json:"role,omitempty" enum:"viewer,operator,maintainer,administrator" doc:"what may be done: with a token it may be less than the account's"`
}

// Entered is the answer to a login, with the session's cookie.
type Entered struct {
	SetCookie []http.Cookie `header:"Set-Cookie"`
	Body      SessionView
}

// registerSession registers what is about oneself.
func (s *server) registerSession(api huma.API) {
	get(api, "session", "/session", "Who is logged in, and how one can log in", s.session)
	act(api, "login", "/session", "Log in: the answer has the session's cookie", http.StatusOK, s.login)
	act(api, "logout", "/session/logout", "Log out", http.StatusOK, s.logout)
	act(api, "change-password", "/session/password", "Change one's own password; all other sessions end", http.StatusOK, s.changePassword)
	act(api, "link", "/session/link", "What a link for choosing a password is for", http.StatusOK, s.link)
	act(api, "redeem", "/session/redeem", "Use such a link: choose a password, and log in", http.StatusOK, s.redeem)
	s.mux.HandleFunc("GET /login/openid", s.beginOpenID)
	s.mux.HandleFunc("GET /login/openid/return", s.finishOpenID)
}

// act registers an operation that changes something and takes JSON.
func act[I, O any](api huma.API, id, path, summary string, status int, h func(context.Context, *I) (*O, error)) {
	huma.Register(api, huma.Operation{
		OperationID: id, Method: http.MethodPost, Path: apiPath + path, Summary: summary, DefaultStatus: status,
		MaxBodyBytes: maxBody, Middlewares: huma.Middlewares{onlyJSON(api)}, Errors: []int{400, 401, 403, 404, 413, 415, 422, 429, 503},
	}, h)
}

// accounts returns who may come in, or an error where nobody needs to log in.
func (s *server) accounts() (Accounts, error) {
	if s.o.Door == nil {
		return nil, huma.Error404NotFound("there are no accounts here: access is open to this machine (access.mode)")
	}
	return s.o.Door.Accounts, nil
}

// doorProblem turns an error of the accounts into a problem.
func (s *server) doorProblem(ctx context.Context, err error, doing string) error {
	var wait interface{ After() time.Duration }
	var full interface{ Full() bool }
	if errors.As(err, &full) && full.Full() {
		s.o.Refused.Add(RefusedMore)
	}
	switch {
	case errors.As(err, &wait):
		seconds := max(1, int(wait.After().Round(time.Second).Seconds()))
		return huma.ErrorWithHeaders(huma.Error429TooManyRequests(err.Error()), http.Header{"Retry-After": {strconv.Itoa(seconds)}})
	case errors.Is(err, alerting.ErrBusy):
		s.o.Refused.Add(RefusedLogins)
		return huma.ErrorWithHeaders(huma.Error503ServiceUnavailable(err.Error()), http.Header{"Retry-After": {"2"}})
	case errors.Is(err, alerting.ErrWrongLogin):
		return huma.Error401Unauthorized(alerting.ErrWrongLogin.Error())
	case errors.Is(err, alerting.ErrLink):
		return huma.Error403Forbidden(alerting.ErrLink.Error())
	}
	return s.problem(ctx, err, doing)
}

func (s *server) session(ctx context.Context, _ *struct{}) (*answer[SessionView], error) {
	if s.o.Door == nil {
		return &answer[SessionView]{SessionView{Access: "open"}}, nil
	}
	v, _ := VisitorOf(ctx)
	return &answer[SessionView]{s.view(v)}, nil
}

func (s *server) view(v alerting.Visitor) SessionView {
	out := SessionView{Access: "accounts", Setup: s.o.Door.Accounts.NeedsSetup(), OpenID: s.o.Door.Accounts.HasOpenID()}
	if v.Account.Name != "" {
		p := newPerson(&v.Account)
		out.User, out.Role = &p, v.Role
	}
	return out
}

// enter is the answer that begins a session.
func (s *server) enter(ctx context.Context, secret string, v alerting.Visitor) *Entered {
	a := whoAsks(ctx)
	return &Entered{[]http.Cookie{cookie(sessionCookie(a.secure), secret, a.secure, sessionFor)}, s.view(v)}
}

type loginInput struct {
	Body struct {
		_        struct{} `additionalProperties:"false"`
		Name     string   `json:"name" maxLength:"256"`
		Password string   `json:"password" maxLength:"4096"`
	}
}

func (s *server) login(ctx context.Context, in *loginInput) (*Entered, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	a := whoAsks(ctx)
	secret, keep, v, err := accounts.Login(ctx, in.Body.Name, in.Body.Password, a.address, a.device)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "log in")
	}
	out := s.enter(ctx, secret, v)
	out.SetCookie = append(out.SetCookie, cookie(deviceCookie(a.secure), keep, a.secure, deviceFor))
	return out, nil
}

type logoutInput struct {
	Body struct {
		_          struct{} `additionalProperties:"false"`
		Everywhere bool     `json:"everywhere,omitempty" doc:"in all browsers"`
	}
}

func (s *server) logout(ctx context.Context, in *logoutInput) (*Entered, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	a := whoAsks(ctx)
	if err := accounts.Logout(ctx, a.visitor, in.Body.Everywhere); err != nil {
		return nil, s.doorProblem(ctx, err, "log out")
	}
	return &Entered{[]http.Cookie{cookie(sessionCookie(a.secure), "", a.secure, 0)}, s.view(alerting.Visitor{})}, nil
}

type passwordInput struct {
	Body struct {
		_        struct{} `additionalProperties:"false"`
		Old      string   `json:"old" maxLength:"4096"`
		Password string   `json:"password" maxLength:"4096" doc:"the new one: at least 12 characters"`
	}
}

func (s *server) changePassword(ctx context.Context, in *passwordInput) (*Entered, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	a := whoAsks(ctx)
	secret, v, err := accounts.ChangePassword(ctx, a.visitor, in.Body.Old, in.Body.Password, a.address)
	if errors.Is(err, alerting.ErrWrongLogin) {
		return nil, &huma.ErrorModel{ // not 401: the session holds
			Status: http.StatusUnprocessableEntity, Title: http.StatusText(http.StatusUnprocessableEntity), Detail: "refused",
			Errors: []*huma.ErrorDetail{{Location: "body.old", Message: "expected the password that holds now, found another"}},
		}
	}
	if err != nil {
		return nil, s.doorProblem(ctx, err, "change the password")
	}
	return s.enter(ctx, secret, v), nil
}

type linkInput struct {
	Body struct {
		_    struct{} `additionalProperties:"false"`
		Link string   `json:"link" maxLength:"128" doc:"what stands after # in the link"`
	}
}

// LinkView is what a link is for.
type LinkView struct {
	Kind string `json:"kind" enum:"setup,own" doc:"setup: the first administrator; own: a password for one's account"`
	Name string `json:"name,omitempty" doc:"of the account"`
}

func (s *server) link(ctx context.Context, in *linkInput) (*answer[LinkView], error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	kind, name, err := accounts.Link(in.Body.Link)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "look at the link")
	}
	return &answer[LinkView]{LinkView{kind, name}}, nil
}

type redeemInput struct {
	Body struct {
		_        struct{} `additionalProperties:"false"`
		Link     string   `json:"link" maxLength:"128"`
		Name     string   `json:"name,omitempty" maxLength:"256" doc:"of the first administrator"`
		Display  string   `json:"display,omitempty" maxLength:"256" doc:"how he is called"`
		Password string   `json:"password" maxLength:"4096" doc:"at least 12 characters"`
	}
}

func (s *server) redeem(ctx context.Context, in *redeemInput) (*Entered, error) {
	accounts, err := s.accounts()
	if err != nil {
		return nil, err
	}
	secret, v, err := accounts.Redeem(ctx, in.Body.Link, in.Body.Name, in.Body.Display, in.Body.Password, whoAsks(ctx).address)
	if err != nil {
		return nil, s.doorProblem(ctx, err, "use the link")
	}
	return s.enter(ctx, secret, v), nil
}

// beginOpenID sends the browser to the provider.
func (s *server) beginOpenID(w http.ResponseWriter, r *http.Request) {
	if s.o.Door == nil || !s.o.Door.Accounts.HasOpenID() {
		notice(w, http.StatusNotFound, "There is no such page", `<p>Back to <a href="/">the alerts</a>.</p>`)
		return
	}
	to, browser, err := s.o.Door.Accounts.BeginOpenID(r.Context())
	if errors.Is(err, alerting.ErrBusy) {
		s.manyLogins(w)
		return
	}
	if err != nil {
		s.o.Log.Error("request failed", "doing", "begin a login at the OpenID provider", "error", err)
		s.noLogin(w, http.StatusServiceUnavailable, "The provider cannot be reached now; the log says why.")
		return
	}
	secure := whoAsks(r.Context()).secure
	c := cookie(loginCookie(secure), browser+"."+base64.RawURLEncoding.EncodeToString([]byte(ownPath(r.URL.Query().Get("next")))), secure, loginFor)
	http.SetCookie(w, &c)
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// finishOpenID takes the browser back.
func (s *server) finishOpenID(w http.ResponseWriter, r *http.Request) {
	if s.o.Door == nil {
		notice(w, http.StatusNotFound, "There is no such page", `<p>Back to <a href="/">the alerts</a>.</p>`)
		return
	}
	a := whoAsks(r.Context())
	q := r.URL.Query()
	browser, next := "", ""
	if c, err := r.Cookie(loginCookie(a.secure)); err == nil {
		browser, next, _ = strings.Cut(c.Value, ".")
	}
	gone := cookie(loginCookie(a.secure), "", a.secure, 0)
	http.SetCookie(w, &gone)
	w.Header().Set("Cache-Control", "no-store")
	if q.Get("error") != "" {
		s.o.Log.Warn("the OpenID provider lets someone not in", "error", printable(q.Get("error")), "said", printable(q.Get("error_description")))
		s.noLogin(w, http.StatusForbidden, "The provider has not let you in.")
		return
	}
	secret, v, err := s.o.Door.Accounts.FinishOpenID(r.Context(), browser, q.Get("state"), q.Get("code"), a.address)
	switch {
	case errors.Is(err, alerting.ErrLink):
		s.noLogin(w, http.StatusForbidden, "This login was not begun in this browser, or took too long.")
		return
	case errors.Is(err, alerting.ErrBusy):
		s.manyLogins(w)
		return
	case errors.Is(err, alerting.ErrDenied):
		s.o.Log.Warn("login refused", "error", err)
		s.noLogin(w, http.StatusForbidden, err.Error())
		return
	case err != nil:
		s.o.Log.Error("request failed", "doing", "end a login at the OpenID provider", "error", err)
		s.noLogin(w, http.StatusBadGateway, "The provider did not answer as it should; the log says why.")
		return
	}
	c := cookie(sessionCookie(a.secure), secret, a.secure, sessionFor)
	http.SetCookie(w, &c)
	path, _ := base64.RawURLEncoding.DecodeString(next)
	s.o.Log.Debug("logged in", "account", v.Account.Name)
	http.Redirect(w, r, ownPath(string(path)), http.StatusSeeOther)
}

// manyLogins answers where more log in at the provider than may at once.
func (s *server) manyLogins(w http.ResponseWriter) {
	s.o.Refused.Add(RefusedLogins)
	w.Header().Set("Retry-After", "2")
	s.noLogin(w, http.StatusServiceUnavailable, "Too many are logging in at this moment; try again shortly.")
}

func (s *server) noLogin(w http.ResponseWriter, status int, why string) {
	notice(w, status, "Not logged in", "<p>"+html.EscapeString(why)+`</p><p><a href="/login">Log in again</a></p>`)
}

// ownPath returns the path if it stays here, or the start page.
func ownPath(path string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n\t") {
		return "/"
	}
	return path
}
