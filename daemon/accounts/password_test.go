package accounts

import (
	"context"
	"errors"
	"os"
	"strings"
	"testing"

	"throwline/alerting"
)

func readFile(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestDefaultCost(t *testing.T) {
	h := newHasher(DefaultCost, 1)
	hash, err := h.hash(t.Context(), good)
	if err != nil || !strings.HasPrefix(hash, "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Fatal(hash, err)
	}
	if ok, stale, err := h.check(t.Context(), good, hash, false); !ok || stale || err != nil {
		t.Errorf("found %v %v %v", ok, stale, err)
	}
	if ok, _, err := h.check(t.Context(), good+"x", hash, false); ok || err != nil {
		t.Errorf("found %v %v", ok, err)
	}
	// Of nobody: the same work, and never right.
	if c, _, key, err := parsePHC(h.decoy); c != DefaultCost || len(key) != keyBytes || err != nil {
		t.Errorf("found %+v %v", c, err)
	}
}

// The known answer of RFC 9106, 5.3 takes a secret that we do not use; this one
// is of the reference implementation's own tests (test.c, version 0x13).
func TestKnownHash(t *testing.T) {
	h := newHasher(cheap, 1)
	const known = "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"
	if ok, stale, err := h.check(t.Context(), "password", known, false); !ok || !stale || err != nil {
		t.Errorf("found %v %v %v", ok, stale, err)
	}
}

func TestRehash(t *testing.T) {
	r := newRig(t)
	r.first()
	before, _ := r.account("chief")
	dear := Cost{Memory: 128, Passes: 2, Threads: 1}
	r.open(func(o *Options) { o.Cost = dear })
	if _, err := r.login("chief", good); err != nil {
		t.Fatal(err)
	}
	after, _ := r.account("chief")
	if c, _, _, err := parsePHC(after.Password); before.Password == after.Password || c != dear || err != nil {
		t.Errorf("found %+v, %v", c, err)
	}
	r.open(func(o *Options) { o.Cost = dear })
	if _, err := r.login("chief", good); err != nil {
		t.Error(err)
	}
}

func TestBadHashes(t *testing.T) {
	h := newHasher(cheap, 1)
	for _, s := range []string{
		"plain", "$argon2i$v=19$m=64,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "$argon2id$v=16$m=64,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=4194304,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "$argon2id$v=19$m=64,t=0,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=64,t=1,p=0$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=64,t=1,p=1,x=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
	} {
		if ok, _, err := h.check(t.Context(), "password", s, false); ok || err == nil || strings.Contains(err.Error(), "nf65") {
			t.Errorf("%s: found %v, %v", s, ok, err)
		}
	}
}

// No more hashes run at once than there are slots, and no more wait than there is room for.
func TestHashesAreBounded(t *testing.T) {
	h := newHasher(cheap, 1)
	h.slots <- struct{}{} // one runs
	ctx, cancel := context.WithCancel(t.Context())
	waiting := make(chan error, 2*cap(h.queue))
	for range 2 * cap(h.queue) {
		go func() { _, err := h.hash(ctx, good); waiting <- err }()
	}
	for range cap(h.queue) {
		if err := <-waiting; !errors.Is(err, alerting.ErrBusy) {
			t.Fatalf("found %v", err)
		}
	}
	cancel()
	for range cap(h.queue) {
		if err := <-waiting; !errors.Is(err, context.Canceled) {
			t.Fatalf("found %v", err)
		}
	}
	<-h.slots
	if _, err := h.hash(t.Context(), good); err != nil {
		t.Errorf("later: %v", err)
	}
}

func TestPasswordRules(t *testing.T) {
	for password, fault := range map[string]string{
		good: "", "elevenchars": "at least 12", "zwölf Zeichen": "", strings.Repeat("ä", 12): "more than one character", strings.Repeat("x", 40): "more than one character",
		strings.Repeat("ab", 513): "at most 1024 bytes", "signalperson": "other than the name", "SignalPerson ": "other than the name", "signalpersonsignalperson": "other than the name",
		"signalperson2": "", "            ": "more than one character", "\xff\xfe34567890123": "UTF-8", "aaaaaaaaaaab": "", "The Display Name": "other than the name",
	} {
		faults := passwordFaults(password, "signalperson", "The display name")
		found := ""
		if len(faults) > 0 {
			found = faults[0].Expected
		}
		if (found == "") != (fault == "") || !strings.Contains(found, fault) {
			t.Errorf("%.30q: expected %q, found %q", password, fault, found)
		}
		for _, f := range faults {
			if len(password) > 3 && strings.Contains(f.Found, password) {
				t.Errorf("%q stands in %v", password, f)
			}
		}
	}
}
