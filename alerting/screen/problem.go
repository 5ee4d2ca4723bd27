package screen

import (
	"context"
	"encoding/base64"
	"errors"
	"io/fs"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/ingest"
)

// ErrCursor is a cursor that cannot be read. Any error with a method
// BadCursor() bool that returns true is taken for one.
var ErrCursor error = cursorError{}

type cursorError struct{}

func (cursorError) Error() string   { return "cursor: expected one that a list gave, found another" }
func (cursorError) BadCursor() bool { return true }

// problem turns an error into what outsiders may see of it: an RFC 9457
// problem. What they cannot mend is logged and told without internals.
func (s *server) problem(ctx context.Context, err error, doing string) error {
	var cursor interface{ BadCursor() bool }
	var status huma.StatusError
	var refusedErr *alerting.RefusedError
	switch r := ingest.AsRefusal(err); {
	case r != nil:
		return refused(r, "body")
	case errors.As(err, &refusedErr):
		return refusedAct(refusedErr)
	case errors.As(err, &status):
		return status
	case errors.As(err, &cursor) && cursor.BadCursor():
		return &huma.ErrorModel{
			Status: http.StatusBadRequest, Title: http.StatusText(http.StatusBadRequest), Detail: "the cursor cannot be read",
			Errors: []*huma.ErrorDetail{{Location: "query.cursor", Message: "expected the next of a list, unchanged"}},
		}
	case isGone(err):
		return huma.Error404NotFound(doing + ": there is none")
	case ctx.Err() != nil:
		return huma.Error503ServiceUnavailable(doing + ": given up, the request ended")
	}
	s.o.Log.Error("request failed", "doing", doing, "error", err)
	if why := s.o.Yard.Ready(ctx); why != nil {
		return huma.Error503ServiceUnavailable(doing + ": not possible now; see /readyz")
	}
	return huma.Error500InternalServerError(doing + ": failed; the log says why")
}

// refused tells every rule that was broken; root is what the paths start from.
func refused(r *ingest.Refusal, root string) error {
	p := &huma.ErrorModel{Status: http.StatusUnprocessableEntity, Title: http.StatusText(http.StatusUnprocessableEntity), Detail: "refused"}
	for _, f := range r.Faults {
		where := root
		if f.Path != "" {
			where += "." + f.Path
		}
		p.Errors = append(p.Errors, &huma.ErrorDetail{
			Location: printable(where), Message: printable("expected " + f.Expected + ", found " + f.Found),
		})
	}
	return p
}

// writeProblem writes a problem outside of the described operations.
func writeProblem(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	// An error here is a reader that went away.
	_ = jsonFormat.Marshal(w, &huma.ErrorModel{Status: status, Title: http.StatusText(status), Detail: detail})
}

// isGone reports whether what was asked for is not there.
func isGone(err error) bool { return errors.Is(err, fs.ErrNotExist) }

// packCursor makes an opaque cursor of the last name that was shown.
func packCursor(name string) string { return packed("t:" + name) }

func unpackCursor(cursor string) (string, error) {
	if cursor == "" {
		return "", nil
	}
	name, ok := unpacked(cursor, "t:")
	if !ok {
		return "", ErrCursor
	}
	return name, nil
}

func packed(text string) string { return base64.RawURLEncoding.EncodeToString([]byte(text)) }

func unpacked(cursor, kind string) (string, bool) {
	b, err := base64.RawURLEncoding.DecodeString(cursor)
	text, ok := strings.CutPrefix(string(b), kind)
	return text, err == nil && ok
}
