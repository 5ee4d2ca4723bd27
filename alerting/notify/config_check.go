package notify

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/mail"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/go-playground/validator/v10"
)

// Problem is one thing wrong with the configuration of targets.
type Problem struct {
	Path     string // the key, e.g. "targets.desk.webhook.url"
	Expected string
	Found    string // without secrets
}

func (p Problem) String() string {
	return p.Path + ": expected " + p.Expected + ", found " + p.Found
}

func (t Targets) names() []string { return slices.Sorted(maps.Keys(t)) }

// Check holds the rules; it reads no file. path is where the targets stand in
// the configuration.
func (t Targets) Check(path string) []Problem {
	v, err := newValidator()
	if err != nil {
		return []Problem{{path, "rules that can be read", err.Error()}}
	}
	var out []Problem
	vars := map[string]string{}
	for _, name := range t.names() {
		at := path + "." + name
		if level(name) != name || name == "-" {
			out = append(out, Problem{at, "a name of 1-64 of A-Z a-z 0-9 . _ -", strconv.Quote(oneLine(name, longName))})
		}
		if other, taken := vars[SecretVar(name)]; taken {
			out = append(out, Problem{at, "a name that differs from " + other + " in more than . _ - and capitals", strconv.Quote(oneLine(name, longName))})
		}
		vars[SecretVar(name)] = name
		c := t[name]
		if n := c.kinds(); n != 1 {
			out = append(out, Problem{at, "one of webhook, mail, mqtt, alertmanager", fmt.Sprintf("%d of them", n)})
			continue
		}
		var broken validator.ValidationErrors
		if errors.As(v.Struct(c), &broken) {
			for _, f := range broken {
				_, key, _ := strings.Cut(f.Namespace(), ".")
				out = append(out, Problem{at + "." + key, ruleInWords(f), found(f.Value())})
			}
		}
		if len(broken) == 0 {
			out = append(out, c.between(at)...)
		}
	}
	return out
}

// between holds the rules between values.
func (c *Config) between(at string) []Problem {
	var out []Problem
	switch {
	case c.Mail != nil && c.Mail.Security == "none" && c.Mail.Username != "":
		out = append(out, Problem{at + ".mail.security", "starttls or tls where there is a password to send", "none"})
	case c.MQTT != nil && c.MQTT.Broker == "":
		if c.MQTT.Username != "" || c.MQTT.PasswordFile != "" || c.MQTT.ClientID != "" || c.MQTT.TLS != (TLS{}) {
			out = append(out, Problem{at + ".mqtt.broker", "a broker beside username, client_id or tls", "nothing"})
		}
	case c.Alertmanager != nil && c.Alertmanager.keep() < 2*c.Alertmanager.every():
		out = append(out, Problem{at + ".alertmanager.keep", "at least twice every, " + (2 * c.Alertmanager.every()).String(), c.Alertmanager.keep().String()})
	}
	return out
}

func newValidator() (*validator.Validate, error) {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string { return f.Tag.Get("yaml") })
	rule := func(name string, holds func(string) bool) error {
		return v.RegisterValidation(name, func(f validator.FieldLevel) bool { return holds(f.Field().String()) })
	}
	return v, errors.Join(
		rule("web", validWeb), rule("hostport", validHostPort), rule("address", validAddress),
		rule("broker", validBroker), rule("template", validTemplate),
	)
}

func validWeb(s string) bool {
	u, err := url.Parse(s)
	return err == nil && (u.Scheme == "https" || u.Scheme == "http") && u.Hostname() != "" && u.User == nil && u.Fragment == "" && validPort(u.Port(), true)
}

func validHostPort(s string) bool {
	host, port, err := net.SplitHostPort(s)
	return err == nil && host != "" && validPort(port, false)
}

func validPort(s string, optional bool) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return s == "" && optional || err == nil && n > 0
}

// validAddress takes one address, with or without a name before it.
func validAddress(s string) bool {
	a, err := mail.ParseAddress(s)
	return err == nil && len(s) <= 320 && oneLine(s, 320) == s && strings.Contains(a.Address, "@")
}

var brokerSchemes = []string{"tcp", "mqtt", "ssl", "tls", "mqtts"}

func validBroker(s string) bool {
	u, err := url.Parse(s)
	return err == nil && slices.Contains(brokerSchemes, u.Scheme) && u.User == nil && u.Hostname() != "" && validPort(u.Port(), false) &&
		(u.Path == "" || u.Path == "/") && u.RawQuery == "" && u.Fragment == ""
}

// validTemplate takes levels of a topic with fields in them, unless cabinets
// publish there.
func validTemplate(s string) bool {
	if len(s) > 256 {
		return false
	}
	plain := s
	for _, f := range topicFields {
		plain = strings.ReplaceAll(plain, f, "x")
	}
	levels := strings.Split(plain, "/")
	for _, l := range levels {
		if l == "" || strings.ContainsAny(l, "+#{}$ ") || oneLine(l, 256) != l {
			return false
		}
	}
	return cabinetLevel(levels) < 0
}

// ruleInWords says what a rule asks for.
func ruleInWords(f validator.FieldError) string {
	switch f.Tag() {
	case "required_with":
		return "a file beside " + map[string]string{"KeyFile": "key_file", "CertFile": "cert_file"}[f.Param()]
	case "min", "max":
		lead := map[string]string{"min": "at least ", "max": "at most "}[f.Tag()] + f.Param()
		switch f.Kind() {
		case reflect.Slice:
			return lead + " in the list"
		case reflect.String:
			return lead + " characters"
		}
		return lead
	case "oneof":
		return "one of " + strings.Join(strings.Fields(f.Param()), ", ")
	case "printascii":
		return "plain ASCII"
	case "web":
		return "https:// or http://, a host, and no user in it"
	case "hostport":
		return "host:port"
	case "address":
		return "a mail address"
	case "broker":
		return "scheme://host:port with " + strings.Join(brokerSchemes, ", ") + " as the scheme, and no user in it"
	case "hostname_rfc1123":
		return "the name of a host"
	case "timezone":
		return "the name of a time zone, like Europe/Oslo"
	case "template":
		return "levels of a topic, with " + strings.Join(topicFields, " ") + " in them, that do not end as a cabinet's do: throw/…, state, conditions, receipt"
	}
	return f.Tag() + " " + f.Param()
}

func found(v any) string {
	switch x := v.(type) {
	case string:
		switch {
		case x == "":
			return "nothing"
		case len(x) > 80:
			return fmt.Sprintf("%d characters", len(x))
		case strings.Contains(x, "://"):
			u, err := url.Parse(x)
			if err != nil {
				return "what is no address"
			}
			return strconv.Quote(u.Scheme + "://" + u.Host) // what follows may be secret
		}
		return strconv.Quote(x)
	case []string:
		return strconv.Itoa(len(x))
	}
	return fmt.Sprint(v)
}
