package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"throwline/ingest/broker"
)

func TestCabinet(t *testing.T) {
	dir := t.TempDir()
	users := filepath.Join(dir, "users")
	conf := write(t, dir, "throwline.yaml", "broker: {listen: '127.0.0.1:1883', users_file: "+users+"}\n")
	none := write(t, dir, "none.yaml", "broker: {listen: '127.0.0.1:1883'}\n")
	for _, c := range []struct {
		args []string
		conf string
		code int
		want string
	}{
		{[]string{"list"}, conf, 0, ""},
		{[]string{"list"}, none, 1, "broker.users_file: expected the file"},
		{[]string{"remove", "CAB-1"}, conf, 1, "found \"CAB-1\""},
		{[]string{"add", "no blanks"}, conf, 1, "expected 1-64 of A-Z a-z 0-9 . _ -"},
		{[]string{"add"}, conf, 2, "accepts 1 arg"},
		{[]string{"add", "CAB-1"}, conf, 0, "CAB-1 logs in as CAB-1 with the password "},
		{[]string{"add", "CAB-2"}, conf, 0, "CAB-2 logs in as CAB-2 with the password "},
		{[]string{"list"}, conf, 0, "CAB-1\nCAB-2\n"},
		{[]string{"remove", "CAB-1"}, conf, 0, ""},
		{[]string{"list"}, conf, 0, "CAB-2\n"},
	} {
		var out, err strings.Builder
		code := run(t.Context(), append(append([]string{"cabinet"}, c.args...), "--config", c.conf), terminal{strings.NewReader(""), &out, &err, nil})
		if all := out.String() + err.String(); code != c.code || !strings.Contains(all, c.want) {
			t.Errorf("%v: expected %d and %q, found %d and %q", c.args, c.code, c.want, code, all)
		}
		if _, after, ok := strings.Cut(out.String(), "password "); ok {
			password, _, _ := strings.Cut(after, "\n")
			if b, err := os.ReadFile(users); err != nil || strings.Contains(string(b), password) || len(password) < 20 {
				t.Errorf("the password %q stands in the file: %v", password, err)
			}
		}
	}
	if u, err := broker.ReadUsers(users); err != nil || len(u) != 1 {
		t.Errorf("found %v, %v", u, err)
	}
	if i, err := os.Stat(users); err != nil || i.Mode().Perm()&0o007 != 0 {
		t.Errorf("everyone reads it: %v, %v", i.Mode(), err)
	}
}
