package export

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	influx "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	apihttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/klauspost/compress/gzip"
)

const (
	answerWithin  = time.Minute // for a batch
	answerAtMost  = 64 << 10    // bytes that are read of an answer
	headersAtMost = 64 << 10    // bytes of its header
)

// Config is where to write, and how.
type Config struct {
	URL    string // http:// or https://
	Org    string
	Bucket string
	Token  string // "": none is sent
	TLS    *tls.Config

	Prefix string        // before the name of a measurement
	Batch  int           // points, at most
	Every  time.Duration // between looks for what is new
	Health time.Duration // between looks at how the turnouts are; 0: never
}

// writer writes batches. It is for one goroutine.
type writer struct {
	c      *Config
	http   *http.Client
	client influx.Client
	api    api.WriteAPIBlocking

	l        *lines
	written  int64
	refusals []Refusal // the last few
	refused  int64
	unnamed  int // refused for a reason that we do not know
}

func newWriter(c *Config) *writer {
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, TLSClientConfig: c.TLS, TLSHandshakeTimeout: 10 * time.Second, MaxIdleConns: 2, IdleConnTimeout: 90 * time.Second, ForceAttemptHTTP2: true,
		MaxResponseHeaderBytes: headersAtMost,
		DisableCompression:     true, // a small answer cannot become a large one
	}
	w := &writer{c: c, http: &http.Client{Transport: &squeeze{RoundTripper: transport}, Timeout: answerWithin, CheckRedirect: sameHost}}
	o := influx.DefaultOptions().SetPrecision(time.Nanosecond).SetHTTPClient(w.http).SetApplicationName("throwline")
	w.client = influx.NewClientWithOptions(strings.TrimSuffix(c.URL, "/")+"/", c.Token, o)
	// The client's own writer in the background keeps what fails in memory and
	// drops it in the end; this one says what became of each batch.
	w.api = w.client.WriteAPIBlocking(c.Org, c.Bucket)
	return w
}

func (w *writer) close() {
	w.client.Close()
	w.http.CloseIdleConnections()
}

// sameHost follows no redirect to elsewhere: what is sent is meant for this place.
func sameHost(next *http.Request, before []*http.Request) error {
	first := before[0]
	if len(before) > 3 || next.Method != first.Method || next.URL.Host != first.URL.Host || next.URL.Scheme != first.URL.Scheme {
		return http.ErrUseLastResponse
	}
	return nil
}

// squeeze compresses what is sent, and cuts off what is answered. The client could, but takes three times as
// long for it, from the processors that the way in shares. One request at a time.
type squeeze struct {
	http.RoundTripper
	z *gzip.Writer
}

func (s *squeeze) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Body == nil {
		return cut(s.RoundTripper.RoundTrip(r))
	}
	var b bytes.Buffer
	if s.z == nil {
		s.z, _ = gzip.NewWriterLevel(nil, gzip.BestSpeed) // the level is one
	}
	s.z.Reset(&b)
	_, err := io.Copy(s.z, r.Body)
	if err = errors.Join(err, r.Body.Close(), s.z.Close()); err != nil {
		return nil, err
	}
	out := r.Clone(r.Context()) // the request is not ours to change
	body := b.Bytes()
	out.GetBody = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(body)), nil }
	out.Body, out.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
	out.Header.Set("Content-Encoding", "gzip")
	return cut(s.RoundTripper.RoundTrip(out))
}

// cut ends an answer that is too long: what it says is an error's text.
func cut(answer *http.Response, err error) (*http.Response, error) {
	if err == nil {
		answer.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(answer.Body, answerAtMost), answer.Body}
	}
	return answer, err
}

// CloseIdleConnections is for the client that it is part of.
func (s *squeeze) CloseIdleConnections() {
	if c, ok := s.RoundTripper.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}

// Refusal is a point that the other side will not take, however often it is sent.
type Refusal struct {
	At     time.Time `json:"at"`
	Reason string    `json:"reason"`
	Line   string    `json:"line" doc:"the beginning of what was sent"`
}

// failure is a write that failed for now. Nothing is lost by it.
type failure struct {
	why   string
	after time.Duration // that the other side asks to wait, 0: it does not say
	setup bool          // nothing will change unless someone changes the setup
}

func (f *failure) Error() string { return f.why }

// write writes all lines, or says why that cannot be done now. What the other
// side will not take is counted and left out.
func (w *writer) write(ctx context.Context, l *lines, now time.Time) error {
	w.l, w.written, w.refused, w.refusals, w.unnamed = l, 0, 0, w.refusals[:0], 0
	if len(l.ends) == 0 {
		return nil
	}
	if err := w.put(ctx, 0, len(l.ends), now); err != nil {
		return err
	}
	if w.unnamed > 0 && w.written == 0 {
		return &failure{why: "all of a batch is refused: " + w.refusals[0].Reason, setup: true}
	}
	return nil
}

// mostUnnamed refusals for an unknown reason, and not one point taken: it is not the points.
const mostUnnamed = 16

var (
	// errors of the points themselves, in the words of 1.8, 2 and their like
	badPoints = regexp.MustCompile(`(?i)partial write|unable to parse|field type conflict|beyond retention|outside retention|unprocessable|invalid (field|tag|line|number|value|point)|cannot (un)?(parse|marshal)|missing (fields|tag)`)
	// a store that has no room; with room again it takes the same points
	full    = regexp.MustCompile(`(?i)limit exceeded|limit has been (reached|exceeded)|exceeds? (the )?limit|no space left|storage.*(full|exceeded)|read.?only`)
	dropped = regexp.MustCompile(`dropped=(\d+)`)
)

// put writes the lines from i to before j. What is refused is halved until
// what is refused stands alone: parts that were taken already are taken again,
// and change nothing.
func (w *writer) put(ctx context.Context, i, j int, now time.Time) error {
	err := w.api.WriteRecord(ctx, w.l.text(i, j))
	if err == nil {
		w.written += int64(j - i)
		return nil
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	why := w.plain(err)
	status, after := 0, time.Duration(0)
	var e *apihttp.Error
	if errors.As(err, &e) {
		status, after = e.StatusCode, time.Duration(e.RetryAfter)*time.Second
	}
	if status != 0 {
		why = "HTTP " + strconv.Itoa(status) + ": " + why
	}
	switch {
	case full.MatchString(why):
		return &failure{why: why, after: after}
	case status == http.StatusRequestEntityTooLarge:
		if j-i == 1 {
			w.refuse(i, j, why, now)
			return nil
		}
	case status == http.StatusBadRequest, status == http.StatusUnprocessableEntity:
		named := status == http.StatusUnprocessableEntity || badPoints.MatchString(why)
		all := j-i == 1
		if m := dropped.FindStringSubmatch(why); m != nil && m[1] == strconv.Itoa(j-i) {
			all = true
		}
		if all {
			if !named {
				if w.unnamed++; w.unnamed >= mostUnnamed && w.written == 0 {
					return &failure{why: why, setup: true}
				}
			}
			w.refuse(i, j, why, now)
			return nil
		}
	case status == http.StatusUnauthorized, status == http.StatusForbidden, status == http.StatusNotFound, status == http.StatusMethodNotAllowed:
		return &failure{why: why, after: after, setup: true}
	default: // the network, 429, 5xx, and what nobody foresees: it may pass
		return &failure{why: why, after: after}
	}
	middle := i + (j-i)/2
	if err := w.put(ctx, i, middle, now); err != nil {
		return err
	}
	return w.put(ctx, middle, j, now)
}

const mostRefusals = 10

func (w *writer) refuse(i, j int, why string, now time.Time) {
	w.refused += int64(j - i)
	for ; i < j && len(w.refusals) < mostRefusals; i++ {
		w.refusals = append(w.refusals, Refusal{At: now, Reason: why, Line: short(strings.TrimSuffix(w.l.text(i, i+1), "\n"), 300)})
	}
}

// plain is the error in one line, without what must not be shown.
func (w *writer) plain(err error) string {
	s := strings.Join(strings.Fields(err.Error()), " ")
	if w.c.Token != "" {
		s = strings.ReplaceAll(s, w.c.Token, "(token)")
	}
	return short(s, 500)
}

func short(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
