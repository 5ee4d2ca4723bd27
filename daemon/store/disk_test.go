package store

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// disk stands between SQLite and the files of one folder: it can fail what is
// asked of it, and keep what was asked, so as to say what a power cut would have
// left. It is the layer below SQLite (its VFS) and passes everything else on to
// SQLite's own; nothing of the store knows of it.
type disk struct {
	mu     sync.Mutex
	dir    string
	fail   func(op diskOp) int32 // the result code; 0: it is done
	record bool
	ops    []diskOp
	marked []byte // the lock file as it was last seen
}

type diskOp struct {
	kind string // open, read, write, truncate, sync, size, delete, access, lock, shm
	file string // in the folder
	off  int64  // of write; the size for truncate
	data []byte // of write
	made bool   // by open
	dir  bool   // sync and delete: the folder's names too
}

var (
	diskMu    sync.Mutex
	disks     = map[string]*disk{} // by folder
	diskOnce  sync.Once
	diskBase  uintptr                   // SQLite's own VFS
	diskFiles = map[uintptr]*diskFile{} // by SQLite's handle
	diskTable = map[uintptr]uintptr{}   // SQLite's own methods, and ours in their place
)

type diskFile struct {
	d       *disk // nil: none of ours
	name    string
	base    *sqlite3.Tsqlite3_io_methods
	syncDir bool // with its first sync
}

func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// outside copies a table to where SQLite's memory is: it may not do sums with
// pointers into Go's.
func outside[T any](tls *libc.TLS, from *T) (uintptr, *T) {
	p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(*from)))
	*at[T](p) = *from
	return p, at[T](p)
}

// call is the C function at a pointer, as transpiled; pointer is the reverse.
func call[F any](p uintptr) F    { return *(*F)(unsafe.Pointer(&p)) }
func pointer[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

type (
	cOpen   = func(*libc.TLS, uintptr, uintptr, uintptr, int32, uintptr) int32
	cDelete = func(*libc.TLS, uintptr, uintptr, int32) int32
	cAccess = func(*libc.TLS, uintptr, uintptr, int32, uintptr) int32
	cClose  = func(*libc.TLS, uintptr) int32
	cBytes  = func(*libc.TLS, uintptr, uintptr, int32, int64) int32
	cLong   = func(*libc.TLS, uintptr, int64) int32
	cInt    = func(*libc.TLS, uintptr, int32) int32
	cOut    = func(*libc.TLS, uintptr, uintptr) int32
	cShmMap = func(*libc.TLS, uintptr, int32, int32, int32, uintptr) int32
)

// newDisk watches a folder until the test ends.
func newDisk(t testing.TB, dir string) *disk {
	diskOnce.Do(func() {
		tls := libc.NewTLS() // never closed: SQLite keeps what is made here
		diskBase = sqlite3.Xsqlite3_vfs_find(tls, 0)
		p, ours := outside(tls, at[sqlite3.Tsqlite3_vfs](diskBase))
		name, err := libc.CString("watched")
		if err != nil {
			t.Fatal(err)
		}
		ours.FzName, ours.FpNext = name, 0
		ours.FxOpen, ours.FxDelete, ours.FxAccess = pointer[cOpen](diskOpen), pointer[cDelete](diskDelete), pointer[cAccess](diskAccess)
		if rc := sqlite3.Xsqlite3_vfs_register(tls, p, 1); rc != 0 {
			t.Fatalf("register: %d", rc)
		}
	})
	d := &disk{dir: dir}
	diskMu.Lock()
	defer diskMu.Unlock()
	disks[dir] = d
	t.Cleanup(func() {
		diskMu.Lock()
		defer diskMu.Unlock()
		delete(disks, dir)
	})
	return d
}

func diskOf(path string) *disk {
	diskMu.Lock()
	defer diskMu.Unlock()
	return disks[filepath.Dir(path)]
}

func fileOf(p uintptr) *diskFile {
	diskMu.Lock()
	defer diskMu.Unlock()
	return diskFiles[p]
}

// do asks whether an operation may be done, and keeps it when it was.
func (d *disk) do(op diskOp, done func() int32) int32 {
	if d == nil {
		return done()
	}
	d.mu.Lock()
	fail := d.fail
	d.mu.Unlock()
	if fail != nil {
		if rc := fail(op); rc != 0 {
			return rc
		}
	}
	rc := done()
	if rc == 0 {
		d.mu.Lock()
		if d.record {
			d.see()
			d.ops = append(d.ops, op)
		}
		d.mu.Unlock()
	}
	return rc
}

// see keeps what the store wrote past SQLite: how it would be found. That is
// synced when it is written, and the folder before the word that a log is there.
// The caller holds mu.
func (d *disk) see() {
	if b, err := os.ReadFile(filepath.Join(d.dir, theStore+".lock")); err == nil && !bytes.Equal(b, d.marked) {
		d.marked = b
		d.ops = append(d.ops, diskOp{kind: "mark", file: theStore + ".lock", data: b, dir: bytes.HasPrefix(b, []byte(markOpen+" "))})
	}
}

// taken returns what was kept, and goes on keeping.
func (d *disk) taken() []diskOp {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.see()
	return d.ops
}

const theStore = "throwline.db"

func diskOpen(tls *libc.TLS, _, zName, pFile uintptr, flags int32, pOut uintptr) int32 {
	f := &diskFile{}
	if zName != 0 {
		path := libc.GoString(zName)
		f.d, f.name = diskOf(path), filepath.Base(path)
	}
	base := func() int32 {
		rc := call[cOpen](at[sqlite3.Tsqlite3_vfs](diskBase).FxOpen)(tls, diskBase, zName, pFile, flags, pOut)
		methods := at[uintptr](pFile)
		if rc != 0 || *methods == 0 || f.d == nil {
			return rc
		}
		diskMu.Lock()
		defer diskMu.Unlock()
		f.base = at[sqlite3.Tsqlite3_io_methods](*methods)
		ours := diskTable[*methods]
		if ours == 0 {
			p, c := outside(tls, f.base)
			c.FxClose, c.FxRead, c.FxWrite, c.FxTruncate = pointer[cClose](diskClose), pointer[cBytes](diskRead), pointer[cBytes](diskWrite), pointer[cLong](diskTruncate)
			c.FxSync, c.FxFileSize, c.FxLock, c.FxShmMap = pointer[cInt](diskSync), pointer[cOut](diskSize), pointer[cInt](diskLock), pointer[cShmMap](diskShmMap)
			ours = p
			diskTable[*methods] = p
		}
		diskFiles[pFile] = f
		*methods = ours
		return 0
	}
	if f.d == nil {
		return base()
	}
	op := diskOp{kind: "open", file: f.name}
	if flags&sqlite3.SQLITE_OPEN_CREATE != 0 {
		_, err := os.Stat(filepath.Join(f.d.dir, f.name))
		op.made = err != nil
	}
	// As SQLite's own does: the names of a new log or journal go with its first sync.
	f.syncDir = op.made && flags&(sqlite3.SQLITE_OPEN_WAL|sqlite3.SQLITE_OPEN_MAIN_JOURNAL) != 0
	return f.d.do(op, base)
}

func diskDelete(tls *libc.TLS, _, zName uintptr, syncDir int32) int32 {
	path := libc.GoString(zName)
	d := diskOf(path)
	return d.do(diskOp{kind: "delete", file: filepath.Base(path), dir: syncDir != 0}, func() int32 {
		return call[cDelete](at[sqlite3.Tsqlite3_vfs](diskBase).FxDelete)(tls, diskBase, zName, syncDir)
	})
}

func diskAccess(tls *libc.TLS, _, zName uintptr, flags int32, pOut uintptr) int32 {
	path := libc.GoString(zName)
	return diskOf(path).do(diskOp{kind: "access", file: filepath.Base(path)}, func() int32 {
		return call[cAccess](at[sqlite3.Tsqlite3_vfs](diskBase).FxAccess)(tls, diskBase, zName, flags, pOut)
	})
}

func diskClose(tls *libc.TLS, p uintptr) int32 {
	f := fileOf(p)
	diskMu.Lock()
	delete(diskFiles, p)
	diskMu.Unlock()
	return call[cClose](f.base.FxClose)(tls, p)
}

func diskRead(tls *libc.TLS, p, buf uintptr, n int32, off int64) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "read", file: f.name}, func() int32 { return call[cBytes](f.base.FxRead)(tls, p, buf, n, off) })
}

func diskWrite(tls *libc.TLS, p, buf uintptr, n int32, off int64) int32 {
	f := fileOf(p)
	op := diskOp{kind: "write", file: f.name, off: off}
	if f.d.record {
		op.data = bytes.Clone(unsafe.Slice(at[byte](buf), n))
	}
	rc := f.d.do(op, func() int32 { return call[cBytes](f.base.FxWrite)(tls, p, buf, n, off) })
	if rc != 0 && n > 1 { // what fails may be half done
		call[cBytes](f.base.FxWrite)(tls, p, buf, n/2, off)
	}
	return rc
}

func diskTruncate(tls *libc.TLS, p uintptr, size int64) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "truncate", file: f.name, off: size}, func() int32 { return call[cLong](f.base.FxTruncate)(tls, p, size) })
}

func diskSync(tls *libc.TLS, p uintptr, flags int32) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "sync", file: f.name, dir: f.syncDir}, func() int32 {
		f.syncDir = false
		return call[cInt](f.base.FxSync)(tls, p, flags)
	})
}

func diskSize(tls *libc.TLS, p, out uintptr) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "size", file: f.name}, func() int32 { return call[cOut](f.base.FxFileSize)(tls, p, out) })
}

func diskLock(tls *libc.TLS, p uintptr, level int32) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "lock", file: f.name}, func() int32 { return call[cInt](f.base.FxLock)(tls, p, level) })
}

func diskShmMap(tls *libc.TLS, p uintptr, region, size, extend int32, out uintptr) int32 {
	f := fileOf(p)
	return f.d.do(diskOp{kind: "shm", file: f.name}, func() int32 {
		return call[cShmMap](f.base.FxShmMap)(tls, p, region, size, extend, out)
	})
}

// platter is what a disk holds: what was synced, and what was only written.
type platter struct {
	files map[string]*platterFile // as a process sees them
	names map[string]*platterFile // as the folder stands on disk
}

type platterFile struct {
	seen, kept []byte
	wet        []diskOp // not synced yet, in order
}

func newPlatter() *platter {
	return &platter{map[string]*platterFile{}, map[string]*platterFile{}}
}

func (f *platterFile) change(b []byte, op *diskOp) []byte {
	end := op.off
	if op.kind == "write" {
		end += int64(len(op.data))
	}
	if op.kind == "truncate" && int64(len(b)) > end {
		return b[:end]
	}
	if n := end - int64(len(b)); n > 0 {
		b = append(b, make([]byte, n)...)
	}
	copy(b[op.off:], op.data)
	return b
}

func (p *platter) do(op *diskOp) {
	f := p.files[op.file]
	if f == nil && (op.kind == "write" || op.kind == "mark" || op.made) {
		f = &platterFile{}
		p.files[op.file] = f
	}
	switch op.kind {
	case "write", "truncate":
		f.seen = f.change(f.seen, op)
		f.wet = append(f.wet, *op)
	case "sync":
		for i := range f.wet {
			f.kept = f.change(f.kept, &f.wet[i])
		}
		f.wet = nil
		if op.dir {
			p.names = maps.Clone(p.files)
		}
	case "delete":
		delete(p.files, op.file)
		if op.dir {
			p.names = maps.Clone(p.files)
		}
	case "mark":
		f.seen, f.kept = op.data, op.data
		p.names[op.file] = f
		if op.dir {
			p.names = maps.Clone(p.files)
		}
	}
}

const sector = 512

// cut writes to dir what a power cut could have left: of the names, those on
// disk or those seen; of each file what was synced, and of what was not a random
// part of its sectors.
func (p *platter) cut(t testing.TB, dir string, rng *rand.Rand) {
	names := map[string]*platterFile{}
	for name := range unionOf(p.names, p.files) {
		from := p.names
		if rng.IntN(2) == 0 {
			from = p.files
		}
		if f := from[name]; f != nil {
			names[name] = f
		}
	}
	for name, f := range names {
		b := bytes.Clone(f.kept)
		// All, none, up to one of them, or some here and there.
		how, upTo := rng.IntN(5), rng.IntN(len(f.wet)+1)
		for i := range f.wet {
			op := f.wet[i]
			if how == 0 || how == 1 && i >= upTo || how == 2 && rng.IntN(2) == 0 {
				continue
			}
			if op.kind == "truncate" || how != 3 {
				b = f.change(b, &op)
				continue
			}
			for off := 0; off < len(op.data); off += sector { // torn
				if rng.IntN(3) > 0 {
					b = f.change(b, &diskOp{kind: "write", off: op.off + int64(off), data: op.data[off:min(off+sector, len(op.data))]})
				}
			}
		}
		write(t, filepath.Join(dir, name), b)
	}
}

func unionOf[V any](a, b map[string]V) map[string]struct{} {
	all := map[string]struct{}{}
	for _, m := range []map[string]V{a, b} {
		for k := range m {
			all[k] = struct{}{}
		}
	}
	return all
}

// killed writes to dir what the next process sees if this one is killed, and
// returns the platter on which it goes on.
func (p *platter) killed(t testing.TB, dir string) *platter {
	for name, f := range p.files {
		write(t, filepath.Join(dir, name), f.seen)
	}
	return p.clone()
}

func (p *platter) clone() *platter {
	c := newPlatter()
	twin := map[*platterFile]*platterFile{}
	for _, m := range []struct{ from, to map[string]*platterFile }{{p.files, c.files}, {p.names, c.names}} {
		for name, f := range m.from {
			if twin[f] == nil {
				twin[f] = &platterFile{bytes.Clone(f.seen), bytes.Clone(f.kept), slices.Clone(f.wet)}
			}
			m.to[name] = twin[f]
		}
	}
	return c
}

// quickDir is a folder where syncing costs nothing, if there is one: what a
// power cut leaves is worked out, not tried.
func quickDir(t testing.TB) string {
	dir, err := os.MkdirTemp("/dev/shm", "throwline-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func write(t testing.TB, name string, b []byte) {
	t.Helper()
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func (op diskOp) String() string {
	return strings.TrimSpace(fmt.Sprintf("%s %s", op.kind, op.file))
}
