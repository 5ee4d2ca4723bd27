package score

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"throwline/ingest"
)

// Measures of a picture, in px.
const (
	svgWidth    = 1010
	plotLeft    = 62
	plotRight   = svgWidth - 18
	panelHeight = 128
	panelGap    = 30
	labelRow    = 15
	labelRows   = 7   // at most
	labelChar   = 6.3 // width of a character at 11 px, about
)

// svgStyle is readable in light and in dark; its colours are told apart by
// people who are blind to some, and marks differ in their dashes as well.
const svgStyle = `
svg{--paper:#fff;--ink:#1c1e21;--soft:#5b6168;--grid:#dfe2e6;--band:#f1e9d2;--normal:#0072b2;--reverse:#c2560a;--warning:#9b2f78;--failure:#1c1e21;--repair:#00745a}
@media (prefers-color-scheme:dark){svg{--paper:#15171a;--ink:#e9eaec;--soft:#a6acb3;--grid:#30353b;--band:#2b2820;--normal:#5ab4ee;--reverse:#f0a04b;--warning:#e79bcb;--failure:#fff;--repair:#3ecfa5}}
text{font:12px system-ui,sans-serif;fill:var(--ink)}
.title{font-size:17px;font-weight:600}.small{font-size:11px;fill:var(--soft)}.right{text-anchor:end}.middle{text-anchor:middle}
.paper{fill:var(--paper)}.band{fill:var(--band)}.grid{stroke:var(--grid);fill:none}.zero{stroke:var(--soft);fill:none}
.dot{fill:none;stroke-width:2.4;stroke-linecap:round;opacity:.38}.few{stroke-width:3.2;opacity:.6}.line{fill:none;stroke-width:1.8;stroke-linejoin:round}
.normal{stroke:var(--normal)}.reverse{stroke:var(--reverse)}.line.reverse{stroke-dasharray:6 2.5}
.mark{fill:none;stroke-width:1.4}.onset{stroke:var(--soft);stroke-dasharray:5 3}.warning{stroke:var(--warning)}.failure{stroke:var(--failure);stroke-width:2.2}
.repair{stroke:var(--repair);stroke-dasharray:8 3}.work{stroke:var(--repair);stroke-dasharray:1.5 3}.cross{stroke:var(--failure);stroke-width:1.3;fill:none}
text.label{stroke:var(--paper);stroke-width:4;stroke-linejoin:round;stroke-dasharray:none;paint-order:stroke;font-size:11px}
text.onset{fill:var(--soft)}text.warning{fill:var(--warning)}text.failure{fill:var(--failure);font-weight:600}text.repair,text.work{fill:var(--repair)}
`

// svg is a picture being written.
type svg struct {
	bytes.Buffer
	p *Picture
}

// WriteSVG writes the picture as an SVG that needs nothing else.
func (p *Picture) WriteSVG(w io.Writer) error {
	s := &svg{p: p}
	notes := broken(p.Note, 150)
	said := broken(p.Said, 140)
	labels := 46 + 16*len(said) + 15*len(notes) + 8 // where the marks' texts begin
	lines, rows := s.place()
	top := labels + labelRow*rows + 26
	panels := max(len(p.Panels), 1)
	bottom := top + panels*(panelHeight+panelGap) - panelGap
	height := bottom + 62

	s.printf(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img">`, svgWidth, height, svgWidth, height)
	s.printf("<title>%s</title><desc>%s</desc><style>%s</style>\n", escaped(p.Title), escaped(strings.TrimSpace(p.Said+" "+p.Note)), escaped(svgStyle))
	s.printf(`<rect class="paper" width="%d" height="%d"/>`+"\n", svgWidth, height)
	s.text(16, 28, "title", p.Title)
	y := 50
	for _, line := range said {
		s.text(16, y, "", line)
		y += 16
	}
	for _, line := range notes {
		s.text(16, y, "small", line)
		y += 15
	}
	for i := range panels {
		for _, b := range p.Bands {
			x := s.x(b.from)
			s.printf(`<rect class="band" x="%s" y="%d" width="%s" height="%d"/>`+"\n", num(x), top+i*(panelHeight+panelGap), num(s.x(b.to)-x), panelHeight)
		}
	}
	s.dates(top, bottom)
	for i := range p.Panels {
		s.panel(&p.Panels[i], top+i*(panelHeight+panelGap))
	}
	if len(p.Panels) == 0 {
		s.text(plotLeft+8, top+panelHeight/2, "", "Too few throws to draw.")
	}
	s.marks(lines, labels, top, bottom)
	for i := range p.Panels { // above the lines of the marks
		s.text(plotLeft, top+i*(panelHeight+panelGap)-8, "label", p.Panels[i].name)
	}
	s.key(bottom + 46)
	s.printf("</svg>\n")
	_, err := w.Write(s.Bytes())
	return err
}

func (s *svg) printf(format string, args ...any) { fmt.Fprintf(s, format, args...) }

func (s *svg) text(x, y int, class, text string) {
	s.printf(`<text x="%d" y="%d" class="%s">%s</text>`+"\n", x, y, class, escaped(text))
}

// x is where a time stands.
func (s *svg) x(t time.Time) float64 {
	part := float64(t.Sub(s.p.From)) / float64(max(s.p.To.Sub(s.p.From), 1))
	return plotLeft + (plotRight-plotLeft)*min(max(part, 0), 1)
}

// dates draws the axis of time: midnights, UTC.
func (s *svg) dates(top, bottom int) {
	const most = 12
	step := 1
	for _, step = range []int{1, 2, 4, 7, 14, 28, 56, 91, 182, 364} {
		if s.p.To.Sub(s.p.From).Hours()/24/float64(step) <= most {
			break
		}
	}
	first := s.p.From.UTC().Truncate(24*time.Hour).AddDate(0, 0, 1)
	year := 0
	for t := first; !t.After(s.p.To); t = t.AddDate(0, 0, step) {
		x := s.x(t)
		s.printf(`<path class="grid" d="M%s %dV%d"/>`, num(x), top, bottom+4)
		text := t.Format("2 Jan")
		if t.Year() != year {
			year = t.Year()
			text = t.Format("2 Jan 2006")
		}
		s.printf(`<text x="%s" y="%d" class="small middle">%s</text>`+"\n", num(min(x, plotRight-14)), bottom+18, text)
	}
}

// panel draws one feature, its upper edge at y.
func (s *svg) panel(p *panel, y int) {
	low, high := p.bounds()
	at := func(v float64) float64 {
		return float64(y) + panelHeight*(high-min(max(v, low), high))/(high-low)
	}
	step := roundStep((high - low) / 4)
	for k := math.Ceil(low / step); k*step <= high; k++ {
		v := k * step
		class := "grid"
		if k == 0 {
			class = "zero"
		}
		s.printf(`<path class="%s" d="M%d %sH%d"/>`, class, plotLeft, num(at(v)), plotRight)
		label := num(math.Abs(100*v)) + " %"
		switch {
		case k < 0:
			label = "−" + label
		case k > 0:
			label = "+" + label
		}
		s.printf(`<text x="%d" y="%s" class="small right">%s</text>`+"\n", plotLeft-6, num(at(v)+4), label)
	}
	for i, e := range ingest.Ends {
		if len(p.ends[i]) == 0 {
			continue
		}
		class := e.String()
		if len(p.ends[i]) < 500 {
			class += " few"
		}
		s.printf(`<path class="dot %s" d="`, class)
		for _, x := range p.ends[i] {
			s.printf("M%s %sh0", num(s.x(x.at)), num(at(x.y)))
		}
		s.printf("\"/>\n")
	}
	for i, e := range ingest.Ends {
		if len(p.lines[i]) < 2 {
			continue
		}
		s.printf(`<path class="line %s" d="`, e)
		for k, x := range p.lines[i] {
			s.printf("%c%s %s", "ML"[min(k, 1)], num(s.x(x.at)), num(at(x.y)))
		}
		s.printf("\"/>\n")
	}
	if len(s.p.Dropped) > 0 {
		s.printf(`<path class="cross" d="`)
		for _, t := range s.p.Dropped {
			s.printf("M%s %dl5 5m0 -5l-5 5", num(s.x(t)-2.5), y+panelHeight-6)
		}
		s.printf("\"/>\n")
	}
}

// bounds returns between what shares the panel reaches: all medians and nearly
// all throws; the others stand at its edge.
func (p *panel) bounds() (low, high float64) {
	var y []float64
	low, high = -0.05, 0.05
	for i := range p.ends {
		for _, x := range p.ends[i] {
			y = append(y, x.y)
		}
		for _, x := range p.lines[i] {
			low, high = min(low, x.y), max(high, x.y)
		}
	}
	if len(y) > 0 {
		slices.Sort(y)
		cut := len(y) / 100
		low, high = min(low, y[cut]), max(high, y[len(y)-1-cut])
	}
	room := 0.06 * (high - low)
	return low - room, high + room
}

// line is a mark with a place for its text: at x from in a row, or as a tick, row -1.
type line struct {
	mark
	x, from float64
	row     int
}

// place finds rows in which no text covers another. A mark for which there is
// none becomes a tick.
func (s *svg) place() (lines []line, rows int) {
	var ends [labelRows]float64 // where the last text of each row ends
	for _, m := range s.p.Marks {
		l := line{m, s.x(m.at), 0, -1}
		if m.text != "" {
			l.text += " " + m.at.UTC().Format("2 Jan")
			wide := labelChar * float64(len([]rune(l.text)))
			l.from = l.x + 4
			if l.from+wide > svgWidth-4 {
				l.from = l.x - 4 - wide
			}
			if l.row = slices.IndexFunc(ends[:], func(end float64) bool { return end < l.from }); l.row >= 0 {
				ends[l.row] = max(l.x, l.from+wide) + 6
				rows = max(rows, l.row+1)
			}
		}
		lines = append(lines, l)
	}
	return lines, rows
}

// marks draws the vertical lines, and their texts above.
func (s *svg) marks(lines []line, labels, top, bottom int) {
	for _, l := range lines {
		if l.row < 0 {
			s.printf(`<path class="mark %s" d="M%s %dv8"/>`+"\n", l.kind, num(l.x), top)
			continue
		}
		s.printf(`<path class="mark %s" d="M%s %dV%d"/>`+"\n", l.kind, num(l.x), labels+labelRow*l.row+2, bottom)
	}
	for _, l := range lines {
		class, at := "label "+string(l.kind), l.from
		if l.from < l.x {
			class, at = class+" right", l.x-4
		}
		if l.row >= 0 {
			s.printf(`<text x="%s" y="%d" class="%s">%s</text>`+"\n", num(at), labels+labelRow*l.row+11, class, escaped(l.text))
		}
	}
}

// key says what is what.
func (s *svg) key(y int) {
	x := plotLeft
	for _, e := range ingest.Ends {
		s.printf(`<path class="dot %s" style="opacity:1" d="M%d %dh0"/><path class="line %s" d="M%d %dh24"/>`, e, x, y-4, e, x+8, y-4)
		s.text(x+38, y, "small", "to "+e.String())
		x += 112
	}
	s.text(x, y, "small", "a dot a throw, a line the medians, against the median before")
	x += 352
	if slices.ContainsFunc(s.p.Marks, func(m mark) bool { return m.kind == markWarning }) {
		s.printf(`<path class="mark warning" d="M%d %dv8"/>`, x, y-8)
		s.text(x+6, y, "small", "warned anew")
		x += 92
	}
	if len(s.p.Dropped) > 0 {
		s.printf(`<path class="cross" d="M%d %dl5 5m0 -5l-5 5"/>`, x, y-6)
		s.text(x+12, y, "small", "did not complete")
		x += 116
	}
	if len(s.p.Bands) > 0 {
		s.printf(`<rect class="band" x="%d" y="%d" width="20" height="10"/>`, x, y-8)
		s.text(x+26, y, "small", "something was wrong")
	}
}

// roundStep returns the least of 1, 2, 5, 10, … that is not below x.
func roundStep(x float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	for _, k := range []float64{1, 2, 5} {
		if k*ten >= x {
			return k * ten
		}
	}
	return 10 * ten
}

// num writes a coordinate.
func num(x float64) string {
	return strconv.FormatFloat(math.Round(10*x)/10, 'f', -1, 64)
}

func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}

// broken breaks a text into lines of at most most characters.
func broken(text string, most int) (lines []string) {
	line := ""
	for w := range strings.FieldsSeq(text) {
		switch {
		case line == "":
			line = w
		case len(line)+1+len(w) > most:
			lines = append(lines, line)
			line = w
		default:
			line += " " + w
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
