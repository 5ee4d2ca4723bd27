package faults

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The disk fills up under the program, and there is room again. Meanwhile nothing
// is promised, readiness says so, and the process goes on; afterwards it takes
// everything up again by itself.
func TestDiskFull(t *testing.T) {
	t.Parallel() // they mostly wait
	if os.Getuid() != 0 {
		t.Skip("only root can mount a small disk")
	}
	cycles := count("THROWLINE_FULL_DISKS", 2)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 2))
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=160m"); err != nil {
		t.Fatalf("mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	b := newBench(t, dir)
	b.start()
	b.await("a program that is ready", b.ready)
	b.load(2 * time.Millisecond)
	filler := filepath.Join(dir, "filler")
	for cycle := range cycles {
		before := b.promised()
		b.await("receipts", func() bool { return b.promised() > before+50+rng.IntN(200) })
		fill(t, filler)
		b.await("readiness that says what is wrong", func() bool {
			status, body := b.get("/readyz")
			return status == 503 && strings.Contains(body, "the store takes nothing since")
		})
		b.await("the reason in the log", func() bool { return strings.Contains(b.out.String(), "the disk is full; make room") })
		// Receipts of what was committed before may be on their way: then no more.
		published := -1.0
		b.await("receipts to end", func() bool {
			time.Sleep(300 * time.Millisecond)
			now := b.metric("throwline_receipts_published_total")
			still := now == published
			published = now
			return still && now >= 0
		})
		was := b.promised()
		if n := b.stored(); n < b.promised() {
			t.Fatalf("cycle %d: %d throws were promised, %d are stored", cycle, b.promised(), n)
		}
		if waits := b.metric("throwline_in_flight_messages"); waits < 1 {
			t.Errorf("cycle %d: expected messages that wait, found %v", cycle, waits)
		}
		// One that is killed now either starts, with what room the merged log left,
		// and takes nothing, or ends and says why. A supervisor starts it again.
		over := false
		if cycle%3 == 1 {
			if err := b.proc.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			b.ended()
			b.start()
			for end := time.Now().Add(patience); !over && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
				if status, body := b.get("/readyz"); status == 503 && strings.Contains(body, "the store takes nothing since") {
					break
				}
				over = len(b.gone) > 0
			}
			if over {
				b.ended()
			}
			if !strings.Contains(b.out.String(), "the disk is full; make room") {
				t.Errorf("started on a full disk: expected the reason, found\n%s", b.out.String())
			}
		}
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
		if over {
			b.start()
		}
		b.await("a program that is ready again", b.ready)
		b.await("receipts again", func() bool { return b.promised() > was+50 })
	}
	b.settle()
	t.Logf("%d full disks; %d throws, 0 lost", cycles, b.sent.Load())
}

// fill writes until there is no room at all.
func fill(t *testing.T, name string) {
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 20; size > 0; {
		if _, err := f.Write(make([]byte, size)); err != nil {
			size /= 2
		}
	}
}
