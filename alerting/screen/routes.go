package screen

import (
	"net/http"

	"throwline/alerting"
)

// need is what a route asks of who comes.
type need struct {
	least  alerting.Role // "": nothing
	person bool          // someone who has logged in himself, with no token
}

var (
	anyone        = need{}
	viewer        = need{least: alerting.Viewer}
	operator      = need{least: alerting.Operator}
	maintainer    = need{least: alerting.Maintainer}
	administrator = need{least: alerting.Administrator}
	chief         = need{least: alerting.Administrator, person: true} // what makes a person of a token
	self          = need{least: alerting.Viewer, person: true}        // about oneself
)

// needs has every route, by its pattern. One that is missing lets nobody in,
// and a test says so.
var needs = map[string]need{
	// The program's health, and what a page needs before anyone has logged in.
	"GET /livez":                    anyone,
	"GET /readyz":                   anyone,
	"GET /metrics":                  viewer, // open where the configuration says so
	"/":                             anyone, // scripts, styles, what is not there
	"/api/":                         anyone, // what is not there
	"GET /api/openapi.json":         viewer,
	"GET /login":                    anyone,
	"GET /login/openid":             anyone,
	"GET /login/openid/return":      anyone,
	"GET /welcome":                  anyone,
	"GET /api/v1/session":           anyone,
	"POST /api/v1/session":          anyone,
	"POST /api/v1/session/link":     anyone,
	"POST /api/v1/session/redeem":   anyone,
	"POST /api/v1/session/logout":   self,
	"POST /api/v1/session/password": self,

	// What is seen.
	"GET /{$}":                              viewer,
	"GET /alerts/{id}":                      viewer,
	"GET /turnouts":                         viewer,
	"GET /turnouts/{turnout}":               viewer,
	"GET /turnouts/{turnout}/visit":         viewer, // recording asks for a maintainer
	"GET /work":                             viewer,
	"GET /handover":                         viewer,
	"GET /report":                           viewer,
	"GET /throws/{key}":                     viewer,
	"GET /quarantine":                       viewer,
	"GET /quarantine/{id}":                  viewer,
	"GET /cabinets":                         viewer,
	"GET /journal":                          viewer,
	"GET /registry":                         viewer,
	"GET /windows":                          viewer,
	"GET /doctor":                           maintainer,
	"GET /routes":                           viewer,
	"GET /api/v1/events":                    viewer,
	"GET /api/v1/alerts":                    viewer,
	"GET /api/v1/turnouts":                  viewer,
	"GET /api/v1/turnouts/{turnout}":        viewer,
	"GET /api/v1/turnouts/{turnout}/throws": viewer,
	"GET /api/v1/turnouts/{turnout}/trends": viewer,
	"GET /api/v1/turnouts/{turnout}/trend":  viewer,
	"GET /api/v1/turnouts/{turnout}/work":   viewer,
	"GET /api/v1/notices":                   viewer,
	"GET /api/v1/throws/{key}":              viewer,
	"GET /api/v1/throws/{key}/likeness":     viewer,
	"GET /api/v1/quarantine":                viewer,
	"GET /api/v1/quarantine/{id}":           viewer,
	"GET /api/v1/cabinets":                  viewer,
	"GET /api/v1/status":                    viewer,

	"GET /api/v1/alerts/{id}":          viewer,
	"GET /api/v1/alerts/{id}/journal":  viewer,
	"GET /api/v1/alerts/{id}/sendings": viewer,
	"GET /api/v1/journal":              viewer,
	"GET /api/v1/worklist":             viewer,
	"GET /api/v1/fleet":                viewer,
	"GET /api/v1/places":               viewer,
	"GET /api/v1/places/{turnout}":     viewer,
	"GET /api/v1/places.csv":           viewer,
	"GET /api/v1/windows":              viewer,
	"POST /api/v1/windows/preview":     viewer,
	"GET /api/v1/routes":               viewer,
	"POST /api/v1/routes/preview":      viewer,
	"GET /api/v1/targets":              viewer,
	"GET /api/v1/doctor":               maintainer,
	"GET /api/v1/rates":                viewer,
	"GET /api/v1/merit":                viewer,
	"GET /api/v1/handover":             viewer,
	"GET /api/v1/report":               viewer,
	"GET /api/v1/exports/alerts.csv":   viewer,
	"GET /api/v1/exports/features.csv": viewer,
	"GET /api/v1/exports/work.csv":     viewer,

	// What is done.
	"POST /api/v1/alerts/{id}/acknowledge":       operator,
	"POST /api/v1/alerts/{id}/shelve":            operator,
	"POST /api/v1/alerts/{id}/unshelve":          operator,
	"POST /api/v1/alerts/{id}/note":              operator,
	"POST /api/v1/alerts/{id}/judge":             maintainer,
	"POST /api/v1/alerts/{id}/reopen":            operator, // of one that was judged: maintainer
	"POST /api/v1/alerts/acknowledge":            operator,
	"PUT /api/v1/places/{turnout}":               maintainer,
	"DELETE /api/v1/places/{turnout}":            maintainer,
	"PUT /api/v1/places.csv":                     administrator,
	"POST /api/v1/windows":                       maintainer,
	"PUT /api/v1/windows/{id}":                   maintainer,
	"DELETE /api/v1/windows/{id}":                maintainer,
	"POST /api/v1/targets/{name}/trial":          administrator,
	"POST /api/v1/turnouts/{turnout}/work":       maintainer,
	"POST /api/v1/turnouts/{turnout}/rebaseline": maintainer,
	"POST /api/v1/quarantine/{id}/retry":         maintainer,

	// Oneself, and people.
	"GET /account":                     self,
	"GET /api/v1/tokens":               self,
	"POST /api/v1/tokens":              self,
	"POST /api/v1/tokens/{id}/revoke":  self,
	"GET /people":                      administrator,
	"GET /audit":                       administrator,
	"GET /api/v1/users":                administrator,
	"POST /api/v1/users":               chief,
	"POST /api/v1/users/{name}":        chief,
	"POST /api/v1/users/{name}/link":   chief,
	"POST /api/v1/users/{name}/logout": chief,
	"GET /api/v1/audit":                administrator,
}

// multiplexer is a [http.ServeMux] that remembers what was registered, which
// the table above is held against.
type multiplexer struct {
	*http.ServeMux
	patterns []string
}

func (m *multiplexer) Handle(pattern string, h http.Handler) {
	m.patterns = append(m.patterns, pattern)
	m.ServeMux.Handle(pattern, h)
}

func (m *multiplexer) HandleFunc(pattern string, h func(http.ResponseWriter, *http.Request)) {
	m.Handle(pattern, http.HandlerFunc(h))
}
