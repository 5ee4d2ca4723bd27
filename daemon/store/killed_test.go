package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/alerting"
	"throwline/ingest"
)

// TestMain also is the process that TestKilled kills: it files batches and
// prints how many throws it was promised are kept.
func TestMain(m *testing.M) {
	path := os.Getenv("THROWLINE_TEST_FILL")
	if path == "" {
		goleak.VerifyTestMain(m)
	}
	s, err := Open(context.Background(), path, Options{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	from, _ := strconv.Atoi(os.Getenv("THROWLINE_TEST_FROM"))
	for n := from; ; n += 8 {
		if err := s.Update(context.Background(), func(tx *Tx) error {
			for i := range 8 {
				t, rec := throw("W"+strconv.Itoa(i%3), n+i)
				if _, err := tx.AddThrow(rec, t); err != nil {
					return err
				}
			}
			// One alert a batch, with what is done about it and what is to be sent.
			a := alert("a"+strconv.Itoa(n/8), "W1", n)
			_, err := tx.Enqueue(outgoing("mail", a.ID+"~1", a.ID, 0))
			if err == nil {
				return fmt.Errorf("a message of an alert that is not there was taken")
			}
			if err := tx.Transition(alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a}); err != nil {
				return err
			}
			_, err1 := tx.AddEntry(alerting.Entry{Alert: a.ID, Turnout: "W1", At: a.RaisedAt, Action: "acknowledge"})
			_, err2 := tx.Enqueue(outgoing("mail", a.ID+"~1", a.ID, 0))
			return errors.Join(err1, err2, tx.SaveHandling(a.ID, alerting.Handling{AcknowledgedAt: a.RaisedAt}),
				tx.SaveReceipt("cab-1", ingest.Receipt{Boot: "b", Through: uint64(n + 8)}))
		}); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println(n + 8)
	}
}

// What Update promised is there after the process was killed at any moment,
// nothing of a batch that was not, and the receipt tells no more than is there.
func TestKilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	promised := 0
	for cycle := range 8 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "THROWLINE_TEST_FILL="+path, "THROWLINE_TEST_FROM="+strconv.Itoa(promised))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var said strings.Builder
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for i := 0; i <= 3+7*cycle && lines.Scan(); i++ {
			if promised, err = strconv.Atoi(lines.Text()); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(time.Duration(cycle) * 700 * time.Microsecond)
		cmd.Process.Kill()
		for lines.Scan() {
			if n, err := strconv.Atoi(lines.Text()); err == nil {
				promised = n
			}
		}
		cmd.Wait()
		if said.Len() > 0 {
			t.Fatal(said.String())
		}
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var count, top int
		var sound string
		if err := s.read.QueryRow("SELECT count(*), max(CAST(substr(key, instr(key, '~') + 2) AS INTEGER)) FROM throws").Scan(&count, &top); err != nil {
			t.Fatal(err)
		}
		if err := s.read.QueryRow("PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
			t.Fatalf("integrity: %s %v", sound, err)
		}
		receipts, err := s.Receipts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if count < promised || count != top+1 || count%8 != 0 || receipts["cab-1"].Through != uint64(count) {
			t.Errorf("cycle %d: promised %d, found %d throws up to %d, receipt %d", cycle, promised, count, top, receipts["cab-1"].Through)
		}
		for what, text := range map[string]string{
			"alerts": "SELECT count(*) FROM alerts", "acknowledged": "SELECT count(*) FROM alerts WHERE acknowledged = 0",
			"events": "SELECT count(*) FROM events", "lines of the journal": "SELECT count(*) FROM journal", "messages": "SELECT count(*) FROM outbox",
		} {
			var n int
			if err := s.read.QueryRow(text).Scan(&n); err != nil || n != count/8 {
				t.Errorf("cycle %d: expected %d %s beside %d throws, found %d, %v", cycle, count/8, what, count, n, err)
			}
		}
		promised = count
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
