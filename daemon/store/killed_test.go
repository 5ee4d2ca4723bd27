package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/alerting"
	"throwline/detect"
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
		if err := s.Update(context.Background(), func(tx *Tx) error { return batch(tx, n) }); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println(n + 8)
	}
}

type madeThrow struct {
	t *ingest.Throw
	r *detect.Record
}

var made sync.Map // what takes long to invent, by turnout and number

// batchThrow is one throw of a batch. It must not be changed.
func batchThrow(n, i int) (*ingest.Throw, *detect.Record) {
	at := [2]int{i % 3, n + i}
	m, ok := made.Load(at)
	if !ok {
		t, r := throw("W"+strconv.Itoa(i%3), n+i)
		m, _ = made.LoadOrStore(at, madeThrow{t, r})
	}
	return m.(madeThrow).t, m.(madeThrow).r
}

// batch files throws n to n+7, one alert with what is done about it and what is
// to be sent, and that the message of the batch before was sent.
func batch(tx *Tx, n int) error {
	for i := range 8 {
		t, rec := batchThrow(n, i)
		if _, err := tx.AddThrow(rec, t); err != nil {
			return err
		}
	}
	a := alert("a"+strconv.Itoa(n/8), "W1", n)
	_, err := tx.Enqueue(outgoing("mail", a.ID+"~1", a.ID, 0))
	if err == nil {
		return fmt.Errorf("a message of an alert that is not there was taken")
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := tx.Transition(alerting.Event{Kind: alerting.Raised, At: a.RaisedAt, Alert: a}); err != nil {
		return err
	}
	_, err1 := tx.AddEntry(alerting.Entry{Alert: a.ID, Turnout: "W1", At: a.RaisedAt, Action: "acknowledge"})
	_, err2 := tx.Enqueue(outgoing("mail", a.ID+"~1", a.ID, 0))
	if err := errors.Join(err1, err2); err != nil || n == 0 {
		return err
	}
	return errors.Join(tx.Sent(int64(n/8), a.RaisedAt, "taken"), tx.SaveHandling(a.ID, alerting.Handling{AcknowledgedAt: a.RaisedAt}),
		tx.SaveState("W1", "cab-1", []byte(strconv.Itoa(n+8))), tx.SaveReceipt("cab-1", ingest.Receipt{Boot: "b", Through: uint64(n + 8)}))
}

// soundBatches holds a store against what batches were promised, and returns how
// many throws it holds: whole batches without a gap, each with all that belongs
// to it. attempted: the most there may be, -1 for any.
func soundBatches(t testing.TB, s *Store, promised, attempted int) int {
	t.Helper()
	var count, top, keys int
	var sound string
	if err := s.read.QueryRow("SELECT count(*), coalesce(max(CAST(substr(key, instr(key, '~') + 2) AS INTEGER)), -1), count(DISTINCT key) FROM throws").Scan(&count, &top, &keys); err != nil {
		t.Fatal(err)
	}
	if err := s.read.QueryRow("PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
		t.Fatalf("integrity: %s %v", sound, err)
	}
	receipts, err := s.Receipts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	through := receipts["cab-1"].Through
	if count < promised || attempted >= 0 && count > attempted || count != top+1 || keys != count || count%8 != 0 || count > 8 && through != uint64(count) {
		t.Errorf("promised %d, attempted %d, found %d throws up to %d, of %d keys, receipt %d", promised, attempted, count, top, keys, through)
	}
	batches := count / 8
	for what, q := range map[string]struct {
		text string
		want int
	}{
		"alerts":               {"SELECT count(*) FROM alerts", batches},
		"acknowledged":         {"SELECT count(*) FROM alerts WHERE acknowledged = 0", max(0, batches-1)},
		"events":               {"SELECT count(*) FROM events", batches},
		"lines of the journal": {"SELECT count(*) FROM journal WHERE json_extract(body, '$.action') = 'acknowledge'", batches},
		"messages":             {"SELECT count(*) FROM outbox", batches},
		"messages sent":        {"SELECT count(*) FROM outbox WHERE sent = 1", max(0, batches-1)},
		"tries":                {"SELECT count(*) FROM attempts", max(0, batches-1)},
		"sent to the target":   {"SELECT coalesce(sum(sent), 0) FROM targets", max(0, batches-1)},
	} {
		var n int
		if err := s.read.QueryRow(q.text).Scan(&n); err != nil || n != q.want {
			t.Errorf("expected %d %s beside %d throws, found %d, %v", q.want, what, count, n, err)
		}
	}
	return count
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
		count := soundBatches(t, s, promised, -1)
		promised = count
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
