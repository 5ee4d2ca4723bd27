package accounts

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/ingest"
)

// cheap is a cost for tests; TestDefaultCost uses the real one.
var cheap = Cost{Memory: 64, Passes: 1, Threads: 1}

const (
	good   = "correct horse battery"
	better = "another horse entirely"
	here   = "192.0.2.7"
)

// rig is accounts over a real store.
type rig struct {
	*testing.T
	*Accounts
	path string
	s    *store.Store
	mu   sync.Mutex
	now  time.Time
}

func newRig(t *testing.T, change ...func(*Options)) *rig {
	r := &rig{T: t, path: filepath.Join(t.TempDir(), "x.db"), now: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	r.open(change...)
	t.Cleanup(func() { r.s.Close() })
	return r
}

// open opens what is kept, again where it was open: the program starts anew.
func (r *rig) open(change ...func(*Options)) {
	r.Helper()
	if r.s != nil {
		if err := r.s.Close(); err != nil {
			r.Fatal(err)
		}
	}
	var err error
	if r.s, err = store.Open(r.Context(), r.path, store.Options{}); err != nil {
		r.Fatal(err)
	}
	o := Options{Store: r.s, Cost: cheap, Now: func() time.Time { r.mu.Lock(); defer r.mu.Unlock(); return r.now }}
	for _, c := range change {
		c(&o)
	}
	if r.Accounts, err = Open(r.Context(), o); err != nil {
		r.Fatal(err)
	}
}

func (r *rig) pass(d time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.now = r.now.Add(d)
}

// first makes the first administrator and returns his session.
func (r *rig) first() string {
	r.Helper()
	secret, v, err := r.Redeem(r.Context(), r.Setup(), "Chief", "The Chief", good, here)
	if err != nil || v.Role != alerting.Administrator || v.Account.Name != "chief" {
		r.Fatalf("found %+v, %v", v, err)
	}
	return secret
}

// person makes an account with a password and returns a session.
func (r *rig) person(name string, role alerting.Role) string {
	r.Helper()
	link, _, err := r.Add(r.Context(), "chief", name, "", role)
	if err != nil {
		r.Fatal(err)
	}
	secret, _, err := r.Redeem(r.Context(), link, "", "", good, here)
	if err != nil {
		r.Fatal(err)
	}
	return secret
}

func (r *rig) in(secret string) bool {
	_, err := r.BySession(r.Context(), secret, false)
	if err != nil && !errors.Is(err, alerting.ErrNobody) {
		r.Fatal(err)
	}
	return err == nil
}

func (r *rig) login(name, password string) (string, error) {
	secret, _, _, err := r.Login(r.Context(), name, password, here, "")
	return secret, err
}

func TestSetupLink(t *testing.T) {
	r := newRig(t)
	first := r.Setup()
	link := r.Setup()
	if kind, _, err := r.Link(first); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("the link before the latest: found %q, %v", kind, err)
	}
	if kind, name, err := r.Link(link); kind != LinkSetup || name != "" || err != nil {
		t.Errorf("found %q %q %v", kind, name, err)
	}
	for _, bad := range []string{"", "x", link + "x"} {
		if _, _, err := r.Redeem(t.Context(), bad, "x", "", good, here); !errors.Is(err, alerting.ErrLink) {
			t.Errorf("%q: found %v", bad, err)
		}
	}
	// What is wrong is told by field, and the link stays good.
	_, _, err := r.Redeem(t.Context(), link, "no blanks", "two\nlines", "short", here)
	var paths []string
	for _, f := range ingest.AsRefusal(err).Faults {
		paths = append(paths, f.Path)
	}
	if !slices.Equal(paths, []string{"name", "display", "password"}) {
		t.Errorf("found %v", err)
	}
	// Of many at once, one is the first.
	var wg sync.WaitGroup
	won := make(chan string, 8)
	for i := range 8 {
		wg.Go(func() {
			secret, _, err := r.Redeem(context.Background(), link, fmt.Sprint("chief", i), "", good, here)
			if err == nil {
				won <- secret
			} else if !errors.Is(err, alerting.ErrLink) {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if len(won) != 1 || len(r.List()) != 1 || r.Setup() != "" || r.NeedsSetup() {
		t.Errorf("found %d firsts, %d accounts, %q", len(won), len(r.List()), r.Setup())
	}
	if _, _, err := r.Link(link); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("a used link: %v", err)
	}
	r.open()
	if r.Setup() != "" || !r.in(<-won) {
		t.Error("a restart forgot the first administrator or his session")
	}
}

func TestSessionEnds(t *testing.T) {
	var r *rig
	for name, c := range map[string]struct {
		end  func(secret string) error
		ends bool
	}{
		"used in time": {func(s string) error {
			for range 13 {
				r.pass(11 * time.Hour)
				if _, err := r.BySession(t.Context(), s, true); err != nil {
					return err
				}
			}
			return nil
		}, false},
		"idle": {func(string) error { r.pass(Idle); return nil }, true},
		"absolute": {func(s string) error {
			for range 15 {
				r.pass(11*time.Hour + 12*time.Minute)
				_, _ = r.BySession(t.Context(), s, true)
			}
			return nil
		}, true},
		"looked at, not used": {func(s string) error {
			for range 3 {
				r.pass(5 * time.Hour)
				_, _ = r.BySession(t.Context(), s, false)
			}
			return nil
		}, true},
		"logout": {func(s string) error {
			v, _ := r.BySession(t.Context(), s, true)
			return r.Logout(t.Context(), v, false)
		}, true},
		"logout everywhere": {func(s string) error {
			other, err := r.login("w", good)
			if err != nil {
				return err
			}
			v, _ := r.BySession(t.Context(), other, true)
			return r.Logout(t.Context(), v, true)
		}, true},
		"logout elsewhere": {func(s string) error {
			other, err := r.login("w", good)
			if err != nil {
				return err
			}
			v, _ := r.BySession(t.Context(), other, true)
			return r.Logout(t.Context(), v, false)
		}, false},
		"disabled": {func(string) error {
			yes := true
			_, err := r.Change(t.Context(), "chief", "w", nil, nil, &yes)
			return err
		}, true},
		"ended by chief": {func(string) error { return r.EndSessions(t.Context(), "chief", "w") }, true},
		"new password": {func(s string) error {
			v, _ := r.BySession(t.Context(), s, true)
			fresh, _, err := r.ChangePassword(t.Context(), v, good, better, here)
			if err == nil && !r.in(fresh) {
				err = errors.New("the session after a new password does not hold")
			}
			return err
		}, true},
		"another's link": {func(string) error {
			link, err := r.Reset(t.Context(), "chief", "w")
			if err == nil {
				_, _, err = r.Redeem(t.Context(), link, "", "", better, here)
			}
			return err
		}, true},
		"a link unused": {func(string) error { _, err := r.Reset(t.Context(), "chief", "w"); return err }, false},
		"restart":       {func(string) error { r.open(); return nil }, false},
	} {
		t.Run(name, func(t *testing.T) {
			r = newRig(t)
			r.first()
			secret := r.person("w", alerting.Operator)
			if !r.in(secret) {
				t.Fatal("not in at first")
			}
			if err := c.end(secret); err != nil {
				t.Fatal(err)
			}
			if r.in(secret) == c.ends {
				t.Errorf("expected the session to have ended: %v", c.ends)
			}
			r.open()
			if r.in(secret) == c.ends {
				t.Errorf("after a restart: expected the session to have ended: %v", c.ends)
			}
		})
	}
}

func TestLogin(t *testing.T) {
	r := newRig(t)
	r.first()
	r.person("w", alerting.Viewer)
	if _, err := r.login(" W ", good); err != nil {
		t.Errorf("a name in capitals: %v", err)
	}
	link, _, err := r.Add(t.Context(), "chief", "unset", "", alerting.Viewer)
	if err != nil {
		t.Fatal(err)
	}
	yes := true
	r.person("off", alerting.Viewer)
	if _, err := r.Change(t.Context(), "chief", "off", nil, nil, &yes); err != nil {
		t.Fatal(err)
	}
	for name, password := range map[string]string{"w": better, "nobody": good, "unset": "", "off": good, "": "", strings.Repeat("x", 9999): "", "chief": strings.Repeat("x", 99999)} {
		r.pass(time.Hour)
		if _, err := r.login(name, password); !errors.Is(err, alerting.ErrWrongLogin) {
			t.Errorf("%.20q: found %v", name, err)
		}
	}
	r.pass(LinkFor)
	if _, _, err := r.Redeem(t.Context(), link, "", "", good, here); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("an old link: found %v", err)
	}
}

// Who guesses waits longer and longer; who knows comes in again.
func TestThrottled(t *testing.T) {
	r := newRig(t)
	r.first()
	r.person("w", alerting.Viewer)
	var last time.Duration
	for i := range 40 {
		_, err := r.login("w", better)
		var wait Wait
		switch {
		case errors.As(err, &wait):
			if _, again := r.login("w", good); !errors.As(again, new(Wait)) {
				t.Fatalf("attempt %d: the right password in the waiting time: %v", i, again)
			}
			if wait.After() < last/2 || wait.After() > mostAddrWait {
				t.Fatalf("attempt %d: waits %v after %v", i, wait.After(), last)
			}
			last = wait.After()
			r.pass(wait.After())
		case !errors.Is(err, alerting.ErrWrongLogin):
			t.Fatal(err)
		case i > 2*freeAttempts && last == 0:
			t.Fatal("nobody waits")
		}
	}
	if last < time.Minute {
		t.Errorf("expected a long wait in the end, found %v", last)
	}
	r.pass(mostAddrWait)
	if _, err := r.login("w", good); err != nil {
		t.Errorf("the right password after the wait: %v", err)
	}
	// What is tried from elsewhere holds up nobody here.
	r.pass(2 * forgetAfter)
	for range 30 {
		_, _, _, _ = r.Login(t.Context(), "w", better, "198.51.100.1", "")
		r.pass(time.Second)
		if _, err := r.login("w", good); err != nil {
			t.Fatalf("its owner is locked out: %v", err)
		}
	}
}

func TestThrottleIsBounded(t *testing.T) {
	now := time.Now()
	th := newThrottle(time.Minute, freeAttempts, 100)
	for range 20 {
		_ = th.try("guilty", now)
	}
	for i := range 5000 {
		_ = th.try(fmt.Sprint(i), now)
	}
	if len(th.keys) > 100 {
		t.Errorf("expected at most 100, found %d", len(th.keys))
	}
	if th.try("guilty", now) == nil {
		t.Error("a flood of names made the guilty one forgotten")
	}
}

func TestPeople(t *testing.T) {
	r := newRig(t)
	r.first()
	ctx := t.Context()
	refused := func(what, path string, err error) {
		t.Helper()
		if f := ingest.AsRefusal(err); f == nil || f.Faults[0].Path != path {
			t.Errorf("%s: expected a fault of %s, found %v", what, path, err)
		}
	}
	_, _, err := r.Add(ctx, "chief", "CHIEF", "", alerting.Viewer)
	refused("a name twice", "name", err)
	_, _, err = r.Add(ctx, "chief", strings.Repeat("x", 65), "", alerting.Viewer)
	refused("a long name", "name", err)
	_, _, err = r.Add(ctx, "chief", "x", "", "king")
	refused("a role", "role", err)
	viewer, yes := alerting.Viewer, true
	_, err = r.Change(ctx, "chief", "chief", nil, &viewer, nil)
	refused("the last administrator's role", "role", err)
	_, err = r.Change(ctx, "chief", "chief", nil, nil, &yes)
	refused("the last administrator", "disabled", err)
	// One who cannot log in yet is no other administrator.
	link, _, err := r.Add(ctx, "chief", "deputy", "", alerting.Administrator)
	if err != nil {
		t.Fatal(err)
	}
	_, err = r.Change(ctx, "chief", "chief", nil, nil, &yes)
	refused("the last administrator with a password", "disabled", err)
	old := link
	if link, err = r.Reset(ctx, "chief", "deputy"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := r.Redeem(ctx, old, "", "", good, here); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("a link before the latest: %v", err)
	}
	if _, _, err := r.Redeem(ctx, link, "other name", "", good, here); err != nil {
		t.Fatal(err)
	}
	if _, err = r.Change(ctx, "deputy", "chief", nil, &viewer, nil); err != nil {
		t.Error(err)
	}
	lines, _, err := r.Audit(ctx, "", 100)
	if err != nil || len(lines) != 5 || lines[0].What != "account changed" || lines[0].By != "deputy" || lines[4].What != "became the first administrator" {
		t.Errorf("found %+v, %v", lines, err)
	}
	for _, l := range lines {
		if strings.Contains(fmt.Sprint(l), link) || strings.Contains(fmt.Sprint(l), good) {
			t.Errorf("a secret stands in %v", l)
		}
	}
}

func TestTokens(t *testing.T) {
	r := newRig(t)
	ctx := t.Context()
	chief := r.first()
	me, _ := r.BySession(ctx, r.person("w", alerting.Maintainer), true)
	boss, _ := r.BySession(ctx, chief, true)
	if _, _, err := r.AddToken(ctx, me, "x", alerting.Administrator, time.Hour*24); ingest.AsRefusal(err) == nil {
		t.Errorf("a token above its owner: %v", err)
	}
	secret, tok, err := r.AddToken(ctx, me, "export", alerting.Operator, 24*time.Hour)
	if err != nil || !strings.HasPrefix(secret, TokenPrefix) || len(secret) < 40 {
		t.Fatal(secret, err)
	}
	role := func() alerting.Role {
		v, err := r.ByToken(ctx, secret, true)
		if err != nil {
			return ""
		}
		if v.Account.Name != "w" || v.Token != tok.ID {
			t.Errorf("found %+v", v)
		}
		return v.Role
	}
	if role() != alerting.Operator {
		t.Errorf("found %q", role())
	}
	if _, err := r.BySession(ctx, secret, true); err == nil {
		t.Error("a token opens a session")
	}
	viewer, yes, no := alerting.Viewer, true, false
	_, _ = r.Change(ctx, "chief", "w", nil, &viewer, nil)
	if role() != alerting.Viewer {
		t.Errorf("a token of one who is a viewer now: %q", role())
	}
	_, _ = r.Change(ctx, "chief", "w", nil, nil, &yes)
	if role() != "" {
		t.Errorf("a token of one who is disabled: %q", role())
	}
	_, _ = r.Change(ctx, "chief", "w", nil, nil, &no)
	r.pass(time.Hour)
	if role(); r.Tokens("w")[0].Used.IsZero() {
		t.Error("its use is not noted")
	}
	r.open()
	if r.Tokens("w")[0].Used.IsZero() || role() != alerting.Viewer {
		t.Error("a restart forgot a token or its use")
	}
	if err := r.RevokeToken(ctx, alerting.Visitor{Account: alerting.Account{Name: "other"}, Role: alerting.Maintainer}, tok.ID); err == nil {
		t.Error("another's token was revoked")
	}
	r.pass(23 * time.Hour)
	if role() != "" {
		t.Error("a token past its time")
	}
	if err := r.RevokeToken(ctx, boss, tok.ID); err != nil || len(r.Tokens("")) != 0 {
		t.Errorf("found %v, %v", r.Tokens(""), err)
	}
}

// A store that fails changes nothing in memory.
func TestFailingStore(t *testing.T) {
	r := newRig(t)
	secret := r.first()
	v, _ := r.BySession(t.Context(), secret, true)
	if err := r.s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := r.login("chief", good); err == nil || errors.Is(err, alerting.ErrWrongLogin) {
		t.Errorf("found %v", err)
	}
	if err := r.Logout(t.Context(), v, false); err == nil || !r.in(secret) {
		t.Errorf("found %v, in %v", err, r.in(secret))
	}
	if _, _, err := r.Add(t.Context(), "chief", "x", "", alerting.Viewer); err == nil || len(r.List()) != 1 {
		t.Errorf("found %v, %v", err, r.List())
	}
}

// Nothing that was given out stands in the files.
func TestSecretsAreNotKept(t *testing.T) {
	r := newRig(t)
	secret := r.first()
	v, _ := r.BySession(t.Context(), secret, true)
	token, _, err := r.AddToken(t.Context(), v, "x", alerting.Viewer, 24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	link, _, err := r.Add(t.Context(), "chief", "w", "", alerting.Viewer)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{r.path, r.path + "-wal"} {
		b := readFile(t, name)
		for what, s := range map[string]string{"session": secret, "token": token, "link": link, "password": good} {
			if strings.Contains(b, s) {
				t.Errorf("the %s stands in %s", what, name)
			}
		}
	}
}

// A new password and an end of all sessions end tokens too; the setup link is
// good once, whatever becomes of the administrators.
func TestWhatEndsTokens(t *testing.T) {
	r := newRig(t)
	link := r.Setup()
	secret, boss, err := r.Redeem(t.Context(), link, "Chief", "", good, here)
	if err != nil {
		t.Fatal(err)
	}
	made := func() string {
		t.Helper()
		v, err := r.BySession(t.Context(), secret, false)
		if err != nil {
			t.Fatal(err)
		}
		token, _, err := r.AddToken(t.Context(), v, "x", alerting.Operator, 24*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	ended := func(what, token string) {
		t.Helper()
		if _, err := r.ByToken(t.Context(), token, false); !errors.Is(err, alerting.ErrNobody) {
			t.Errorf("%s: the token still holds", what)
		}
	}
	token := made()
	if secret, _, err = r.ChangePassword(t.Context(), boss, good, better, here); err != nil {
		t.Fatal(err)
	}
	ended("a new password", token)
	token = made()
	if err := r.EndSessions(t.Context(), "chief", "chief"); err != nil {
		t.Fatal(err)
	}
	ended("an end of all sessions", token)

	r.mu.Lock()
	r.Accounts.mu.Lock()
	for _, u := range r.accounts {
		u.Disabled = true // by whatever way there is no administrator left
	}
	r.Accounts.mu.Unlock()
	r.mu.Unlock()
	if _, _, err := r.Redeem(t.Context(), link, "Mallory", "", good, here); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("the used link came alive again: %v", err)
	}
}
