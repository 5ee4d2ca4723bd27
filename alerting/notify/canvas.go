package notify

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"slices"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Pictures are twice as wide as a mail shows them, for screens with fine dots.
const (
	pictureWidth  = 1280
	pictureHeight = 620
	textSize      = 25.0
	titleSize     = 30.0
)

// Blue is the past, red what differs from it; on white.
var (
	white = color.RGBA{0xff, 0xff, 0xff, 0xff}
	ink   = color.RGBA{0x1b, 0x24, 0x30, 0xff}
	soft  = color.RGBA{0x54, 0x5e, 0x6b, 0xff}
	hair  = color.RGBA{0xe0, 0xdf, 0xd8, 0xff}
	blue  = color.RGBA{0x1d, 0x4f, 0x91, 0xff}
	wash  = color.RGBA{0xdc, 0xe5, 0xf0, 0xff}
	pale  = color.RGBA{0x8f, 0xa9, 0xca, 0xff}
	red   = color.RGBA{0xa6, 0x2b, 0x16, 0xff}
)

// canvas draws with smooth edges. Coordinates are pixels from the top left.
type canvas struct {
	img    *image.RGBA
	fill   vector.Rasterizer
	shapes [][]point // that wait for paint
	normal font.Face
	bold   font.Face
}

// fonts are read once.
var fonts = sync.OnceValues(func() ([2]*opentype.Font, error) {
	a, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return [2]*opentype.Font{}, err
	}
	b, err := opentype.Parse(gobold.TTF)
	return [2]*opentype.Font{a, b}, err
})

func newCanvas() (*canvas, error) {
	f, err := fonts()
	if err != nil {
		return nil, err
	}
	c := &canvas{img: image.NewRGBA(image.Rect(0, 0, pictureWidth, pictureHeight))}
	draw.Draw(c.img, c.img.Bounds(), image.NewUniform(white), image.Point{}, draw.Src)
	if c.normal, err = opentype.NewFace(f[0], &opentype.FaceOptions{Size: textSize, DPI: 72, Hinting: font.HintingNone}); err != nil {
		return nil, err
	}
	c.bold, err = opentype.NewFace(f[1], &opentype.FaceOptions{Size: titleSize, DPI: 72, Hinting: font.HintingNone})
	return c, err
}

type point struct{ x, y float64 }

// shape adds a polygon, always wound the same way, so that overlapping ones unite.
func (c *canvas) shape(p ...point) {
	area := 0.0
	for i := range p {
		q := p[(i+1)%len(p)]
		area += p[i].x*q.y - q.x*p[i].y
	}
	if area < 0 {
		slices.Reverse(p)
	}
	c.shapes = append(c.shapes, p)
}

// paint fills the shapes that were added, and looks at no more of the picture
// than they cover.
func (c *canvas) paint(with color.Color) {
	from, to := point{pictureWidth, pictureHeight}, point{}
	for _, s := range c.shapes {
		for _, p := range s {
			from, to = point{min(from.x, p.x), min(from.y, p.y)}, point{max(to.x, p.x), max(to.y, p.y)}
		}
	}
	box := image.Rect(int(from.x)-1, int(from.y)-1, int(to.x)+2, int(to.y)+2).Intersect(c.img.Bounds())
	if !box.Empty() {
		c.fill.Reset(box.Dx(), box.Dy())
		for _, s := range c.shapes {
			for i, p := range s {
				x, y := float32(p.x-float64(box.Min.X)), float32(p.y-float64(box.Min.Y))
				if i == 0 {
					c.fill.MoveTo(x, y)
				} else {
					c.fill.LineTo(x, y)
				}
			}
			c.fill.ClosePath()
		}
		c.fill.Draw(c.img, box, image.NewUniform(with), image.Point{})
	}
	c.shapes = c.shapes[:0]
}

func (c *canvas) circle(p point, r float64) {
	const n = 20
	var ring [n]point
	for i := range ring {
		a := 2 * math.Pi * float64(i) / n
		ring[i] = point{p.x + r*math.Cos(a), p.y + r*math.Sin(a)}
	}
	c.shape(ring[:]...)
}

// drawn reports whether a value has a place in a picture.
func drawn(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// line draws through the points with round corners; what has no place interrupts it.
func (c *canvas) line(p []point, width float64, with color.Color) {
	for i := range p {
		if !drawn(p[i].y) {
			continue
		}
		c.circle(p[i], width/2)
		if i > 0 && drawn(p[i-1].y) {
			c.segment(p[i-1], p[i], width)
		}
	}
	c.paint(with)
}

func (c *canvas) segment(a, b point, width float64) {
	d := math.Hypot(b.x-a.x, b.y-a.y)
	if d == 0 {
		return
	}
	nx, ny := -(b.y-a.y)/d*width/2, (b.x-a.x)/d*width/2
	c.shape(point{a.x + nx, a.y + ny}, point{b.x + nx, b.y + ny}, point{b.x - nx, b.y - ny}, point{a.x - nx, a.y - ny})
}

// dashes draws a straight line in dashes.
func (c *canvas) dashes(a, b point, width, dash, gap float64, with color.Color) {
	d := math.Hypot(b.x-a.x, b.y-a.y)
	at := func(s float64) point { return point{a.x + (b.x-a.x)*s/d, a.y + (b.y-a.y)*s/d} }
	for s := 0.0; s < d; s += dash + gap {
		c.segment(at(s), at(min(s+dash, d)), width)
	}
	c.paint(with)
}

// Where a text is held.
const (
	left   = 0.0
	middle = 0.5
	right  = 1.0
)

// text writes on the base line y.
func (c *canvas) text(s string, x, y, held float64, face font.Face, with color.Color) {
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(with), Face: face}
	d.Dot = fixed.Point26_6{X: fixed.Int26_6(64 * (x - held*c.width(s, face))), Y: fixed.Int26_6(64 * y)}
	d.DrawString(s)
}

// onPaper writes from x on, over whatever stood there.
func (c *canvas) onPaper(s string, x, y float64, with color.Color) {
	w := c.width(s, c.normal)
	c.shape(point{x - 5, y - 24}, point{x + w + 5, y - 24}, point{x + w + 5, y + 7}, point{x - 5, y + 7})
	c.paint(white)
	c.text(s, x, y, left, c.normal, with)
}

func (c *canvas) width(s string, face font.Face) float64 {
	return float64(font.MeasureString(face, s)) / 64
}

// fit cuts a text to a width.
func (c *canvas) fit(s string, width float64, face font.Face) string {
	if c.width(s, face) <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 1 && c.width(string(r)+"…", face) > width {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// png writes the picture. Few inks make few colours: with a palette of them a
// file is a third as large.
func (c *canvas) png() ([]byte, error) {
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestCompression}
	err := e.Encode(&b, c.reduced())
	return b.Bytes(), err
}

// reduced takes the colours to those between white, hair or wash and the inks.
func (c *canvas) reduced() image.Image {
	var palette color.Palette
	seen := map[color.RGBA]bool{}
	for _, ground := range []color.RGBA{white, wash, hair} {
		for _, top := range []color.RGBA{ink, soft, hair, blue, wash, pale, red} {
			for i := range 13 {
				mix := func(a, b uint8) uint8 { return uint8((int(a)*(12-i) + int(b)*i) / 12) }
				k := color.RGBA{mix(ground.R, top.R), mix(ground.G, top.G), mix(ground.B, top.B), 0xff}
				if !seen[k] && len(palette) < 256 {
					seen[k] = true
					palette = append(palette, k)
				}
			}
		}
	}
	out := image.NewPaletted(c.img.Bounds(), palette)
	nearest := map[color.RGBA]uint8{}
	for y := range pictureHeight {
		for x := range pictureWidth {
			k := c.img.RGBAAt(x, y)
			if k == white {
				continue // the first of the palette
			}
			i, ok := nearest[k]
			if !ok {
				i = uint8(palette.Index(k))
				nearest[k] = i
			}
			out.SetColorIndex(x, y, i)
		}
	}
	return out
}

// scale maps values to pixels along one axis.
type scale struct{ low, high, from, to float64 }

func (s scale) at(v float64) float64 { return s.from + (v-s.low)/(s.high-s.low)*(s.to-s.from) }

// steps returns round numbers from low to high, about n of them.
func steps(low, high float64, n int) []float64 {
	raw := (high - low) / float64(n)
	by := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, k := range []float64{1, 2, 5, 10} {
		if k*by >= raw {
			by *= k
			break
		}
	}
	var out []float64
	for i := math.Ceil(low/by - 1e-9); i*by <= high+1e-9*by; i++ {
		out = append(out, i*by+0) // no -0
	}
	return out
}
