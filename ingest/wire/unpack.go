package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// compression is how a payload or a recording is packed.
type compression uint8

const (
	plain compression = iota
	inGzip
	inZstd
)

func (c compression) String() string {
	return [...]string{"plain bytes", "gzip", "zstd"}[c]
}

// packing tells a compression from the first bytes: RFC 1952 section 2.3.1,
// RFC 8878 section 3.1.1.
func packing(b []byte) compression {
	switch {
	case len(b) >= 2 && string(b[:2]) == "\x1f\x8b":
		return inGzip
	case len(b) >= 4 && string(b[:4]) == "\x28\xb5\x2f\xfd":
		return inZstd
	}
	return plain
}

const (
	// leastWindow is what every zstd reader should be able to hold (RFC 8878,
	// section 3.1.1.1.2); it is granted even under a lower limit.
	leastWindow = 8 << 20
	// mostWindow is what the zstd tool reads without being asked for more.
	mostWindow = 128 << 20
	// mostKept is the largest buffer kept from one payload to the next.
	mostKept = 1 << 20
)

var errCorrupt = errors.New("data that are corrupt or cut short")

// unpacker decompresses payloads of at most most bytes. Its decompressors are
// made at the first payload that needs them and used again.
type unpacker struct {
	most int
	in   bytes.Reader
	out  []byte
	gz   *gzip.Reader
	zst  *zstd.Decoder
}

// unpack returns payload decompressed, valid until the next call. What is over
// u.most stops the work: then more than u.most bytes are returned, but not
// many more.
func (u *unpacker) unpack(payload []byte) ([]byte, compression, error) {
	if cap(u.out) > mostKept {
		u.out = nil
	}
	c := packing(payload)
	var err error
	switch c {
	case inGzip:
		used := u.gz != nil
		u.out, err = u.gunzip(payload, u.out[:0])
		if err != nil && used {
			// A reader keeps tables of the payloads before, and may word what is
			// corrupt by them. The reason must not depend on those.
			u.gz = nil
			u.out, err = u.gunzip(payload, u.out[:0])
		}
	case inZstd:
		u.out, err = u.unzstd(payload, u.out[:0])
	default:
		return payload, c, nil
	}
	if err != nil {
		if endOfFile(err) {
			err = errors.New("its end in the middle (cut short?)")
		}
		return nil, c, err
	}
	return u.out, c, nil
}

func (u *unpacker) gunzip(payload, out []byte) ([]byte, error) {
	u.in.Reset(payload)
	defer u.in.Reset(nil)
	var err error
	if u.gz == nil {
		u.gz, err = gzip.NewReader(&u.in)
	} else {
		err = u.gz.Reset(&u.in)
	}
	if err != nil {
		u.gz = nil
		return out, err
	}
	for len(out) <= u.most {
		if len(out) == cap(out) {
			out = append(out, make([]byte, max(4096, len(payload), len(out)))...)[:len(out)]
		}
		n, err := u.gz.Read(out[len(out):cap(out)])
		out = out[:len(out)+n]
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
	}
	return out, nil // over the limit; the caller sees it by the length
}

func (u *unpacker) unzstd(payload, out []byte) ([]byte, error) {
	if u.zst == nil {
		most := uint64(max(u.most, leastWindow))
		z, err := zstd.NewReader(nil,
			zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
			zstd.WithDecoderMaxMemory(most), zstd.WithDecoderMaxWindow(max(most, mostWindow)))
		if err != nil {
			return out, fmt.Errorf("zstd: %w", err)
		}
		u.zst = z
	}
	out, err := u.zst.DecodeAll(payload, out)
	if errors.Is(err, zstd.ErrDecoderSizeExceeded) {
		return append(out, make([]byte, max(0, u.most+1-len(out)))...), nil
	}
	if err != nil && !errors.Is(err, zstd.ErrWindowSizeExceeded) {
		// How the library words it depends on what it has read before.
		err = errCorrupt
	}
	return out, err
}
