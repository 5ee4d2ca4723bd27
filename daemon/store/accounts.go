package store

import (
	"context"
	"fmt"
	"time"

	"throwline/alerting"
)

// Accounts returns all that is kept of who may come in.
func (s *Store) Accounts(ctx context.Context) (out alerting.Accounts, err error) {
	read := func(f func(row) error, query string) {
		if err == nil {
			err = s.each(ctx, f, query)
		}
	}
	read(func(r row) error {
		var a alerting.Account
		var created int64
		err := checked{r}.Scan(&a.Name, &a.Display, &a.Role, &a.Disabled, &created, &a.Password, &a.Subject)
		a.CreatedAt = moment(created)
		out.Accounts = append(out.Accounts, a)
		return err
	}, accountsTable.read("name, display, role, disabled, created_at, password, subject")+" ORDER BY name")
	read(func(r row) error {
		var x alerting.Session
		var secret []byte
		var began, seen int64
		if err := (checked{r}).Scan(&secret, &x.Account, &began, &seen); err != nil {
			return err
		}
		x.Began, x.Seen = moment(began), moment(seen)
		out.Sessions = append(out.Sessions, x)
		return secretFrom(secret, &out.Sessions[len(out.Sessions)-1].Secret)
	}, sessionsTable.read("secret, account, began, seen")+" ORDER BY began")
	read(func(r row) error {
		var x alerting.Token
		var secret []byte
		var made, expires, used int64
		if err := (checked{r}).Scan(&x.ID, &secret, &x.Account, &x.Label, &x.Role, &made, &expires, &used); err != nil {
			return err
		}
		x.MadeAt, x.Expires, x.Used = moment(made), moment(expires), moment(used)
		out.Tokens = append(out.Tokens, x)
		return secretFrom(secret, &out.Tokens[len(out.Tokens)-1].Secret)
	}, tokensTable.read("id, secret, account, label, role, made_at, expires_at, used_at")+" ORDER BY id")
	read(func(r row) error {
		var x alerting.Link
		var secret []byte
		var expires int64
		if err := (checked{r}).Scan(&secret, &x.Account, &expires); err != nil {
			return err
		}
		x.Expires = moment(expires)
		out.Links = append(out.Links, x)
		return secretFrom(secret, &out.Links[len(out.Links)-1].Secret)
	}, linksTable.read("secret, account, expires_at")+" ORDER BY expires_at")
	return out, err
}

// moment is the time of a column in which 0 is none.
func moment(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}

func secretFrom(b []byte, into *alerting.Secret) error {
	if len(b) != len(into) {
		return fmt.Errorf("a kept secret: expected %d bytes, found %d", len(into), len(b))
	}
	copy(into[:], b)
	return nil
}

var (
	accountText = accountsTable.put("display role disabled password subject",
		"name", "?1", "display", "?2", "role", "?3", "disabled", "?4", "created_at", "?5", "password", "?6", "subject", "?7")
	sessionText = sessionsTable.put("seen", "secret", "?1", "account", "?2", "began", "?3", "seen", "?4")
	tokenText   = tokensTable.put("used_at", "id", "?1", "secret", "?2", "account", "?3", "label", "?4", "role", "?5", "made_at", "?6", "expires_at", "?7", "used_at", "?8")
	linkText    = linksTable.add("secret", "?1", "account", "?2", "expires_at", "?3")
)

// ChangeAccounts enters a change, whole or not at all. What ends goes first.
func (s *Store) ChangeAccounts(ctx context.Context, c alerting.AccountsChange) error {
	return s.Update(ctx, func(tx *Tx) error { return tx.changeAccounts(c) })
}

func (tx *Tx) changeAccounts(c alerting.AccountsChange) error {
	do := func(what, text string, args ...any) error {
		if _, err := tx.tx.ExecContext(tx.ctx, text, args...); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	}
	for _, x := range c.Ended.Sessions {
		if err := do("end a session", "DELETE FROM sessions WHERE secret = ?", x[:]); err != nil {
			return err
		}
	}
	for _, x := range c.Ended.Tokens {
		if err := do("end a token", "DELETE FROM tokens WHERE id = ?", x); err != nil {
			return err
		}
	}
	for _, x := range c.Ended.Links {
		if err := do("end a link", "DELETE FROM links WHERE secret = ?", x[:]); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Accounts {
		if err := do("account "+x.Name, accountText,
			x.Name, x.Display, string(x.Role), x.Disabled, nanos(x.CreatedAt), x.Password, x.Subject); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Sessions {
		if err := do("session of "+x.Account, sessionText, x.Secret[:], x.Account, nanos(x.Began), nanos(x.Seen)); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Tokens {
		used := int64(0)
		if !x.Used.IsZero() {
			used = nanos(x.Used)
		}
		if err := do("token of "+x.Account, tokenText,
			x.ID, x.Secret[:], x.Account, x.Label, string(x.Role), nanos(x.MadeAt), nanos(x.Expires), used); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Links {
		if err := do("link of "+x.Account, linkText, x.Secret[:], x.Account, nanos(x.Expires)); err != nil {
			return err
		}
	}
	for _, x := range c.Audit {
		if err := tx.Audit(x.At, x.By, x.What, x.Detail); err != nil {
			return err
		}
	}
	return nil
}
