package screen

import (
	"bytes"
	"embed"
	"fmt"
	"hash/fnv"
	"html"
	"io/fs"
	"net/http"
	"path"
	"regexp"
	"strings"
	"time"
)

//go:embed all:pages/dist
var built embed.FS

func embedded() fs.FS {
	sub, err := fs.Sub(built, "pages/dist")
	if err != nil {
		panic(err) // the path is a constant and valid
	}
	return sub
}

// Built reports whether the program has its pages inside.
func Built() bool {
	_, err := fs.Stat(embedded(), "index.html")
	return err == nil
}

// hashed tells the names of assets that change whenever their content does.
var hashed = regexp.MustCompile(`-[A-Za-z0-9]{8,}\.[a-z0-9]+$`)

// contentTypes are fixed here: what the machine's own table says varies.
var contentTypes = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".png": "image/png", ".ico": "image/x-icon", ".woff2": "font/woff2",
	".txt": "text/plain; charset=utf-8", ".json": "application/json", ".webmanifest": "application/manifest+json",
}

// pages are the built pages, read once.
type pages struct {
	files map[string]page // by path without the leading slash
}

type page struct {
	body []byte
	etag string
	kind string // content type
	keep bool   // the name changes with the content
}

func newPages(fsys fs.FS) *pages {
	p := &pages{files: map[string]page{}}
	err := fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(path.Base(name), ".") {
			return err
		}
		body, err := fs.ReadFile(fsys, name)
		if err != nil {
			return err
		}
		kind := contentTypes[path.Ext(name)]
		if kind == "" {
			kind = "application/octet-stream"
		}
		h := fnv.New64a()
		h.Write(body)
		p.files[name] = page{body, fmt.Sprintf(`"%x"`, h.Sum64()), kind, hashed.MatchString(name)}
		return nil
	})
	if err != nil {
		panic(fmt.Errorf("embedded pages: %w", err)) // they are in the program's own memory
	}
	return p
}

func (p *pages) register(mux *multiplexer) {
	for _, route := range []string{"/{$}", "/alerts/{id}", "/turnouts", "/turnouts/{turnout}", "/turnouts/{turnout}/visit", "/work", "/handover", "/report", "/throws/{key}", "/quarantine", "/quarantine/{id}", "/cabinets",
		"/journal", "/registry", "/windows", "/routes", "/audit", "/doctor",
		"/login", "/welcome", "/account", "/people"} {
		mux.HandleFunc("GET "+route, p.index)
	}
	mux.HandleFunc("/", p.asset)
}

// index answers every page's address: the pages find out themselves which one they are.
func (p *pages) index(w http.ResponseWriter, r *http.Request) {
	f, ok := p.files["index.html"]
	if !ok {
		notice(w, http.StatusServiceUnavailable, "The pages are not built",
			"<p>This program was built without its pages. <code>make pages</code> builds them; then build or run the program again.</p>"+
				`<p>The API answers meanwhile: <a href="/api/v1/status">/api/v1/status</a>, <a href="/api/v1/alerts">/api/v1/alerts</a>, `+
				`<a href="/api/v1/turnouts">/api/v1/turnouts</a>, and all of it at <a href="/api/openapi.json">/api/openapi.json</a>.</p>`)
		return
	}
	f.serve(w, r)
}

func (p *pages) asset(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		notice(w, http.StatusMethodNotAllowed, "Pages are only read", "")
		return
	}
	f, ok := p.files[strings.TrimPrefix(r.URL.Path, "/")]
	if !ok {
		notice(w, http.StatusNotFound, "There is no such page", `<p>Back to <a href="/">the alerts</a>.</p>`)
		return
	}
	f.serve(w, r)
}

func (f page) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Etag", f.etag)
	if f.keep {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		h.Set("Cache-Control", "no-cache")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.body))
}

// notice is a page that needs nothing built. body is HTML of our own.
func notice(w http.ResponseWriter, status int, title, body string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	// An error here is a reader that went away.
	_, _ = fmt.Fprintf(w, "<!doctype html>\n<html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">"+
		"<title>Throwline: %[1]s</title>\n<h1>%[1]s</h1>\n%[2]s\n<hr><p>%[3]s</p></html>\n", html.EscapeString(title), body, html.EscapeString(Advisory))
}
