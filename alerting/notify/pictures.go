package notify

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"throwline/detect"
)

// Trend is how a turnout's change has gone over the days.
type Trend struct {
	Title  string      // e.g. "W12 to reverse: effort of the travel"
	Times  []time.Time // rising
	Change []float64   // %, against the turnout's own past; NaN: not measured
	Limit  float64     // %, where the turnout is expected to fail; 0: not known
	Marks  []Mark
	Zone   *time.Location // of the days; nil: UTC
}

// Mark is a moment worth a line in a trend.
type Mark struct {
	At    time.Time
	Text  string // one or two words
	Alert bool   // the alert itself; otherwise a visit
}

// Trace is a throw beside its past.
type Trace struct {
	Title    string    // e.g. "W12 to reverse, 12 Mar 2026 06:14"
	Quantity string    // e.g. "motor current"
	Unit     string    // e.g. "A"
	Times    []float64 // s from the drive being switched on, rising
	Values   []float64 // Unit; NaN: not measured
	// The past, in the same units; see [Trace.SetPast]. None: nothing is known yet.
	PastTimes      []float64
	Low, Mid, High []float64
	Throws         int // that make up the past
	Marks          []Moment
}

// Moment is a place in a trace, s from the drive being switched on.
type Moment struct {
	At   float64
	Text string
}

// SetPast takes the past from a profile. Each of its parts stands at its middle.
func (t *Trace) SetPast(p detect.Profile) {
	t.PastTimes, t.Low, t.Mid, t.High, t.Throws = nil, nil, nil, nil, p.Throws
	if p.Throws == 0 {
		return
	}
	for i := range detect.ProfileLen {
		t.PastTimes = append(t.PastTimes, (float64(i)+0.5)/detect.ProfileLen*float64(p.Duration))
		t.Low, t.Mid, t.High = append(t.Low, float64(p.Low[i])), append(t.Mid, float64(p.Mid[i])), append(t.High, float64(p.High[i]))
	}
}

// Where the drawing stands in a picture.
const (
	plotLeft, plotRight = 118.0, pictureWidth - 26.0
	plotTop, plotBottom = 180.0, pictureHeight - 58.0
	margin              = 24.0
)

// head writes the title and the line under it.
func (c *canvas) head(title, under string) {
	wide := float64(pictureWidth) - 2*margin
	c.text(c.fit(oneLine(title, 200), wide, c.bold), margin, 42, left, c.bold, ink)
	c.text(c.fit(oneLine(under, 200), wide, c.normal), margin, 78, left, c.normal, soft)
}

// rows puts texts beside each other above the drawing, in a further row where
// they would meet, and returns for each its left edge and row, -1 for no room.
// Those that come first get the better places.
func (c *canvas) rows(texts []string, at []float64, rows int) (x []float64, row []int) {
	type span struct{ from, to float64 }
	taken := make([][]span, rows)
	for i, s := range texts {
		w := c.width(s, c.normal)
		from := min(max(at[i]-w/2, plotLeft), plotRight-w)
		r := 0
		for r < rows && slices.ContainsFunc(taken[r], func(o span) bool { return from < o.to+14 && o.from < from+w+14 }) {
			r++
		}
		if r == rows {
			r = -1
		} else {
			taken[r] = append(taken[r], span{from, from + w})
		}
		x, row = append(x, from), append(row, r)
	}
	return x, row
}

func (c *canvas) across(y scale, values []float64, unit string, signed bool) {
	decimals := 0
	if len(values) > 1 && values[1]-values[0] < 1 {
		decimals = int(math.Ceil(-math.Log10(values[1] - values[0])))
	}
	for _, v := range values {
		p := y.at(v)
		c.segment(point{plotLeft, p}, point{plotRight, p}, 2)
		c.paint(hair)
		s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
		switch {
		case v < 0:
			s = "−" + s
		case v > 0 && signed:
			s = "+" + s
		}
		c.text(s+" "+unit, plotLeft-12, p+9, right, c.normal, soft)
	}
}

// PNG draws the trend, 1280 by 620 dots for a width of 640.
func (t *Trend) PNG() ([]byte, error) {
	if len(t.Times) != len(t.Change) || len(t.Times) == 0 {
		return nil, fmt.Errorf("trend: expected as many times as changes, found %d and %d", len(t.Times), len(t.Change))
	}
	zone := t.Zone
	if zone == nil {
		zone = time.UTC
	}
	c, err := newCanvas()
	if err != nil {
		return nil, err
	}
	first, last := t.Times[0], t.Times[len(t.Times)-1]
	for _, m := range t.Marks {
		if m.Alert && m.At.After(last) {
			last = m.At
		}
	}
	if last.Sub(first) < time.Hour {
		first = last.Add(-time.Hour)
	}
	day := func(t time.Time) float64 { return float64(t.Unix()) / 86400 }
	x := scale{day(first), day(last), plotLeft + 10, plotRight - 14}
	low, high := reach(t.Change)
	low, high = min(low, -5), max(high, 10)
	above := t.Limit > 0 && t.Limit > 2.5*high
	if t.Limit > 0 && !above {
		high = max(high, 1.04*t.Limit)
	}
	y := scale{low - 0.04*(high-low), high + 0.04*(high-low), plotBottom, plotTop}

	c.head(t.Title, "change against its own past, in %; each dot a throw, the line their middle")
	c.across(y, steps(y.low, y.high, 5), "%", true)
	c.segment(point{plotLeft, y.at(0)}, point{plotRight, y.at(0)}, 3)
	c.paint(pale)
	c.days(x, first, last, zone)

	var dots []point
	for i, v := range t.Change {
		if drawn(v) {
			dots = append(dots, point{x.at(day(t.Times[i])), y.at(min(max(v, y.low), y.high))})
		}
	}
	for _, p := range dots {
		c.circle(p, 3.4)
	}
	c.paint(pale)
	c.line(middles(dots), 5, blue)

	if t.Limit > 0 && !above {
		c.dashes(point{plotLeft, y.at(t.Limit)}, point{plotRight, y.at(t.Limit)}, 3, 16, 10, ink)
		c.onPaper("limit "+signed(t.Limit), plotLeft+10, y.at(t.Limit)+32, ink)
	} else if above {
		c.onPaper("limit "+signed(t.Limit)+", above this picture", plotLeft+10, plotTop+26, ink)
	}
	c.marks(t.Marks, x, day)
	return c.png()
}

// marks draws the moments in the time shown. The alert's and the latest come
// first: they get their words where it is crowded.
func (c *canvas) marks(all []Mark, x scale, day func(time.Time) float64) {
	marks := slices.Clone(all)
	slices.SortStableFunc(marks, func(a, b Mark) int {
		if a.Alert != b.Alert {
			return map[bool]int{true: -1, false: 1}[a.Alert]
		}
		return b.At.Compare(a.At)
	})
	marks = slices.DeleteFunc(marks, func(m Mark) bool { return day(m.At) < x.low || day(m.At) > x.high })
	var texts []string
	var at []float64
	for _, m := range marks {
		texts = append(texts, c.fit(oneLine(m.Text, 40), 380, c.normal))
		at = append(at, x.at(day(m.At)))
	}
	from, row := c.rows(texts, at, 2)
	for i, m := range marks {
		with := blue
		p := point{at[i], plotTop - 4}
		if m.Alert {
			with = red
			c.segment(point{p.x, plotTop}, point{p.x, plotBottom}, 4)
			c.shape(point{p.x, p.y - 11}, point{p.x + 10, p.y}, point{p.x, p.y + 11}, point{p.x - 10, p.y})
			c.paint(with)
		} else {
			c.dashes(point{p.x, plotTop}, point{p.x, plotBottom}, 3, 5, 7, with)
			c.shape(point{p.x - 10, p.y - 9}, point{p.x + 10, p.y - 9}, point{p.x, p.y + 9})
			c.paint(with)
		}
		if row[i] >= 0 {
			c.text(texts[i], from[i], plotTop-24-30*float64(row[i]), left, c.normal, with)
		}
	}
}

// days writes the time axis: hours of a day, days, or months.
func (c *canvas) days(x scale, first, last time.Time, zone *time.Location) {
	span := last.Sub(first)
	next, layout := func(t time.Time) time.Time { return t.Add(time.Hour) }, "15:04"
	start := first.In(zone).Truncate(time.Hour)
	switch {
	case span > 150*24*time.Hour:
		months := 1 + int(span.Hours()/24/30/8)
		y, m, _ := first.In(zone).Date()
		start, layout = time.Date(y, m, 1, 0, 0, 0, 0, zone), "Jan 2006"
		next = func(t time.Time) time.Time { return t.AddDate(0, months, 0) }
	case span > 36*time.Hour:
		n := 1 + int(span.Hours()/24/8)
		y, m, d := first.In(zone).Date()
		start, layout = time.Date(y, m, d, 0, 0, 0, 0, zone), "2 Jan"
		next = func(t time.Time) time.Time { return t.AddDate(0, 0, n) }
	case span > 8*time.Hour:
		n := time.Duration(1 + int(span.Hours()/8))
		next = func(t time.Time) time.Time { return t.Add(n * time.Hour) }
	}
	end := 0.0
	for t := start; !t.After(last); t = next(t) {
		p := x.at(float64(t.Unix()) / 86400)
		if p < plotLeft {
			continue
		}
		c.segment(point{p, plotBottom}, point{p, plotBottom + 10}, 2)
		c.paint(soft)
		s := t.Format(layout)
		w := c.width(s, c.normal)
		if from := p - w/2; from > end+16 && from+w < pictureWidth {
			c.text(s, from, plotBottom+38, left, c.normal, soft)
			end = from + w
		}
	}
	c.segment(point{plotLeft, plotBottom}, point{plotRight, plotBottom}, 2)
	c.paint(soft)
}

// middles returns the median of the dots in each of up to 60 equal parts, so
// that the line shows the course and not the scatter.
func middles(dots []point) []point {
	if len(dots) == 0 {
		return nil
	}
	parts := min(60, max(1, len(dots)/4))
	from, to := dots[0].x, dots[len(dots)-1].x+1
	in := make([][]point, parts)
	for _, p := range dots {
		i := min(max(int(float64(parts)*(p.x-from)/(to-from)), 0), parts-1)
		in[i] = append(in[i], p)
	}
	var out []point
	for _, part := range in {
		if len(part) == 0 {
			continue
		}
		sum := 0.0
		for _, p := range part {
			sum += p.x
		}
		slices.SortFunc(part, func(a, b point) int { return compare(a.y, b.y) })
		mid := (part[(len(part)-1)/2].y + part[len(part)/2].y) / 2
		out = append(out, point{sum / float64(len(part)), mid})
	}
	return out
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// reach returns the least and greatest of the finite values but for the
// farthest one in a hundred at either end, 0 and 0 where there are none.
func reach(lists ...[]float64) (low, high float64) {
	var all []float64
	for _, l := range lists {
		for _, v := range l {
			if drawn(v) {
				all = append(all, v)
			}
		}
	}
	if len(all) == 0 {
		return 0, 0
	}
	slices.Sort(all)
	cut := len(all) / 100
	return all[cut], all[len(all)-1-cut]
}

// PNG draws the throw over the band of its past, 1280 by 620 dots for a width of 640.
func (t *Trace) PNG() ([]byte, error) {
	n := len(t.PastTimes)
	if len(t.Times) != len(t.Values) || len(t.Times) == 0 {
		return nil, fmt.Errorf("trace: expected as many times as values, found %d and %d", len(t.Times), len(t.Values))
	}
	if len(t.Low) != n || len(t.Mid) != n || len(t.High) != n {
		return nil, fmt.Errorf("trace: expected %d values of low, middle and high each, found %d, %d, %d", n, len(t.Low), len(t.Mid), len(t.High))
	}
	c, err := newCanvas()
	if err != nil {
		return nil, err
	}
	first, last := t.Times[0], t.Times[len(t.Times)-1]
	if n > 0 {
		first, last = min(first, t.PastTimes[0]), max(last, t.PastTimes[n-1])
	}
	if !(last > first) {
		last = first + 1
	}
	x := scale{min(first, 0), last, plotLeft + 4, plotRight - 60}
	low, high := 0.0, 0.0
	for _, l := range [][]float64{t.Values, t.Low, t.High} {
		for _, v := range l {
			if drawn(v) {
				low, high = min(low, v), max(high, v)
			}
		}
	}
	if high == low {
		high = low + 1
	}
	y := scale{low, high + 0.05*(high-low), plotBottom, plotTop}
	c.head(t.Title, strings.TrimSpace(oneLine(t.Quantity, longName)+" in "+oneLine(t.Unit, 8))+", from the moment the drive was switched on")
	c.across(y, steps(y.low, y.high, 5), oneLine(t.Unit, 8), false)
	c.seconds(x)

	var upper, lower, mid []point
	for i, s := range t.PastTimes {
		if !drawn(t.Low[i]) || !drawn(t.High[i]) {
			continue
		}
		lower, upper = append(lower, point{x.at(s), y.at(t.Low[i])}), append(upper, point{x.at(s), y.at(t.High[i])})
		mid = append(mid, point{x.at(s), y.at(t.Mid[i])})
	}
	if len(upper) > 1 {
		slices.Reverse(lower)
		c.shape(append(upper, lower...)...)
		c.paint(wash)
		c.line(mid, 3, blue)
	}
	var now []point
	for i, s := range t.Times {
		now = append(now, point{x.at(s), y.at(t.Values[i])})
	}
	c.line(now, 5, red)

	c.key(t.Throws, len(upper) > 1)
	var texts []string
	var at []float64
	for _, m := range t.Marks {
		if m.At >= x.low && m.At <= x.high {
			texts, at = append(texts, c.fit(oneLine(m.Text, 40), 300, c.normal)), append(at, x.at(m.At))
		}
	}
	from, row := c.rows(texts, at, 1)
	for i := range texts {
		c.dashes(point{at[i], plotTop}, point{at[i], plotBottom}, 3, 5, 7, soft)
		if row[i] >= 0 {
			c.text(texts[i], from[i], plotTop-10, left, c.normal, soft)
		}
	}
	return c.png()
}

// key says what is what, under the heading.
func (c *canvas) key(throws int, past bool) {
	const y = 112.0
	at := margin
	swatch := func(draw func(at float64), s string, with float64) {
		draw(at)
		c.text(s, at+with, y+9, left, c.normal, ink)
		at += with + c.width(s, c.normal) + 44
	}
	swatch(func(at float64) { c.line([]point{{at, y}, {at + 44, y}}, 5, red) }, "this throw", 58)
	if !past {
		c.text("its past is not known yet", at, y+9, left, c.normal, soft)
		return
	}
	s := "its past"
	if throws > 0 {
		s += fmt.Sprintf(", %d throws", throws)
	}
	swatch(func(at float64) {
		c.shape(point{at, y - 12}, point{at + 44, y - 12}, point{at + 44, y + 12}, point{at, y + 12})
		c.paint(wash)
		c.line([]point{{at, y}, {at + 44, y}}, 3, blue)
	}, s+": middle and usual range", 58)
}

// seconds writes the time axis of a trace.
func (c *canvas) seconds(x scale) {
	marks := steps(x.low, x.high, 8)
	decimals := 0
	if len(marks) > 1 && marks[1]-marks[0] < 1 {
		decimals = int(math.Ceil(-math.Log10(marks[1] - marks[0])))
	}
	for _, v := range marks {
		p := x.at(v)
		c.segment(point{p, plotBottom}, point{p, plotBottom + 10}, 2)
		c.paint(soft)
		c.text(strconv.FormatFloat(v, 'f', decimals, 64)+" s", p, plotBottom+38, middle, c.normal, soft)
	}
	c.segment(point{plotLeft, plotBottom}, point{plotRight, plotBottom}, 2)
	c.paint(soft)
}
