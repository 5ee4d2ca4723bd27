package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"throwline/alerting/screen"
	"throwline/daemon/accounts"
)

// openDoor reads who may come in. It leaves everything as it is where access is open.
func (d *Daemon) openDoor(ctx context.Context) error {
	var faults []Problem
	d.c.checkAccess(func(path, expected, found string) { faults = append(faults, Problem{0, path, expected, found}) })
	if faults != nil {
		return &ConfigError{"configuration", faults}
	}
	a := &d.c.Access
	if a.Mode != AccessAccounts {
		return nil
	}
	key, err := deviceKey(filepath.Join(d.c.DataDir, deviceKeyName))
	if err != nil {
		return fmt.Errorf("key that browsers are known again by, in the data folder (data_dir): %w", err)
	}
	// Sessions and tokens follow the wall clock, not the yard's.
	d.accounts, err = accounts.Open(ctx, accounts.Options{Store: d.store, OpenID: a.openID(), Log: d.o.Log, DeviceKey: key})
	if err != nil {
		return fmt.Errorf("who may come in: %w", err)
	}
	return nil
}

// deviceKeyName is the file with the key in the data folder. Without it, nothing
// is lost but that browsers are known again: who has guessed at an account then
// may hold up its owner for seconds.
const deviceKeyName = "device.key"

// deviceKey reads the key, or makes one.
func deviceKey(file string) ([]byte, error) {
	const size = 32
	key, err := os.ReadFile(file)
	if err == nil && len(key) == size {
		return key, nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	key = make([]byte, size)
	_, _ = rand.Read(key) // it never fails: see its documentation
	return key, os.WriteFile(file, key, 0o600)
}

// door is what the screen asks; nil where nobody needs to log in.
func (d *Daemon) door() *screen.Door {
	if d.accounts == nil {
		return nil
	}
	trusted, _ := proxies(d.c.Access.Proxies) // checked before
	if len(trusted) == 0 && strings.HasPrefix(d.c.Access.PublicURL, "https://") && d.pair == nil {
		// We speak no TLS: what stands before us does, mostly on this machine. Were it
		// not believed whom it asks for, all would wait for one who guesses passwords.
		trusted, _ = proxies([]string{"127.0.0.0/8", "::1"})
	}
	return &screen.Door{
		Accounts: d.accounts, PublicURL: d.c.Access.PublicURL, OpenMetrics: d.c.Access.Metrics == "open", Proxies: trusted,
	}
}

// hosts are the names under which browsers ask, beside those of the loopback.
// Where other machines reach us we cannot know all our names; there everyone logs in.
func (d *Daemon) hosts() []string {
	if !Loopback(d.c.HTTP.Listen) {
		return nil
	}
	names := []string{}
	if u, err := url.Parse(d.c.Access.PublicURL); err == nil && u.Hostname() != "" {
		names = append(names, u.Hostname())
	}
	return names
}

// linked is what stands before a path of the pages where a message links to one.
func (d *Daemon) linked() string {
	switch {
	case d.c.Access.PublicURL != "":
		return strings.TrimRight(d.c.Access.PublicURL, "/")
	case Loopback(d.c.HTTP.Listen):
		return d.c.HTTP.BaseURL(d.c.HTTP.Listen)
	}
	return ""
}

// SetupPath is the path of a page, with a secret, on which the first
// administrator is made; "" where there is one, or where nobody needs to log in.
// Each call makes the one before void.
func (d *Daemon) SetupPath() string {
	if d.accounts == nil {
		return ""
	}
	secret := d.accounts.Setup()
	if secret == "" {
		return ""
	}
	return "/welcome#" + secret
}
