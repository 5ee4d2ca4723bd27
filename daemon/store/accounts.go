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
		err := r.Scan(&a.Name, &a.Display, &a.Role, &a.Disabled, &created, &a.Password, &a.Subject)
		a.CreatedAt = moment(created)
		out.Accounts = append(out.Accounts, a)
		return err
	}, "SELECT name, display, role, disabled, created_at, password, subject FROM accounts ORDER BY name")
	read(func(r row) error {
		var x alerting.Session
		var secret []byte
		var began, seen int64
		if err := r.Scan(&secret, &x.Account, &began, &seen); err != nil {
			return err
		}
		x.Began, x.Seen = moment(began), moment(seen)
		out.Sessions = append(out.Sessions, x)
		return secretFrom(secret, &out.Sessions[len(out.Sessions)-1].Secret)
	}, "SELECT secret, account, began, seen FROM sessions ORDER BY began")
	read(func(r row) error {
		var x alerting.Token
		var secret []byte
		var made, expires, used int64
		if err := r.Scan(&x.ID, &secret, &x.Account, &x.Label, &x.Role, &made, &expires, &used); err != nil {
			return err
		}
		x.MadeAt, x.Expires, x.Used = moment(made), moment(expires), moment(used)
		out.Tokens = append(out.Tokens, x)
		return secretFrom(secret, &out.Tokens[len(out.Tokens)-1].Secret)
	}, "SELECT id, secret, account, label, role, made_at, expires_at, used_at FROM tokens ORDER BY id")
	read(func(r row) error {
		var x alerting.Link
		var secret []byte
		var expires int64
		if err := r.Scan(&secret, &x.Account, &expires); err != nil {
			return err
		}
		x.Expires = moment(expires)
		out.Links = append(out.Links, x)
		return secretFrom(secret, &out.Links[len(out.Links)-1].Secret)
	}, "SELECT secret, account, expires_at FROM links ORDER BY expires_at")
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
		if err := do("account "+x.Name, `INSERT INTO accounts (name, display, role, disabled, created_at, password, subject) VALUES (?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET display = excluded.display, role = excluded.role, disabled = excluded.disabled,
			password = excluded.password, subject = excluded.subject`,
			x.Name, x.Display, string(x.Role), x.Disabled, nanos(x.CreatedAt), x.Password, x.Subject); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Sessions {
		if err := do("session of "+x.Account, `INSERT INTO sessions (secret, account, began, seen) VALUES (?, ?, ?, ?)
			ON CONFLICT (secret) DO UPDATE SET seen = excluded.seen`, x.Secret[:], x.Account, nanos(x.Began), nanos(x.Seen)); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Tokens {
		used := int64(0)
		if !x.Used.IsZero() {
			used = nanos(x.Used)
		}
		if err := do("token of "+x.Account, `INSERT INTO tokens (id, secret, account, label, role, made_at, expires_at, used_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE SET used_at = excluded.used_at`,
			x.ID, x.Secret[:], x.Account, x.Label, string(x.Role), nanos(x.MadeAt), nanos(x.Expires), used); err != nil {
			return err
		}
	}
	for _, x := range c.Save.Links {
		if err := do("link of "+x.Account, "INSERT INTO links (secret, account, expires_at) VALUES (?, ?, ?)", x.Secret[:], x.Account, nanos(x.Expires)); err != nil {
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
