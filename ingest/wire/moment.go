package wire

import "time"

// noTime leaves out the check against a clock that runs ahead: the decoder
// does not know when a payload arrived.
var noTime time.Time

// parseMoment reads a time after RFC 3339, in UTC. The grammar's "t" and "z" in
// lower case are read too, and a leap second as the second that follows it.
// Digits beyond the nanosecond are dropped.
func parseMoment(b []byte) (time.Time, bool) {
	var text [64]byte
	if len(b) < len("2006-01-02T15:04:05Z") || len(b) > len(text) {
		return time.Time{}, false
	}
	s := text[:copy(text[:], b)]
	if z := len(s) - len("+24:00"); (s[z] == '+' || s[z] == '-') && string(s[z+1:z+3]) > "23" { // RFC 3339 ends there, the library at 24
		return time.Time{}, false
	}
	if s[19] == ',' { // ISO 8601 has it, RFC 3339 has not, the library is lenient
		return time.Time{}, false
	}
	if s[10] == 't' {
		s[10] = 'T'
	}
	if last := len(s) - 1; s[last] == 'z' {
		s[last] = 'Z'
	}
	leap := s[17] == '6' && s[18] == '0'
	if leap {
		s[17], s[18] = '5', '9'
	}
	var t time.Time
	if err := t.UnmarshalText(s); err != nil { // strict, unlike time.Parse
		return time.Time{}, false
	}
	t = t.UTC()
	if leap {
		if t.Hour() != 23 || t.Minute() != 59 {
			return time.Time{}, false // no leap second was ever put there
		}
		t = t.Add(time.Second)
	}
	return t, true
}
