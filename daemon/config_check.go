package daemon

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/go-playground/validator/v10"

	"throwline/ingest"
)

// check holds the rules on single values and those between them.
func (d *document) check(c *Config) {
	v, err := newValidator()
	if err != nil {
		d.problems = append(d.problems, Problem{0, "", "rules that can be read", err.Error()})
		return
	}
	var broken validator.ValidationErrors
	if errors.As(v.Struct(c), &broken) {
		for _, f := range broken {
			_, path, _ := strings.Cut(f.Namespace(), ".")
			if !d.bad[path] {
				d.add(path, ruleInWords(f), found(f.Value()))
			}
		}
	}
	if c.Retention.Throws < c.Retention.Traces && !d.bad["retention.throws"] && !d.bad["retention.traces"] {
		d.add("retention.throws", "at least retention.traces, "+c.Retention.Traces.String(), c.Retention.Throws.String())
	}
	for _, p := range c.Targets.Check("targets") {
		d.add(c.targetPath(p.Path), p.Expected, p.Found)
	}
	targets := slices.Sorted(maps.Keys(c.Targets))
	names := map[string]int{}
	for i := range c.Routes {
		at := fmt.Sprintf("routes[%d]", i)
		if err := c.Routes[i].Check(targets); err != nil {
			d.add(at, "a route that can be followed", err.Error())
		}
		if first, twice := names[c.Routes[i].Name]; twice {
			d.add(at, "a name of its own", fmt.Sprintf("%q, as in routes[%d]", c.Routes[i].Name, first))
		}
		names[c.Routes[i].Name] = i
	}
	if !d.bad["http.listen"] && !d.bad["access.mode"] {
		c.checkAccess(d.add)
	}
	c.checkBroker(d.add)
	c.Export.Influx.check(d.add)
	d.checkMapped(c)
	if c.Limits.Decompressed < c.Limits.Payload && !d.bad["limits.decompressed"] && !d.bad["limits.payload"] {
		d.add("limits.decompressed", "at least limits.payload, "+c.Limits.Payload.String(), c.Limits.Decompressed.String())
	}
}

// targetPath names a key of a target as the others of the configuration are
// named: targets[ops].webhook.url.
func (c *Config) targetPath(path string) string {
	rest, ok := strings.CutPrefix(path, "targets.")
	if !ok {
		return path
	}
	best := ""
	for name := range c.Targets {
		if (rest == name || strings.HasPrefix(rest, name+".")) && len(name) > len(best) {
			best = name
		}
	}
	return "targets[" + best + "]" + rest[len(best):]
}

func newValidator() (*validator.Validate, error) {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string { return f.Tag.Get("yaml") })
	return v, errors.Join(
		v.RegisterValidation("broker", func(f validator.FieldLevel) bool { return validBroker(f.Field().String()) }),
		v.RegisterValidation("listen", func(f validator.FieldLevel) bool { return validListen(f.Field().String()) }),
		v.RegisterValidation("topic", func(f validator.FieldLevel) bool { return validPrefix(f.Field().String()) }),
		v.RegisterValidation("turnout", func(f validator.FieldLevel) bool { return ingest.ValidName(f.Field().String()) }),
		v.RegisterValidation("duration", func(f validator.FieldLevel) bool {
			low, high, _ := strings.Cut(f.Param(), " ")
			a, err1 := ParseDuration(low)
			b, err2 := ParseDuration(high)
			d := Duration(f.Field().Int())
			return err1 == nil && err2 == nil && d >= a && d <= b
		}),
		v.RegisterValidation("size", func(f validator.FieldLevel) bool {
			low, high, _ := strings.Cut(f.Param(), " ")
			a, err1 := ParseSize(low)
			b, err2 := ParseSize(high)
			s := Size(f.Field().Int())
			return err1 == nil && err2 == nil && s >= a && s <= b
		}),
	)
}

var brokerSchemes = []string{"tcp", "mqtt", "ssl", "mqtts"}

func validBroker(s string) bool {
	u, err := url.Parse(s)
	if err != nil || u.User != nil || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" {
		return false
	}
	for _, scheme := range brokerSchemes {
		if u.Scheme == scheme {
			return u.Hostname() != "" && validPort(u.Port())
		}
	}
	return false
}

func validPort(s string) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && n > 0
}

// validListen allows port 0: the system chooses one.
func validListen(s string) bool {
	_, port, err := net.SplitHostPort(s)
	return err == nil && (port == "0" || validPort(port))
}

// validPrefix takes what may stand before a cabinet's name in a topic.
func validPrefix(s string) bool {
	if len(s) > 256 || strings.ContainsAny(s, "+#\x00$ ") {
		return false
	}
	for part := range strings.SplitSeq(s, "/") {
		if part == "" {
			return false
		}
	}
	return true
}

// ruleInWords says what a rule asks for.
func ruleInWords(f validator.FieldError) string {
	list := f.Kind() == reflect.Slice
	switch f.Tag() {
	case "required":
		return "a value"
	case "required_with":
		return "a file beside " + map[string]string{"KeyFile": "key_file", "CertFile": "cert_file"}[f.Param()]
	case "min":
		if list {
			return "at least " + f.Param() + " in the list"
		}
		return "at least " + f.Param()
	case "max":
		switch {
		case list:
			return "at most " + f.Param() + " in the list"
		case f.Kind() == reflect.String:
			return "at most " + f.Param() + " characters"
		}
		return "at most " + f.Param()
	case "oneof":
		return "one of " + strings.Join(strings.Fields(f.Param()), ", ")
	case "printascii":
		return "plain ASCII"
	case "broker":
		return "scheme://host:port with " + strings.Join(brokerSchemes, ", ") + " as the scheme, and no user in it"
	case "listen":
		return "host:port, like 127.0.0.1:8080"
	case "topic":
		return "levels of a topic, like throwline/v1, without + # $ and blanks"
	case "turnout":
		return "a turnout's name: 1-64 of A-Z a-z 0-9 . _ -"
	case "duration":
		low, high, _ := strings.Cut(f.Param(), " ")
		return "a time from " + low + " to " + high
	case "size":
		low, high, _ := strings.Cut(f.Param(), " ")
		return "from " + low + " to " + high
	}
	return f.Tag() + " " + f.Param()
}

func found(v any) string {
	switch x := v.(type) {
	case string:
		if x == "" {
			return "nothing"
		}
		if len(x) > 80 {
			return fmt.Sprintf("%d characters", len(x))
		}
		if u, err := url.Parse(x); err == nil && u.User != nil {
			return strconv.Quote(u.Redacted()) // no secret in a message
		}
		return strconv.Quote(x)
	case []string:
		return fmt.Sprintf("%d", len(x))
	case fmt.Stringer:
		return x.String()
	}
	return fmt.Sprint(v)
}
