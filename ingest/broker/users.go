package broker

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"golang.org/x/crypto/bcrypt"

	"throwline/ingest"
)

// hashCost is bcrypt's, about 50 ms: five hundred cabinets that come back
// after a power cut must not wait for minutes.
const hashCost = 10

// mostHashCost bounds what is read of a file: each step doubles the time.
const mostHashCost = 14

// Users are cabinets' names and the bcrypt hashes of their passwords.
type Users map[string]string

// ReadUsers reads a file of lines NAME:HASH, as "htpasswd -B" writes them; empty
// lines and those that begin with # say nothing.
func ReadUsers(file string) (Users, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	users := Users{}
	lines := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		// Neither the line nor the hash is repeated: what should not be there may be a password.
		name, hash, _ := strings.Cut(line, ":")
		cost, err := bcrypt.Cost([]byte(hash))
		switch {
		case !ingest.ValidName(name):
			return nil, fmt.Errorf("%s: line %d: expected NAME:HASH with a name of 1-64 of A-Z a-z 0-9 . _ -", file, n)
		case err != nil || cost > mostHashCost:
			return nil, fmt.Errorf("%s: line %d: %s: expected a bcrypt hash of a cost of at most %d after the name", file, n, name, mostHashCost)
		case users[name] != "":
			return nil, fmt.Errorf("%s: line %d: expected %s once, found it again", file, n, name)
		}
		users[name] = hash
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return users, nil
}

// Set gives a user a new password, which it makes and returns: 128 random bits.
func (u Users) Set(name string) (password string, err error) {
	if !ingest.ValidName(name) {
		return "", fmt.Errorf("cabinet: expected 1-64 of A-Z a-z 0-9 . _ -, found %q", name)
	}
	b := make([]byte, 16)
	if _, err := rand.Read(b); err != nil {
		return "", err
	}
	password = base64.RawURLEncoding.EncodeToString(b)
	hash, err := bcrypt.GenerateFromPassword([]byte(password), hashCost)
	if err != nil {
		return "", err
	}
	u[name] = string(hash)
	return password, nil
}

// Write writes the file anew, whole or not at all. One that is there keeps its
// owner and mode; a new one is for its owner and group.
func (u Users) Write(file string) (err error) {
	mode, uid, gid := fs.FileMode(0o640), -1, -1
	if old, err := os.Stat(file); err == nil {
		mode = old.Mode().Perm()
		if sys, ok := old.Sys().(*syscall.Stat_t); ok {
			uid, gid = int(sys.Uid), int(sys.Gid)
		}
	}
	var b strings.Builder
	b.WriteString("# Cabinets and the bcrypt hashes of their passwords; `throwline cabinet` writes this file anew.\n")
	for _, name := range slices.Sorted(maps.Keys(u)) {
		fmt.Fprintf(&b, "%s:%s\n", name, u[name])
	}
	f, err := os.CreateTemp(filepath.Dir(file), filepath.Base(file)+".part-*")
	if err != nil {
		return err
	}
	_, err = f.WriteString(b.String())
	if uid >= 0 {
		err = errors.Join(err, f.Chown(uid, gid))
	}
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
