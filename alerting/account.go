package alerting

import (
	"crypto/sha256"
	"errors"
	"time"
)

// Why someone does not come in. An error with a method After() time.Duration
// says how long to wait before another attempt.
var (
	// ErrNobody: the session, token or link is not there, or is no more.
	ErrNobody = errors.New("who asks is not known")
	// ErrWrongLogin: the name or the password is wrong; which one is not said.
	ErrWrongLogin = errors.New("the name or the password is wrong")
	// ErrLink: the link is not there, was used, or is past its time.
	ErrLink = errors.New("this link was used already or is past its time; ask for a new one")
	// ErrBusy: more want to log in at once than the machine can work for.
	ErrBusy = errors.New("too many are logging in at this moment; try again shortly")
	// ErrDenied: someone is known elsewhere and not let in here. The text that
	// wraps it says why, and may be shown.
	ErrDenied = errors.New("not let in")
)

// Account is a person who may log in. Names are unique, in lower case.
type Account struct {
	Name      string    `json:"name"`
	Display   string    `json:"display,omitempty" doc:"how the person is called"`
	Role      Role      `json:"role" enum:"viewer,operator,maintainer,administrator"`
	Disabled  bool      `json:"disabled,omitempty"`
	CreatedAt time.Time `json:"created_at"`
	// Password is a PHC string; "" where there is none. It never leaves the program.
	Password string `json:"-"`
	// Subject is who the person is at an OpenID provider, "issuer subject"; ""
	// for an account of this program. Names change hands there, subjects do not.
	Subject string `json:"-"`
}

// Secret is the SHA-256 of something that was given out once and is not kept:
// the value of a cookie, a token, the end of a link. 256 random bits need no
// slow hash.
type Secret [sha256.Size]byte

// SecretOf returns what is kept of a secret.
func SecretOf(text string) Secret { return sha256.Sum256([]byte(text)) }

// Session is one browser in which someone is logged in.
type Session struct {
	Secret  Secret
	Account string
	Began   time.Time
	Seen    time.Time // the last time it was used, roughly
}

// Token lets a program ask in its owner's name, with at most the given role.
type Token struct {
	ID      int64     `json:"id"`
	Account string    `json:"account"`
	Label   string    `json:"label"`
	Role    Role      `json:"role" enum:"viewer,operator,maintainer,administrator"`
	MadeAt  time.Time `json:"made_at"`
	Expires time.Time `json:"expires_at"`
	Used    time.Time `json:"used_at,omitzero" doc:"the last time, to some minutes; left out: never"`
	Secret  Secret    `json:"-"`
}

// Link lets someone choose a password once.
type Link struct {
	Secret  Secret
	Account string
	Expires time.Time
}

// Accounts is all that is kept of who may come in.
type Accounts struct {
	Accounts []Account
	Sessions []Session
	Tokens   []Token
	Links    []Link
}

// AccountsChange is entered whole or not at all. What is saved replaces what
// has the same name, number or secret.
type AccountsChange struct {
	Save  Accounts
	Ended struct {
		Sessions []Secret
		Tokens   []int64
		Links    []Secret
	}
	Audit []Audited
}

// Audited is one line of the record of who has done what.
type Audited struct {
	At     time.Time `json:"at"`
	By     string    `json:"by,omitempty" doc:"nobody: the program itself"`
	What   string    `json:"what"`
	Detail string    `json:"detail,omitempty"`
}

// Visitor is who asks.
type Visitor struct {
	Account Account
	Role    Role   // what the visitor may do: with a token it may be less than the account's
	Token   int64  // the number of the token that was shown; 0: a session
	Secret  Secret // of the session or token
}
