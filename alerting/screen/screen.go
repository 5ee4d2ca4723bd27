package screen

import (
	"fmt"
	"io"
	"io/fs"
	stdlog "log"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	jsonv1 "github.com/go-json-experiment/json/v1"
	"github.com/klauspost/compress/gzhttp"
)

// Advisory stands on every page.
const Advisory = "Throwline advises. It is no part of the interlocking, never says that a turnout is safe, " +
	"and no alert does not mean healthy. Blades move without warning: go on the track only as your rule book and licensed practice allow."

// Options are what the screen is made of. Archive, Yard and Hub are needed.
type Options struct {
	Archive Archive
	Yard    Yard
	Hub     *Hub
	Metrics http.Handler // served at /metrics; nil: nothing there
	Version string
	Demo    bool // the yard is invented
	Log     *slog.Logger

	// Desk is what people do about alerts; nil: nothing, and its routes answer 404.
	Desk Desk
	// CabinetOf returns the cabinet that a turnout's throws come from, "" where
	// it is not known; nil: of none.
	CabinetOf func(turnout string) string

	// Door lets in who may come in; nil: everyone who reaches it may do everything.
	Door *Door
	// Refused counts what is turned away; nil: nobody looks at it.
	Refused *Refusals
	// Hosts are the names under which browsers ask, beside those of the
	// loopback, without ports; others are refused. nil: any name.
	Hosts []string
}

// server answers requests; it holds nothing that lasts.
type server struct {
	o         Options
	mux       *multiplexer
	api       huma.API
	glance    glance
	fleets    fleets
	examining sync.Mutex
	trying    sync.Mutex
	adding    sync.Mutex // of what is bounded in number
	streams   streams
	requests  requests
	reads     *turns
	downloads *turns
	scrapes   *turns
	answers   *room
	within    time.Duration // for a piece of what is written as it is made, or its reader is gone
}

// New returns the handler of the API, the event stream and the pages. It may be
// called by any number of requests at once. Serve it with [Server], or call
// [Hub.Close] before waiting for open requests: an event stream ends no earlier.
func New(o Options) http.Handler { return newServer(o, embedded()).handler() }

func newServer(o Options, pages fs.FS) *server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Refused == nil {
		o.Refused = &Refusals{}
	}
	s := &server{
		o: o, mux: &multiplexer{ServeMux: http.NewServeMux()},
		reads: newTurns(mostReads, mostReadsOf, RefusedReads), downloads: newTurns(mostDownloads, mostDownloadsOf, RefusedDownloads),
		scrapes: newTurns(mostScrapes, mostScrapesOf, RefusedReads), answers: newRoom(mostAnswers, mostAnswersOf), within: writeWithin,
	}
	config := huma.DefaultConfig("Throwline", "1")
	config.Info.Description = "Throws of turnouts, measured and compared with their own past. " + Advisory
	config.OpenAPIPath, config.DocsPath, config.SchemasPath = "", "", ""
	config.CreateHooks = nil // no $schema in every answer
	config.Formats = map[string]huma.Format{"application/json": jsonFormat, "json": jsonFormat}
	config.Transformers = append(config.Transformers, brief)
	config.RejectUnknownQueryParameters = true
	config.AllowAdditionalPropertiesByDefault = true // answers may grow; readers are told so
	s.api = humago.New(s.mux, config)
	s.register(s.api)
	s.registerCases(s.api)
	s.registerPlaces(s.api)
	s.registerWindows(s.api)
	s.registerRouting(s.api)
	s.registerFigures(s.api)
	s.registerExports(s.api)
	s.registerSession(s.api)
	s.registerPeople(s.api)
	s.describe(s.api)

	s.mux.HandleFunc("GET "+eventsPath, s.events)
	s.mux.HandleFunc("GET /livez", func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "alive") })
	s.mux.HandleFunc("GET /readyz", s.readyz)
	if o.Metrics != nil {
		s.mux.Handle("GET /metrics", o.Metrics)
	}
	newPages(pages).register(s.mux)
	s.mux.HandleFunc("/api/", s.unmatched)
	return s
}

// handler wraps the routes in what holds for all of them.
func (s *server) handler() http.Handler {
	cross := http.NewCrossOriginProtection()
	if d := s.o.Door; d != nil && d.PublicURL != "" {
		// A proxy may ask us under another name than the browser asked it.
		if err := cross.AddTrustedOrigin(d.PublicURL); err != nil {
			panic(fmt.Errorf("public address: %w", err)) // the configuration has checked it
		}
	}
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		s.o.Refused.Add(RefusedOrigin)
		writeProblem(w, http.StatusForbidden, "a page of another origin may not change anything here")
	}))
	compressed := gzhttp.GzipHandler(s.inTurn(s.mux))
	return headers(s.mended(s.underWay(hosts(s.o.Hosts, cross.Handler(s.door(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == eventsPath {
			s.mux.ServeHTTP(w, r) // uncompressed, so that nothing gathers events
			return
		}
		compressed.ServeHTTP(w, r)
	})))))))
}

// begun is an answer of which it is known whether it has begun.
type begun struct {
	http.ResponseWriter
	yes     bool
	refused *Refusals
}

func (b *begun) WriteHeader(status int) {
	b.yes = true
	b.refused.ofStatus(status)
	b.ResponseWriter.WriteHeader(status)
}

func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.ResponseWriter.Write(p)
}

// Unwrap lets [http.ResponseController] reach what is beneath.
func (b *begun) Unwrap() http.ResponseWriter { return b.ResponseWriter }

// mended answers for a handler that panics. An answer that has begun is broken
// off, so that it cannot be taken for a whole one.
func (s *server) mended(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b := &begun{ResponseWriter: w, refused: s.o.Refused}
		defer func() {
			switch p := recover(); p {
			case nil:
			case http.ErrAbortHandler:
				panic(p)
			default:
				s.o.Log.Error("request failed", "doing", r.Method+" "+r.URL.Path, "error", fmt.Sprint(p), "stack", string(debug.Stack()))
				if b.yes {
					panic(http.ErrAbortHandler)
				}
				writeProblem(w, http.StatusInternalServerError, "failed; the log says why")
			}
		}()
		next.ServeHTTP(b, r)
	})
}

// Server returns an HTTP server with the limits that the screen is made for. Shutdown of the server closes the hub.
func Server(h http.Handler, hub *Hub, log *slog.Logger) *http.Server {
	s := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       20 * time.Second,
		WriteTimeout:      60 * time.Second, // the event stream sets its own
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    32 << 10,
		// What bodies may wait in memory before anybody reads them.
		HTTP2: &http.HTTP2Config{MaxConcurrentStreams: 100, MaxReceiveBufferPerConnection: 256 << 10, MaxReceiveBufferPerStream: 64 << 10},
	}
	if log != nil {
		s.ErrorLog = stdlog.New(&seldom{log: log}, "", 0)
	}
	s.RegisterOnShutdown(hub.Close)
	return s
}

// jsonFormat writes no null for an empty list and knows omitempty as the
// standard library does.
var jsonFormat = huma.Format{
	Marshal: func(w io.Writer, v any) error {
		b, err := json.Marshal(v, jsonOptions)
		if err != nil {
			return err
		}
		_, _ = w.Write(b) // an error here is a reader that went away
		return nil
	},
	Unmarshal: func(data []byte, v any) error { return json.Unmarshal(data, v) },
}

// What is asked may come back in an answer, and need not be UTF-8.
var jsonOptions = json.JoinOptions(json.Deterministic(true), jsonv1.OmitEmptyWithLegacySemantics(true), jsontext.AllowInvalidUTF8(true))

// headers sets what keeps a browser from doing anything but showing our pages.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "+
			"connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if strings.HasPrefix(r.URL.Path, "/api/") {
			h.Set("Cache-Control", "no-store")
		}
		next.ServeHTTP(w, r)
	})
}

// unmatched answers what no route of the API takes.
func (s *server) unmatched(w http.ResponseWriter, r *http.Request) {
	if allowed := s.allowed(r); allowed != nil {
		w.Header().Set("Allow", strings.Join(allowed, ", "))
		writeProblem(w, http.StatusMethodNotAllowed, "expected "+strings.Join(allowed, " or ")+", found "+printable(r.Method))
		return
	}
	writeProblem(w, http.StatusNotFound, "no such path; /api/openapi.json lists all")
}

// allowed returns the methods that a route takes at the request's path.
func (s *server) allowed(r *http.Request) (methods []string) {
	for _, m := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
		probe := &http.Request{Method: m, URL: r.URL, Host: r.Host}
		if _, pattern := s.mux.Handler(probe); strings.HasPrefix(pattern, m+" ") {
			methods = append(methods, m)
		}
	}
	return methods
}

func (s *server) readyz(w http.ResponseWriter, r *http.Request) {
	if err := s.o.Yard.Ready(r.Context()); err != nil {
		plain(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	plain(w, http.StatusOK, "ready")
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = io.WriteString(w, text+"\n") // an error here is a reader that went away
}

// glance counts turnouts at most once a second: with very many of them, each
// open page asking costs no more than one.
type glance struct {
	mu     sync.Mutex
	taken  time.Time
	counts Status
}

func (g *glance) status(y Yard) Status {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.taken.IsZero() && time.Since(g.taken) < time.Second {
		return g.counts
	}
	g.counts = Status{}
	for _, t := range y.Turnouts() {
		g.counts.Turnouts++
		if learning(&t) {
			g.counts.Learning++
		}
		if t.Last.After(g.counts.LastThrowAt) {
			g.counts.LastThrowAt = t.Last
		}
	}
	g.taken = time.Now()
	return g.counts
}
