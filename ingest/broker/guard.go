package broker

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/netip"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"

	"throwline/ingest"
)

// Guard is who may come in, and what he may. The zero Guard lets in everyone
// who reaches the listener, to do everything.
type Guard struct {
	// The listener's own certificate and key, PEM. Without them there is no TLS.
	CertFile, KeyFile string
	// ClientCAFile has the authorities whose certificates let a cabinet in: its
	// common name is the cabinet. CRLFile lists what they have revoked.
	ClientCAFile, CRLFile string
	// UsersFile lets cabinets in with name and password, see [ReadUsers]. Where
	// authorities are named too, either is enough.
	UsersFile string

	// Write and Read are the topics of a cabinet, with {cabinet} for its name, +
	// for one level and # for all that follow.
	Write, Read []string
	// Owner is the client id of the program itself, which may do everything. It
	// has those that begin with it and a dash as well; no cabinet may be called so.
	Owner string
	Now   func() time.Time // nil: the wall clock
}

// Closed reports whether anyone has to log in.
func (g *Guard) Closed() bool { return g.ClientCAFile != "" || g.UsersFile != "" }

// Check reads what the guard names, and says what is wrong with it.
func (g *Guard) Check() error {
	_, err := g.read()
	return err
}

const (
	checksWait  = 64               // logins that wait for their password to be looked at
	lookEvery   = 2 * time.Second  // at the files, whether they have changed
	freeTries   = 5                // wrong ones, before anything is held up
	freeStrange = 50               // the same of one address, whatever the name
	mostHeld    = time.Minute      // between two tries
	forgetTries = 15 * time.Minute // without another
	mostTries   = 10_000           // in memory
)

// known is what was read of the files.
type known struct {
	pair        *tls.Certificate
	authorities *authorities
	users       Users
}

func (g *Guard) read() (k *known, err error) {
	k = &known{}
	if g.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(g.CertFile, g.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("certificate of the listener: %w", err)
		}
		k.pair = &pair
	}
	if g.ClientCAFile != "" {
		if k.authorities, err = readAuthorities(g.ClientCAFile, g.CRLFile); err != nil {
			return nil, fmt.Errorf("authorities of cabinets: %w", err)
		}
	}
	if g.UsersFile != "" {
		if k.users, err = ReadUsers(g.UsersFile); err != nil {
			return nil, fmt.Errorf("passwords of cabinets: %w", err)
		}
	}
	return k, nil
}

// guard lets clients of a server in.
type guard struct {
	o        Guard
	server   *server.Server
	log      *slog.Logger
	seldom   *seldom
	own      tls.Certificate // of the program's session
	password string          // of the program's session
	key      []byte          // of the digests in good
	checking chan struct{}   // one for each password that is looked at
	waiting  chan struct{}   // one for each that is or will be
	read     atomic.Pointer[known]

	letIn, notLetIn atomic.Uint64

	stamp, told string // of again: what was read, and what was wrong with it
	overdue     bool

	mu     sync.Mutex
	good   map[string][]byte // passwords that were right, as digests, by the user's hash
	tries  map[string]*tries
	inside map[uint64]*visit // by the server's number of the connection
}

// tries are wrong attempts in a row.
type tries struct {
	wrong      int
	next, last time.Time
}

// visit is how a client came in.
type visit struct {
	name, hash string              // hash: with a password
	chain      []*x509.Certificate // with a certificate
}

func newGuard(o Guard, log *slog.Logger, seldom *seldom) (*guard, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	k, err := o.read()
	if err != nil {
		return nil, err
	}
	g := &guard{
		o: o, log: log, seldom: seldom, checking: make(chan struct{}, runtime.GOMAXPROCS(0)), waiting: make(chan struct{}, checksWait),
		good: map[string][]byte{}, tries: map[string]*tries{}, inside: map[uint64]*visit{},
	}
	g.read.Store(k)
	if g.own, err = passing(); err != nil {
		return nil, err
	}
	secret := make([]byte, 64)
	if _, err := rand.Read(secret); err != nil {
		return nil, err
	}
	g.key, g.password = secret[:32], base64.RawURLEncoding.EncodeToString(secret[32:])
	g.stamp = o.stamps()
	return g, nil
}

func (g *guard) now() *known { return g.read.Load() }

// refused notes that someone was not let in.
func (g *guard) refused(what string, err error) {
	g.notLetIn.Add(1)
	g.seldom.say(what, func(unsaid int) { g.log.Warn("not let in", "what", what, "error", err, "unsaid", unsaid) })
}

// Check implements [server.Authentication].
func (g *guard) Check(c server.ClientAuthentication) bool {
	if !g.o.Closed() {
		g.letIn.Add(1)
		c.RegisterUser(&server.User{})
		return true
	}
	id := g.clientID(c.GetID())
	user, v, err := g.admit(c, id)
	if err != nil {
		g.refused("login", fmt.Errorf("%w (client id %.80q, user %.80q, from %s)", err, id, c.GetOpts().Username, c.RemoteAddress()))
		return false
	}
	g.letIn.Add(1)
	c.RegisterUser(user)
	if v != nil {
		g.mu.Lock()
		g.inside[c.GetID()] = v
		g.mu.Unlock()
	}
	return true
}

// clientID asks the server for a client's own name for itself; the interface
// that an authenticator is given does not tell it.
func (g *guard) clientID(connection uint64) string {
	list, err := g.server.Connz(&server.ConnzOptions{CID: connection})
	if err != nil || len(list.Conns) != 1 {
		return ""
	}
	return list.Conns[0].MQTTClient
}

// agent begins the client id of our own cabinets (package lineside).
const agent = "throwline-cabinet-"

// cabinetOf returns the only cabinet that may use a client id: its name, after
// throwline-cabinet- or alone. The server takes no dots there; a colon, which no
// name has, stands for one.
func cabinetOf(id string) string { return strings.ReplaceAll(strings.TrimPrefix(id, agent), ":", ".") }

// admit says as whom a client comes in; the visit is nil for the program itself.
func (g *guard) admit(c server.ClientAuthentication, id string) (*server.User, *visit, error) {
	o := c.GetOpts()
	if same(o.Username, g.o.Owner) && same(o.Password, g.password) { // under whatever client ids it needs
		return &server.User{Username: g.o.Owner}, nil, nil
	}
	v, until := &visit{}, time.Time{}
	if t := c.GetTLSConnectionState(); t != nil && len(t.PeerCertificates) > 0 && o.Password == "" {
		// It was verified when the connection was made, and is again: the program's own is no cabinet's.
		chain := t.PeerCertificates
		if err := g.now().authorities.verify(chain, g.o.Now()); err != nil {
			return nil, nil, err
		}
		v.chain, v.name, until = chain, chain[0].Subject.CommonName, chain[0].NotAfter
		if o.Username != "" && o.Username != v.name {
			return nil, nil, fmt.Errorf("expected the user %q of the certificate, found another", v.name)
		}
	} else if o.Password == "" {
		return nil, nil, errors.New("expected a certificate, or a user and his password; found neither")
	} else {
		hash, err := g.checkPassword(o.Username, o.Password, place(c.RemoteAddress()))
		if err != nil {
			return nil, nil, err
		}
		v.name, v.hash = o.Username, hash
	}
	switch {
	case !ingest.ValidName(v.name):
		return nil, nil, fmt.Errorf("expected a cabinet's name, 1-64 of A-Z a-z 0-9 . _ -, found %.80q", v.name)
	case v.name == g.o.Owner, strings.HasPrefix(v.name, g.o.Owner+"-"):
		return nil, nil, fmt.Errorf("expected a cabinet, found a name of the program itself, %q", v.name)
	case id == g.o.Owner, strings.HasPrefix(id, g.o.Owner+"-") && !strings.HasPrefix(id, agent):
		return nil, nil, fmt.Errorf("expected a cabinet's client id, found one of the program itself, %q", id)
	case cabinetOf(id) != v.name:
		own := strings.ReplaceAll(v.name, ".", ":")
		return nil, nil, fmt.Errorf("expected the client id %q or %q of %q, found another's", own, agent+own, v.name)
	}
	return &server.User{Username: v.name, Permissions: g.permissions(v.name), ConnectionDeadline: until}, v, nil
}

func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// permissions are a cabinet's: what is not named, it may not.
func (g *guard) permissions(cabinet string) *server.Permissions {
	of := func(topics []string) *server.SubjectPermission {
		p := &server.SubjectPermission{Allow: []string{}}
		for _, t := range topics {
			p.Allow = append(p.Allow, subject(strings.ReplaceAll(t, "{cabinet}", cabinet)))
		}
		if len(p.Allow) == 0 {
			p.Deny = []string{">"} // an empty list would allow all
		}
		return p
	}
	return &server.Permissions{Publish: of(g.o.Write), Subscribe: of(g.o.Read)}
}

// subject writes a topic, or a filter, as the server does within.
func subject(topic string) string {
	return strings.NewReplacer(".", "//", "/", ".", "+", "*", "#", ">").Replace(topic)
}

// checkPassword returns the hash that the password fits.
func (g *guard) checkPassword(name, password, from string) (hash string, err error) {
	if !ingest.ValidName(name) {
		name = "" // nobody's, and not to be remembered
	}
	now := g.o.Now()
	keys := map[string]int{from + " " + name: freeTries, from: freeStrange}
	if err := g.try(keys, now); err != nil {
		return "", err
	}
	hash = g.now().users[name]
	digest := hmac.New(sha256.New, g.key)
	_, _ = digest.Write([]byte(hash + "\x00" + password)) // it never fails
	sum := digest.Sum(nil)
	g.mu.Lock()
	again := hash != "" && hmac.Equal(g.good[hash], sum)
	g.mu.Unlock()
	if !again {
		if err := g.look(password, hash); err != nil {
			if errors.Is(err, errBusy) {
				g.takeBack(keys)
			}
			return "", err
		}
	}
	g.forget(keys)
	g.mu.Lock()
	g.good[hash] = sum
	g.mu.Unlock()
	return hash, nil
}

var (
	errBusy  = errors.New("too many passwords are looked at already")
	errWrong = errors.New("no such user, or a wrong password")
)

// decoy is a hash of hashCost, of 32 random bytes that nobody kept.
const decoy = "$2a$10$rag1IcmrOIQEgcjbAaUhA.jZo4NyMqyKDxLpnfWqgYRUbhrtJAdgu"

// look compares with bcrypt, a bounded number at once. A hash of "" fits
// nothing, and costs the same.
func (g *guard) look(password, hash string) error {
	select {
	case g.waiting <- struct{}{}:
		defer func() { <-g.waiting }()
	default:
		return errBusy
	}
	g.checking <- struct{}{}
	defer func() { <-g.checking }()
	nobody := hash == ""
	if nobody {
		hash = decoy
	}
	if bcrypt.CompareHashAndPassword([]byte(hash), []byte(password)) != nil || nobody {
		return errWrong
	}
	return nil
}

// try counts a try as wrong before it is made, or says that it is too soon.
func (g *guard) try(keys map[string]int, now time.Time) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	for key := range keys {
		if t := g.tries[key]; t != nil && now.Before(t.next) {
			return fmt.Errorf("too many wrong passwords from there; the next is looked at in %s", t.next.Sub(now).Round(time.Second))
		}
	}
	if len(g.tries) > mostTries-len(keys) {
		maps.DeleteFunc(g.tries, func(_ string, t *tries) bool { return now.Sub(t.last) > forgetTries })
		for key := range g.tries { // any of them
			if len(g.tries) <= mostTries/2 {
				break
			}
			delete(g.tries, key)
		}
	}
	for key, free := range keys {
		t := g.tries[key]
		if t == nil || now.Sub(t.last) > forgetTries {
			t = &tries{}
			g.tries[key] = t
		}
		t.wrong++
		t.last = now
		if over := t.wrong - free; over >= 0 {
			t.next = now.Add(min(mostHeld, time.Second<<min(over, 20)))
		}
	}
	return nil
}

// takeBack takes one try back: it was not looked at.
func (g *guard) takeBack(keys map[string]int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for key := range keys {
		if t := g.tries[key]; t != nil {
			t.wrong--
			t.next = time.Time{}
		}
	}
}

// forget forgets tries: the last was right.
func (g *guard) forget(keys map[string]int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for key := range keys {
		delete(g.tries, key)
	}
}

// place is where someone comes from: an IPv6 address without its second half.
func place(a net.Addr) string {
	p, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return a.String()
	}
	ip := p.Addr().Unmap()
	if ip.Is6() {
		if net, err := ip.WithZone("").Prefix(64); err == nil {
			return net.String()
		}
	}
	return ip.String()
}

// run looks at the files until the context ends.
func (g *guard) run(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			g.again()
		}
	}
}

// again reads the files when they have changed, and sends away who would not be
// let in any more.
func (g *guard) again() {
	if stamp := g.o.stamps(); stamp != g.stamp {
		k, err := g.o.read()
		if err == nil {
			g.stamp, g.told = stamp, ""
			g.read.Store(k)
			g.log.Info("who may come in was read anew")
		} else if said := err.Error(); said != g.told { // it may be half written
			g.told = said
			g.log.Error("who may come in could not be read; what was in force still is", "error", err)
		}
	}
	if a := g.now().authorities; a != nil {
		was := g.overdue
		if g.overdue = !a.overdue.IsZero() && g.o.Now().After(a.overdue); g.overdue && !was {
			g.log.Warn("the list of revoked certificates should have been replaced; what it lists stays revoked", "file", g.o.CRLFile, "since", a.overdue)
		}
	}
	g.sendAway()
}

// stamps changes when one of the files does.
func (g *Guard) stamps() string {
	var b strings.Builder
	for _, file := range []string{g.CertFile, g.KeyFile, g.ClientCAFile, g.CRLFile, g.UsersFile} {
		if i, err := os.Stat(file); file != "" && err == nil {
			fmt.Fprintf(&b, "%s %d %d\n", file, i.ModTime().UnixNano(), i.Size())
		}
	}
	return b.String()
}

// sendAway ends connections whose certificate or password does not hold any more.
func (g *guard) sendAway() {
	k, now := g.now(), g.o.Now()
	var gone []uint64
	g.mu.Lock()
	for id, v := range g.inside {
		if g.server.GetClient(id) == nil {
			delete(g.inside, id)
			continue
		}
		if v.chain != nil && k.authorities.verify(v.chain, now) != nil || v.chain == nil && k.users[v.name] != v.hash {
			gone = append(gone, id)
			delete(g.inside, id)
		}
	}
	held := slices.Collect(maps.Values(k.users))
	maps.DeleteFunc(g.good, func(hash string, _ []byte) bool { return !slices.Contains(held, hash) })
	g.mu.Unlock()
	for _, id := range gone {
		g.log.Warn("sent away: it would not be let in any more", "connection", id)
		_ = g.server.DisconnectClientByID(id) // or it has gone by itself
	}
}
