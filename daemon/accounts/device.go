package accounts

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"strings"
	"time"
)

// A device is a browser in which someone has logged in before. It keeps a mark
// that says so, and whoever guesses at the account elsewhere does not hold it
// up. A mark opens nothing: the password is asked for all the same.
const (
	deviceFor   = 90 * 24 * time.Hour
	mostMarks   = 8 // in one browser: of so many accounts
	markBytes   = deviceBytes + 8 + sha256.Size
	deviceBytes = 8
)

// mark makes a mark for an account as it is; a new password makes it void.
func (a *Accounts) mark(name, hash string, device []byte, at time.Time) string {
	b := binary.BigEndian.AppendUint64(append([]byte(nil), device...), uint64(at.Unix()))
	m := hmac.New(sha256.New, a.o.DeviceKey)
	for _, part := range []string{"device", name, hash, string(b)} {
		var length [8]byte
		binary.BigEndian.PutUint64(length[:], uint64(len(part)))
		_, _ = m.Write(append(length[:], part...)) // it never fails
	}
	return base64.RawURLEncoding.EncodeToString(m.Sum(b))
}

// device returns which device holds a mark for the account, "" where none does.
func (a *Accounts) device(marks, name, hash string, now time.Time) string {
	if hash == "" || len(marks) > 2*mostMarks*markBytes {
		return ""
	}
	for s := range strings.SplitSeq(marks, ".") {
		b, err := base64.RawURLEncoding.DecodeString(s)
		if err != nil || len(b) != markBytes {
			continue
		}
		made := time.Unix(int64(binary.BigEndian.Uint64(b[deviceBytes:])), 0)
		if hmac.Equal([]byte(a.mark(name, hash, b[:deviceBytes], made)), []byte(s)) && now.Sub(made) < deviceFor {
			return string(b[:deviceBytes])
		}
	}
	return ""
}

// marked returns what the browser keeps from now on: a mark for the account,
// and those that it had for others.
func (a *Accounts) marked(marks, name, hash string, now time.Time) string {
	list := []string{a.mark(name, hash, random(deviceBytes), now)}
	if len(marks) <= 2*mostMarks*markBytes {
		for s := range strings.SplitSeq(marks, ".") {
			if b, err := base64.RawURLEncoding.DecodeString(s); err == nil && len(b) == markBytes && len(list) < mostMarks && a.device(s, name, hash, now) == "" {
				list = append(list, s)
			}
		}
	}
	return strings.Join(list, ".")
}
