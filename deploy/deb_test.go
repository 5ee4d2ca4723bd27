package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The package is installed, upgraded with what was learned kept, removed and
// purged, in a root of its own.
func TestPackage(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the package twice")
	}
	for _, tool := range []string{"dpkg", "dpkg-deb", "systemd-analyze"} {
		if _, err := exec.LookPath(tool); err != nil || os.Geteuid() != 0 {
			if os.Getenv("CI") != "" {
				t.Fatalf("expected %s and root, found %v", tool, err)
			}
			t.Skip("needs Debian's dpkg, systemd and root")
		}
	}
	run := func(name string, args ...string) string {
		t.Helper()
		c := exec.Command(name, args...)
		c.Dir = ".."
		out, err := c.CombinedOutput()
		if err != nil {
			t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
		}
		return string(out)
	}
	// Well below the 2.0 that systemd calls OK; it is "safe" up to there.
	out := run("systemd-analyze", "security", "--offline=true", "--threshold=20", "deploy/deb/throwline.service")
	if !strings.Contains(out, "Overall exposure level") {
		t.Errorf("found %s", out)
	}

	root, made := t.TempDir(), t.TempDir()
	for _, version := range []string{"0.1.0", "0.2.0"} {
		run("sh", "deploy/deb/build.sh", version, made)
	}
	for _, dir := range []string{"info", "updates", "triggers", "parts"} {
		if err := os.MkdirAll(filepath.Join(root, "var/lib/dpkg", dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(root, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	there := func(name string) bool {
		_, err := os.Lstat(filepath.Join(root, name))
		return err == nil
	}
	write("var/lib/dpkg/status", "")
	dpkg := func(args ...string) {
		t.Helper()
		run("dpkg", append([]string{"--root=" + root, "--force-script-chrootless", "--force-depends"}, args...)...)
	}
	throwline := filepath.Join(root, "usr/bin/throwline")
	conf := filepath.Join(root, "etc/throwline/throwline.yaml")

	dpkg("-i", filepath.Join(made, "throwline_0.1.0_amd64.deb"))
	if got := run(throwline, "version"); !strings.Contains(got, "0.1.0") {
		t.Errorf("found %s", got)
	}
	run(throwline, "config", "check", conf)
	// Commands at the shell find the store of the unit without its environment.
	if got := run("grep", "^data_dir:", conf); got != "data_dir: /var/lib/throwline\n" {
		t.Errorf("found %q", got)
	}
	for _, name := range []string{
		"lib/systemd/system/throwline.service", "usr/share/man/man1/throwline-serve.1.gz", "usr/share/bash-completion/completions/throwline", "var/lib/throwline",
	} {
		if !there(name) {
			t.Errorf("expected %s to be there", name)
		}
	}
	if passwd, err := os.ReadFile(filepath.Join(root, "etc/passwd")); err != nil || !strings.Contains(string(passwd), "throwline:") {
		t.Errorf("expected a user of its own, found %v, %s", err, passwd)
	}

	write("etc/throwline/throwline.yaml", "http: {listen: 127.0.0.1:18080}\n")
	write("var/lib/throwline/throwline.db", "what was learned")
	dpkg("-i", filepath.Join(made, "throwline_0.2.0_amd64.deb"))
	if got := run(throwline, "version"); !strings.Contains(got, "0.2.0") {
		t.Errorf("found %s", got)
	}
	if got := run("cat", conf); !strings.Contains(got, "18080") {
		t.Errorf("an upgrade changed the configuration: %s", got)
	}
	if !there("var/lib/throwline/throwline.db") {
		t.Error("an upgrade dropped what was learned")
	}

	dpkg("-r", "throwline")
	if there("usr/bin/throwline") || !there("var/lib/throwline/throwline.db") || !there("etc/throwline/throwline.yaml") {
		t.Error("expected the program to be gone, and configuration and data to stay")
	}
	dpkg("-P", "throwline")
	if there("var/lib/throwline") || there("etc/throwline/throwline.yaml") {
		t.Error("expected a purge to leave nothing")
	}
}
