package export

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// What the other side answers is read to a bound, and nobody else is sent what
// is meant for it.
func TestEndlessAnswers(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a redirect to another host was followed") }))
	defer elsewhere.Close()
	var sent atomic.Int64
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch kind := r.URL.Query().Get("bucket"); kind {
		case "moved":
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		case "header":
			w.Header().Set("X", strings.Repeat("x", 200<<10))
			w.WriteHeader(http.StatusNoContent)
		default:
			if kind == "json" {
				w.Header().Set("Content-Type", "application/json")
			}
			w.WriteHeader(http.StatusInternalServerError)
			_, _ = w.Write([]byte(`{"code":"x","message":"`))
			for b := bytes.Repeat([]byte("x"), 64<<10); ; {
				n, err := w.Write(b)
				if sent.Add(int64(n)); err != nil {
					return
				}
			}
		}
	}))
	defer s.Close()
	for _, kind := range []string{"text", "json", "moved", "header"} {
		w := newWriter(&Config{URL: s.URL, Org: "o", Bucket: kind})
		sent.Store(0)
		var l lines
		l.measurement("m")
		l.fields()
		l.field("f", 1)
		l.end(time.Unix(1, 0))
		err := w.write(context.Background(), &l, time.Now())
		if err == nil || len(err.Error()) > 600 {
			t.Errorf("%s: found %.700v", kind, err)
		}
		w.close()
		if n := sent.Load(); n > 64<<20 { // what the sockets took among them
			t.Errorf("%s: %d bytes were taken", kind, n)
		}
	}
}
