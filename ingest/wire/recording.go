package wire

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"throwline/ingest"
)

// Line is one line of a recording.
type Line struct {
	Number int    // from 1, blank lines counted
	Data   []byte // without the line's end; the caller's to keep
}

// RecordingReader reads a recording line by line: UTF-8 NDJSON, plain or in
// gzip or zstd. It holds no more than one line, and needs no closing. It is not
// for concurrent use.
type RecordingReader struct {
	from   *countingReader
	lines  *bufio.Reader
	packed compression
	most   int
	number int
	long   []byte // a line that is longer than the buffer of lines
	err    error  // what ended the recording
}

// NewRecordingReader begins to read r, whose first bytes tell how it is
// packed. The error is one of reading r or of a beginning that is no gzip or
// zstd in spite of its first bytes. A line may have l.Decompressed bytes.
func NewRecordingReader(r io.Reader, l Limits) (*RecordingReader, error) {
	l = l.or(DefaultLimits())
	from := &countingReader{r: r}
	raw := bufio.NewReaderSize(from, 64<<10)
	first, err := raw.Peek(4)
	if err != nil && err != io.EOF {
		return nil, fmt.Errorf("recording: read its first bytes: %w", err)
	}
	rr := &RecordingReader{from: from, packed: packing(first), most: l.Decompressed}
	var unpacked io.Reader = raw
	switch rr.packed {
	case inGzip:
		unpacked, err = gzip.NewReader(raw)
	case inZstd:
		// Without concurrency it starts no goroutines, so there is nothing to close.
		unpacked, err = zstd.NewReader(raw, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(mostWindow))
	default:
		rr.lines = raw
		return rr, nil
	}
	if err != nil {
		return nil, fmt.Errorf("recording: begins like %s: %w", rr.packed, err)
	}
	rr.lines = bufio.NewReaderSize(unpacked, 64<<10)
	return rr, nil
}

// Next returns the next line that is not blank, or io.EOF after the last one.
//
// An error that is an [*ingest.Refusal] concerns one line alone, which is
// longer than the limit: its Number is returned, its Data is nil, and the line
// after it can be read. Every other error ends the recording and says where:
// the reader failed, or a compressed stream is damaged or cut short. All
// whole lines that could be decompressed have been returned by then; zstd gives
// nothing of a block, some 100 kB, that is not whole.
func (r *RecordingReader) Next() (Line, error) {
	for {
		if r.err != nil {
			return Line{}, r.err
		}
		data, err := r.line()
		if r.err != nil {
			return Line{}, r.err
		}
		if err != nil {
			return Line{Number: r.number}, err
		}
		if data != nil {
			return Line{Number: r.number, Data: data}, nil
		}
	}
}

// line returns the next line, or nil for a blank one. What ends the recording
// is kept in r.err.
func (r *RecordingReader) line() ([]byte, error) {
	r.number++
	part, err := r.lines.ReadSlice('\n')
	whole := part
	length := len(part)
	if err == bufio.ErrBufferFull {
		r.long = append(r.long[:0], part...)
		for err == bufio.ErrBufferFull {
			part, err = r.lines.ReadSlice('\n')
			length += len(part)
			if length <= r.most+2 {
				r.long = append(r.long, part...)
			}
		}
		whole = r.long
		if cap(r.long) > mostKept {
			r.long = nil
		}
	}
	switch {
	case err == io.EOF && length == 0:
		r.err = io.EOF
		return nil, nil
	case err != nil && err != io.EOF:
		r.err = r.ended(err)
		return nil, nil
	}
	if length > r.most+2 {
		length -= lineEnd(part) // whole is not, then
	} else {
		length -= lineEnd(whole)
	}
	if length > r.most {
		return nil, &ingest.Refusal{Faults: []ingest.Fault{{
			Expected: fmt.Sprintf("a line of at most %d bytes", r.most),
			Found:    fmt.Sprint(length),
		}}}
	}
	whole = whole[:length]
	if len(bytes.TrimSpace(whole)) == 0 {
		return nil, nil
	}
	return bytes.Clone(whole), nil
}

// lineEnd is how many bytes of a line are its end.
func lineEnd(line []byte) int {
	switch {
	case bytes.HasSuffix(line, []byte("\r\n")):
		return 2
	case bytes.HasSuffix(line, []byte("\n")):
		return 1
	}
	return 0
}

// ended says where the recording ended before its end.
func (r *RecordingReader) ended(err error) error {
	what := "unreadable"
	switch {
	case r.from.failed != nil:
		err = r.from.failed
	case endOfFile(err):
		what = fmt.Sprintf("its %s is cut short", r.packed)
		err = io.ErrUnexpectedEOF
	case r.packed != plain:
		what = fmt.Sprintf("its %s is damaged", r.packed)
	}
	return fmt.Errorf("recording: line %d: %s, within the first %d bytes of the file: %w", r.number, what, r.from.n, err)
}

// countingReader counts what is read, and keeps the error of the reader below:
// a decompressor may hide it.
type countingReader struct {
	r      io.Reader
	n      int64
	failed error
}

func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	if err != nil && err != io.EOF {
		c.failed = err
	}
	return n, err
}

// RecordingWriter writes a recording. It is not for concurrent use.
type RecordingWriter struct {
	to     io.WriteCloser // the compressor
	buffer *bufio.Writer
	line   []byte
	err    error
}

// NewRecordingWriter begins a recording on w, in gzip where name ends in ".gz",
// in zstd where it ends in ".zst" or ".zstd", else plain.
func NewRecordingWriter(w io.Writer, name string) (*RecordingWriter, error) {
	rw := &RecordingWriter{}
	switch name = strings.ToLower(name); {
	case strings.HasSuffix(name, ".gz"):
		rw.to = gzip.NewWriter(w)
	case strings.HasSuffix(name, ".zst"), strings.HasSuffix(name, ".zstd"):
		z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1))
		if err != nil {
			return nil, fmt.Errorf("recording %s: %w", name, err)
		}
		rw.to = z
	default:
		rw.to = asIs{w}
	}
	rw.buffer = bufio.NewWriterSize(rw.to, 64<<10)
	return rw, nil
}

// asIs is the compressor of what is not compressed.
type asIs struct{ io.Writer }

func (asIs) Close() error { return nil }

// Write appends a as a line. After an error of the writer below, every Write
// returns it.
func (w *RecordingWriter) Write(a ingest.Arrival) error {
	if w.err != nil {
		return w.err
	}
	if a.Throw == nil && a.Work == nil && a.State == nil && a.Conditions == nil {
		return errors.New("recording: an arrival of a throw, of work, of a state or of conditions expected, found none")
	}
	w.line = append(AppendArrival(w.line[:0], a), '\n')
	if _, err := w.buffer.Write(w.line); err != nil {
		w.err = fmt.Errorf("recording: write: %w", err)
	}
	return w.err
}

// Close writes what is left and the end of the compressed stream. It does not
// close the writer below.
func (w *RecordingWriter) Close() error {
	if w.err != nil {
		return w.err
	}
	if err := errors.Join(w.buffer.Flush(), w.to.Close()); err != nil {
		w.err = fmt.Errorf("recording: end: %w", err)
		return w.err
	}
	w.err = errors.New("recording: already closed")
	return nil
}
