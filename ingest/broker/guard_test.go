package broker

import (
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"throwline/ingest/certtest"
)

func TestUsers(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users")
	u := Users{}
	password, err := u.Set("CAB-1")
	if err != nil || len(password) < 20 {
		t.Fatal(password, err)
	}
	if _, err := u.Set("no blanks"); err == nil {
		t.Error("took a name that is none")
	}
	if err := u.Write(file); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(file, 0o600); err != nil {
		t.Fatal(err)
	}
	read, err := ReadUsers(file)
	if err != nil || len(read) != 1 || read["CAB-1"] != u["CAB-1"] {
		t.Errorf("found %v, %v", read, err)
	}
	if err := read.Write(file); err != nil {
		t.Fatal(err)
	}
	if i, err := os.Stat(file); err != nil || i.Mode().Perm() != 0o600 {
		t.Errorf("the mode became %v, %v", i.Mode(), err)
	}
	b, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(b), password) {
		t.Errorf("the password stands in the file: %v", err)
	}
	hash := u["CAB-1"]
	for bad, want := range map[string]string{
		"CAB-1":                          "line 1",
		"CAB-1:secret":                   "bcrypt",
		"a b:" + hash:                    "NAME:HASH",
		"#\n\nA:" + hash + "\nA:" + hash: "line 4",
		"A:" + strings.Replace(hash, "10", "20", 1): "at most 14",
	} {
		if err := os.WriteFile(file, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadUsers(file); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%q: expected %q, found %v", bad, want, err)
		}
	}
}

// A list of what was revoked holds only from the authority itself.
func TestForeignRevocations(t *testing.T) {
	ours, other := certtest.New(t, "CA"), certtest.New(t, "CA")
	pair := ours.Client("CAB-1")
	a, err := readAuthorities(ours.File, ours.Revoke(pair))
	if err != nil || a.verify([]*x509.Certificate{pair.Leaf}, time.Now()) == nil {
		t.Error(err)
	}
	if _, err := readAuthorities(ours.File, other.Revoke(pair)); err == nil {
		t.Error("took another's list")
	}
}

func TestTries(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	const password = "the right one"
	file := filepath.Join(t.TempDir(), "users")
	usersOf(t, "CAB-1", password, file)
	g, err := newGuard(Guard{UsersFile: file, Now: func() time.Time { return now }}, slog.New(slog.DiscardHandler), newSeldom())
	if err != nil {
		t.Fatal(err)
	}
	for i := range freeTries {
		if _, err := g.checkPassword("CAB-1", "wrong", "192.0.2.1"); !errors.Is(err, errWrong) {
			t.Fatalf("try %d: %v", i, err)
		}
	}
	if _, err := g.checkPassword("CAB-1", password, "192.0.2.1"); err == nil || !strings.Contains(err.Error(), "too many") {
		t.Errorf("after %d wrong ones: found %v", freeTries, err)
	}
	// Strangers elsewhere hold up nobody.
	if _, err := g.checkPassword("CAB-1", password, "192.0.2.2"); err != nil {
		t.Errorf("from elsewhere: %v", err)
	}
	now = now.Add(mostHeld + time.Second)
	if _, err := g.checkPassword("CAB-1", password, "192.0.2.1"); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	// One address that tries many names is held up too.
	held := false
	for i := range 2 * freeStrange {
		if err := g.try(map[string]int{"192.0.2.3 " + fmt.Sprint(i): freeTries, "192.0.2.3": freeStrange}, now); err != nil {
			held = true
		}
	}
	if !held {
		t.Error("many names of one address: never held up")
	}
	for i := range 3 * mostTries {
		_ = g.try(map[string]int{fmt.Sprint("x", i): freeTries}, now)
	}
	if n := len(g.tries); n > mostTries {
		t.Errorf("expected at most %d in memory, found %d", mostTries, n)
	}
}

// Names and client ids: no two cabinets share one.
func TestCabinetOf(t *testing.T) {
	for id, want := range map[string]string{
		"CAB-1": "CAB-1", "throwline-cabinet-CAB-1": "CAB-1", "throwline-cabinet-A:1": "A.1", "A:1": "A.1",
		"throwline-cabinet-throwline-cabinet-1": "throwline-cabinet-1", "": "",
	} {
		if got := cabinetOf(id); got != want {
			t.Errorf("%q: expected %q, found %q", id, want, got)
		}
	}
}

func TestSeldom(t *testing.T) {
	s, n := newSeldom(), 0
	for range 1000 {
		s.say("x", func(int) { n++ })
	}
	for i := range 1000 {
		s.say(fmt.Sprint(i), func(int) {})
	}
	if n != saidAMinute || len(s.kinds) > mostKinds {
		t.Errorf("said %d, %d kinds", n, len(s.kinds))
	}
}

// A file that is half written leaves what was in force; one that is whole takes
// its place.
func TestReadsAnew(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users")
	usersOf(t, "CAB-1", "first", file)
	b, err := Start(t.Context(), Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guard: Guard{UsersFile: file, Owner: "throwline"}})
	if err != nil {
		t.Fatal(err)
	}
	b.end()
	<-b.ended // from here on the test looks at the file
	defer b.Close()
	g := b.guard
	if err := os.WriteFile(file, []byte("CAB-1:"), 0o600); err != nil {
		t.Fatal(err)
	}
	g.again()
	if _, err := g.checkPassword("CAB-1", "first", "here"); err != nil {
		t.Errorf("after a file that cannot be read: %v", err)
	}
	usersOf(t, "CAB-1", "second", file)
	g.again()
	if _, err := g.checkPassword("CAB-1", "second", "here"); err != nil {
		t.Error(err)
	}
	if _, err := g.checkPassword("CAB-1", "first", "here"); !errors.Is(err, errWrong) {
		t.Errorf("the password before: %v", err)
	}
	if len(g.good) != 1 {
		t.Errorf("expected the digest before to be gone, found %d", len(g.good))
	}
}

// usersOf writes a file with one user, at the least cost.
func usersOf(t *testing.T, name, password, file string) {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	if err := (Users{name: string(hash)}).Write(file); err != nil {
		t.Fatal(err)
	}
}

func TestGuardRefuses(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "missing")
	for name, g := range map[string]Guard{
		"no certificate": {CertFile: missing, KeyFile: missing}, "no authorities": {ClientCAFile: missing}, "no users": {UsersFile: missing},
	} {
		if err := g.Check(); err == nil {
			t.Errorf("%s: nothing is wrong", name)
		}
		if b, err := Start(t.Context(), Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guard: g}); err == nil {
			b.Close()
			t.Errorf("%s: started", name)
		}
	}
}
