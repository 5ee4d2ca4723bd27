// Package faults takes from the program what it stands on: a disk that syncs, room
// on it, a store that nobody else holds. The program is a process, the broker is
// real, and a cabinet keeps a ledger of what it was promised.
//
//	THROWLINE_SYNC_FAULTS=50 THROWLINE_FULL_DISKS=50 THROWLINE_STALL=60s \
//		go test ./daemon/cmd/throwline/faults -v -timeout 3h
package faults

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"throwline/daemon"
	"throwline/ingest"
	"throwline/ingest/lineside"
	"throwline/ingest/mqtt/mosquittotest"
)

// patience is how long anything is waited for: a machine that does much else
// may be slow.
const patience = 2 * time.Minute

// count is what the environment says, or few.
func count(name string, few int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return few
}

// output keeps what a process says, for reading at any time.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

type bench struct {
	t      *testing.T
	broker *mosquittotest.Server
	conf   string
	c      daemon.Config

	proc *exec.Cmd
	out  *output
	gone chan error // has what the process ended with

	cab  *lineside.Cabinet
	sent atomic.Int64
	stop func() // the load
}

// The program is built once for all tests.
var (
	buildOnce sync.Once
	buildDir  string
	built     string
)

func TestMain(m *testing.M) {
	var err error
	if buildDir, err = os.MkdirTemp("", "throwline-faults-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(buildDir)
	os.Exit(code)
}

// newBench prepares a program that keeps its data in dir.
func newBench(t *testing.T, dir string) *bench {
	t.Helper()
	own := t.TempDir()
	b := &bench{t: t, conf: filepath.Join(own, "throwline.yaml"), stop: func() {}}
	buildOnce.Do(func() {
		built = filepath.Join(buildDir, "throwline")
		if out, err := exec.Command("go", "build", "-o", built, "throwline/daemon/cmd/throwline").CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	})
	b.broker = mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 200")
	if err := os.WriteFile(b.conf, fmt.Appendf(nil, "data_dir: %s\nmqtt: {brokers: [%q], in_flight: %d}\nhttp: {listen: '127.0.0.1:0'}\nlog: {level: info}\n",
		dir, b.broker.URL(), inFlight), 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if b.c, err = daemon.LoadConfig(b.conf, nil); err != nil {
		t.Fatal(err)
	}
	if b.cab, err = lineside.Open(t.Context(), lineside.Options{
		Broker: b.broker.URL(), Cabinet: "TOLB-1", SpoolDir: filepath.Join(own, "spool"), Encoding: lineside.CBOR, Resend: 500 * time.Millisecond, NoSync: true,
	}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.stop()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		_ = b.cab.Close(ctx)
		if b.proc != nil {
			_ = b.proc.Process.Kill()
			<-b.gone
		}
		if t.Failed() && b.out != nil {
			t.Log(b.out.String())
		}
	})
	return b
}

const inFlight = 200

// start starts the program, under another where one is named.
func (b *bench) start(under ...string) {
	b.t.Helper()
	args := append(under, built, "serve", "--config", b.conf)
	b.proc, b.out, b.gone = exec.Command(args[0], args[1:]...), new(output), make(chan error, 1)
	b.proc.Stdout, b.proc.Stderr = b.out, b.out
	if err := b.proc.Start(); err != nil {
		b.t.Fatal(err)
	}
	go func(p *exec.Cmd, gone chan<- error) { gone <- p.Wait() }(b.proc, b.gone)
}

// ended waits until the program has ended by itself and returns its exit status.
func (b *bench) ended() int {
	b.t.Helper()
	select {
	case err := <-b.gone:
		b.proc = nil
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			return exit.ExitCode()
		}
		if err != nil {
			b.t.Fatal(err)
		}
		return 0
	case <-time.After(patience):
		b.t.Fatal("expected the program to end, found it running")
	}
	return 0
}

// end stops it in order.
func (b *bench) end() {
	b.t.Helper()
	if err := b.proc.Process.Signal(syscall.SIGTERM); err != nil {
		b.t.Fatal(err)
	}
	if code := b.ended(); code != 0 {
		b.t.Fatalf("a polite stop: exit %d", code)
	}
}

var addressRE = regexp.MustCompile(`Page: +(http://\S+)/`)

// get asks the running program; -1 where it does not answer.
func (b *bench) get(path string) (status int, body string) {
	m := addressRE.FindStringSubmatch(b.out.String())
	if m == nil {
		return -1, ""
	}
	client := http.Client{Timeout: 10 * time.Second}
	res, err := client.Get(m[1] + path)
	if err != nil {
		return -1, err.Error()
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body)
	return res.StatusCode, string(text)
}

func (b *bench) ready() bool {
	status, _ := b.get("/readyz")
	return status == http.StatusOK
}

// metric is the value of a metric without labels, -1 where there is none.
func (b *bench) metric(name string) float64 {
	_, body := b.get("/metrics")
	for line := range strings.Lines(body) {
		if v, ok := strings.CutPrefix(line, name+" "); ok {
			if x, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err == nil {
				return x
			}
		}
	}
	return -1
}

func (b *bench) await(what string, ok func() bool) {
	b.t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(30 * time.Millisecond) {
		if time.Now().After(end) {
			b.t.Fatalf("expected %s, found nothing of it", what)
		}
		select {
		case err := <-b.gone:
			b.gone <- err
			b.t.Fatalf("expected %s, found that the program had ended: %v", what, err)
		default:
		}
	}
}

// load sends throws until stop is called, each after a pause.
func (b *bench) load(pause time.Duration) {
	ctx, cancel := context.WithCancel(b.t.Context())
	var wg sync.WaitGroup
	start := time.Now().Add(-24 * time.Hour)
	wg.Go(func() {
		for ctx.Err() == nil {
			n := b.sent.Load()
			if err := b.cab.Send(ctx, throwOf(int(n), start)); err != nil {
				if ctx.Err() == nil {
					b.t.Error(err)
				}
				return
			}
			b.sent.Add(1)
			time.Sleep(pause)
		}
	})
	b.stop = func() { cancel(); wg.Wait() }
}

// throwOf is an invented throw.
func throwOf(n int, start time.Time) *ingest.Throw {
	samples := make([]float64, 60)
	for i := range samples {
		x := float64(i) / 59
		samples[i] = math.Round(300 + 500*math.Exp(-30*x) + 80*x + 3*math.Sin(float64(i*n)))
	}
	samples[0], samples[59] = 1, 2
	return &ingest.Throw{
		ID: fmt.Sprintf("n%d", n), Turnout: fmt.Sprintf("TOLB-W%d", n%5), To: ingest.Ends[n/5%2], StartedAt: start.Add(time.Duration(n) * 100 * time.Millisecond), Completed: true,
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 15, Scale: 0.01, Samples: samples}},
	}
}

// promised is for how many throws there is a receipt: the cabinet has dropped
// those, and what is lost of them now is lost for good. It may be a few too low
// while the load runs, never too high.
func (b *bench) promised() int {
	sent := int(b.sent.Load())
	return sent - b.cab.Pending()
}

// settle ends the load, waits until every throw has its receipt, stops the
// program in order, and holds what it stored against what was sent.
func (b *bench) settle() {
	b.t.Helper()
	b.stop()
	ctx, cancel := context.WithTimeout(b.t.Context(), 5*time.Minute)
	defer cancel()
	if err := b.cab.Flush(ctx); err != nil {
		b.t.Fatalf("%d throws have no receipt: %v", b.cab.Pending(), err)
	}
	b.end()
	found, err := daemon.Verify(b.t.Context(), &b.c, "")
	if err != nil {
		b.t.Fatal(err)
	}
	if found.Throws != int(b.sent.Load()) || found.Aside != 0 {
		b.t.Errorf("expected %d throws, each once, and nothing set aside, found %+v", b.sent.Load(), found)
	}
}

// path is the store's file.
func (b *bench) path() string { return filepath.Join(b.c.DataDir, daemon.StoreName) }

// stored counts the throws in the store, as another program.
func (b *bench) stored() (n int) {
	b.t.Helper()
	db, err := sql.Open("sqlite", "file:"+b.path()+"?mode=ro&_pragma=busy_timeout(20000)")
	if err == nil {
		defer db.Close()
		err = db.QueryRow("SELECT count(*) FROM throws").Scan(&n)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return n
}
