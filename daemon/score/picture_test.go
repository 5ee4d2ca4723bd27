package score

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// wellFormed fails the test where b is not one whole XML document.
func wellFormed(t *testing.T, name string, b []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(b))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
	}
}

func TestWritePictures(t *testing.T) {
	dir := t.TempDir()
	l := madeUpTally(true)
	n, err := l.WritePictures(dir, l.Result())
	if err != nil || n != 7 {
		t.Fatalf("expected 5 faults and 2 false alerts drawn, found %d, %v", n, err)
	}
	index, err := os.ReadFile(filepath.Join(dir, "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.svg"))
	if err != nil || len(files) != 7 {
		t.Fatalf("expected 7 pictures, found %v, %v", files, err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, name, b)
		if bytes.Contains(b, []byte("NaN")) || bytes.Contains(b, []byte("Inf")) || bytes.Contains(b, []byte("href")) {
			t.Errorf("%s: expected numbers and nothing from elsewhere", name)
		}
		if !bytes.Contains(index, []byte(`src="`+filepath.Base(name)+`"`)) {
			t.Errorf("expected %s in the index, found\n%s", filepath.Base(name), index)
		}
		for _, size := range regexp.MustCompile(`(\d+)px`).FindAllSubmatch(b, -1) {
			if px := string(size[1]); len(px) < 2 || px < "11" {
				t.Errorf("%s: expected texts of at least 11 px, found %s", name, px)
			}
		}
	}
	b, err := os.ReadFile(filepath.Join(dir, "fault-001-A-motor-wear.svg"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"A, electric drive: motor-wear", "Said: stiffening, dry-slide-chairs 50 %, on 2026-04-05, 15 days before the failure (75 % of the time left). In the end motor-wear 95 %.",
		"bearings &lt;bind&gt; &amp; &#34;squeal&#34;", "onset 31 Mar", "failure 20 Apr", "repair 21 Apr", "lubricated 21 Mar", "stiffening 5 Apr",
		"moved most of the others: lock peak (main drive, motor current; median before: normal 5.05, reverse 5.05 A)", "prefers-color-scheme:dark", "did not complete",
	} {
		if !bytes.Contains(b, []byte(want)) {
			t.Errorf("expected %q in the picture, found\n%.3000s", want, b)
		}
	}
	for _, want := range []string{"<pre>", "all               4         2 (50 %)", "hydraulic-leak 60 %", "prefers-color-scheme"} {
		if !bytes.Contains(index, []byte(want)) {
			t.Errorf("expected %q in the index, found\n%s", want, index)
		}
	}
}

// The course is drawn against the median since the last repair before the onset, and
// growth of 1/40 a day shows as such.
func TestPictureCourse(t *testing.T) {
	l := madeUpTally(true)
	r := l.Result()
	p := l.drawCase(&r.Cases[4]) // A again, from day 80 on; mended on day 51
	if len(p.Panels) != 3 || !p.From.Equal(day(50)) || !p.To.Equal(day(98)) || len(p.Bands) != 2 {
		t.Fatalf("expected three panels from day 50 to 98 with two bands, found %d from %s to %s, %v", len(p.Panels), p.From, p.To, p.Bands)
	}
	for i, e := range ingest.Ends {
		c := p.Panels[0].lines[i]
		k := slices.IndexFunc(c, func(x point) bool { return x.at.After(day(97)) })
		if k < 0 || c[k].y < 0.4 || c[k].y > 0.47 {
			t.Errorf("to %s: expected some 43 %% more at the end, found %v", e, c)
		}
		if y := c[10].y; y < -0.02 || y > 0.02 {
			t.Errorf("to %s: expected nothing more before the onset, found %g", e, y)
		}
	}
	if n := len(p.Dropped); n != 2 {
		t.Errorf("expected two throws that did not complete, found %d", n)
	}
}

// What cannot be drawn says so, and no text or name breaks the picture.
func TestPictureOfLittle(t *testing.T) {
	truth := &Truth{Start: day(0), End: day(10), Turnouts: map[string]string{"A<&": "elec\x00tric"},
		Faults: []Fault{{Turnout: "A<&", Cause: "../x", Onset: day(5), Note: "\x01 ]]> \xff"}}}
	l := NewTally(truth, true)
	l.Throw(madeThrow("A<&", 1, 0, 1))
	bare := madeThrow("A<&", 2, 0, 1)
	bare.Traces = nil
	l.Throw(bare)
	l.Event(event(alerting.Raised, "A<&", 1, detect.Stiffening))
	dir := t.TempDir()
	if n, err := l.WritePictures(dir, l.Result()); n != 2 || err != nil {
		t.Fatalf("expected 2 pictures, found %d, %v", n, err)
	}
	for _, name := range []string{"fault-001-A---..-x.svg", "false-001-A---stiffening.svg"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, name, b)
		if !bytes.Contains(b, []byte("Too few throws to draw.")) {
			t.Errorf("%s: expected it to say why it is empty", name)
		}
	}
	if _, err := NewTally(truth, false).WritePictures(dir, &Result{}); err == nil || !strings.Contains(err.Error(), "expected a tally that keeps the throws") {
		t.Errorf("expected a tally without throws refused, found %v", err)
	}
	if _, err := l.WritePictures(filepath.Join(dir, "nowhere"), l.Result()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("expected a folder that is not there told, found %v", err)
	}
}

// However many marks there are, no text covers another.
func TestPictureOfManyMarks(t *testing.T) {
	s := &svg{p: &Picture{From: day(0), To: day(50)}}
	for n := range 200 {
		s.p.Marks = append(s.p.Marks, mark{day(float64(n) / 4), markWarning, "doubtful-measurement"})
	}
	lines, rows := s.place()
	if rows > labelRows || len(lines) != 200 {
		t.Fatalf("expected 200 lines in at most %d rows, found %d in %d", labelRows, len(lines), rows)
	}
	ends := map[int]float64{}
	texts := 0
	for _, l := range lines {
		if l.row < 0 {
			continue
		}
		texts++
		if l.from < ends[l.row] {
			t.Errorf("row %d: a text begins at %g, the one before ends at %g", l.row, l.from, ends[l.row])
		}
		if ends[l.row] = l.from + labelChar*float64(len(l.text)); ends[l.row] > svgWidth {
			t.Errorf("%q ends at %g, beyond the edge", l.text, ends[l.row])
		}
	}
	if texts < 3*rows {
		t.Errorf("expected the rows to be used, found %d texts", texts)
	}
}

func TestThinned(t *testing.T) {
	var c course
	for n := range 4001 {
		c = append(c, point{at: day(0).Add(time.Duration(n) * time.Minute)})
	}
	if got := c.thinned(mostDot); len(got) != mostDot || !got[0].at.Equal(day(0)) {
		t.Errorf("expected %d points from the first on, found %d", mostDot, len(got))
	}
	if got := c[:9].thinned(mostDot); len(got) != 9 {
		t.Errorf("expected all 9, found %d", len(got))
	}
}
