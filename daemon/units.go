package daemon

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Duration is a length of time that a configuration writes with units: those
// of [time.ParseDuration] and, before them, whole days: "90d", "1d12h", "30s".
type Duration time.Duration

// day is 24 hours: a retention does not mind summer time.
const day = 24 * time.Hour

// ParseDuration reads a Duration.
func ParseDuration(s string) (Duration, error) {
	rest := strings.TrimSpace(s)
	var total time.Duration
	if days, after, ok := strings.Cut(rest, "d"); ok {
		n, err := strconv.ParseUint(days, 10, 31)
		if err != nil || time.Duration(n) > math.MaxInt64/day {
			return 0, fmt.Errorf("expected a time with units, like 90d or 1h30m, found %q", s)
		}
		total, rest = time.Duration(n)*day, after
	}
	if rest != "" || total == 0 && !strings.Contains(s, "d") {
		d, err := time.ParseDuration(rest)
		if err != nil || d < 0 || total > math.MaxInt64-d {
			return 0, fmt.Errorf("expected a time with units, like 90d or 1h30m, found %q", s)
		}
		total += d
	}
	return Duration(total), nil
}

// String writes the duration as ParseDuration reads it.
func (d Duration) String() string {
	days, rest := time.Duration(d)/day, time.Duration(d)%day
	switch {
	case days == 0:
		return rest.String()
	case rest == 0:
		return fmt.Sprintf("%dd", days)
	}
	return fmt.Sprintf("%dd%s", days, rest)
}

// UnmarshalText reads what ParseDuration reads.
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := ParseDuration(string(b))
	if err == nil {
		*d = v
	}
	return err
}

// Size is a number of bytes that a configuration writes plain or with a unit:
// kB, MB, GB by the thousand, KiB, MiB, GiB by 1024.
type Size int64

var sizeUnits = []struct {
	name string
	by   int64
}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"B", 1}}

// ParseSize reads a Size.
func ParseSize(s string) (Size, error) {
	digits, by := strings.TrimSpace(s), int64(1)
	for _, u := range sizeUnits {
		if number, ok := strings.CutSuffix(digits, u.name); ok {
			digits, by = strings.TrimSpace(number), u.by
			break
		}
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n < 0 || n > math.MaxInt64/by {
		return 0, fmt.Errorf("expected a number of bytes, like 16MiB or 500kB, found %q", s)
	}
	return Size(n * by), nil
}

// String writes the size in the largest binary unit that divides it.
func (s Size) String() string {
	for _, u := range []int{2, 1, 0} {
		if by := Size(sizeUnits[u].by); s != 0 && s%by == 0 {
			return fmt.Sprintf("%d%s", s/by, sizeUnits[u].name)
		}
	}
	return strconv.FormatInt(int64(s), 10)
}

// UnmarshalText reads what ParseSize reads.
func (s *Size) UnmarshalText(b []byte) error {
	v, err := ParseSize(string(b))
	if err == nil {
		*s = v
	}
	return err
}

// MarshalText writes the duration as [ParseDuration] reads it.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// MarshalText writes the size as [ParseSize] reads it.
func (s Size) MarshalText() ([]byte, error) { return []byte(s.String()), nil }
