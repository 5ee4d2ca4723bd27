// Package mosquittotest runs the Mosquitto of this machine for a test: a real
// broker of the test's own, on loopback and in a folder of the test's.
package mosquittotest

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Server is a Mosquitto. It ends with its test.
type Server struct {
	Dir  string // its files, such as mosquitto.db
	t    testing.TB
	conf string
	port int
	path string
	cmd  *exec.Cmd
	gone chan struct{} // closed when cmd has ended
	out  *output
}

// Start starts a Mosquitto with these lines of configuration beside a listener
// and persistence; without any, everyone may connect. Where Mosquitto is not
// installed the test is skipped, or fails if the environment has CI set.
func Start(t testing.TB, conf string) *Server {
	t.Helper()
	if conf == "" {
		conf = "allow_anonymous true"
	}
	s := newServer(t)
	s.conf = fmt.Sprintf("listener %d 127.0.0.1\npersistence true\npersistence_location %s/\n%s\n", s.port, s.Dir, conf)
	s.Begin()
	return s
}

// StartWith starts a Mosquitto with a whole configuration, which rewrite makes
// for a port and a folder to keep things in.
func StartWith(t testing.TB, rewrite func(port int, dir string) string) *Server {
	t.Helper()
	s := newServer(t)
	s.conf = rewrite(s.port, s.Dir)
	s.Begin()
	return s
}

func newServer(t testing.TB) *Server {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto" // where a user's path does not lead on Debian
		if _, err := os.Stat(path); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal("mosquitto is not installed")
			}
			t.Skip("mosquitto is not installed")
		}
	}
	s := &Server{t: t, Dir: t.TempDir(), port: freePort(t), path: path}
	t.Cleanup(s.Kill)
	return s
}

// freePort returns a port at which nobody listens, below those that systems
// give away by themselves: while the broker is down, its port must not become
// another test's.
func freePort(t testing.TB) int {
	t.Helper()
	for range 100 {
		port := 10_000 + rand.IntN(20_000)
		if l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port))); err == nil {
			_ = l.Close()
			return port
		}
	}
	t.Fatal("found no free port between 10000 and 30000")
	return 0
}

// URL returns its address, tcp://host:port.
func (s *Server) URL() string { return "tcp://" + s.addr() }

func (s *Server) addr() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(s.port)) }

// Begin starts it again after Stop or Kill, on the same port and files.
func (s *Server) Begin() {
	s.t.Helper()
	if s.cmd != nil {
		s.t.Fatal("mosquitto runs already")
	}
	conf := s.conf
	if os.Getuid() == 0 {
		conf += "user root\n" // or it cannot write into the test's folder
	}
	name := filepath.Join(s.Dir, "mosquitto.conf")
	if err := os.WriteFile(name, []byte(conf), 0o600); err != nil {
		s.t.Fatal(err)
	}
	s.out = new(output)
	cmd := exec.Command(s.path, "-c", name)
	cmd.Stdout, cmd.Stderr = s.out, s.out
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	gone := make(chan struct{})
	s.cmd, s.gone = cmd, gone
	go func() {
		_ = cmd.Wait() // killed is an error too
		close(gone)
	}()
	for range 500 {
		c, err := net.Dial("tcp", s.addr())
		if err == nil {
			_ = c.Close()
		}
		select {
		case <-gone: // who answers is another
			s.t.Fatalf("mosquitto ended at once; it says:\n%s", s.out.String())
		default:
		}
		if err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	s.t.Fatalf("mosquitto does not listen on %s; it says:\n%s", s.addr(), s.out.String())
}

// Kill ends it as a crash would. It does nothing when it does not run.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

// Stop ends it in order: it writes what it has to disk.
func (s *Server) Stop() { s.end(syscall.SIGTERM) }

func (s *Server) end(how syscall.Signal) {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(how)
	<-s.gone
	s.cmd = nil
}

// Suspend stops its process in the middle of what it does, connections and all,
// until Resume.
func (s *Server) Suspend() { s.send(syscall.SIGSTOP) }

// Resume lets it go on after Suspend.
func (s *Server) Resume() { s.send(syscall.SIGCONT) }

func (s *Server) send(sig syscall.Signal) {
	s.t.Helper()
	if s.cmd == nil {
		s.t.Fatal("mosquitto does not run")
	}
	if err := s.cmd.Process.Signal(sig); err != nil {
		s.t.Fatal(err)
	}
}

// Output returns what it has said since Begin.
func (s *Server) Output() string { return s.out.String() }

type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(b)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

// HashPasswords hashes a file of name:password lines in place, as Mosquitto
// reads them.
func HashPasswords(t testing.TB, path string) {
	t.Helper()
	if out, err := exec.Command("mosquitto_passwd", "-U", path).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
	}
}
