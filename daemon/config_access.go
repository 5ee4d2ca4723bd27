package daemon

import (
	"net"
	"net/netip"
	"net/url"
	"os"
	"strings"

	"throwline/alerting"
	"throwline/daemon/accounts"
)

// AccessConfig is who may come in.
type AccessConfig struct {
	Mode      string       `yaml:"mode" validate:"oneof=open accounts"`
	PublicURL string       `yaml:"public_url" validate:"max=256"`
	Metrics   string       `yaml:"metrics" validate:"oneof=viewer open"`
	Proxies   []string     `yaml:"proxies" validate:"max=64"`
	OpenID    OpenIDConfig `yaml:"oidc"`
}

// OpenIDConfig is an OpenID provider at which people log in. The last four say
// which values of the roles' claim give which role.
type OpenIDConfig struct {
	Issuer           string   `yaml:"issuer" validate:"max=256"`
	ClientID         string   `yaml:"client_id" validate:"max=256"`
	ClientSecretFile string   `yaml:"client_secret_file"`
	Scopes           []string `yaml:"scopes" validate:"max=32"`
	NameClaim        string   `yaml:"name_claim" validate:"required,max=128"`
	RolesClaim       string   `yaml:"roles_claim" validate:"required,max=128"`
	Viewers          []string `yaml:"viewers" validate:"max=256"`
	Operators        []string `yaml:"operators" validate:"max=256"`
	Maintainers      []string `yaml:"maintainers" validate:"max=256"`
	Administrators   []string `yaml:"administrators" validate:"max=256"`

	// ClientSecret is never in the file: it is read of ClientSecretFile or the environment.
	ClientSecret string `yaml:"-"`
}

// The ways of access.
const (
	AccessOpen     = "open"     // nobody logs in; on this machine only
	AccessAccounts = "accounts" // everybody does
)

// Environment variables that hold the secret of the OpenID client, or name the
// file that does. They go before client_secret_file.
const (
	ClientSecretVar     = "THROWLINE_OIDC_CLIENT_SECRET"
	ClientSecretFileVar = "THROWLINE_OIDC_CLIENT_SECRET_FILE"
)

func defaultAccess() AccessConfig {
	return AccessConfig{
		Mode: AccessOpen, Metrics: "viewer", Proxies: []string{},
		OpenID: OpenIDConfig{
			Scopes: []string{"profile", "email"}, NameClaim: "preferred_username", RolesClaim: "groups",
			Viewers: []string{}, Operators: []string{}, Maintainers: []string{}, Administrators: []string{},
		},
	}
}

// secrets reads the client's secret; fault is told what is wrong with its file.
func (o *OpenIDConfig) secrets(env func(string) (string, bool), fault func(path, expected, what string)) {
	path, name := "access.oidc.client_secret_file", o.ClientSecretFile
	if v, ok := env(ClientSecretFileVar); ok {
		path, name = ClientSecretFileVar, v
	}
	if v, ok := env(ClientSecretVar); ok {
		o.ClientSecret, name = v, ""
	}
	if name == "" {
		return
	}
	b, err := os.ReadFile(name)
	if err != nil {
		fault(path, "a file that can be read", plainError(err))
	}
	o.ClientSecret = strings.TrimRight(string(b), "\r\n")
}

// checkAccess tells fault what is wrong with who may come in, given where
// browsers are listened for.
func (c *Config) checkAccess(fault func(path, expected, what string)) {
	a, o := &c.Access, &c.Access.OpenID
	onThisMachine := Loopback(c.HTTP.Listen)
	if a.Mode == AccessOpen && !onThisMachine {
		fault("access.mode", "accounts, because http.listen "+found(c.HTTP.Listen)+" is reached from other machines and open lets everyone in who reaches it; "+
			"or an http.listen on this machine only, like 127.0.0.1:8080", "open")
	}
	if a.PublicURL != "" {
		u, err := url.Parse(a.PublicURL)
		switch {
		case err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.Path != "" || u.RawQuery != "" || u.Fragment != "":
			fault("access.public_url", "https://host or https://host:port with nothing after it", found(a.PublicURL))
		case u.Scheme == "http" && a.Mode == AccessAccounts && !loopbackHost(u.Hostname()):
			fault("access.public_url", "https://, or passwords would travel in clear", found(a.PublicURL))
		}
	} else if a.Mode == AccessAccounts && !onThisMachine && !c.HTTP.TLS.on() {
		fault("access.public_url", "the https:// address under which people reach the pages, because http.listen is reached from other machines: put a proxy with TLS before it, or name a certificate as http.tls", "nothing")
	}
	if _, err := proxies(a.Proxies); err != nil {
		fault("access.proxies", "addresses like 10.0.0.7 or nets like 10.0.0.0/8", err.Error())
	}
	if o.Issuer == "" {
		return
	}
	if u, err := url.Parse(o.Issuer); err != nil || u.Hostname() == "" || u.RawQuery != "" || u.Fragment != "" || u.Scheme != "https" && (u.Scheme != "http" || !loopbackHost(u.Hostname())) {
		fault("access.oidc.issuer", "an https:// address", found(o.Issuer))
	}
	if a.Mode != AccessAccounts {
		fault("access.mode", "accounts beside access.oidc.issuer", a.Mode)
	}
	if o.ClientID == "" {
		fault("access.oidc.client_id", "a value beside issuer", "nothing")
	}
	if a.PublicURL == "" {
		fault("access.public_url", "a value beside access.oidc.issuer: the provider sends people back there", "nothing")
	}
	if len(o.Viewers)+len(o.Operators)+len(o.Maintainers)+len(o.Administrators) == 0 {
		fault("access.oidc.viewers", "in viewers, operators, maintainers or administrators at least one value of the claim "+found(o.RolesClaim)+", or nobody gets in", "none")
	}
}

// Loopback reports whether only this machine reaches what listens there.
func Loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	return err == nil && loopbackHost(host)
}

func loopbackHost(host string) bool {
	ip, err := netip.ParseAddr(host)
	return strings.EqualFold(host, "localhost") || err == nil && ip.Unmap().IsLoopback()
}

func proxies(list []string) (out []netip.Prefix, err error) {
	for _, s := range list {
		p, err := netip.ParsePrefix(s)
		if err != nil {
			ip, err := netip.ParseAddr(s)
			if err != nil {
				return nil, err
			}
			p = netip.PrefixFrom(ip, ip.BitLen())
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// openID returns the provider as accounts take it; nil where there is none.
func (c *AccessConfig) openID() *accounts.OpenIDOptions {
	o := &c.OpenID
	if o.Issuer == "" {
		return nil
	}
	return &accounts.OpenIDOptions{
		Issuer: o.Issuer, ClientID: o.ClientID, ClientSecret: o.ClientSecret, Redirect: c.PublicURL + "/login/openid/return",
		Scopes: o.Scopes, NameClaim: o.NameClaim, RolesClaim: o.RolesClaim,
		Roles: map[alerting.Role][]string{
			alerting.Viewer: o.Viewers, alerting.Operator: o.Operators, alerting.Maintainer: o.Maintainers, alerting.Administrator: o.Administrators,
		},
	}
}
