package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestAccessProblems(t *testing.T) {
	const oidc = "\n  oidc: {issuer: 'https://id.example', client_id: x, viewers: ['*']}"
	for name, c := range map[string]struct{ yaml, want string }{
		"no such mode":          {"access: {mode: closed}", "line 1: access.mode: expected one of open, accounts, found"},
		"open to all":           {"http: {listen: '0.0.0.0:8080'}", "access.mode: expected accounts, because http.listen \"0.0.0.0:8080\" is reached from other machines"},
		"open to all, no host":  {"http: {listen: ':8080'}", "access.mode: expected accounts, because http.listen"},
		"open to all, a name":   {"http: {listen: 'box.example:8080'}\naccess:\n  mode: open", "line 3: access.mode: expected accounts, because"},
		"in clear":              {"http: {listen: ':8080'}\naccess: {mode: accounts}", "access.public_url: expected the https:// address under which people reach the pages"},
		"in clear by name":      {"http: {listen: ':8080'}\naccess: {mode: accounts, public_url: 'http://box.example'}", "line 2: access.public_url: expected https://, or passwords would travel in clear"},
		"address with a path":   {"access: {public_url: 'https://box.example/throwline'}", "access.public_url: expected https://host or https://host:port with nothing after it"},
		"address with a slash":  {"access: {public_url: 'https://box.example/'}", "access.public_url: expected https://host"},
		"address of a file":     {"access: {public_url: 'file://box.example'}", "access.public_url: expected https://host"},
		"proxy without sense":   {"access: {proxies: [nearby]}", "access.proxies: expected addresses like 10.0.0.7 or nets like 10.0.0.0/8"},
		"metrics without sense": {"access: {metrics: closed}", "access.metrics: expected one of viewer, open"},
		"secret":                {"access:\n  oidc:\n    client_secret: sesame", "line 3: access.oidc.client_secret: expected client_secret_file, or the secret in the environment as THROWLINE_OIDC_CLIENT_SECRET"},
		"no secret file":        {"access: {oidc: {client_secret_file: /nowhere/s}}", "access.oidc.client_secret_file: expected a file that can be read, found /nowhere/s"},
		"provider, open":        {"access:\n  public_url: 'https://box.example'" + oidc, "access.mode: expected accounts beside access.oidc.issuer"},
		"provider, no address":  {"access:\n  mode: accounts" + oidc, "access.public_url: expected a value beside access.oidc.issuer"},
		"provider, no roles":    {"access: {mode: accounts, public_url: 'https://box.example', oidc: {issuer: 'https://id.example', client_id: x}}", "at least one value of the claim"},
		"provider, no client":   {"access: {mode: accounts, public_url: 'https://box.example', oidc: {issuer: 'https://id.example', viewers: [a]}}", "access.oidc.client_id: expected a value beside issuer"},
		"provider in clear":     {"access: {mode: accounts, public_url: 'https://box.example', oidc: {issuer: 'http://id.example', client_id: x, viewers: [a]}}", "access.oidc.issuer: expected an https:// address"},
		"no name claim":         {"access: {oidc: {name_claim: ''}}", "access.oidc.name_claim: expected a value, found nothing"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ReadConfig("c", []byte(c.yaml), nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("expected %q, found %v", c.want, err)
			}
			if err != nil && strings.Contains(err.Error(), "sesame") {
				t.Errorf("expected no secret in a message, found %v", err)
			}
		})
	}
}

func TestAccessWithoutMistakes(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("of the file\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, yaml := range map[string]string{
		"this machine":      "http: {listen: 'localhost:0'}",
		"accounts here":     "access: {mode: accounts}",
		"a forwarded port":  "http: {listen: ':8080'}\naccess: {mode: accounts, public_url: 'http://localhost:8080'}",
		"a proxy with TLS":  "http: {listen: ':8080'}\naccess: {mode: accounts, public_url: 'https://box.example:8443', proxies: [10.0.0.7, 'fd00::/8'], metrics: open}",
		"a proxy, but open": "access: {public_url: 'https://box.example'}",
		"provider": "access: {mode: accounts, public_url: 'https://box.example', oidc: {issuer: 'https://id.example', client_id: x, operators: [signallers], client_secret_file: " +
			secret + "}}",
	} {
		c, err := ReadConfig(name, []byte(yaml), nil)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if name == "provider" && (c.Access.OpenID.ClientSecret != "of the file" || c.Access.openID().Redirect != "https://box.example/login/openid/return") {
			t.Errorf("%s: found %+v", name, c.Access.openID())
		}
	}
	env := func(name string) (string, bool) { return "of the environment", name == ClientSecretVar }
	c, err := ReadConfig("env", []byte("access: {oidc: {client_secret_file: /nowhere}}"), env)
	if err != nil || c.Access.OpenID.ClientSecret != "of the environment" {
		t.Errorf("found %q, %v", c.Access.OpenID.ClientSecret, err)
	}
}

// A daemon that is made without a file is held to the same.
func TestOpenToAllDoesNotStart(t *testing.T) {
	c := DefaultConfig()
	c.DataDir, c.HTTP.Listen = t.TempDir(), "0.0.0.0:0"
	d, err := New(t.Context(), c, Options{})
	if err == nil {
		t.Fatal(d.Stop(t.Context()))
	}
	if !strings.Contains(err.Error(), "access.mode: expected accounts") {
		t.Errorf("found %v", err)
	}
}
