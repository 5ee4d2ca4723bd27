package accounts

import (
	"cmp"
	"context"
	"crypto/subtle"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/ingest"
)

// The kinds of links.
const (
	LinkSetup = "setup" // makes the first administrator
	LinkOwn   = "own"   // someone chooses a password for his account
)

// Link says what the end of a link is for: its kind, and whose account it opens.
func (a *Accounts) Link(link string) (kind, name string, err error) {
	secret, now := alerting.SecretOf(link), a.o.Now()
	a.mu.RLock()
	setup := a.setup
	l := a.links[secret]
	a.mu.RUnlock()
	switch {
	case setup != alerting.Secret{} && subtle.ConstantTimeCompare(secret[:], setup[:]) == 1 && a.NeedsSetup():
		return LinkSetup, "", nil
	case l == nil || !now.Before(l.Expires):
		return "", "", alerting.ErrLink
	}
	if u, known := a.account(l.Account); !known || u.Disabled {
		return "", "", alerting.ErrLink
	}
	return LinkOwn, l.Account, nil
}

// Redeem uses a link: it makes the first administrator with the name given, or
// gives the link's account the password; name and display are not looked at
// then. It opens a session. Errors: [alerting.ErrLink], [alerting.ErrBusy], an [ingest.Refusal].
func (a *Accounts) Redeem(ctx context.Context, link, name, display, password, address string) (string, alerting.Visitor, error) {
	var v alerting.Visitor
	kind, account, err := a.Link(link)
	if err != nil {
		return "", v, err
	}
	if kind == LinkOwn {
		u, _ := a.account(account)
		name, display = account, u.Display
	}
	name, display = CleanName(name), strings.TrimSpace(display)
	if err := refuse(nameFaults(name), displayFaults(display), passwordFaults(password, name, display)); err != nil {
		return "", v, err
	}
	hash, err := a.hasher.hash(ctx, password)
	if err != nil {
		return "", v, err
	}
	a.change.Lock()
	defer a.change.Unlock()
	if again, _, err := a.Link(link); err != nil || again != kind {
		return "", v, alerting.ErrLink // someone was quicker
	}
	if kind == LinkOwn {
		u, known := a.account(account)
		if !known {
			return "", v, alerting.ErrLink
		}
		return a.choose(ctx, u, hash, "chose a password with a link", address)
	}
	u, known := a.account(name)
	if !known {
		u = alerting.Account{Name: name, CreatedAt: a.o.Now()}
	}
	u.Display, u.Role, u.Disabled, u.Subject = display, alerting.Administrator, false, ""
	secret, v, err := a.choose(ctx, u, hash, "became the first administrator", address)
	if err == nil { // it stands in the log and must not come alive again
		a.mu.Lock()
		a.setup = alerting.Secret{}
		a.mu.Unlock()
	}
	return secret, v, err
}

// Add makes an account and returns the end of a link with which its owner
// chooses a password.
func (a *Accounts) Add(ctx context.Context, by, name, display string, role alerting.Role) (link string, u alerting.Account, err error) {
	name, display = CleanName(name), strings.TrimSpace(display)
	if err := refuse(nameFaults(name), displayFaults(display), roleFaults(role)); err != nil {
		return "", u, err
	}
	a.change.Lock()
	defer a.change.Unlock()
	if _, known := a.account(name); known {
		return "", u, &ingest.Refusal{Faults: []ingest.Fault{{Path: "name", Expected: "one that nobody has", Found: fmt.Sprintf("%q, which is there already", name)}}}
	}
	if a.crowded() {
		return "", u, isFull("name", fmt.Sprintf("at most %d accounts", a.o.Most))
	}
	u = alerting.Account{Name: name, Display: display, Role: role, CreatedAt: a.o.Now()}
	c := alerting.AccountsChange{Save: alerting.Accounts{Accounts: []alerting.Account{u}}}
	link = a.addLink(&c, name)
	c.Audit = append(c.Audit, a.audit(by, "account made", fmt.Sprintf("%s, %s", name, role)))
	return link, u, a.enter(ctx, &c)
}

func (a *Accounts) addLink(c *alerting.AccountsChange, name string) string {
	a.endLinks(c, name) // a new one makes those before it void
	text, secret := newSecret("")
	c.Save.Links = []alerting.Link{{Secret: secret, Account: name, Expires: a.o.Now().Add(LinkFor)}}
	return text
}

// Reset returns the end of a link with which the owner of the account chooses
// a new password. The old one holds until then.
func (a *Accounts) Reset(ctx context.Context, by, name string) (string, error) {
	name = CleanName(name)
	a.change.Lock()
	defer a.change.Unlock()
	u, known := a.account(name)
	if !known {
		return "", none(name)
	}
	if u.Subject != "" {
		return "", &ingest.Refusal{Faults: []ingest.Fault{{Path: "name", Expected: "an account of this program", Found: "one of the OpenID provider: its password is chosen there"}}}
	}
	var c alerting.AccountsChange
	link := a.addLink(&c, name)
	c.Audit = append(c.Audit, a.audit(by, "link made", "for "+name))
	return link, a.enter(ctx, &c)
}

// Change changes what is not nil of an account. One that is disabled loses its sessions and
// links; the last administrator stays one.
func (a *Accounts) Change(ctx context.Context, by, name string, display *string, role *alerting.Role, disabled *bool) (alerting.Account, error) {
	name = CleanName(name)
	a.change.Lock()
	defer a.change.Unlock()
	u, known := a.account(name)
	if !known {
		return u, none(name)
	}
	var said []string
	if display != nil {
		u.Display = strings.TrimSpace(*display)
		said = append(said, fmt.Sprintf("display %q", u.Display))
	}
	if role != nil {
		u.Role = *role
		said = append(said, fmt.Sprintf("role %s", u.Role))
	}
	if disabled != nil {
		u.Disabled = *disabled
		said = append(said, fmt.Sprintf("disabled %v", u.Disabled))
	}
	if err := refuse(displayFaults(u.Display), roleFaults(u.Role)); err != nil {
		return u, err
	}
	if (u.Role != alerting.Administrator || u.Disabled) && a.administrators(name) == 0 && a.administrators("") > 0 {
		path, found := "role", string(u.Role)
		if u.Disabled {
			path, found = "disabled", "true"
		}
		return u, &ingest.Refusal{Faults: []ingest.Fault{{Path: path, Expected: "at least one administrator who can log in", Found: found + " for the last one"}}}
	}
	c := alerting.AccountsChange{Save: alerting.Accounts{Accounts: []alerting.Account{u}}}
	if u.Disabled {
		a.endSessions(&c, name)
		a.endLinks(&c, name)
	}
	c.Audit = append(c.Audit, a.audit(by, "account changed", name+": "+strings.Join(said, ", ")))
	return u, a.enter(ctx, &c)
}

// EndSessions ends all sessions and tokens of an account.
func (a *Accounts) EndSessions(ctx context.Context, by, name string) error {
	name = CleanName(name)
	a.change.Lock()
	defer a.change.Unlock()
	if _, known := a.account(name); !known {
		return none(name)
	}
	var c alerting.AccountsChange
	a.endSessions(&c, name)
	a.endTokens(&c, name)
	c.Audit = append(c.Audit, a.audit(by, "sessions and tokens ended", "of "+name))
	return a.enter(ctx, &c)
}

// Tokens returns the tokens of one account, or of all, newest first.
func (a *Accounts) Tokens(name string) []alerting.Token {
	a.mu.RLock()
	defer a.mu.RUnlock()
	out := []alerting.Token{}
	for _, t := range a.tokens {
		if name == "" || t.Account == name {
			out = append(out, *t)
		}
	}
	slices.SortFunc(out, func(x, y alerting.Token) int { return cmp.Compare(y.ID, x.ID) })
	return out
}

// AddToken makes a token in the visitor's name; secret is shown once and not
// kept. It may no more than the visitor.
func (a *Accounts) AddToken(ctx context.Context, v alerting.Visitor, label string, role alerting.Role, lasts time.Duration) (secret string, t alerting.Token, err error) {
	label = strings.TrimSpace(label)
	var faults []ingest.Fault
	if n := len([]rune(label)); n < 1 || n > 64 {
		faults = append(faults, ingest.Fault{Path: "label", Expected: "1 to 64 characters", Found: fmt.Sprint(n)})
	}
	if role.Known() && !v.Role.Allows(role) {
		faults = append(faults, ingest.Fault{Path: "role", Expected: "at most your own, " + string(v.Role), Found: string(role)})
	}
	if lasts <= 0 || lasts > 3660*24*time.Hour {
		faults = append(faults, ingest.Fault{Path: "days", Expected: "1 to 3660", Found: fmt.Sprint(int(lasts.Hours() / 24))})
	}
	if err := refuse(roleFaults(role), faults); err != nil {
		return "", t, err
	}
	a.change.Lock()
	defer a.change.Unlock()
	if len(a.Tokens(v.Account.Name)) >= mostTokens {
		return "", t, isFull("label", fmt.Sprintf("at most %d tokens of one account; revoke one", mostTokens))
	}
	now := a.o.Now()
	id := now.UnixNano() / int64(time.Microsecond) // fits a number of JavaScript
	if all := a.Tokens(""); len(all) > 0 && id <= all[0].ID {
		id = all[0].ID + 1
	}
	text, kept := newSecret(TokenPrefix)
	t = alerting.Token{ID: id, Account: v.Account.Name, Label: label, Role: role, MadeAt: now, Expires: now.Add(lasts), Secret: kept}
	c := alerting.AccountsChange{Save: alerting.Accounts{Tokens: []alerting.Token{t}}}
	c.Audit = append(c.Audit, a.audit(v.Account.Name, "token made", fmt.Sprintf("%d %q, %s", id, label, role)))
	return text, t, a.enter(ctx, &c)
}

// RevokeToken ends a token: one of the visitor's own, any where he is an administrator.
func (a *Accounts) RevokeToken(ctx context.Context, v alerting.Visitor, id int64) error {
	a.change.Lock()
	defer a.change.Unlock()
	for _, t := range a.Tokens("") {
		if t.ID == id && (t.Account == v.Account.Name || v.Role.Allows(alerting.Administrator)) {
			c := alerting.AccountsChange{}
			c.Ended.Tokens = []int64{id}
			c.Audit = append(c.Audit, a.audit(v.Account.Name, "token revoked", fmt.Sprintf("%d %q of %s", id, t.Label, t.Account)))
			return a.enter(ctx, &c)
		}
	}
	return fmt.Errorf("token %d: %w", id, fs.ErrNotExist)
}
