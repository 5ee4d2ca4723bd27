package notify

import (
	"bytes"
	"flag"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"throwline/detect"
)

// With -pictures DIR the pictures are written there, to be looked at.
var picturesTo = flag.String("pictures", "", "folder for the pictures")

func aTrend() *Trend {
	rng := rand.New(rand.NewPCG(1, 2))
	t := &Trend{Title: "W12 to reverse: effort of the travel", Limit: 45}
	begin := noon.AddDate(0, 0, -42)
	for i := range 42 * 9 {
		at := begin.Add(time.Duration(i) * 160 * time.Minute)
		d := at.Sub(begin).Hours() / 24
		v := 2.2 * rng.NormFloat64()
		if d > 22 {
			v += 31 * math.Pow((d-22)/20, 1.6)
		}
		t.Times, t.Change = append(t.Times, at), append(t.Change, v)
	}
	t.Change[70] = math.NaN()
	t.Marks = []Mark{
		{At: begin.AddDate(0, 0, 9), Text: "lubricated"},
		{At: begin.AddDate(0, 0, 12), Text: "inspected"},
		{At: noon.Add(-36 * time.Hour), Text: "raised 27 Feb 00:00", Alert: true},
	}
	return t
}

func aTrace() *Trace {
	course := func(s, stiff, slow float64) float64 {
		u := s / (3.6 * slow)
		switch {
		case u < 0.02:
			return 7.5 * u / 0.02
		case u < 0.08:
			return 7.5 - 5.2*(u-0.02)/0.06
		case u < 0.18:
			return 2.3 + 0.9*math.Sin(math.Pi*(u-0.08)/0.1)
		case u < 0.82:
			return 2.3*stiff + 0.08*math.Sin(60*u)
		case u < 0.94:
			return 2.3*stiff + 1.4*math.Sin(math.Pi*(u-0.82)/0.12)
		case u < 1:
			return 2.3 * (1 - u) / 0.06
		}
		return 0.02
	}
	t := &Trace{Title: "W12 to reverse, 1 Mar 2026 11:52", Quantity: "motor current", Unit: "A", Marks: []Moment{{0.3, "unlocking"}, {0.75, "travel"}, {3.2, "locking"}}}
	for s := 0.0; s < 4.1; s += 0.02 {
		t.Times, t.Values = append(t.Times, s), append(t.Values, course(s, 1.34, 1.06))
	}
	p := detect.Profile{Throws: 412, Duration: 3.6}
	for i := range detect.ProfileLen {
		m := course((float64(i)+0.5)/detect.ProfileLen*3.6, 1, 1)
		p.Low[i], p.Mid[i], p.High[i] = float32(0.93*m-0.05), float32(m), float32(1.08*m+0.06)
	}
	t.SetPast(p)
	return t
}

func look(t *testing.T, name string, b []byte, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if *picturesTo != "" {
		if err := os.WriteFile(filepath.Join(*picturesTo, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if len(b) > 60<<10 || img.Bounds().Dx() != pictureWidth {
		t.Errorf("%s: expected under 60 KiB and %d dots wide, found %d bytes and %s", name, pictureWidth, len(b), img.Bounds())
	}
	// Not only paper: red and blue stand in it.
	has := map[[3]uint8]int{}
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			r, g, b, _ := img.At(x, y).RGBA()
			has[[3]uint8{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)}]++
		}
	}
	t.Logf("%s: %d bytes", name, len(b))
	if has[[3]uint8{blue.R, blue.G, blue.B}] < 300 || has[[3]uint8{red.R, red.G, red.B}] < 300 {
		t.Errorf("%s: expected lines in blue and red, found %d and %d dots of them", name, has[[3]uint8{blue.R, blue.G, blue.B}], has[[3]uint8{red.R, red.G, red.B}])
	}
}

func TestPictures(t *testing.T) {
	b, err := aTrend().PNG()
	look(t, "trend.png", b, err)
	b, err = aTrace().PNG()
	look(t, "trace.png", b, err)
	far := aTrend()
	far.Limit = 200
	for i := range far.Times { // half a year, and marks that crowd
		far.Times[i] = noon.Add(-time.Duration(len(far.Times)-i) * 12 * time.Hour)
	}
	for i := range 6 {
		far.Marks = append(far.Marks, Mark{At: noon.AddDate(0, 0, -20-2*i), Text: "adjusted, and more words than anybody needs here"})
	}
	b, err = far.PNG()
	look(t, "far.png", b, err)
}

// Whatever is missing, a picture comes out, or an error; and never a panic.
func TestPicturesOfLittle(t *testing.T) {
	nan := math.NaN()
	for name, p := range map[string]interface{ PNG() ([]byte, error) }{
		"one point":  &Trend{Times: []time.Time{noon}, Change: []float64{3}},
		"no value":   &Trend{Times: []time.Time{noon, noon.Add(time.Minute)}, Change: []float64{nan, math.Inf(1)}},
		"years":      &Trend{Times: []time.Time{noon.AddDate(-9, 0, 0), noon}, Change: []float64{0, 1e9}},
		"no past":    &Trace{Times: []float64{0, 1}, Values: []float64{math.Inf(1), nan}, Unit: "W"},
		"bad past":   &Trace{Times: []float64{0, 1}, Values: []float64{0, 1}, PastTimes: []float64{0, 1}, Low: []float64{0, nan}, Mid: []float64{nan, nan}, High: []float64{math.Inf(1), 0}},
		"one sample": &Trace{Times: []float64{0}, Values: []float64{0}},
		"tiny":       &Trace{Times: []float64{0, 1e-3}, Values: []float64{1e-9, -1e-9}, Unit: "kN"},
	} {
		if b, err := p.PNG(); err != nil || len(b) == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := new(Trend).PNG(); err == nil {
		t.Error("expected a trend of nothing to be refused")
	}
	if _, err := (&Trace{Times: []float64{0}, Values: []float64{0}, PastTimes: []float64{1}}).PNG(); err == nil {
		t.Error("expected a past of one length to be refused")
	}
}
