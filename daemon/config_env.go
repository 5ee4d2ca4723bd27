package daemon

import (
	"encoding"
	"os"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// EnvPrefix begins the environment variables that go before the keys of the
// configuration: THROWLINE_HTTP_LISTEN before http.listen. One that ends with
// _FILE names a file with the value in it, so that it can be handed over as a
// mounted secret. A list stands with commas between its parts. Targets, routes
// and what is set for single turnouts stand in the file alone.
const EnvPrefix = "THROWLINE_"

// envName returns the variable that goes before a key.
func envName(path string) string {
	return EnvPrefix + strings.ToUpper(strings.ReplaceAll(path, ".", "_"))
}

// override sets what the environment says.
func (d *document) override(c *Config, env func(string) (string, bool)) {
	if env == nil {
		return
	}
	keys := map[string]bool{}
	leaves("", reflect.ValueOf(c).Elem(), func(path string, _ reflect.Value) { keys[envName(path)] = true })
	leaves("", reflect.ValueOf(c).Elem(), func(path string, into reflect.Value) {
		name := envName(path)
		text, ok := env(name)
		if !ok && !keys[name+"_FILE"] && name+"_FILE" != PasswordFileVar && name+"_FILE" != ClientSecretFileVar && name+"_FILE" != InfluxTokenFileVar {
			if file, named := env(name + "_FILE"); named {
				b, err := os.ReadFile(file)
				if err != nil {
					d.add(name+"_FILE", "a file that can be read", plainError(err))
					return
				}
				text, ok = strings.TrimRight(string(b), "\r\n"), true
			}
		}
		if ok && !setText(into, text) {
			d.add(name, expectation(into.Type()), strconv.Quote(text))
			d.bad[path] = true
		}
	})
}

// leaves calls f for every key that holds a value or a list of texts.
func leaves(path string, of reflect.Value, f func(path string, v reflect.Value)) {
	for i := range of.NumField() {
		name := of.Type().Field(i).Tag.Get("yaml")
		if name == "-" {
			continue
		}
		at, v := strings.TrimPrefix(path+"."+name, "."), of.Field(i)
		_, isText := v.Addr().Interface().(encoding.TextUnmarshaler)
		switch {
		case v.Kind() == reflect.Struct && !isText:
			leaves(at, v, f)
		case v.Kind() == reflect.Map, v.Kind() == reflect.Slice && v.Type().Elem().Kind() != reflect.String:
		default:
			f(at, v)
		}
	}
}

// setText sets a value from a text, and reports whether it fits.
func setText(into reflect.Value, text string) bool {
	if t, ok := into.Addr().Interface().(encoding.TextUnmarshaler); ok {
		return t.UnmarshalText([]byte(text)) == nil
	}
	switch {
	case into.Type() == reflect.TypeFor[time.Duration]():
		v, err := ParseDuration(text)
		into.SetInt(int64(v))
		return err == nil
	case into.Kind() == reflect.String:
		into.SetString(text)
		return true
	case into.Kind() == reflect.Slice:
		list := reflect.MakeSlice(into.Type(), 0, 4)
		for part := range strings.SplitSeq(text, ",") {
			if part = strings.TrimSpace(part); part != "" {
				list = reflect.Append(list, reflect.ValueOf(part).Convert(into.Type().Elem()))
			}
		}
		into.Set(list)
		return true
	}
	return yaml.Unmarshal([]byte(text), into.Addr().Interface()) == nil
}

// Print returns the configuration in force as YAML: the file, the environment
// and the defaults together. Secrets are not in it: they are read of files or
// the environment, which it names.
func (c *Config) Print() ([]byte, error) { return yaml.Marshal(c) }
