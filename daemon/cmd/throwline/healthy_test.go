package main

import (
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"throwline/ingest/mqtt/mosquittotest"
)

// The health check says by its exit code and in words how the program is.
func TestHealthy(t *testing.T) {
	broker, dir := mosquittotest.Start(t, ""), t.TempDir()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	listen := taken.Addr().String()
	taken.Close()
	yaml := write(t, dir, "throwline.yaml", fmt.Sprintf("data_dir: %s\nhttp: {listen: '%s'}\naccess: {mode: accounts}\nmqtt: {brokers: ['%s']}\n", filepath.Join(dir, "data"), listen, broker.URL()))
	expect := func(want int, words string, args ...string) {
		t.Helper()
		code, out, errs := throwline(t, "", append([]string{"healthy"}, args...)...)
		if code != want || !strings.Contains(out+errs, words) {
			t.Errorf("%v: expected %d with %q, found %d with %s%s", args, want, words, code, out, errs)
		}
	}
	expect(1, "connection refused", "--config", yaml)
	_, stop := started(t, "serve", "--config", yaml)
	eventually(t, "readiness", func() bool {
		code, _, _ := throwline(t, "", "healthy", "--config", yaml)
		return code == 0
	})
	expect(0, "ready", "--config", yaml)
	expect(0, "ready", "--url", "http://"+listen)
	expect(0, "alive", "--url", "http://"+listen+"/livez")
	expect(1, "expected 200, found 401", "--url", "http://"+listen+"/api/v1/status") // a token is needed, and nothing is followed
	broker.Kill()
	eventually(t, "the broker to be missed", func() bool {
		code, _, errs := throwline(t, "", "healthy", "--config", yaml)
		return code == 1 && strings.Contains(errs, "found 503: ") && strings.Contains(errs, "no connection to the broker")
	})
	expect(0, "alive", "--config", yaml, "--live")
	stop()
	expect(1, "connection refused", "--config", yaml, "--live")

	// Something that takes the connection and never answers.
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	expect(1, "expected an answer within 100ms, found none", "--url", "http://"+mute.Addr().String(), "--within", "100ms")
	expect(2, "expected an address like", "--url", "127.0.0.1:8080")
	expect(2, "expected a time above 0", "--within", "0s")
	expect(78, "nowhere.yaml: expected a file", "--config", filepath.Join(dir, "nowhere.yaml"))
}

// Without a file the environment says where to ask, and the address of all
// interfaces is asked on loopback.
func TestHealthyListens(t *testing.T) {
	env := func(name string) (string, bool) { return "0.0.0.0:9090", name == "THROWLINE_HTTP_LISTEN" }
	if got, err := listens("", env); err != nil || got.BaseURL(got.Listen) != "http://127.0.0.1:9090" {
		t.Errorf("found %v, %v", got, err)
	}
	if got, err := listens("", func(string) (string, bool) { return "", false }); err != nil || got.Listen != "127.0.0.1:8080" {
		t.Errorf("found %v, %v", got, err)
	}
}
