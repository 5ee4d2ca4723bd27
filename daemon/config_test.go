package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"throwline/detect"
)

const sample = "../deploy/throwline.yaml"

func TestSampleIsTheDefaults(t *testing.T) {
	c, err := LoadConfig(sample, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := DefaultConfig(); !reflect.DeepEqual(c, want) {
		t.Errorf("expected the defaults\n%+v\nfound\n%+v", want, c)
	}
}

// Every key of the configuration stands in the sample, so that it is the reference.
func TestSampleNamesEveryKey(t *testing.T) {
	data, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	d := newDocument(data)
	c := DefaultConfig()
	d.fill(&c)
	var walk func(path string, of reflect.Type)
	walk = func(path string, of reflect.Type) {
		for i := range of.NumField() {
			f := of.Field(i)
			name := f.Tag.Get("yaml")
			if name == "-" {
				continue
			}
			at := strings.TrimPrefix(path+"."+name, ".")
			if d.lines[at] == 0 {
				t.Errorf("expected %s in the sample, found nothing", at)
			}
			if f.Type.Kind() == reflect.Struct {
				walk(at, f.Type)
			}
		}
	}
	walk("", reflect.TypeFor[Config]())
}

func TestFiveMistakes(t *testing.T) {
	_, err := ReadConfig("five.yaml", []byte(`data_dir: /tmp/x
mqtt:
  brokers: [tcp://127.0.0.1:1883, "http://127.0.0.1"]
  in_fligth: 5
retention:
  traces: ninety days
http:
  listen: 8080
log:
  level: loud
`), nil)
	want := `five.yaml: line 3: mqtt.brokers[1]: expected scheme://host:port with tcp, mqtt, ssl, mqtts as the scheme, and no user in it, found "http://127.0.0.1"
five.yaml: line 4: mqtt.in_fligth: expected one of brokers, client_id, prefix, username, password_file, tls, in_flight, mapped, sparkplug, found an unknown key
five.yaml: line 6: retention.traces: expected a time with units, like 90d or 1h30m, found "ninety days"
five.yaml: line 8: http.listen: expected a text, found 8080
five.yaml: line 10: log.level: expected one of debug, info, warn, error, found "loud"`
	if err == nil || err.Error() != want {
		t.Errorf("expected\n%s\nfound\n%v", want, err)
	}
	var bad *ConfigError
	if !errors.As(err, &bad) || len(bad.Problems) != 5 {
		t.Errorf("expected a ConfigError with 5 problems, found %#v", err)
	}
}

func TestConfigProblems(t *testing.T) {
	for name, c := range map[string]struct{ yaml, want string }{
		"no yaml":             {"data_dir: [", "expected YAML"},
		"tab":                 {"mqtt:\n\tprefix: x", "line 2: expected YAML"},
		"a list":              {"- a\n- b", "expected keys with values under it, found a list"},
		"two documents":       {"data_dir: x\n---\ndata_dir: y", "expected one document, found another after it"},
		"key twice":           {"data_dir: x\ndata_dir: y", "line 2: data_dir: expected the key once, found it in line 1 already"},
		"empty folder":        {`data_dir: ""`, "line 1: data_dir: expected a value, found nothing"},
		"section is a text":   {"mqtt: tcp", "line 1: mqtt: expected keys with values under it, found tcp"},
		"unknown section":     {"mqtts: {}", "line 1: mqtts: expected one of data_dir, mqtt, broker, http, access, limits, retention, detection, targets, routes, silence, export, metrics, batch, log, found an unknown key"},
		"password":            {"mqtt:\n  password: sesame", "line 2: mqtt.password: expected password_file, or the password in the environment as THROWLINE_MQTT_PASSWORD, found a secret"},
		"user in the broker":  {"mqtt:\n  brokers: ['tcp://u:sesame@h:1']", `mqtt.brokers[0]: expected scheme://host:port`},
		"no brokers":          {"mqtt:\n  brokers: []", "line 2: mqtt.brokers: expected at least 1 in the list, found 0"},
		"brokers no list":     {"mqtt:\n  brokers: tcp://h:1", "line 2: mqtt.brokers: expected a list, found tcp://h:1"},
		"wildcard prefix":     {"mqtt:\n  prefix: a/#", `line 2: mqtt.prefix: expected levels of a topic`},
		"key without cert":    {"mqtt:\n  tls:\n    key_file: /dev/null", "line 2: mqtt.tls.cert_file: expected a file beside key_file, found nothing"},
		"no ca file":          {"mqtt:\n  tls:\n    ca_file: /nowhere/ca.pem", "line 3: mqtt.tls.ca_file: expected a file that can be read, found /nowhere/ca.pem: no such file"},
		"ca without any":      {"mqtt:\n  tls:\n    ca_file: /dev/null", "line 3: mqtt.tls.ca_file: expected certificates in PEM"},
		"no password file":    {"mqtt:\n  password_file: /nowhere/pw", "line 2: mqtt.password_file: expected a file that can be read, found /nowhere/pw: no such file"},
		"port beyond":         {"http:\n  listen: 127.0.0.1:70000", "line 2: http.listen: expected host:port"},
		"a number in words":   {"limits:\n  turnouts: many", "line 2: limits.turnouts: expected a whole number, found many"},
		"half a turnout":      {"limits:\n  turnouts: 1.5", "line 2: limits.turnouts: expected a whole number, found 1.5"},
		"none in flight":      {"mqtt:\n  in_flight: 0", "line 2: mqtt.in_flight: expected at least 1, found 0"},
		"size without sense":  {"limits:\n  payload: 5 potatoes", `line 2: limits.payload: expected a number of bytes, like 16MiB or 500kB, found "5 potatoes"`},
		"size too large":      {"limits:\n  payload: 300MiB\n  decompressed: 300MiB", "line 2: limits.payload: expected from 1KiB to 256MiB, found 300MiB"},
		"unpacked below":      {"limits:\n  payload: 16MiB\n  decompressed: 1MiB", "line 3: limits.decompressed: expected at least limits.payload, 16MiB, found 1MiB"},
		"no unit":             {"retention:\n  traces: 90", "line 2: retention.traces: expected a time with units"},
		"negative":            {"retention:\n  traces: -3h", "line 2: retention.traces: expected a time with units"},
		"an hour of traces":   {"retention:\n  traces: 1h", "line 2: retention.traces: expected a time from 1d to 36500d, found 1h0m0s"},
		"throws before trace": {"retention:\n  traces: 30d\n  throws: 20d", "line 3: retention.throws: expected at least retention.traces, 30d, found 20d"},
		"not a number":        {"detection:\n  false_alerts_per_turnout_year: .nan", "line 2: detection.false_alerts_per_turnout_year: expected a number, found .nan"},
		"never false":         {"detection:\n  false_alerts_per_turnout_year: 0", "line 2: detection.false_alerts_per_turnout_year: expected at least 0.0001, found 0"},
		"limit too short":     {"detection:\n  limits: {throw_time: 5ms}", "line 2: detection.limits.throw_time: expected a time from 500ms to 10m, found 5ms"},
		"limit without unit":  {"detection:\n  limits:\n    throw_time: 8", `line 3: detection.limits.throw_time: expected a time with units, like 90d or 1h30m, found "8"`},
		"limit below usual":   {"detection:\n  limits: {effort_rise_percent: -20}", "line 2: detection.limits.effort_rise_percent: expected at least 1, found -20"},
		"no turnout":          {"detection:\n  turnouts:\n    W 12: {throw_time: 8s}", "line 3: detection.turnouts[W 12]: expected a turnout's name: 1-64 of A-Z a-z 0-9 . _ -"},
		"a turnout's limit":   {"detection:\n  turnouts:\n    W.12:\n      throw_time: 1h", "line 4: detection.turnouts[W.12].throw_time: expected a time from 500ms to 10m, found 1h0m0s"},
		"a turnout's key":     {"detection:\n  turnouts:\n    W12: {time: 8s}", "line 3: detection.turnouts[W12].time: expected one of throw_time, effort_rise_percent, found an unknown key"},
		"a turnout twice":     {"detection:\n  turnouts:\n    W12: {throw_time: 8s}\n    W12: {throw_time: 9s}", "line 4: detection.turnouts[W12]: expected the name once, found it in line 3 already"},
		"turnouts in a list":  {"detection:\n  turnouts: [W12]", "line 2: detection.turnouts: expected names with values under them, found a list"},
		"alias":               {"data_dir: &a x\nmqtt: *a", "line 2: mqtt: expected keys with values under it, found an alias"},
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

func TestConfigWithoutMistakes(t *testing.T) {
	want := DefaultConfig()
	for name, yaml := range map[string]string{
		"empty": "", "comments": "# nothing\n", "heading": "mqtt:\n  # brokers: []\nhttp:\n", "null": "mqtt: ~", "document": "---\n",
	} {
		if c, err := ReadConfig(name, []byte(yaml), nil); err != nil || !reflect.DeepEqual(c, want) {
			t.Errorf("%s: expected the defaults, found %+v, %v", name, c, err)
		}
	}
	c, err := ReadConfig("c", []byte("retention: {traces: 1d12h, throws: 400d}\nlimits: {payload: 500kB}\nmqtt: {brokers: ['mqtts://b.example:8883']}\nhttp: {listen: '[::1]:0'}\n"), nil)
	if err != nil || c.Retention.Traces != Duration(36*time.Hour) || c.Limits.Payload != 500_000 || c.MQTT.Brokers[0] != "mqtts://b.example:8883" {
		t.Errorf("expected 36 h, 500 kB and the broker, found %+v, %v", c, err)
	}
}

// A turnout's own limit goes before that of all; what is not set is no limit.
func TestLimitsOfTurnouts(t *testing.T) {
	c, err := ReadConfig("c", []byte(`detection:
  limits: {throw_time: 8s, effort_rise_percent: 60}
  turnouts:
    W12: {throw_time: 6.5s}
    "13": {effort_rise_percent: 25.5}
`), nil)
	if err != nil {
		t.Fatal(err)
	}
	set := c.Detection.settings()
	for turnout, want := range map[string]detect.Limits{
		"W11": {ThrowTime: 8, EffortRise: 60}, "W12": {ThrowTime: 6.5, EffortRise: 60}, "13": {ThrowTime: 8, EffortRise: 25.5},
	} {
		if got := set.Limits(turnout); got != want {
			t.Errorf("%s: expected %+v, found %+v", turnout, want, got)
		}
	}
	d := DefaultConfig().Detection
	if got := d.limits("W11"); got != (detect.Limits{}) {
		t.Errorf("expected no limits, found %+v", got)
	}
}

func TestSecrets(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	of := write("one", "from the file\n")
	other := write("two", "from the other file\r\n")
	yaml := []byte("mqtt: {username: u, password_file: " + of + "}")
	for _, c := range []struct {
		env  map[string]string
		want string
	}{
		{nil, "from the file"},
		{map[string]string{PasswordFileVar: other}, "from the other file"},
		{map[string]string{PasswordVar: "from the environment"}, "from the environment"},
		{map[string]string{PasswordVar: "from the environment", PasswordFileVar: other}, "from the environment"},
	} {
		got, err := ReadConfig("c", yaml, func(k string) (string, bool) { v, ok := c.env[k]; return v, ok })
		if err != nil || got.MQTT.Password != c.want {
			t.Errorf("%v: expected %q, found %q, %v", c.env, c.want, got.MQTT.Password, err)
		}
	}
	_, err := ReadConfig("c", nil, func(k string) (string, bool) { return "/nowhere", k == PasswordFileVar })
	if err == nil || !strings.Contains(err.Error(), "c: "+PasswordFileVar+": expected a file that can be read, found /nowhere") {
		t.Errorf("expected the variable's file missing, found %v", err)
	}
}

func TestUnits(t *testing.T) {
	for s, want := range map[string]time.Duration{
		"90d": 90 * day, "1d12h": 36 * time.Hour, "0s": 0, "250ms": 250 * time.Millisecond, "0d": 0, "1h30m": 90 * time.Minute,
	} {
		d, err := ParseDuration(s)
		if err != nil || time.Duration(d) != want {
			t.Errorf("%s: expected %v, found %v, %v", s, want, time.Duration(d), err)
		}
		if back, err := ParseDuration(d.String()); err != nil || back != d {
			t.Errorf("%s: expected the same again, found %v, %v", d, back, err)
		}
	}
	for _, s := range []string{"", "d", "90", "-1d", "1d-1h", "1.5d", "1h1d", "1dd", "99999999999d", "106751d24h", "soon"} {
		if d, err := ParseDuration(s); err == nil {
			t.Errorf("%q: expected an error, found %v", s, d)
		}
	}
	for s, want := range map[string]Size{"16MiB": 16 << 20, "500kB": 500_000, "7": 7, "3 GB": 3e9, "1B": 1} {
		n, err := ParseSize(s)
		if err != nil || n != want {
			t.Errorf("%s: expected %d, found %d, %v", s, want, n, err)
		}
		if back, err := ParseSize(n.String()); err != nil || back != n {
			t.Errorf("%s: expected the same again, found %v, %v", n, back, err)
		}
	}
	for _, s := range []string{"", "MiB", "-1", "1.5MB", "9999999999GiB", "1 TB"} {
		if n, err := ParseSize(s); err == nil {
			t.Errorf("%q: expected an error, found %v", s, n)
		}
	}
}

// What is printed can be read, and is the same configuration.
func TestPrintIsRead(t *testing.T) {
	env := map[string]string{
		"THROWLINE_MQTT_BROKERS": "tcp://a:1883, tcp://b:1883", "THROWLINE_RETENTION_TRACES": "36h", "THROWLINE_LIMITS_PAYLOAD": "2MiB",
		"THROWLINE_DETECTION_FALSE_ALERTS_PER_TURNOUT_YEAR": "0.2", "THROWLINE_HTTP_LISTEN": "127.0.0.1:9000",
	}
	lookup := func(name string) (string, bool) { v, ok := env[name]; return v, ok }
	file := []byte(`
http: {listen: 127.0.0.1:8081}
targets:
  office: {webhook: {url: "http://127.0.0.1:1/x", secret_file: /nowhere}}
routes:
  - {name: all, targets: [office], remind: 90m, hours: {zone: UTC, from: "06:00", to: "22:00"}, escalate: [{after: 1h, targets: [office]}]}
detection: {turnouts: {W1: {throw_time: 6.5s}}}
`)
	env["THROWLINE_TARGET_OFFICE_SECRET"] = "sixteen bytes and more"
	c, err := ReadConfig("c.yaml", file, lookup)
	if err != nil {
		t.Fatal(err)
	}
	if c.HTTP.Listen != "127.0.0.1:9000" || len(c.MQTT.Brokers) != 2 || c.Retention.Traces != Duration(36*time.Hour) || c.Limits.Payload != 2<<20 || c.Detection.FalseAlerts != 0.2 {
		t.Errorf("found %+v", c)
	}
	b, err := c.Print()
	if err != nil || strings.Contains(string(b), "sixteen bytes") {
		t.Fatalf("found %v\n%s", err, b)
	}
	again, err := ReadConfig("printed.yaml", b, func(name string) (string, bool) {
		if strings.HasPrefix(name, "THROWLINE_TARGET_") {
			return lookup(name)
		}
		return "", false
	})
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	// An empty list and none are printed alike.
	if twice, err := again.Print(); err != nil || string(twice) != string(b) || again.Targets["office"].Webhook.Secret != c.Targets["office"].Webhook.Secret {
		t.Errorf("expected\n%s\nfound\n%s, %v", b, twice, err)
	}
}

func TestEnvironment(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "user")
	if err := os.WriteFile(secret, []byte("throwline\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"THROWLINE_MQTT_USERNAME_FILE": secret}
	lookup := func(name string) (string, bool) { v, ok := env[name]; return v, ok }
	if c, err := ReadConfig("c.yaml", nil, lookup); err != nil || c.MQTT.Username != "throwline" {
		t.Errorf("found %v, %q", err, c.MQTT.Username)
	}
	env["THROWLINE_MQTT_CLIENT_ID_FILE"] = secret + ".none"
	env["THROWLINE_BATCH_THROWS"] = "many"
	env["THROWLINE_LOG_LEVEL"] = "loud"
	_, err := ReadConfig("c.yaml", nil, lookup)
	for _, want := range []string{
		"THROWLINE_MQTT_CLIENT_ID_FILE: expected a file that can be read", `THROWLINE_BATCH_THROWS: expected a whole number, found "many"`, "log.level: expected one of",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("expected %q, found %v", want, err)
		}
	}
}

func TestConfigRoutes(t *testing.T) {
	_, err := ReadConfig("c.yaml", []byte(`
targets:
  office: {webhook: {url: "http://127.0.0.1:1/x", secret_file: /nowhere/secret}}
routes:
  - {name: all, targets: [office]}
  - {name: all, targets: [nobody]}
`), nil)
	for _, want := range []string{
		`line 6: routes[1]: expected a name of its own, found "all", as in routes[0]`, `line 6: routes[1]: expected a route that can be followed, found route "all", targets: expected one of ["office"], found "nobody"`,
		"line 3: targets[office].webhook.secret_file: expected a file that can be read, found /nowhere/secret",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("expected %q, found %v", want, err)
		}
	}
}
