package accounts

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"throwline/alerting"
	"throwline/ingest"
)

// Cost is what one hash of a password costs: argon2id's parameters.
type Cost struct {
	Memory  uint32 // KiB
	Passes  uint32
	Threads uint8
}

// DefaultCost is the second recommended option of RFC 9106, section 4.
var DefaultCost = Cost{Memory: 64 << 10, Passes: 3, Threads: 4}

const (
	saltBytes = 16
	keyBytes  = 32
	// Bounds of what is read back: a hash in the store must not cost without end.
	mostMemory, mostPasses, mostThreads = 1 << 20, 20, 16
)

// Bounds of a password, in characters and bytes. No rule asks for kinds of
// characters: NIST SP 800-63B, 3.1.1.2, says why.
const (
	leastPassword = 12
	mostPassword  = 1024
)

// hasher hashes passwords, a bounded number at once.
type hasher struct {
	cost  Cost
	slots chan struct{} // one for each hash that may run
	queue chan struct{} // one for each that runs or waits
	known chan struct{} // the same of those who are known: strangers do not fill it
	decoy string        // a hash that no password fits, of the same cost
}

func newHasher(cost Cost, atOnce int) *hasher {
	h := &hasher{cost: cost, slots: make(chan struct{}, atOnce), queue: make(chan struct{}, 8*atOnce), known: make(chan struct{}, 8*atOnce)}
	h.decoy = phc(cost, random(saltBytes), random(keyBytes))
	return h
}

// random returns n bytes that nobody can guess.
func random(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // it never fails: see its documentation
	return b
}

func (h *hasher) key(ctx context.Context, password string, salt []byte, c Cost, n uint32, known bool) ([]byte, error) {
	queue := h.queue
	if known {
		queue = h.known
	}
	select {
	case queue <- struct{}{}:
		defer func() { <-queue }()
	default:
		return nil, alerting.ErrBusy
	}
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return argon2.IDKey([]byte(password), salt, c.Passes, c.Memory, c.Threads, n), nil
}

func (h *hasher) hash(ctx context.Context, password string) (string, error) {
	salt := random(saltBytes)
	key, err := h.key(ctx, password, salt, h.cost, keyBytes, true)
	if err != nil {
		return "", err
	}
	return phc(h.cost, salt, key), nil
}

// check reports whether the password is the one of the hash, and whether the
// hash should be made anew because its cost is not today's. A hash of "" fits
// no password and costs the same. Who is known does not wait behind strangers
// to be let into the queue.
func (h *hasher) check(ctx context.Context, password, hash string, known bool) (ok, stale bool, err error) {
	none := hash == ""
	if none {
		hash = h.decoy
	}
	c, salt, want, err := parsePHC(hash)
	if err != nil {
		return false, false, err
	}
	got, err := h.key(ctx, password, salt, c, uint32(len(want)), known)
	if err != nil {
		return false, false, err
	}
	ok = subtle.ConstantTimeCompare(got, want) == 1 && !none
	return ok, ok && (c != h.cost || len(want) != keyBytes || len(salt) != saltBytes), nil
}

var b64 = base64.RawStdEncoding

// phc writes a hash as the PHC string format does.
func phc(c Cost, salt, key []byte) string {
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.Memory, c.Passes, c.Threads, b64.EncodeToString(salt), b64.EncodeToString(key))
}

func parsePHC(s string) (c Cost, salt, key []byte, err error) {
	bad := errors.New("hash of a password: expected $argon2id$v=19$m=…,t=…,p=…$salt$hash within bounds, found another") // never the hash itself
	part := strings.Split(s, "$")
	if len(part) != 6 || part[0] != "" || part[1] != "argon2id" || part[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return c, nil, nil, bad
	}
	if n, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &c.Memory, &c.Passes, &c.Threads); err != nil || n != 3 ||
		part[3] != fmt.Sprintf("m=%d,t=%d,p=%d", c.Memory, c.Passes, c.Threads) {
		return c, nil, nil, bad
	}
	salt, err1 := b64.Strict().DecodeString(part[4])
	key, err2 := b64.Strict().DecodeString(part[5])
	if err1 != nil || err2 != nil || c.Threads < 1 || c.Threads > mostThreads || c.Passes < 1 || c.Passes > mostPasses ||
		c.Memory < 8*uint32(c.Threads) || c.Memory > mostMemory || len(salt) < 8 || len(salt) > 64 || len(key) < 16 || len(key) > 64 {
		return c, nil, nil, bad
	}
	return c, salt, key, nil
}

// passwordFaults says which rules a new password breaks.
func passwordFaults(password, name, display string) (faults []ingest.Fault) {
	n := utf8.RuneCountInString(password)
	plain := strings.ToLower(strings.TrimSpace(password))
	add := func(expected, found string) {
		faults = append(faults, ingest.Fault{Path: "password", Expected: expected, Found: found})
	}
	switch {
	case !utf8.ValidString(password):
		add("characters in UTF-8", "others")
	case n < leastPassword:
		add(fmt.Sprintf("at least %d characters", leastPassword), fmt.Sprint(n))
	case len(password) > mostPassword:
		add(fmt.Sprintf("at most %d bytes", mostPassword), fmt.Sprint(len(password)))
	case isName(plain, name), isName(plain, display):
		add("something other than the name", "the name")
	case strings.Trim(password, string([]rune(password)[:1])) == "":
		add("more than one character over and over", "one only")
	}
	return faults
}

// isName reports whether the password is the name, once or over and over.
func isName(password, name string) bool {
	name = strings.ToLower(strings.TrimSpace(name))
	return name != "" && password != "" && strings.ReplaceAll(password, name, "") == ""
}
