package faults

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Another program holds the store, for longer than is waited for it; far more
// comes meanwhile than may be in hand. Nothing is promised, what is in hand stays
// bounded, people are told, and all is taken afterwards.
func TestStall(t *testing.T) {
	t.Parallel() // they mostly wait
	hold, err := time.ParseDuration(os.Getenv("THROWLINE_STALL"))
	if err != nil {
		hold = time.Second // beyond the moment at which it is told of
	}
	b := newBench(t, filepath.Join(t.TempDir(), "data"))
	b.start()
	b.await("a program that is ready", b.ready)
	b.load(200 * time.Microsecond)
	b.await("receipts", func() bool { return b.promised() > 500 })
	other, err := sql.Open("sqlite", "file:"+b.path()+"?_txlock=exclusive&_pragma=busy_timeout(60000)")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	before := b.metric("process_resident_memory_bytes")
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	first := b.sent.Load()
	most, memory := 0.0, 0.0
	look := func() {
		most = max(most, b.metric("throwline_in_flight_messages"))
		memory = max(memory, b.metric("process_resident_memory_bytes"))
	}
	b.await("readiness that says what is wrong", func() bool {
		look()
		status, body := b.get("/readyz")
		return status == 503 && strings.Contains(body, "the store takes nothing since") && b.sent.Load() > first+20*inFlight
	})
	stood := b.metric("throwline_receipts_published_total")
	for end := time.Now().Add(hold); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		look()
	}
	if now := b.metric("throwline_receipts_published_total"); now != stood || stood < 1 {
		t.Errorf("%v receipts were published before the store was held, %v afterwards", stood, now)
	}
	if !strings.Contains(b.out.String(), "another program has the file locked; close it there") {
		t.Error("expected the reason in the log, found none")
	}
	b.stop()
	waiting := b.cab.Pending()
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	b.await("a program that is ready again", b.ready)
	// In hand: what the broker may send without acknowledgement.
	if most > 2*inFlight {
		t.Errorf("expected at most %d messages in hand, found %v", 2*inFlight, most)
	}
	b.settle()
	t.Logf("%d throws waited, at most %.0f of them in the program, whose memory went from %.0f to %.0f MB at most; %d throws in all, 0 lost", waiting, most, before/1e6, memory/1e6, b.sent.Load())
}
