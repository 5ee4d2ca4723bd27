package faults

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"
)

var whySync = regexp.MustCompile(`the disk failed; look at the machine's own log|input/output error`)

// The disk refuses to sync, at a random moment, once or from then on: the program
// ends by itself, with a status that is not 0 and the reason, promises nothing
// more, and after its next start everything is there that it promised before.
func TestSyncFails(t *testing.T) {
	t.Parallel() // they mostly wait
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("strace is not installed")
		}
		t.Skip("strace is not installed")
	}
	cycles := count("THROWLINE_SYNC_FAULTS", 2)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	b := newBench(t, filepath.Join(t.TempDir(), "data"))
	b.load(2 * time.Millisecond)
	atStart, failed := 0, false // while it ran
	for cycle := range cycles {
		b.start()
		b.await("a program that is ready", b.ready)
		// One that never got as far as to open the store leaves it as it was.
		if got := b.metric("throwline_unclean_start"); cycle == 0 && got != 0 || failed && got != 1 {
			t.Errorf("cycle %d: found throwline_unclean_start %v", cycle, got)
		}
		before := b.promised()
		b.await("receipts", func() bool { return b.promised() > before+50 })
		b.end()
		// strace counts for each thread by itself; Go lends its calls to several.
		n := 8 + rng.IntN(50)
		if cycle%4 == 2 {
			n = 1 + rng.IntN(8) // while it starts, mostly
		}
		when := fmt.Sprint(n)
		if cycle%2 == 1 {
			when += "+"
		}
		b.start(strace, "-f", "-qq", "--seccomp-bpf", "-o", filepath.Join(t.TempDir(), "trace"), "-e", "trace=fsync,fdatasync", "-e", "inject=fsync,fdatasync:error=EIO:when="+when)
		code := b.ended()
		if code == 0 || !whySync.MatchString(b.out.String()) {
			t.Fatalf("cycle %d, sync %s: expected an exit that is not 0 and the reason, found exit %d", cycle, when, code)
		}
		if failed = addressRE.MatchString(b.out.String()); !failed {
			atStart++
		}
		promised := b.promised()
		if n := b.stored(); n < promised {
			t.Fatalf("cycle %d, sync %s: %d throws were promised, %d are stored", cycle, when, promised, n)
		}
	}
	b.start()
	b.await("a program that is ready", b.ready)
	b.settle()
	t.Logf("%d failed syncs, %d of them while it started; %d throws, 0 lost", cycles, atStart, b.sent.Load())
}
