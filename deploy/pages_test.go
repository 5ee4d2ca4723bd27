package deploy_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every test that threats.md, reliability.md and limits.md name is there.
func TestNamedTestsAreThere(t *testing.T) {
	var all strings.Builder
	err := filepath.WalkDir("..", func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "node_modules" || d.Name() == ".git"):
			return filepath.SkipDir
		case strings.HasSuffix(p, "_test.go"):
			b, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			all.Write(b)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for page, least := range map[string]int{"threats.md": 30, "reliability.md": 30, "limits.md": 80} {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		named := regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z]\w+`).FindAllString(string(text), -1)
		if len(named) < least {
			t.Errorf("%s: expected at least %d tests to be named, found %d", page, least, len(named))
		}
		for _, name := range named {
			if !strings.Contains(all.String(), "\nfunc "+name+"(") {
				t.Errorf("%s names %s, which is not there", page, name)
			}
		}
	}
}
