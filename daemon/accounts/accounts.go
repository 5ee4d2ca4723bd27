// Package accounts knows who may come in: accounts and their passwords,
// sessions, tokens, links with which a password is chosen, and an OpenID
// provider. What lasts is kept in a [Store]; all of it is also in memory, so
// that asking who someone is costs no reading.
package accounts

import (
	"cmp"
	"context"
	"encoding/base64"
	"fmt"
	"io/fs"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/ingest"
)

// Store keeps what lasts. Nobody else may change it meanwhile.
type Store interface {
	Accounts(ctx context.Context) (alerting.Accounts, error)
	ChangeAccounts(ctx context.Context, c alerting.AccountsChange) error
	AuditLog(ctx context.Context, cursor string, limit int) (items []alerting.Audited, next string, err error)
}

// How long things hold.
const (
	Idle       = 12 * time.Hour     // a session that is not used
	Absolute   = 7 * 24 * time.Hour // a session
	LinkFor    = 72 * time.Hour
	seenEvery  = 5 * time.Minute // between notes of a session's or token's use
	mostTokens = 100             // of one account
	mostOpen   = 50              // sessions of one account; the oldest end

	// All are in memory. A provider that lets everybody in makes one for each.
	mostAccounts = 10_000
)

// TokenPrefix begins every token, so that one in a file is known for what it is.
const TokenPrefix = "tl_"

// Options are what accounts are made of. Store is needed.
type Options struct {
	Store  Store
	Now    func() time.Time // the wall clock where nil
	Cost   Cost             // DefaultCost where zero
	AtOnce int              // hashes of passwords, 2 where 0
	Most   int              // accounts, 10,000 where 0
	OpenID *OpenIDOptions   // nil: accounts of this program only
	Log    *slog.Logger

	// DeviceKey signs what a browser keeps to be known again, 32 bytes; nil: one
	// of this process, and a restart knows no browser.
	DeviceKey []byte
}

// Accounts is who may come in. Its methods may be called at once.
type Accounts struct {
	o      Options
	hasher *hasher
	openID *openID

	// Who guesses is held up, by different keys.
	address   *throttle // an address
	users     *throttle // an account and an address, or one of its devices
	strangers *throttle // an account, from where it has no device
	changes   *throttle // an account whose password is changed

	change sync.Mutex // one change at a time, store and memory together

	mu       sync.RWMutex // of what follows; never held over a write to the store
	accounts map[string]*alerting.Account
	sessions map[alerting.Secret]*alerting.Session
	tokens   map[alerting.Secret]*alerting.Token
	links    map[alerting.Secret]*alerting.Link
	setup    alerting.Secret // of the link for the first administrator
}

// Open reads what is kept.
func Open(ctx context.Context, o Options) (*Accounts, error) {
	o.Cost = cmp.Or(o.Cost, DefaultCost)
	o.AtOnce = cmp.Or(o.AtOnce, 2)
	o.Most = cmp.Or(o.Most, mostAccounts)
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.DeviceKey == nil {
		o.DeviceKey = random(32)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	a := &Accounts{
		o: o, hasher: newHasher(o.Cost, o.AtOnce),
		address: newThrottle(mostAddrWait, freeAttempts, mostKeys), users: newThrottle(mostUserWait, freeAttempts, mostKeys),
		strangers: newThrottle(mostStrangerWait, freeStrangers, mostKeys), changes: newThrottle(mostUserWait, freeAttempts, mostKeys),
		accounts: map[string]*alerting.Account{}, sessions: map[alerting.Secret]*alerting.Session{},
		tokens: map[alerting.Secret]*alerting.Token{}, links: map[alerting.Secret]*alerting.Link{},
	}
	if o.OpenID != nil {
		a.openID = newOpenID(*o.OpenID, o.Now)
	}
	kept, err := o.Store.Accounts(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the accounts: %w", err)
	}
	a.take(&alerting.AccountsChange{Save: kept})
	return a, nil
}

// enter enters a change in the store, then in memory. The caller holds change.
func (a *Accounts) enter(ctx context.Context, c *alerting.AccountsChange) error {
	// Who asks may go away; what was begun is finished.
	if err := a.o.Store.ChangeAccounts(context.WithoutCancel(ctx), *c); err != nil {
		return fmt.Errorf("keep the accounts: %w", err)
	}
	a.take(c)
	for _, l := range c.Audit {
		a.o.Log.Info("people", "what", l.What, "by", l.By, "detail", l.Detail)
	}
	return nil
}

func (a *Accounts) take(c *alerting.AccountsChange) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, s := range c.Ended.Sessions {
		delete(a.sessions, s)
	}
	for _, s := range c.Ended.Links {
		delete(a.links, s)
	}
	for s, t := range a.tokens {
		if slices.Contains(c.Ended.Tokens, t.ID) {
			delete(a.tokens, s)
		}
	}
	for _, u := range c.Save.Accounts {
		a.accounts[u.Name] = &u
	}
	for _, s := range c.Save.Sessions {
		a.sessions[s.Secret] = &s
	}
	for _, t := range c.Save.Tokens {
		a.tokens[t.Secret] = &t
	}
	for _, l := range c.Save.Links {
		a.links[l.Secret] = &l
	}
}

func (a *Accounts) audit(by, what, detail string) alerting.Audited {
	return alerting.Audited{At: a.o.Now(), By: by, What: what, Detail: detail}
}

// newSecret returns 256 random bits as text, and what is kept of them.
func newSecret(prefix string) (string, alerting.Secret) {
	text := prefix + base64.RawURLEncoding.EncodeToString(random(32))
	return text, alerting.SecretOf(text)
}

// CleanName returns a name as it is kept: in lower case.
func CleanName(name string) string { return strings.ToLower(strings.TrimSpace(name)) }

// nameFaults says which rules a name breaks, once it is clean.
func nameFaults(name string) []ingest.Fault {
	const allowed = "abcdefghijklmnopqrstuvwxyz0123456789._@+-"
	if name == "" || len(name) > 64 || strings.Trim(name, allowed) != "" || strings.ContainsFunc(name, func(r rune) bool { return !strings.ContainsRune(allowed, r) }) {
		return []ingest.Fault{{Path: "name", Expected: "1 to 64 of a-z 0-9 . _ @ + -", Found: fmt.Sprintf("%.80q", name)}}
	}
	return nil
}

func displayFaults(display string) []ingest.Fault {
	if len([]rune(display)) > 128 || strings.ContainsFunc(display, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return []ingest.Fault{{Path: "display", Expected: "at most 128 characters in one line", Found: fmt.Sprintf("%.40q", display)}}
	}
	return nil
}

func roleFaults(role alerting.Role) []ingest.Fault {
	if !role.Known() {
		return []ingest.Fault{{Path: "role", Expected: "viewer, operator, maintainer or administrator", Found: fmt.Sprintf("%.40q", string(role))}}
	}
	return nil
}

// full refuses one more of what there are enough of.
type full struct{ *ingest.Refusal }

func isFull(path, expected string) error {
	return full{&ingest.Refusal{Faults: []ingest.Fault{{Path: path, Expected: expected, Found: "another"}}}}
}

// Full tells it from what is badly made.
func (full) Full() bool { return true }

func (f full) Unwrap() error { return f.Refusal }

// crowded reports whether there are as many accounts as are kept.
func (a *Accounts) crowded() bool {
	a.mu.RLock()
	defer a.mu.RUnlock()
	return len(a.accounts) >= a.o.Most
}

func refuse(faults ...[]ingest.Fault) error {
	if all := slices.Concat(faults...); len(all) > 0 {
		return &ingest.Refusal{Faults: all}
	}
	return nil
}

// account returns a copy of an account.
func (a *Accounts) account(name string) (alerting.Account, bool) {
	a.mu.RLock()
	defer a.mu.RUnlock()
	u := a.accounts[name]
	if u == nil {
		return alerting.Account{}, false
	}
	return *u, true
}

func none(name string) error { return fmt.Errorf("account %.80q: %w", name, fs.ErrNotExist) }

// List returns all accounts, in the order of their names.
func (a *Accounts) List() []alerting.Account {
	a.mu.RLock()
	defer a.mu.RUnlock()
	out := make([]alerting.Account, 0, len(a.accounts))
	for _, u := range a.accounts {
		out = append(out, *u)
	}
	slices.SortFunc(out, func(x, y alerting.Account) int { return strings.Compare(x.Name, y.Name) })
	return out
}

// administrators counts those who can still come in, but for one; the caller holds no lock.
func (a *Accounts) administrators(but string) (n int) {
	a.mu.RLock()
	defer a.mu.RUnlock()
	for _, u := range a.accounts {
		if u.Name != but && u.Role == alerting.Administrator && a.admitted(u) && (u.Password != "" || u.Subject != "") {
			n++
		}
	}
	return n
}

// Setup returns the end of a link with which the first administrator is made,
// or "" where there is one. Only the latest holds, until the program ends.
func (a *Accounts) Setup() string {
	if !a.NeedsSetup() {
		return ""
	}
	text, secret := newSecret("")
	a.mu.Lock()
	a.setup = secret
	a.mu.Unlock()
	return text
}

// NeedsSetup reports whether there is no administrator yet.
func (a *Accounts) NeedsSetup() bool { return a.administrators("") == 0 }

// Audit returns the record of who has done what, newest first.
func (a *Accounts) Audit(ctx context.Context, cursor string, limit int) ([]alerting.Audited, string, error) {
	return a.o.Store.AuditLog(ctx, cursor, limit)
}
