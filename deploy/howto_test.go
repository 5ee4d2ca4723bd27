package deploy_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// fenced returns the blocks of a page that begin with ```sh run, with their
// lines, and how many others a shell would take.
func fenced(t *testing.T, page string) (run []string, others int) {
	t.Helper()
	b, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	in, keep := false, false
	for line := range strings.Lines(string(b)) {
		fence, mark := strings.CutPrefix(strings.TrimSpace(line), "```")
		switch {
		case mark && in:
			in = false
		case mark:
			in, keep = true, fence == "sh run"
			switch {
			case keep:
				run = append(run, "")
			case fence == "sh":
				others++
			default:
				t.Errorf("%s: expected ```sh run or ```sh, found ```%s", page, fence)
			}
		case in && keep:
			run[len(run)-1] += line
		}
	}
	if in {
		t.Errorf("%s: a block is not ended", page)
	}
	return run, others
}

// apart reports whether a program may be run with a network of its own, where
// every port is free.
func apart() bool {
	if os.Geteuid() != 0 {
		return false
	}
	cmd := exec.Command("ip", "link", "set", "lo", "up")
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET}
	return cmd.Run() == nil
}

// Every command of the how-to pages that is marked so is run as it stands: page
// by page, in an empty folder, by someone who is not root, with the real
// programs, and every one has to end well.
func TestHowTo(t *testing.T) {
	if testing.Short() {
		t.Skip("runs every page's commands")
	}
	pages, err := filepath.Glob("howto/*.md")
	if err != nil || len(pages) < 5 {
		t.Fatalf("found %v, %v", pages, err)
	}
	for _, tool := range []string{"mosquitto", "mosquitto_pub", "mosquitto_passwd", "victoria-metrics", "prometheus", "promtool", "nginx", "openssl", "curl"} {
		if _, err := exec.LookPath(tool); err != nil {
			if _, err := os.Stat(filepath.Join("/usr/sbin", tool)); err == nil {
				continue
			}
			if os.Getenv("CI") != "" {
				t.Fatalf("%s is not installed", tool)
			}
			t.Skipf("%s is not installed", tool)
		}
	}
	own := apart()
	if !own {
		for _, port := range []int{1883, 8080, 8428, 8443, 8883, 9090} {
			l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
			if err != nil {
				if os.Getenv("CI") != "" {
					t.Fatalf("expected a network of its own (root and iproute2) or the pages' ports free, found %v", err)
				}
				t.Skipf("needs a network of its own (root and iproute2), or the pages' ports: %v", err)
			}
			_ = l.Close()
		}
	}
	tools, err := os.MkdirTemp("", "throwline-howto-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(tools) })
	if err := os.Chmod(tools, 0o755); err != nil {
		t.Fatal(err)
	}
	build := exec.Command("go", "build", "-o", tools+"/throwline", "../daemon/cmd/throwline")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, page := range pages {
		t.Run(strings.TrimSuffix(filepath.Base(page), ".md"), func(t *testing.T) {
			blocks, others := fenced(t, page)
			if len(blocks) == 0 || others > len(blocks) {
				t.Fatalf("expected most blocks to be run, found %d, and %d that are not", len(blocks), others)
			}
			dir, err := os.MkdirTemp(tools, "page-")
			if err != nil {
				t.Fatal(err)
			}
			for _, sub := range []string{"prometheus", "grafana"} {
				if err := os.CopyFS(filepath.Join(dir, "deploy", sub), os.DirFS(sub)); err != nil {
					t.Fatal(err)
				}
			}
			script := filepath.Join(tools, filepath.Base(dir)+".sh")
			text := "set -eu\n" + strings.Join(blocks, "")
			if err := os.WriteFile(script, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			out := filepath.Join(tools, filepath.Base(dir)+".out")
			said, err := os.Create(out) // a file: what stays in the background holds no pipe open
			if err != nil {
				t.Fatal(err)
			}
			defer said.Close()
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
			defer cancel()
			cmd := exec.CommandContext(ctx, "sh", script)
			cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
			if own {
				if err := os.Chown(dir, 65534, 65534); err != nil {
					t.Fatal(err)
				}
				cmd = exec.CommandContext(ctx, "sh", "-euc", `ip link set lo up; exec setpriv --reuid 65534 --regid 65534 --clear-groups sh "$0"`, script)
				cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Cloneflags: syscall.CLONE_NEWNET}
			}
			cmd.Dir, cmd.Stdout, cmd.Stderr = dir, said, said
			cmd.Env = []string{"PATH=" + tools + ":/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=" + dir, "USER=nobody"}
			all := func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) } // its group: what it left in the background
			cmd.Cancel = all
			err = cmd.Run()
			if cmd.Process != nil {
				_ = all()
			}
			if err == nil {
				return
			}
			b, _ := os.ReadFile(out)
			logs, _ := filepath.Glob(filepath.Join(dir, "*.log"))
			for _, name := range logs {
				log, _ := os.ReadFile(name)
				b = append(b, fmt.Sprintf("--- %s\n%s", filepath.Base(name), log)...)
			}
			t.Errorf("%s: %v\n%s", page, err, b)
		})
	}
}

// Every link of a page to a file leads to one.
func TestHowToLinks(t *testing.T) {
	pages, err := filepath.Glob("howto/*.md")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, page := range append(pages, "../README.md") {
		b, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, part := range strings.Split(string(b), "](")[1:] {
			to, _, _ := strings.Cut(part, ")")
			if strings.Contains(to, "://") || strings.HasPrefix(to, "#") {
				continue
			}
			n++
			if _, err := os.Stat(filepath.Join(filepath.Dir(page), to)); err != nil {
				t.Errorf("%s: %v", page, err)
			}
		}
	}
	if n < 5 {
		t.Errorf("expected links, found %d", n)
	}
}

// Whoever follows a page sends under a name: the brokers that we recommend
// refuse a client without one, and the pages' own blocks run another.
func TestHowToNamesItsClients(t *testing.T) {
	pages, err := filepath.Glob("howto/*.md")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, page := range append(pages, "../README.md") {
		b, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			if _, args, ok := strings.Cut(line, "mosquitto_pub -"); ok {
				n++
				if !strings.Contains("-"+args, "-i ") {
					t.Errorf("%s: expected -i and a name, found %s", page, line)
				}
			}
		}
	}
	if n < 6 {
		t.Errorf("expected six lines that send or more, found %d", n)
	}
}
