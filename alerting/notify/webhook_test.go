package notify

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
)

const secret = "whsec_MDEyMzQ1Njc4OWFiY2RlZjAxMjM0NTY3" // 0123456789abcdef01234567

func hook(t *testing.T, url string, change func(*Webhook)) Target {
	t.Helper()
	c := &Webhook{URL: url, Secret: secret, Timeout: 400 * time.Millisecond}
	if change != nil {
		change(c)
	}
	w, err := New("desk", &Config{Webhook: c}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// failure returns the failure of an error, and ends the test if it is none.
func failure(t *testing.T, err error) *Failure {
	t.Helper()
	var f *Failure
	if !errors.As(err, &f) {
		t.Fatalf("expected a failure, found %v", err)
	}
	return f
}

func TestWebhookSigned(t *testing.T) {
	var got *http.Request
	var body []byte
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
		w.WriteHeader(http.StatusAccepted)
	}))
	defer s.Close()
	pictures := []Picture{{"trend.png", "the trend", []byte("png")}}
	if err := hook(t, s.URL, func(c *Webhook) { c.Pictures = true }).Send(t.Context(), stiff(), pictures); err != nil {
		t.Fatal(err)
	}
	h := got.Header
	mac := hmac.New(sha256.New, []byte("0123456789abcdef01234567"))
	fmt.Fprintf(mac, "%s.%s.%s", h.Get("webhook-id"), h.Get("webhook-timestamp"), body)
	if want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil)); h.Get("webhook-signature") != want {
		t.Errorf("expected the signature %s, found %s", want, h.Get("webhook-signature"))
	}
	if h.Get("Idempotency-Key") != "k4711/desk" || h.Get("webhook-id") != "k4711/desk" || h.Get("Content-Type") != "application/json" || got.Method != http.MethodPost {
		t.Errorf("found %s with %v", got.Method, h)
	}
	var d struct {
		Version      int
		Key, Subject string
		Text, Reason string
		Alert        alerting.Alert
		Pictures     []struct{ PNG []byte }
	}
	if err := json.Unmarshal(body, &d); err != nil {
		t.Fatal(err)
	}
	if d.Version != 1 || d.Key != "k4711/desk" || d.Reason != "raised" || d.Alert.Turnout != "W12" || !strings.HasPrefix(d.Subject, "High: W12") || d.Text == "" || len(d.Pictures) != 1 || string(d.Pictures[0].PNG) != "png" {
		t.Errorf("found %s", body)
	}
	// The example of the Standard Webhooks specification, 1.0.0.
	if s := sign("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`)); s != "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" {
		t.Errorf("the specification's example is signed %s", s)
	}
}

// A receiver that fails in every way.
func TestWebhookFails(t *testing.T) {
	quit := make(chan struct{})
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a redirect to another host was followed") }))
	defer elsewhere.Close()
	cut := func(w http.ResponseWriter, text string) {
		c, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		_, _ = io.WriteString(c, text)
		_ = c.Close()
	}
	moved := 0
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		switch r.URL.Path {
		case "/hang":
			<-quit
		case "/slow":
			w.WriteHeader(http.StatusInternalServerError)
			for {
				if _, err := io.WriteString(w, "x"); err != nil || w.(http.Flusher) == nil {
					return
				}
				w.(http.Flusher).Flush()
				select {
				case <-quit:
					return
				case <-r.Context().Done():
					return
				case <-time.After(20 * time.Millisecond):
				}
			}
		case "/500":
			http.Error(w, "out of\norder", http.StatusInternalServerError)
		case "/408", "/425":
			w.WriteHeader(map[string]int{"/408": 408, "/425": 425}[r.URL.Path])
		case "/429":
			w.Header().Set("Retry-After", "17")
			w.WriteHeader(http.StatusTooManyRequests)
		case "/503":
			w.Header().Set("Retry-After", time.Now().Add(time.Hour).UTC().Format(http.TimeFormat))
			w.WriteHeader(http.StatusServiceUnavailable)
		case "/503-forever":
			w.Header().Set("Retry-After", "4000000000")
			w.WriteHeader(http.StatusServiceUnavailable)
		case "/404", "/413":
			w.WriteHeader(map[string]int{"/404": 404, "/413": 413}[r.URL.Path])
		case "/301", "/308":
			http.Redirect(w, r, elsewhere.URL+"/token-of-theirs", map[string]int{"/301": 301, "/308": 308}[r.URL.Path])
		case "/302-here":
			http.Redirect(w, r, "/ok", http.StatusFound) // would become a GET without the message
		case "/307-here":
			http.Redirect(w, r, "/moved", http.StatusTemporaryRedirect)
		case "/moved":
			moved++
		case "/loop":
			http.Redirect(w, r, "/loop", http.StatusTemporaryRedirect)
		case "/half-header":
			cut(w, "HTTP/1.1 200 O")
		case "/half-body":
			cut(w, "HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\nthank y")
		case "/no-http":
			cut(w, "220 mail.example ESMTP\r\n")
		case "/huge":
			w.WriteHeader(http.StatusBadRequest)
			for b := make([]byte, 1<<20); ; {
				if _, err := w.Write(b); err != nil {
					return
				}
			}
		case "/huge-header":
			w.Header().Set("X", strings.Repeat("x", 200<<10))
		}
	}))
	defer s.Close()
	defer close(quit)
	for _, c := range []struct {
		path      string
		permanent bool
		after     time.Duration
		says      string
	}{
		{"/hang", false, 0, "expected an answer within 400ms"},
		{"/slow", false, 0, "500"},
		{"/500", false, 0, "out of order"},
		{"/408", false, 0, "408"},
		{"/425", false, 0, "425"},
		{"/429", false, 17 * time.Second, "429"},
		{"/503", false, time.Hour, "503"},
		{"/503-forever", false, 24 * time.Hour, "503"},
		{"/404", true, 0, "404"},
		{"/413", true, 0, "413"},
		{"/301", true, 0, elsewhere.URL},
		{"/308", true, 0, elsewhere.URL},
		{"/302-here", true, 0, "302"},
		{"/loop", true, 0, "307"},
		{"/half-header", false, 0, "EOF"},
		{"/no-http", false, 0, "malformed"},
		{"/huge", true, 0, "400"},
		{"/huge-header", false, 0, "header"},
	} {
		f := failure(t, hook(t, s.URL+c.path+"?token=hidden", nil).Send(t.Context(), stiff(), nil))
		if f.Permanent != c.permanent || f.After > c.after || f.After < c.after-2*time.Second || !strings.Contains(f.Error(), c.says) {
			t.Errorf("%s: expected permanent %v after %s saying %q, found %v after %s: %v", c.path, c.permanent, c.after, c.says, f.Permanent, f.After, f)
		}
		if strings.Contains(f.Error(), "hidden") || strings.Contains(f.Error(), "theirs") || len(f.Error()) > 600 {
			t.Errorf("%s: a secret or too much in %q", c.path, f.Error())
		}
	}
	for _, path := range []string{"/ok", "/half-body", "/307-here"} {
		if err := hook(t, s.URL+path, nil).Send(t.Context(), stiff(), nil); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
	if moved != 1 {
		t.Errorf("expected the redirect to the same host to be followed once, found %d times", moved)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if f := failure(t, hook(t, s.URL, nil).Send(ctx, stiff(), nil)); f.Permanent || !errors.Is(f, context.Canceled) {
		t.Errorf("found %v", f)
	}
}

func TestWebhookRefused(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_ = l.Close()
	if f := failure(t, hook(t, "http://"+l.Addr().String(), nil).Send(t.Context(), stiff(), nil)); f.Permanent || !strings.Contains(f.Error(), "refused") {
		t.Errorf("found %v", f)
	}
}

func TestWebhookTLS(t *testing.T) {
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	s.Config.ErrorLog = quiet()
	s.StartTLS()
	defer s.Close()
	if f := failure(t, hook(t, s.URL, nil).Send(t.Context(), stiff(), nil)); f.Permanent || !strings.Contains(f.Error(), "certificate") {
		t.Errorf("an unknown authority: found %v", f)
	}
	ca := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	trust := func(c *Webhook) { c.TLS.CAFile = ca }
	if err := hook(t, s.URL, trust).Send(t.Context(), stiff(), nil); err != nil {
		t.Error(err)
	}
	_, port, _ := net.SplitHostPort(s.Listener.Addr().String())
	if f := failure(t, hook(t, "https://localhost:"+port, trust).Send(t.Context(), stiff(), nil)); f.Permanent || !strings.Contains(f.Error(), "localhost") {
		t.Errorf("another name: found %v", f)
	}
}
