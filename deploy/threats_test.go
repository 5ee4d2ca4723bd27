package deploy_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every test that threats.md names is there.
func TestThreatsAreTried(t *testing.T) {
	page, err := os.ReadFile("threats.md")
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile(`\b(?:Test|Fuzz)[A-Z]\w+`).FindAllString(string(page), -1)
	var all strings.Builder
	err = filepath.WalkDir("..", func(p string, d fs.DirEntry, err error) error {
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
	if err != nil || len(named) < 30 {
		t.Fatalf("found %d names, %v", len(named), err)
	}
	for _, name := range named {
		if !strings.Contains(all.String(), "\nfunc "+name+"(") {
			t.Errorf("threats.md names %s, which is not there", name)
		}
	}
}
