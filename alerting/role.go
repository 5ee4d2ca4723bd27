package alerting

import "slices"

// Role is what a person, or a token, may do. Each role may do all that the
// roles below it may. The zero Role is nobody's and allows nothing.
type Role string

// The roles, from the least.
const (
	Viewer        Role = "viewer"        // sees everything but people
	Operator      Role = "operator"      // handles alerts
	Maintainer    Role = "maintainer"    // records work, starts baselines anew
	Administrator Role = "administrator" // people, and what else is set up
)

// Roles are all roles, from the least.
var Roles = []Role{Viewer, Operator, Maintainer, Administrator}

// Known reports whether r is one of the roles.
func (r Role) Known() bool { return slices.Contains(Roles, r) }

// Allows reports whether r may do what needs at least the given role. A role
// that is not known allows nothing, and nothing allows what needs one.
func (r Role) Allows(least Role) bool {
	have, need := slices.Index(Roles, r), slices.Index(Roles, least)
	return need >= 0 && have >= need
}
