package pagestest

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/ingest/mqtt"
	"throwline/ingest/mqtt/mosquittotest"
)

// serving is the program, started as its user does.
type serving struct {
	page  string
	setup string // the link for the first administrator, where there are accounts
	cmd   *exec.Cmd
}

func TestMain(m *testing.M) {
	code := m.Run()
	if folder != "" {
		_ = os.RemoveAll(folder) // in the system's own place for such
	}
	os.Exit(code)
}

// folder holds what was built, "" before.
var folder string

// built is the program, built once for all tests.
var built = sync.OnceValues(func() (program string, err error) {
	if folder, err = os.MkdirTemp("", "throwline-pages-"); err != nil {
		return "", err
	}
	program = filepath.Join(folder, "throwline")
	if out, err := exec.Command("go", "build", "-o", program, "throwline/daemon/cmd/throwline").CombinedOutput(); err != nil {
		return program, fmt.Errorf("build: %w\n%s", err, out)
	}
	return program, nil
})

// begin starts a broker, the program and a cabinet that sends, and waits until
// all are connected. more is added to the program's configuration.
func begin(t *testing.T, more ...string) (*serving, *cabinet) {
	t.Helper()
	if built, _ := filepath.Glob("../../../../alerting/screen/pages/dist/*.js"); len(built) == 0 {
		if os.Getenv("CI") != "" {
			t.Fatal("the pages are not built: make pages")
		}
		t.Skip("the pages are not built: make pages")
	}
	broker := mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000")
	program := serve(t, broker.URL(), more...)
	sender, err := mqtt.Open(t.Context(), mqtt.Options{Brokers: []string{broker.URL()}, ClientID: "sender", Prefix: "elsewhere/v1"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sender.Close(context.Background()) }) // the test is over
	for i := 0; !sender.Status().Connected || !program.ready(); i++ {
		if i > 200 {
			t.Fatal("not connected or not ready")
		}
		time.Sleep(50 * time.Millisecond)
	}
	return program, &cabinet{t: t, s: sender}
}

func serve(t *testing.T, broker string, more ...string) *serving {
	t.Helper()
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	config := filepath.Join(dir, "throwline.yaml")
	if err := os.WriteFile(config, fmt.Appendf(nil, "data_dir: %s\nmqtt:\n  brokers: [%s]\nhttp:\n  listen: 127.0.0.1:0\n%s", filepath.Join(dir, "data"), broker, strings.Join(more, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &serving{cmd: exec.Command(program, "serve", "--config", config)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	s.cmd.Stderr = os.Stderr
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.cmd.Process.Signal(os.Interrupt)
		if err := s.cmd.Wait(); err != nil {
			t.Errorf("serve ended with %v", err)
		}
	})
	address := regexp.MustCompile(`http://[0-9.:]+`)
	lines := bufio.NewScanner(out)
	for s.page == "" && lines.Scan() {
		s.page = address.FindString(lines.Text())
	}
	for len(more) > 0 && s.setup == "" && lines.Scan() {
		_, s.setup, _ = strings.Cut(lines.Text(), "Set up:  ")
	}
	if s.page == "" {
		t.Fatal("serve printed no address")
	}
	go io.Copy(io.Discard, out)
	return s
}

func (s *serving) ready() bool {
	res, err := http.Get(s.page + "/readyz")
	if err != nil {
		return false
	}
	_ = res.Body.Close()
	return res.StatusCode == http.StatusOK
}
