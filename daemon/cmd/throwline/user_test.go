package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"throwline/daemon/store"
)

// Who is locked out helps himself on the command line, while the program is stopped.
func TestUser(t *testing.T) {
	dir := t.TempDir()
	conf := write(t, dir, "throwline.yaml", "data_dir: "+filepath.Join(dir, "data")+"\naccess: {mode: accounts, public_url: 'https://throwline.example'}\n")
	var none strings.Builder
	if code := run(t.Context(), []string{"user", "add", "chief", "--config", conf}, terminal{strings.NewReader(""), &none, &none, nil}); code != 1 || !strings.Contains(none.String(), "data_dir says where it is") {
		t.Errorf("without a store: found %d and %q", code, none.String())
	}
	if err := os.Mkdir(filepath.Join(dir, "data"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"list"}, 0, "There is no account"},
		{[]string{"reset", "chief"}, 1, `account "chief": expected one that user list prints`},
		{[]string{"add", "Chief", "--role", "king"}, 1, "role: expected viewer, operator, maintainer or administrator"},
		{[]string{"add", "no blanks"}, 1, "name: expected 1 to 64 of"},
		{[]string{"add"}, 2, "accepts 1 arg"},
		{[]string{"add", "Chief", "--role", "administrator"}, 0, "chief, administrator, chooses a password at\nhttps://throwline.example/welcome#"},
		{[]string{"add", "chief"}, 1, "which is there already"},
		{[]string{"reset", "CHIEF"}, 0, "chief chooses a new password at\nhttps://throwline.example/welcome#"},
		{[]string{"list"}, 0, "no password yet"},
	} {
		var out, err strings.Builder
		code := run(t.Context(), append(append([]string{"user"}, c.args...), "--config", conf), terminal{strings.NewReader(""), &out, &err, nil})
		if all := out.String() + err.String(); code != c.code || !strings.Contains(all, c.want) {
			t.Errorf("%v: expected %d and %q, found %d and %q", c.args, c.code, c.want, code, all)
		}
	}
	// While it runs, the store is its own.
	s, err := store.Open(t.Context(), filepath.Join(dir, "data", "throwline.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var out, said strings.Builder
	if code := run(t.Context(), []string{"user", "list", "--config", conf}, terminal{strings.NewReader(""), &out, &said, nil}); code != 1 || !strings.Contains(said.String(), "another process holds it") {
		t.Errorf("found %d and %q", code, said.String())
	}
}

// What lets everyone in does not start where everyone can come.
func TestServeOpenToAll(t *testing.T) {
	dir := t.TempDir()
	conf := write(t, dir, "throwline.yaml", "data_dir: "+filepath.Join(dir, "data")+"\nhttp: {listen: '0.0.0.0:0'}\n")
	var out, said strings.Builder
	if code := run(t.Context(), []string{"serve", "--config", conf}, terminal{strings.NewReader(""), &out, &said, nil}); code != exitBadConfig || !strings.Contains(said.String(), "access.mode: expected accounts, because http.listen") {
		t.Errorf("found %d and %q", code, said.String())
	}
	if code := run(t.Context(), []string{"demo", "--listen", "0.0.0.0:0"}, terminal{strings.NewReader(""), &out, &said, nil}); code != exitWrongUse || !strings.Contains(said.String(), "the demo lets everyone in who reaches it") {
		t.Errorf("found %d and %q", code, said.String())
	}
}
