package alerting

import "testing"

func TestRoleAllows(t *testing.T) {
	for i, have := range Roles {
		for j, need := range Roles {
			if got := have.Allows(need); got != (i >= j) {
				t.Errorf("%s for %s: expected %v, found %v", have, need, i >= j, got)
			}
		}
		for _, stranger := range []Role{"", "root", "Viewer"} {
			if stranger.Allows(have) || have.Allows(stranger) || stranger.Allows(stranger) {
				t.Errorf("%q and %s: expected nothing to be allowed", stranger, have)
			}
		}
	}
}
