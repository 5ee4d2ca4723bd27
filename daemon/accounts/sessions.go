package accounts

import (
	"context"
	"slices"
	"strings"
	"time"

	"throwline/alerting"
)

// BySession returns whose session the secret opens. Where use is set this is
// noted, and the session holds for [Idle] again.
func (a *Accounts) BySession(ctx context.Context, secret string, use bool) (alerting.Visitor, error) {
	return a.visit(ctx, alerting.SecretOf(secret), use, false)
}

// ByToken returns in whose name the token asks.
func (a *Accounts) ByToken(ctx context.Context, secret string, use bool) (alerting.Visitor, error) {
	if !strings.HasPrefix(secret, TokenPrefix) {
		return alerting.Visitor{}, alerting.ErrNobody
	}
	return a.visit(ctx, alerting.SecretOf(secret), use, true)
}

// Still reports whether the visitor would still come in as the same, in the same
// role, which is no less than the given one; it counts as no use.
func (a *Accounts) Still(v alerting.Visitor, least alerting.Role) bool {
	now, err := a.visit(context.Background(), v.Secret, false, v.Token != 0)
	return err == nil && now.Role == v.Role && now.Role.Allows(least)
}

func (a *Accounts) visit(ctx context.Context, secret alerting.Secret, use, token bool) (v alerting.Visitor, err error) {
	now := a.o.Now()
	var change alerting.AccountsChange
	a.mu.RLock()
	name := ""
	v.Secret = secret
	if token {
		if t := a.tokens[secret]; t != nil && now.Before(t.Expires) {
			name, v.Token, v.Role = t.Account, t.ID, t.Role
			if now.Sub(t.Used) >= seenEvery {
				used := *t
				used.Used = now
				change.Save.Tokens = []alerting.Token{used}
			}
		}
	} else if s := a.sessions[secret]; s != nil && holds(s, now) {
		name = s.Account
		if now.Sub(s.Seen) >= seenEvery {
			seen := *s
			seen.Seen = now
			change.Save.Sessions = []alerting.Session{seen}
		}
	}
	u := a.accounts[name]
	if u != nil {
		v.Account = *u
	}
	a.mu.RUnlock()
	if u == nil || !a.admitted(&v.Account) {
		return alerting.Visitor{}, alerting.ErrNobody
	}
	if !token || !v.Account.Role.Allows(v.Role) {
		v.Role = v.Account.Role // a token never may more than its owner does now
	}
	if use && (change.Save.Sessions != nil || change.Save.Tokens != nil) {
		a.note(ctx, secret, &change, now)
	}
	return v, nil
}

// note keeps that a session or token was used, unless it has ended meanwhile.
func (a *Accounts) note(ctx context.Context, secret alerting.Secret, c *alerting.AccountsChange, now time.Time) {
	if !a.change.TryLock() {
		return // another is being written; the next use is noted
	}
	defer a.change.Unlock()
	a.mu.RLock()
	s, t := a.sessions[secret], a.tokens[secret]
	there := s != nil && now.Sub(s.Seen) >= seenEvery || t != nil && now.Sub(t.Used) >= seenEvery
	a.mu.RUnlock()
	if !there {
		return
	}
	if err := a.enter(ctx, c); err != nil {
		a.o.Log.Warn("the use of a session was not noted", "error", err)
	}
}

// admitted reports whether an account may come in at all: one of a provider
// only while there is a provider.
func (a *Accounts) admitted(u *alerting.Account) bool {
	return !u.Disabled && (u.Subject == "" || a.openID != nil)
}

func holds(s *alerting.Session, now time.Time) bool {
	return now.Sub(s.Seen) < Idle && now.Sub(s.Began) < Absolute
}

// Login opens a session where name and password are right. address is where
// the attempt comes from, marks what the browser kept of earlier logins, keep
// what it keeps from now on. Errors: [alerting.ErrWrongLogin], [Wait], [alerting.ErrBusy].
func (a *Accounts) Login(ctx context.Context, name, password, address, marks string) (secret, keep string, v alerting.Visitor, err error) {
	name = CleanName(name)
	now := a.o.Now()
	u, known := a.account(name)
	device := a.device(marks, name, u.Password, now)
	undo, done, err := a.hold(name, address, device, now)
	if err != nil {
		return "", "", v, err
	}
	hash := u.Password
	if !known || u.Disabled || len(password) > mostPassword {
		hash = "" // costs the same and fits nothing
	}
	if len(password) > mostPassword {
		password = ""
	}
	ok, stale, err := a.hasher.check(ctx, password, hash, device != "")
	if err != nil {
		undo()
		return "", "", v, err
	}
	if !ok {
		said := name
		if !known {
			said = "unknown" // people type a password here by mistake
		}
		a.o.Log.Warn("wrong login", "account", said, "address", address)
		return "", "", v, alerting.ErrWrongLogin
	}
	done()
	fresh := ""
	if stale {
		if fresh, err = a.hasher.hash(ctx, password); err != nil {
			fresh = "" // another time
		}
	}
	a.change.Lock()
	defer a.change.Unlock()
	now = a.o.Now()
	latest, known := a.account(name)
	if !known || latest.Disabled || latest.Password != u.Password {
		return "", "", v, alerting.ErrWrongLogin // changed meanwhile
	}
	var c alerting.AccountsChange
	if fresh != "" {
		latest.Password = fresh
		c.Save.Accounts = []alerting.Account{latest}
	}
	c.Audit = append(c.Audit, a.audit(name, "logged in", "from "+address))
	secret, v = a.begin(&c, latest, now)
	if err := a.enter(ctx, &c); err != nil {
		return "", "", alerting.Visitor{}, err
	}
	return secret, a.marked(marks, name, latest.Password, now), v, nil
}

// hold counts an attempt at an account, or says how long to wait. undo takes it
// back where it was not looked at, done where it was right.
func (a *Accounts) hold(name, address, device string, now time.Time) (undo, done func(), err error) {
	if len(name) > 64 {
		name = name[:64]
	}
	if device != "" { // strangers do not hold it up, nor may it guess without end
		key := name + "\x00" + device
		if err := a.users.try(key, now); err != nil {
			return nil, nil, err
		}
		return func() { a.users.right(key, false) }, func() { a.users.right(key, true) }, nil
	}
	// The address pays for a try at an account that waits: else it could ask for
	// nothing until the wait is over, and be there before the owner.
	if err := a.address.try(address, now); err != nil {
		return nil, nil, err
	}
	key := name + "\x00" + address
	if err := a.users.try(key, now); err != nil {
		return nil, nil, err
	}
	if err := a.strangers.try(name, now); err != nil {
		a.users.right(key, false)
		return nil, nil, err
	}
	back := func(forget bool) func() {
		return func() {
			a.address.right(address, false)
			a.users.right(key, forget)
			a.strangers.right(name, false)
		}
	}
	return back(false), back(true), nil
}

// begin adds a new session to the change, and takes those away that are over.
// The caller holds change.
func (a *Accounts) begin(c *alerting.AccountsChange, u alerting.Account, now time.Time) (string, alerting.Visitor) {
	text, secret := newSecret("")
	c.Save.Sessions = append(c.Save.Sessions, alerting.Session{Secret: secret, Account: u.Name, Began: now, Seen: now})
	var mine []*alerting.Session
	a.mu.RLock()
	for _, s := range a.sessions {
		switch {
		case slices.Contains(c.Ended.Sessions, s.Secret):
		case !holds(s, now):
			c.Ended.Sessions = append(c.Ended.Sessions, s.Secret)
		case s.Account == u.Name:
			mine = append(mine, s)
		}
	}
	slices.SortFunc(mine, func(x, y *alerting.Session) int { return x.Seen.Compare(y.Seen) })
	for len(mine) >= mostOpen {
		c.Ended.Sessions = append(c.Ended.Sessions, mine[0].Secret)
		mine = mine[1:]
	}
	for _, l := range a.links {
		if !now.Before(l.Expires) {
			c.Ended.Links = append(c.Ended.Links, l.Secret)
		}
	}
	a.mu.RUnlock()
	return text, alerting.Visitor{Account: u, Role: u.Role, Secret: secret}
}

// endSessions adds the end of all sessions of an account to the change.
func (a *Accounts) endSessions(c *alerting.AccountsChange, name string) {
	a.mu.RLock()
	defer a.mu.RUnlock()
	for _, s := range a.sessions {
		if s.Account == name {
			c.Ended.Sessions = append(c.Ended.Sessions, s.Secret)
		}
	}
}

// endTokens adds the end of all tokens of an account to the change.
func (a *Accounts) endTokens(c *alerting.AccountsChange, name string) {
	for _, t := range a.Tokens(name) {
		c.Ended.Tokens = append(c.Ended.Tokens, t.ID)
	}
}

// endLinks adds the end of all links of an account to the change.
func (a *Accounts) endLinks(c *alerting.AccountsChange, name string) {
	a.mu.RLock()
	defer a.mu.RUnlock()
	for _, l := range a.links {
		if l.Account == name {
			c.Ended.Links = append(c.Ended.Links, l.Secret)
		}
	}
}

// Logout ends the visitor's session, or all sessions of the account.
func (a *Accounts) Logout(ctx context.Context, v alerting.Visitor, everywhere bool) error {
	a.change.Lock()
	defer a.change.Unlock()
	var c alerting.AccountsChange
	what := "logged out"
	if everywhere {
		what = "logged out everywhere, tokens ended"
		a.endSessions(&c, v.Account.Name)
		a.endTokens(&c, v.Account.Name)
	} else {
		c.Ended.Sessions = []alerting.Secret{v.Secret}
	}
	c.Audit = append(c.Audit, a.audit(v.Account.Name, what, ""))
	return a.enter(ctx, &c)
}

// ChangePassword changes the visitor's own password, ends all sessions and
// links of the account, and opens a new session.
func (a *Accounts) ChangePassword(ctx context.Context, v alerting.Visitor, old, password, address string) (string, alerting.Visitor, error) {
	name, now := v.Account.Name, a.o.Now()
	if err := a.changes.try(name, now); err != nil {
		return "", v, err
	}
	u, known := a.account(name)
	if !known || u.Password == "" || len(old) > mostPassword {
		return "", v, alerting.ErrWrongLogin
	}
	ok, _, err := a.hasher.check(ctx, old, u.Password, true)
	if err != nil {
		a.changes.right(name, false)
		return "", v, err
	}
	if !ok {
		return "", v, alerting.ErrWrongLogin
	}
	a.changes.right(name, true)
	if err := refuse(passwordFaults(password, name, u.Display)); err != nil {
		return "", v, err
	}
	hash, err := a.hasher.hash(ctx, password)
	if err != nil {
		return "", v, err
	}
	a.change.Lock()
	defer a.change.Unlock()
	latest, known := a.account(name)
	if !known || latest.Disabled || latest.Password != u.Password {
		return "", v, alerting.ErrWrongLogin // changed meanwhile
	}
	return a.choose(ctx, latest, hash, "changed the password", address)
}

// choose gives an account its new password and a new session. The caller holds change.
func (a *Accounts) choose(ctx context.Context, u alerting.Account, hash, what, address string) (string, alerting.Visitor, error) {
	u.Password = hash
	c := alerting.AccountsChange{Save: alerting.Accounts{Accounts: []alerting.Account{u}}}
	// Whoever knew the old one may have made tokens with it.
	a.endSessions(&c, u.Name)
	a.endTokens(&c, u.Name)
	a.endLinks(&c, u.Name)
	c.Audit = append(c.Audit, a.audit(u.Name, what, "from "+address))
	secret, v := a.begin(&c, u, a.o.Now())
	if err := a.enter(ctx, &c); err != nil {
		return "", alerting.Visitor{}, err
	}
	return secret, v, nil
}
