package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

const (
	answerAtMost  = 64 << 10       // bytes that are read of an answer
	headersAtMost = 64 << 10       // bytes of its header
	longestWait   = 24 * time.Hour // that a Retry-After is believed
	redirects     = 3
)

// poster sends one body with POST and says what came of it.
type poster struct {
	client  *http.Client
	timeout time.Duration
}

func newPoster(secure *tls.Config, timeout time.Duration) *poster {
	t := &http.Transport{
		Proxy:                  http.ProxyFromEnvironment,
		TLSClientConfig:        secure,
		ForceAttemptHTTP2:      true,
		DisableKeepAlives:      true, // messages are rare, and a kept connection may have died meanwhile
		DisableCompression:     true, // a small answer cannot become a large one
		MaxResponseHeaderBytes: headersAtMost,
	}
	return &poster{&http.Client{Transport: t, CheckRedirect: sameHost}, timeout}
}

// sameHost follows a redirect only where the body goes along, by the same
// scheme to the same host: whoever else is named there has no right to it.
func sameHost(next *http.Request, before []*http.Request) error {
	first := before[0]
	if len(before) > redirects || next.Method != first.Method || next.URL.Host != first.URL.Host || next.URL.Scheme != first.URL.Scheme {
		return http.ErrUseLastResponse
	}
	return nil
}

// do sends the request and returns the answer's body, cut at answerAtMost. It
// has a body only where want is set or the failure tells of it.
func (p *poster) do(ctx context.Context, method, to string, header http.Header, body []byte, want bool) ([]byte, *Failure) {
	within, cancel := context.WithTimeout(ctx, p.timeout)
	defer cancel()
	r, err := http.NewRequestWithContext(within, method, to, bytes.NewReader(body))
	if err != nil {
		return nil, permanent("%s: %w", site(to), plain(err))
	}
	for k, v := range header {
		r.Header[k] = v
	}
	r.Header.Set("User-Agent", "Throwline")
	answer, err := p.client.Do(r)
	if err != nil {
		return nil, temporary("%s: %w", site(to), p.late(ctx, plain(err)))
	}
	defer answer.Body.Close()
	switch s := answer.StatusCode; {
	case s >= 200 && s < 300:
		if !want {
			return nil, nil // taken; whatever else it says may break off
		}
		b, err := io.ReadAll(io.LimitReader(answer.Body, answerAtMost))
		if err != nil {
			return nil, temporary("%s: half an answer: %w", site(to), p.late(ctx, err))
		}
		return b, nil
	case s == http.StatusRequestTimeout, s == http.StatusTooEarly, s == http.StatusTooManyRequests, s >= 500:
		f := temporary("%s answered %s%s", site(to), answer.Status, said(answer))
		f.After = retryAfter(answer.Header.Get("Retry-After"), time.Now())
		return nil, f
	case s >= 300 && s < 400:
		return nil, permanent("%s answered %s to %s; expected the message to be taken here", site(to), answer.Status, site(answer.Header.Get("Location")))
	default:
		return nil, permanent("%s answered %s%s", site(to), answer.Status, said(answer))
	}
}

func (p *poster) late(ctx context.Context, err error) error {
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return errors.New("expected an answer within " + p.timeout.String() + ", found none")
	}
	return err
}

// site names the other side without what may be secret in the path.
func site(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return "an address"
	}
	return u.Scheme + "://" + u.Host
}

// plain takes away the address, which the library writes in full.
func plain(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// said returns the beginning of what an answer says, in one line.
func said(answer *http.Response) string {
	b, _ := io.ReadAll(io.LimitReader(answer.Body, 512)) // what there is of it
	if s := oneLine(strings.Join(strings.Fields(string(b)), " "), 200); s != "" {
		return ": " + s
	}
	return ""
}

// retryAfter reads the header of that name, RFC 9110 10.2.3: seconds or a date.
func retryAfter(s string, now time.Time) time.Duration {
	wait := time.Duration(0)
	if n, err := strconv.ParseUint(strings.TrimSpace(s), 10, 32); err == nil {
		wait = time.Duration(n) * time.Second
	} else if t, err := http.ParseTime(s); err == nil {
		wait = t.Sub(now)
	}
	return min(max(wait, 0), longestWait)
}
