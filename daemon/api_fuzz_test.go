package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"throwline/ingest"
	"throwline/ingest/wire"
)

// operation is one of the API as its own description has it.
type operation struct {
	method, path string
	described    struct {
		Parameters []struct {
			Name, In string
			Required bool
			Schema   map[string]any
		}
		RequestBody struct {
			Content map[string]struct{ Schema map[string]any }
		}
		Responses map[string]struct {
			Content map[string]json.RawMessage
		}
	}
}

// described is the API's description and what checks answers against it.
type described struct {
	operations []operation
	schemas    map[string]map[string]any
	validators map[string]*jsonschema.Schema // by operation, status and kind
}

func readDescription(f *testing.F, document []byte) *described {
	f.Helper()
	var doc struct {
		Paths      map[string]map[string]json.RawMessage
		Components struct{ Schemas map[string]map[string]any }
	}
	if err := json.Unmarshal(document, &doc); err != nil {
		f.Fatal(err)
	}
	whole, err := jsonschema.UnmarshalJSON(bytes.NewReader(document))
	if err != nil {
		f.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020) // OpenAPI 3.1 is of this dialect
	c.AssertFormat()
	if err := c.AddResource("api.json", whole); err != nil {
		f.Fatal(err)
	}
	escape := strings.NewReplacer("~", "~0", "/", "~1")
	d := &described{schemas: doc.Components.Schemas, validators: map[string]*jsonschema.Schema{}}
	for path, item := range doc.Paths {
		for method, raw := range item {
			o := operation{method: strings.ToUpper(method), path: path}
			if err := json.Unmarshal(raw, &o.described); err != nil {
				f.Fatal(err)
			}
			if path == "/api/v1/events" {
				continue // it has no end
			}
			d.operations = append(d.operations, o)
			for status, r := range o.described.Responses {
				for kind := range r.Content {
					at := "api.json#/paths/" + url.PathEscape(escape.Replace(path)) + "/" + method + "/responses/" + status + "/content/" + escape.Replace(kind) + "/schema"
					s, err := c.Compile(at)
					if err != nil {
						f.Fatalf("%s: %v", at, err)
					}
					d.validators[o.method+path+status+kind] = s
				}
			}
		}
	}
	slices.SortFunc(d.operations, func(a, b operation) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	return d
}

// inventor makes up values, mostly such as a schema allows.
type inventor struct {
	*rand.Rand
	of    *described
	words []string // some mean something to the daemon
	junk  string
}

func (v *inventor) one(list ...any) any { return list[v.IntN(len(list))] }

func (v *inventor) text() string {
	switch v.IntN(12) {
	case 0:
		return v.junk
	case 1:
		return strings.Repeat("w", 1<<v.IntN(14))
	case 2:
		return v.one("", " ", "\x00", "é\u202e", "../..", "%2f", "'; --", "\xff\xfe", "=cmd()", "NaN").(string)
	}
	return v.words[v.IntN(len(v.words))]
}

func (v *inventor) value(s map[string]any, depth int) any {
	if ref, ok := s["$ref"].(string); ok {
		s = v.of.schemas[strings.TrimPrefix(ref, "#/components/schemas/")]
	}
	if v.IntN(25) == 0 { // of another kind
		return v.one(nil, true, -1, 1e308, "", v.junk, []any{}, []any{[]any{}}, map[string]any{}, map[string]any{v.junk: v.junk})
	}
	if list, ok := s["enum"].([]any); ok && v.IntN(10) > 0 {
		return v.one(list...)
	}
	kind, _ := s["type"].(string)
	if kinds, ok := s["type"].([]any); ok {
		kind, _ = v.one(kinds...).(string)
	}
	switch kind {
	case "integer":
		return v.one(0, 1, 2, 3, 10, 100, 1000, -1, 1<<31, int64(1)<<62, "1")
	case "number":
		return v.one(0, 1, 0.5, 3, 20, 100, -1, 1e-300, 1e300)
	case "boolean":
		return v.IntN(2) == 0
	case "null":
		return nil
	case "array":
		items, _ := s["items"].(map[string]any)
		list := make([]any, v.IntN(4))
		for i := range list {
			list[i] = v.value(items, depth+1)
		}
		return list
	case "object":
		out := map[string]any{}
		properties, _ := s["properties"].(map[string]any)
		for _, name := range slices.Sorted(maps.Keys(properties)) {
			if p, ok := properties[name].(map[string]any); ok && depth < 6 && v.IntN(6) > 0 {
				out[name] = v.value(p, depth+1)
			}
		}
		if v.IntN(20) == 0 {
			out[v.text()] = v.text()
		}
		return out
	}
	switch s["format"] {
	case "date-time":
		return v.one("2026-03-01T05:00:00Z", "2026-03-02T05:00:00+01:00", "2026-03-09T00:00:00Z", "2026-06-30T23:59:60Z", "0000-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-03-01", v.text())
	}
	return v.text()
}

func (v *inventor) request(o *operation, host string) (*http.Request, error) {
	path, query := o.path, url.Values{}
	header := http.Header{}
	for _, p := range o.described.Parameters {
		text := fmt.Sprint(v.value(p.Schema, 0))
		switch p.In {
		case "path":
			path = strings.Replace(path, "{"+p.Name+"}", url.PathEscape(text), 1)
		case "query":
			if p.Required || v.IntN(2) == 0 {
				query.Set(p.Name, text)
			}
		}
	}
	if v.IntN(30) == 0 {
		query.Add(v.text(), v.text())
	}
	var body []byte
	for kind, c := range o.described.RequestBody.Content {
		header.Set("Content-Type", kind)
		if strings.Contains(kind, "json") {
			body, _ = json.Marshal(v.value(c.Schema, 0)) // strings that are no UTF-8 are replaced
		} else {
			body = []byte(v.one("turnout\nW1\n", "turnout,area\nW1,Ost\nW2,\"\n", v.junk, "\xef\xbb\xbf").(string))
		}
	}
	switch v.IntN(20) {
	case 0:
		body = []byte(v.junk)
	case 1:
		if len(body) > 0 {
			body = body[:v.IntN(len(body))]
		}
	case 2:
		header.Set("Content-Type", v.one("", "text/plain", "application/json; charset=utf-16", "a/b/c", "multipart/form-data").(string))
	case 3:
		body = bytes.Repeat([]byte("["), 1<<v.IntN(18))
	}
	method := o.method
	if v.IntN(50) == 0 {
		method = v.one("GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE").(string)
	}
	u := &url.URL{Scheme: "http", Host: host, RawQuery: query.Encode()}
	u.Path, _ = url.PathUnescape(path)
	u.RawPath = path
	req, err := http.NewRequest(method, u.String(), bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header = header
	if v.IntN(30) == 0 {
		header.Set("Accept", v.one("text/html", "application/cbor", "*/*;q=0", "application/json;q=x").(string))
	}
	return req, nil
}

// FuzzAPI asks a daemon that runs whatever its own description of the API
// allows, and what it does not. Invariants: it answers, never with a failure of
// its own; an answer is one that is described; what it says fits the schema.
func FuzzAPI(f *testing.F) {
	m := startMosquitto(f)
	log := &logged{}
	d, err := New(f.Context(), configOf(m, f.TempDir()), Options{Log: slog.New(slog.NewTextHandler(log, nil)), Registry: prometheus.NewRegistry(), Now: yardTime, Version: "test"})
	if err != nil {
		f.Fatal(err)
	}
	if err := d.Start(f.Context()); err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() {
		if err := d.Stop(context.Background()); err != nil {
			f.Error(err)
		}
	})
	eventually(f, "the daemon to be ready", func() bool { return d.Ready(f.Context()) == nil })
	c := newCabinet(f, m.URL())
	// Some throws, one that fails and so raises an alert, and one that is refused.
	for n := range 40 {
		t := invented("W1", n, 0)
		t.ID = fmt.Sprintf("t%d", n)
		t.Completed = n != 39
		if !t.Completed {
			t.Detections = nil
		}
		c.publish("throwline/v1/ORR/throw/W1", wire.AppendThrow(nil, t))
	}
	c.publish("throwline/v1/ORR/throw/W2", []byte("{"))
	eventually(f, "an alert", func() bool { return len(d.Cases()) > 0 })

	client := &http.Client{}
	defer client.CloseIdleConnections()
	get := func(path string) []byte {
		res, err := client.Get("http://" + d.Addr() + path)
		if err != nil {
			f.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != 200 {
			f.Fatal(path, res.StatusCode, err)
		}
		return b
	}
	api := readDescription(f, get("/api/openapi.json"))
	words := []string{
		"W1", "W2", "W1", "main", "motor_current", "travel_effort", "normal", "open", "all", "ORR", "Europe/Berlin", "UTC", "1", "2", "10", "2026-03-01T05:00:00Z", "FREQ=DAILY",
		"true", "false", "found", "lubricated", "operator", "administrator", "viewer", d.Cases()[0].Alert.ID, (&ingest.Throw{Turnout: "W1", ID: "t3"}).Key(),
	}
	for i := range api.operations {
		for seed := range uint64(3) {
			f.Add(uint16(i), seed, "junk")
		}
	}
	f.Fuzz(func(t *testing.T, which uint16, seed uint64, junk string) {
		o := &api.operations[int(which)%len(api.operations)]
		v := &inventor{Rand: rand.New(rand.NewPCG(seed, uint64(which))), of: api, words: words, junk: junk}
		req, err := v.request(o, d.Addr())
		if err != nil {
			return // no such request can be made
		}
		sent := fmt.Sprintf("%s %s %v", req.Method, req.URL, req.Header)
		res, err := client.Do(req)
		if err != nil {
			t.Fatalf("%s: %v\n%s", sent, err, log.String())
		}
		defer res.Body.Close()
		answer, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatalf("%s: %v", sent, err)
		}
		if res.StatusCode >= 500 {
			t.Fatalf("%s: %d %s\n%s", sent, res.StatusCode, answer, log.String())
		}
		kind, _, err := mime.ParseMediaType(res.Header.Get("Content-Type"))
		if len(answer) > 0 && err != nil {
			t.Fatalf("%s: %d with Content-Type %q", sent, res.StatusCode, res.Header.Get("Content-Type"))
		}
		if req.Method != o.method || res.Request != req || kind == "text/html" {
			return // of another operation, led elsewhere ("." in a path), or a page
		}
		if len(answer) == 0 {
			if _, ok := o.described.Responses[fmt.Sprint(res.StatusCode)]; !ok {
				t.Fatalf("%s: %d is not described", sent, res.StatusCode)
			}
			return
		}
		if res.StatusCode < 300 || res.StatusCode == 304 {
			if _, ok := o.described.Responses[fmt.Sprint(res.StatusCode)]; !ok {
				t.Fatalf("%s: %d is not described", sent, res.StatusCode)
			}
		} else if kind != "application/problem+json" {
			t.Fatalf("%s: %d as %s: %s", sent, res.StatusCode, kind, answer)
		}
		if !strings.Contains(kind, "json") {
			return
		}
		said, err := jsonschema.UnmarshalJSON(bytes.NewReader(answer))
		if err != nil {
			t.Fatalf("%s: %v in %.300s", sent, err, answer)
		}
		s := api.validators[o.method+o.path+fmt.Sprint(res.StatusCode)+kind]
		if s == nil {
			if res.StatusCode == 404 || res.StatusCode == 405 || res.StatusCode == 406 {
				return // of the router
			}
			t.Fatalf("%s: %d %s is not described; it says %s", sent, res.StatusCode, kind, answer)
		}
		if err := s.Validate(said); err != nil {
			t.Fatalf("%s: %d does not fit its description: %v\n%.500s", sent, res.StatusCode, err, answer)
		}
	})
}
