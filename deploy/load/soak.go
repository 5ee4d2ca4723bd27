package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

const (
	soakRate    = 1000 // throws a second: ten times those of the demo
	soakClients = 1000 // browsers that come and go, in waves
	soakWave    = 50   // of them at once; the program has 64 event streams to give
	soakStop    = 10 * time.Second
)

// soak runs the program and a Mosquitto for a time under a steady load, with
// browsers that come and go, and writes how what it uses grew. Then it stops
// the program under the load, starts it again, and counts.
func soak(ctx context.Context, o *options, out io.Writer) error {
	if o.rate == 0 {
		o.rate = soakRate
	}
	dir, err := os.MkdirTemp("", "throwline-soak-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	broker, err := soakBroker(ctx, dir)
	if err != nil {
		return err
	}
	defer broker.end(syscall.SIGTERM)
	o.broker = broker.address
	p := &program{path: o.program, config: filepath.Join(dir, "throwline.yaml")}
	yaml := fmt.Sprintf("data_dir: %s\nmqtt: {brokers: ['%s']}\nhttp: {listen: '127.0.0.1:0'}\nlog: {level: warn}\n", filepath.Join(dir, "data"), o.broker)
	if err := os.WriteFile(p.config, []byte(yaml), 0o600); err != nil {
		return err
	}
	if err := p.start(ctx); err != nil {
		return err
	}
	defer func() { p.end(syscall.SIGKILL) }()

	loading, quiet := context.WithCancel(ctx)
	defer quiet()
	background := *o
	background.count, background.lasting, background.progress = 0, o.soak+time.Hour, io.Discard
	loaded := make(chan error, 1)
	var sent *loadResult
	go func() {
		var err error
		sent, err = load(loading, &background)
		loaded <- err
	}()
	s := &series{}
	waves, err := s.watch(ctx, p, o, loaded)
	if err != nil {
		return err
	}
	s.table(out, o)
	fmt.Fprintf(out, "%d browsers came and went, half of them on the event stream; goroutines %.0f before, %.0f after; readers left %.0f\n",
		waves.came, waves.before, waves.after, waves.readers)

	began := time.Now()
	if err := p.end(syscall.SIGTERM); err != nil {
		return fmt.Errorf("a stop under load: expected exit 0, found %w", err)
	}
	took := time.Since(began)
	fmt.Fprintf(out, "stopped under load in %.2f s\n", took.Seconds())
	time.Sleep(2 * time.Second) // the cabinets go on
	quiet()
	if err := <-loaded; err != nil {
		return err
	}
	first, err := p.stored(ctx)
	if err != nil {
		return err
	}
	if err := p.start(ctx); err != nil {
		return err
	}
	for end := time.Now().Add(5 * time.Minute); ; time.Sleep(time.Second) {
		m, err := scrape(ctx, p.page)
		if err == nil && first+int64(m[metricStored]) >= sent.Throws && m["throwline_in_flight_messages"] == 0 {
			break
		}
		if time.Now().After(end) {
			break // counted below
		}
	}
	if err := p.end(syscall.SIGTERM); err != nil {
		return fmt.Errorf("the second stop: expected exit 0, found %w", err)
	}
	last, err := p.stored(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "throws that the broker acknowledged %d, failed %d; stored at the stop %d, after the next start %d\n", sent.Throws, sent.Failed, first, last)
	switch {
	case last < sent.Throws || last > sent.Throws+sent.Failed:
		return fmt.Errorf("expected %d throws stored, found %d", sent.Throws, last)
	case took > soakStop:
		return fmt.Errorf("expected a stop within %s, found %s", soakStop, took)
	}
	return nil
}

// process is a child that ends when it is told to.
type process struct {
	cmd     *exec.Cmd
	address string
}

func (p *process) end(how syscall.Signal) error {
	if p.cmd == nil {
		return nil
	}
	_ = p.cmd.Process.Signal(how) // gone already: Wait tells
	err := p.cmd.Wait()
	p.cmd = nil
	return err
}

// soakBroker starts Mosquitto with the configuration that is deployed.
func soakBroker(ctx context.Context, dir string) (*process, error) {
	conf, err := os.ReadFile("deploy/mosquitto.conf")
	if err != nil {
		return nil, fmt.Errorf("run it at the top of the repository: %w", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	at := l.Addr().(*net.TCPAddr)
	_ = l.Close()
	kept := filepath.Join(dir, "mosquitto")
	if err := os.Mkdir(kept, 0o700); err != nil {
		return nil, err
	}
	text := regexp.MustCompile(`(?m)^(listener|persistence_location|log_type notice|connection_messages).*$`).ReplaceAllString(string(conf), "")
	text += fmt.Sprintf("\nlistener %d 127.0.0.1\npersistence_location %s/\n", at.Port, kept)
	if os.Geteuid() == 0 {
		text += "user root\n"
	}
	file := filepath.Join(dir, "mosquitto.conf")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		return nil, err
	}
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto"
	}
	p := &process{cmd: exec.Command(path, "-c", file), address: "tcp://" + at.String()}
	p.cmd.Stderr = os.Stderr
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		c, err := net.Dial("tcp", at.String())
		if err == nil {
			return p, c.Close()
		}
		if ctx.Err() != nil || time.Now().After(end) {
			return nil, errors.Join(fmt.Errorf("mosquitto does not listen: %w", err), p.end(syscall.SIGKILL))
		}
	}
}

// program is Throwline as a process.
type program struct {
	process
	path, config, page string
}

func (p *program) start(ctx context.Context) error {
	p.cmd = exec.Command(p.path, "serve", "--config", p.config)
	p.cmd.Stderr = os.Stderr
	said, err := p.cmd.StdoutPipe()
	if err == nil {
		err = p.cmd.Start()
	}
	if err != nil {
		p.cmd = nil
		return fmt.Errorf("-program: %w", err)
	}
	lines := bufio.NewScanner(said)
	for p.page = ""; p.page == "" && lines.Scan(); {
		if at, ok := strings.CutPrefix(lines.Text(), "Page:"); ok {
			p.page = strings.TrimSuffix(strings.TrimSpace(at), "/")
		}
	}
	go func() { _, _ = io.Copy(io.Discard, said) }()
	for end := time.Now().Add(time.Minute); ; time.Sleep(100 * time.Millisecond) {
		if get(ctx, p.page+"/readyz") == nil {
			return nil
		}
		if ctx.Err() != nil || time.Now().After(end) {
			return errors.New("the program is not ready after a minute")
		}
	}
}

// stored reads the store from end to end and returns how many throws it holds.
func (p *program) stored(ctx context.Context) (int64, error) {
	said, err := exec.CommandContext(ctx, p.path, "verify", "--config", p.config).CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("verify: %w: %s", err, said)
	}
	m := regexp.MustCompile(`(\d+) throws of`).FindSubmatch(said)
	if m == nil {
		return 0, fmt.Errorf("verify: expected how many throws there are, found %s", said)
	}
	return strconv.ParseInt(string(m[1]), 10, 64)
}

func get(ctx context.Context, address string) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	r.Close = true // as a browser that comes for the first time
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		return err
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: expected 200, found %s", address, res.Status)
	}
	return nil
}

// wave lets n browsers come at once: the even ones read pages and figures, the
// odd ones the event stream, for some seconds.
func wave(ctx context.Context, page string, n int) error {
	var group sync.WaitGroup
	errs := make([]error, n)
	for i := range n {
		group.Go(func() {
			if i%2 == 0 {
				for _, path := range []string{"/api/v1/turnouts", "/api/v1/status", "/api/v1/alerts"} {
					errs[i] = errors.Join(errs[i], get(ctx, page+path))
				}
				return
			}
			short, cancel := context.WithTimeout(ctx, 3*time.Second)
			defer cancel()
			if err := get(short, page+"/api/v1/events"); err != nil && !errors.Is(err, context.DeadlineExceeded) {
				errs[i] = err
			}
		})
	}
	group.Wait()
	return errors.Join(errs...)
}
