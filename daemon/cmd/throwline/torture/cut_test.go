package torture

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// cable is a network of one cable between us and a namespace of its own.
type cable struct {
	t            *testing.T
	here         string // our end
	space        string
	near, remote string // addresses
}

// sbin is where a program is that a user's path may not lead to.
func sbin(name string) string {
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	return "/usr/sbin/" + name
}

func ip(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command(sbin("ip"), args...).CombinedOutput(); err != nil {
		t.Fatalf("ip %q: %v\n%s", args, err, out)
	}
}

// lay lays cable number n to the namespace.
func lay(t *testing.T, space string, n int) *cable {
	t.Helper()
	pid := os.Getpid()
	c := &cable{
		t: t, space: space, here: fmt.Sprintf("tl%d-%dh", pid%1_000_000, n),
		near: fmt.Sprintf("10.%d.%d.%d", 200+n, pid/256%256, 1), remote: fmt.Sprintf("10.%d.%d.%d", 200+n, pid/256%256, 2),
	}
	there := fmt.Sprintf("tl%d-%dt", pid%1_000_000, n)
	ip(t, "link", "add", c.here, "type", "veth", "peer", "name", there, "netns", space)
	t.Cleanup(func() { _ = exec.Command(sbin("ip"), "link", "del", c.here).Run() }) // gone with the namespace, mostly
	ip(t, "addr", "add", c.near+"/30", "dev", c.here)
	ip(t, "link", "set", c.here, "up")
	ip(t, "-n", space, "addr", "add", c.remote+"/30", "dev", there)
	ip(t, "-n", space, "link", "set", there, "up")
	return c
}

// unplug takes the cable out: both ends know.
func (c *cable) unplug() { ip(c.t, "link", "set", c.here, "down") }

func (c *cable) plug() { ip(c.t, "link", "set", c.here, "up") }

// lose loses all that we send, and nobody is told; what comes is heard.
func (c *cable) lose() {
	ip(c.t, "neigh", "replace", c.remote, "lladdr", "02:00:00:00:00:99", "dev", c.here, "nud", "permanent")
}

func (c *cable) find() { ip(c.t, "neigh", "del", c.remote, "dev", c.here) }

// The cables of the program and of a cabinet to the broker are taken out, or
// lose what is sent without a word: half a connection stands. Nothing promised
// is lost, and all of it arrives.
//
//	STILL=long go test ./daemon/cmd/throwline/torture -run CutOff -timeout 1h -v
//
// In short the cuts are over before a ping is missed.
func TestCutOff(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		t.Skip("namespaces of the network are root's to make")
	}
	if _, err := os.Stat(sbin("ip")); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("iproute2 is not installed; deploy/deps.sh installs it")
		}
		t.Skip("iproute2 is not installed; deploy/deps.sh installs it")
	}
	space := fmt.Sprintf("throwline-%d", os.Getpid())
	if out, err := exec.Command(sbin("ip"), "netns", "add", space).CombinedOutput(); err != nil {
		t.Skipf("no namespaces may be made here: %v %s", err, out)
	}
	t.Cleanup(func() { _ = exec.Command(sbin("ip"), "netns", "del", space).Run() })
	ip(t, "-n", space, "link", "set", "lo", "up")
	cables := map[string]*cable{"program": lay(t, space, 1), "cabinet": lay(t, space, 2)}
	far := startFar(t, space)
	address := func(who string) string { return "tcp://" + net.JoinHostPort(cables[who].remote, far) }
	b := benchWith(t, address("program"), "")
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", address("cabinet"))}
	// Its own way to the broker is that of the program: the promises are those that left it.
	heard := listen(t, address("program"), "TOLB-1")
	found := &shelf{b: b, known: map[int]bool{}}
	stopped := make(chan struct{})
	var loading sync.WaitGroup
	loading.Go(func() {
		l.send(t.Context(), t, 3*time.Millisecond, func(n int) bool {
			select {
			case <-stopped:
				return n%lotSize != 0 || n == 0
			default:
				return true
			}
		})
	})
	long := os.Getenv("STILL") != ""
	for _, who := range []string{"program", "cabinet"} {
		c := cables[who]
		for _, how := range []struct {
			name      string
			cut, mend func()
		}{{"unplugged", c.unplug, c.plug}, {"losing", c.lose, c.find}} {
			b.await("throws that are filed", func() bool { return b.number("SELECT count(*) FROM throws") > len(found.order) })
			how.cut()
			began := time.Now()
			switch {
			case !long:
				time.Sleep(500 * time.Millisecond)
			case who == "program":
				b.await("a program that notices", func() bool { return !b.ready() })
			default:
				b.await("a cabinet that notices", func() bool { return !l.cab.Connected() })
			}
			if long {
				t.Logf("%s, %s: noticed after %s", who, how.name, time.Since(began).Round(time.Second))
			}
			found.look(heard.made(), int(l.sent.Load()))
			how.mend()
			b.awaitReady()
			b.await("a cabinet that is connected", l.cab.Connected)
		}
	}
	close(stopped)
	loading.Wait()
	b.settle(l.cab)
	b.end(syscall.SIGTERM)
	found.look(func(uint64) bool { return true }, int(l.sent.Load()))
	t.Log(contents(b.whole(l, found)))
}

// startFar starts a broker in the namespace and returns its port.
func startFar(t *testing.T, space string) (port string) {
	t.Helper()
	dir := t.TempDir()
	port = "18830" // the namespace is the test's own
	conf := filepath.Join(dir, "mosquitto.conf")
	if err := os.WriteFile(conf, []byte("listener "+port+" 0.0.0.0\npersistence true\npersistence_location "+dir+"/\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 100\nuser root\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out said
	cmd := exec.Command(sbin("ip"), "netns", "exec", space, sbin("mosquitto"), "-c", conf)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(out.String())
		}
	})
	return port
}
