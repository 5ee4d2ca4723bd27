package daemon

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"
)

// FuzzConfig reads any configuration. Invariants: what is refused says where, what
// was expected and what was found; what is taken can be printed and read again
// as the same, but for secrets.
func FuzzConfig(f *testing.F) {
	sample, err := os.ReadFile("../deploy/throwline.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(sample)
	for _, line := range bytes.Split(sample, []byte("\n")) {
		if bytes.Contains(line, []byte(":")) && !bytes.HasPrefix(line, []byte("# ")) {
			f.Add(bytes.TrimPrefix(bytes.TrimLeft(line, " "), []byte("#")))
		}
	}
	for _, s := range []string{
		"mqtt: {brokers: ['tcp://127.0.0.1:1883'], mapped: [{topic: 'a/{turnout}'}]}", "a: &a [*a]", "mqtt: {<<: {prefix: x}}", "? [a]\n: b", "!!binary aGk=", "detection: {own: {W1: {throw_time: 7s}}}",
		"routes: [{to: [a], windows: [{zone: UTC}]}]\ntargets: {a: {webhook: {url: 'http://x'}}}", "---\n---\n", "mqtt:\n\tprefix: x", "limits: {payload_bytes: 1e99}",
	} {
		f.Add([]byte(s))
	}
	none := func(string) (string, bool) { return "", false }
	f.Fuzz(func(t *testing.T, data []byte) {
		if bytes.Contains(data, []byte("/dev/")) || bytes.Contains(data, []byte("/proc")) {
			return // files with no end
		}
		c, err := ReadConfig("f.yaml", data, none)
		if err != nil {
			var bad *ConfigError
			if !errors.As(err, &bad) || len(bad.Problems) == 0 {
				t.Fatalf("refused without saying what: %v", err)
			}
			lines := 1 + bytes.Count(data, []byte("\n")) + bytes.Count(data, []byte("\r"))
			for _, p := range bad.Problems {
				if p.Expected == "" || p.Found == "" || p.Line < 0 || p.Line > lines {
					t.Errorf("%+v does not say enough (%d lines)", p, lines)
				}
			}
			return
		}
		printed, err := c.Print()
		if err != nil {
			t.Fatalf("taken and not printed: %v", err)
		}
		if bytes.Contains(data, []byte("_file")) || strings.Contains(string(printed), "redacted") {
			return
		}
		again, err := ReadConfig("printed.yaml", printed, none)
		if err != nil {
			t.Fatalf("what was printed is refused: %v\n%s", err, printed)
		}
		if twice, err := again.Print(); err != nil || !bytes.Equal(printed, twice) {
			t.Fatalf("printed twice it differs: %v\n%s\n%s", err, printed, twice)
		}
	})
}
