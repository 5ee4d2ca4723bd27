package deploy_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// packaged is what nfpm is told, in its own file and in the release's.
type packaged struct {
	Name                                       string
	Section, Priority, Maintainer, Description string
	Depends, Recommends, Suggests              []string
	Dependencies                               []string // goreleaser's word for Depends
	Contents                                   []struct {
		Src, Dst, Type string
		FileInfo       struct{ Mode int } `yaml:"file_info"`
	}
	Scripts map[string]string
}

// The release's package is the one that deploy/deb makes and the tests install.
func TestReleasePackage(t *testing.T) {
	read := func(name string, into any) {
		t.Helper()
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.Unmarshal(b, into); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	var deb packaged
	var release struct {
		Builds []struct {
			Main   string
			Env    []string
			Goos   []string
			Goarch []string
		}
		Nfpms []packaged
		Sboms []struct {
			Cmd  string
			Args []string
		}
		Checksum struct{ Algorithm string }
	}
	read("deb/nfpm.yaml", &deb)
	read("goreleaser.yaml", &release)
	b, ours := release.Builds[0], release.Nfpms[0]
	if !slices.Equal(b.Goos, []string{"linux"}) || !slices.Equal(b.Goarch, []string{"amd64", "arm64"}) || !slices.Contains(b.Env, "CGO_ENABLED=0") || release.Checksum.Algorithm != "sha256" || len(release.Sboms) != 1 {
		t.Errorf("found %+v", release)
	}
	list := func(p packaged) (out []string) {
		for _, c := range p.Contents {
			if c.Dst == "/usr/bin/throwline" {
				continue // bindir in the release
			}
			src := strings.NewReplacer("${OUT}/", "", "bin/papers/", "").Replace(c.Src)
			if strings.HasPrefix(src, "deploy/") {
				if _, err := os.Stat(filepath.Join("..", src)); err != nil {
					t.Error(err)
				}
			}
			mode, _ := json.Marshal(c.FileInfo)
			out = append(out, strings.Join([]string{src, c.Dst, c.Type, string(mode)}, " "))
		}
		slices.Sort(out)
		return out
	}
	if a, b := list(deb), list(ours); !slices.Equal(a, b) || len(a) < 9 {
		t.Errorf("expected\n%s\nfound\n%s", strings.Join(a, "\n"), strings.Join(b, "\n"))
	}
	head := func(p packaged) string {
		p.Name, p.Contents = "", nil
		p.Depends, p.Dependencies = append(p.Depends, p.Dependencies...), nil
		b, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if a, b := head(deb), head(ours); a != b {
		t.Errorf("expected %s, found %s", a, b)
	}
}

// The search for known vulnerabilities fails on a finding, and says so plainly
// where it could not look.
func TestVulnerabilities(t *testing.T) {
	if testing.Short() {
		t.Skip("builds govulncheck")
	}
	look := func(db string) (string, error) {
		cmd := exec.Command("sh", "vuln.sh", "./deploy/fleet")
		cmd.Env = append(os.Environ(), "GOVULNDB="+db)
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	if out, err := look("http://127.0.0.1:1"); err != nil || !strings.Contains(out, "NOT CHECKED") {
		t.Errorf("expected it said that nothing was checked, found %v, %s", err, out)
	}

	// A database with one invented finding in a function that every program calls.
	db := t.TempDir()
	const at = "2026-01-01T00:00:00Z"
	finding := `{"schema_version":"1.3.1","id":"GO-2026-0001","modified":"` + at + `","published":"` + at + `","summary":"invented","details":"invented",` +
		`"affected":[{"package":{"name":"stdlib","ecosystem":"Go"},"ranges":[{"type":"SEMVER","events":[{"introduced":"0"}]}],` +
		`"ecosystem_specific":{"imports":[{"path":"SUBJECT","symbols":["Exit"]}]}}]}`
	write := func(path string) {
		t.Helper()
		for name, text := range map[string]string{
			"index/db.json":        `{"modified":"` + at + `"}`,
			"index/modules.json":   `[{"path":"stdlib","vulns":[{"id":"GO-2026-0001","modified":"` + at + `"}]}]`,
			"index/vulns.json":     `[{"id":"GO-2026-0001","modified":"` + at + `"}]`,
			"ID/GO-2026-0001.json": strings.Replace(finding, "SUBJECT", path, 1),
		} {
			if err := os.MkdirAll(filepath.Dir(filepath.Join(db, name)), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(db, name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	write("os")
	if out, err := look("file://" + db); err == nil || !strings.Contains(out, "GO-2026-0001") {
		t.Errorf("expected a failure on the finding, found %v, %s", err, out)
	}
	write("archive/tar") // nobody's
	if out, err := look("file://" + db); err != nil || !strings.Contains(out, "No vulnerabilities found") {
		t.Errorf("expected no finding, found %v, %s", err, out)
	}
}
