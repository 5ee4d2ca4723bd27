package store

import (
	"strings"
	"testing"
)

// What SQLite wrote is found whole, page by page; a page that is anything at all
// is read without harm, and no entry reaches beyond it.
func FuzzPage(f *testing.F) {
	file := full(f)[theStore]
	read := func(b []byte) pages {
		return func(n uint32) ([]byte, error) {
			if n == 0 || int(n)*pageSize > len(b) {
				return nil, nil
			}
			return b[int(n-1)*pageSize : int(n)*pageSize], nil
		}
	}
	for n := uint32(1); int(n)*pageSize <= len(file); n++ {
		if flaw, err := checkPage(n, read(file)); flaw != "" || err != nil {
			f.Errorf("page %d: %s, %v", n, flaw, err)
		}
		b, _ := read(file)(n)
		f.Add(n, b[:512])
		f.Add(n, b[pageSize-512:])
	}
	f.Fuzz(func(t *testing.T, number uint32, b []byte) {
		if len(b) < 512 {
			return
		}
		b = b[:512] // the least that there is
		p := readBtree(number, b)
		for _, c := range p.cells {
			if c.at < 0 || c.to > len(b) || c.at >= c.to || len(c.local) > c.total {
				t.Fatalf("an entry from %d to %d, with %d of %d bytes", c.at, c.to, len(c.local), c.total)
			}
			whole, err := c.whole(func(uint32) ([]byte, error) { return nil, nil })
			if err != nil {
				t.Fatal(err)
			}
			readRecord(whole)
		}
		readRecord(b)
		if _, err := checkPage(number%8, func(uint32) ([]byte, error) { return b, nil }); err != nil {
			t.Fatal(err)
		}
	})
}

// Every way in which a page can be other than SQLite writes it has its word.
func TestPageFlaws(t *testing.T) {
	leaf := func() []byte {
		b := make([]byte, 512)
		copy(b, []byte{tableLeaf, 0, 0, 0, 2, 500 >> 8, 500 & 255, 0, 506 >> 8, 506 & 255, 500 >> 8, 500 & 255})
		copy(b[500:], []byte{4, 2, 0, 0, 0, 0, 4, 1, 0, 0, 0, 0})
		b[8], b[9], b[10], b[11] = 506>>8, 506&255, 500>>8, 500&255
		return b
	}
	for want, do := range map[string]func(b []byte){
		"":                    func([]byte) {},
		"found kind 7":        func(b []byte) { b[0] = 7 },
		"do not fit":          func(b []byte) { b[3] = 9 },
		"lies outside":        func(b []byte) { b[10] = 0 },
		"is out of order":     func(b []byte) { b[501] = 1 },
		"cannot be read":      func(b []byte) { b[506] = 100 },
		"list of free places": func(b []byte) { b[1] = 255 },
		"take the same place": func(b []byte) { b[500] = 6 },
		"that nothing takes":  func(b []byte) { b[7] = 3 },
	} {
		b := leaf()
		do(b)
		if p := readBtree(2, b); want == "" && (p.flaw != "" || len(p.cells) != 2) || !strings.Contains(p.flaw, want) {
			t.Errorf("expected %q, found %q, %d entries", want, p.flaw, len(p.cells))
		}
	}
}
