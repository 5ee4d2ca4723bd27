package notify

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"time"

	"throwline/alerting"
)

// document is a message as JSON: what a webhook and a topic carry.
type document struct {
	Version int `json:"version"` // of this layout
	alerting.Message
	Subject  string     `json:"subject"` // in words, as a mail says it
	Text     string     `json:"text"`
	Pictures []enclosed `json:"pictures,omitempty"`
}

type enclosed struct {
	Name    string `json:"name"`
	Caption string `json:"caption"`
	PNG     []byte `json:"png"` // base64
}

func toJSON(m alerting.Message, pictures []Picture) ([]byte, *Failure) {
	w := Write(m, nil)
	d := document{Version: 1, Message: m, Subject: w.Subject, Text: w.Text()}
	for _, p := range pictures {
		d.Pictures = append(d.Pictures, enclosed(p))
	}
	b, err := json.Marshal(d)
	if err != nil {
		return nil, permanent("the message as JSON: %w", err)
	}
	return b, nil
}

type webhook struct {
	c    *Webhook
	post *poster
	now  func() time.Time
}

// Send posts the message. It is signed as Standard Webhooks 1.0.0 says
// (symmetric, v1): HMAC-SHA256 over "id.timestamp.body".
func (w *webhook) Send(ctx context.Context, m alerting.Message, pictures []Picture) error {
	if !w.c.Pictures {
		pictures = nil
	}
	body, f := toJSON(m, pictures)
	if f != nil {
		return f
	}
	id, at := oneLine(m.Key, 256), strconv.FormatInt(w.now().Unix(), 10)
	h := http.Header{}
	h.Set("Content-Type", "application/json")
	h.Set("Idempotency-Key", id)
	h.Set("Webhook-Id", id)
	h.Set("Webhook-Timestamp", at)
	h.Set("Webhook-Signature", "v1,"+sign(w.c.Secret, id, at, body))
	if _, f := w.post.do(ctx, http.MethodPost, w.c.URL, h, body, false); f != nil {
		return f
	}
	return nil
}

func sign(secret, id, at string, body []byte) string {
	h := hmac.New(sha256.New, secretKey(secret))
	h.Write([]byte(id + "." + at + "."))
	h.Write(body)
	return base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// secretKey returns the key: what follows whsec_ is base64, anything else is
// taken as it is.
func secretKey(s string) []byte {
	if coded, ok := strings.CutPrefix(s, "whsec_"); ok {
		if b, err := base64.StdEncoding.DecodeString(coded); err == nil {
			return b
		}
	}
	return []byte(s)
}
