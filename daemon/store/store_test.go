package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"throwline/alerting"
	"time"

	"throwline/ingest"
)

// What is true of the store in a SQLite file only.

func opened(t testing.TB) *Store {
	t.Helper()
	s, err := Open(context.Background(), filepath.Join(t.TempDir(), "throwline.db"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func update(t testing.TB, s *Store, f func(*Tx) error) {
	t.Helper()
	if err := s.Update(context.Background(), f); err != nil {
		t.Fatal(err)
	}
}

// fill files n throws of W1, from a number on, with a transaction for every 500.
func fill(s *Store, from, n int) error {
	for ; n > 0; from, n = from+500, n-500 {
		if err := s.Update(context.Background(), func(tx *Tx) error {
			for i := range min(n, 500) {
				th, rec := throw("W1", from+i)
				if _, err := tx.AddThrow(rec, th); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}

// Every connection has its pragmas, and a new file the size of its pages.
func TestPragmas(t *testing.T) {
	s := opened(t)
	ctx := t.Context()
	check := func(who string, c interface {
		QueryRowContext(context.Context, string, ...any) *sql.Row
	}) {
		for pragma, want := range map[string]string{
			"page_size": "16384", "auto_vacuum": "2", "journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "5000",
			"wal_autocheckpoint": "2000", "application_id": fmt.Sprint(applicationID), "user_version": fmt.Sprint(len(scripts())),
		} {
			var found string
			if err := c.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&found); err != nil || found != want {
				t.Errorf("%s: %s: expected %s, found %s, %v", who, pragma, want, found, err)
			}
		}
	}
	check("writer", s.write)
	for range 4 { // each holds one, so that the next is another
		c, err := s.read.Conn(ctx)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		check("reader", c)
		if _, err := c.ExecContext(ctx, "DELETE FROM throws"); err == nil {
			t.Error("a reader wrote")
		}
	}
}

func journalText(q alerting.JournalQuery) string {
	text, _ := journalWhere(&q, place{})
	return text
}

// No list and no step of pruning walks over what it does not give.
func TestPlans(t *testing.T) {
	s := opened(t)
	for _, c := range []struct{ text, want string }{
		{throwsText, "throws_by_turnout (turnout=? AND started_at>? AND started_at<?)"},
		{pruneBare, "INDEX throws_without_traces (started_at<?)"},
		{pruneWhole, "INDEX throws_with_traces (started_at<?)"},
		{pruneTraces, "INDEX throws_with_traces (started_at<?)"},
		{"SELECT body FROM alerts WHERE (raised_at, id) < (?, ?) AND open = 1 ORDER BY raised_at DESC, id DESC LIMIT ?", "alerts_open ((raised_at,id)<(?,?))"},
		{"SELECT body FROM alerts WHERE (raised_at, id) < (?, ?) AND turnout = ? ORDER BY raised_at DESC, id DESC LIMIT ?", "alerts_by_turnout (turnout=? AND (raised_at,id)<(?,?))"},
		{"SELECT body FROM alerts WHERE (raised_at, id) < (?, ?) ORDER BY raised_at DESC, id DESC LIMIT ?", "alerts_by_time ((raised_at,id)<(?,?))"},
		{"SELECT id, name FROM turnouts", "COVERING INDEX"},
		{handlingsText, "INDEX alerts_live"},
		{clearedText, "INDEX alerts_cleared (cleared_at>?)"},
		{handlingText, "alerts_1 (id=?)"}, // the table's own index of its key
		{dueText, "INDEX outbox_due (target=? AND due<?)"},
		{dueText, "INDEX outbox_turn (target=? AND alert=? AND id<?)"},
		{enteredAheadText, "INDEX outbox_since (target=? AND since>?)"},
		{triedAheadText, "INDEX outbox_due (target=? AND due>?)"},
		{triedAheadText, "SEARCH outbox USING INTEGER PRIMARY KEY (rowid=?)"},
		{waitingText, "COVERING INDEX outbox_since"},
		{ofAlertText, "INDEX outbox_by_alert (alert=?)"},
		{pruneText, "INDEX outbox_done (done_at<?)"},
		{pruneText, "INTEGER PRIMARY KEY (rowid=?)"},
		{journalText(alerting.JournalQuery{}), "INDEX journal_by_time (at>? AND at<?)"},
		{journalText(alerting.JournalQuery{Alert: "a"}), "INDEX journal_by_alert (alert=? AND at>? AND at<?)"},
		{journalText(alerting.JournalQuery{Turnout: "W1"}), "INDEX journal_by_turnout (turnout=? AND at>? AND at<?)"},
		{journalText(alerting.JournalQuery{Alert: "a", Turnout: "W1"}), "INDEX journal_by_alert (alert=? AND at>? AND at<?)"},
	} {
		rows, err := s.read.Query("EXPLAIN QUERY PLAN "+c.text, make([]any, strings.Count(c.text, "?"))...)
		if err != nil {
			t.Fatal(err)
		}
		var plan []string
		for rows.Next() {
			var a, b, d int
			var step string
			if err := rows.Scan(&a, &b, &d, &step); err != nil {
				t.Fatal(err)
			}
			plan = append(plan, step)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
		rows.Close()
		if got := strings.Join(plan, "\n"); !strings.Contains(got, c.want) || strings.Contains(got, "TEMP B-TREE") {
			t.Errorf("%s\nexpected %s\nfound    %s", c.text, c.want, got)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	ctx := t.Context()
	made := func(damage func(b []byte) []byte) func(path string) {
		return func(path string) {
			s, err := Open(ctx, path, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(fill(s, 0, 500), s.Close()); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(path)
			if err == nil {
				err = os.WriteFile(path, damage(b), 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	foreign := func(text string) func(string) {
		return func(path string) {
			db, err := sql.Open("sqlite", "file:"+path)
			if err == nil {
				_, err = db.Exec(text)
			}
			if err = errors.Join(err, db.Close()); err != nil {
				t.Fatal(err)
			}
		}
	}
	write := func(text string) func(string) {
		return func(path string) {
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, c := range []struct {
		what string
		make func(path string)
		want string
	}{
		{"text", write(strings.Repeat("no database ", 500)), "expected a SQLite database"},
		{"a few bytes", write("x"), "expected a SQLite database"},
		{"no header", made(func(b []byte) []byte { copy(b, "nonsense"); return b }), "expected a SQLite database"},
		{"torn first page", made(func(b []byte) []byte { copy(b[100:], bytes.Repeat([]byte{0xee}, 200)); return b }), "the file is damaged; bring it back from a backup"},
		{"half a file", made(func(b []byte) []byte { return b[:len(b)/2] }), "the file is damaged; bring it back from a backup"},
		{"from the future", made(func(b []byte) []byte { b[62], b[63] = 3, 231; return b }), fmt.Sprintf("it is of version 999, this release knows up to %d; start a newer release", len(scripts()))},
		{"foreign", foreign("CREATE TABLE x (y)"), "name another data folder"},
		{"foreign, with a version", foreign("CREATE TABLE turnouts (y); PRAGMA user_version = 1"), "name another data folder"},
		{"foreign, with a name", foreign("CREATE TABLE x (y); PRAGMA application_id = 7; PRAGMA user_version = 2"), "name another data folder"},
		{"a folder", func(path string) {
			if err := os.Mkdir(path, 0o700); err != nil {
				t.Fatal(err)
			}
		}, "expected a file that can be read"},
		{"a lock that cannot be written", func(path string) {
			if err := os.Mkdir(path+".lock", 0o700); err != nil {
				t.Fatal(err)
			}
		}, "expected a folder that can be written"},
	} {
		t.Run(c.what, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "throwline.db")
			c.make(path)
			before, _ := os.ReadFile(path)
			for range 2 { // the first refusal lets go of the lock
				s, err := Open(ctx, path, Options{})
				if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), path) {
					t.Errorf("expected %q, found %v", c.want, err)
				}
				if s != nil {
					t.Error("a store was returned")
				}
				if Temporary(err) {
					t.Error("called temporary")
				}
			}
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Error("the file was changed")
			}
		})
	}
	file := filepath.Join(t.TempDir(), "file")
	write("")(file)
	if _, err := Open(ctx, filepath.Join(file, "x.db"), Options{}); err == nil || !strings.Contains(err.Error(), "make its folder") {
		t.Errorf("found %v", err)
	}
}

func TestOpenTwice(t *testing.T) {
	s := opened(t)
	_, err := Open(t.Context(), s.path, Options{})
	if err == nil || !strings.Contains(err.Error(), "another process holds it") || !strings.Contains(err.Error(), s.path) {
		t.Errorf("found %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(t.Context(), s.path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}
	if err := again.Update(t.Context(), func(*Tx) error { return nil }); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("found %v", err)
	}
}

// A new store appears where it is asked for, whatever the name holds.
func TestOddNames(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a b?c#d%41&_é", "e'f;.db")
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(fill(s, 0, 3), s.Close()); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Size() == 0 {
		t.Errorf("found %v, %v", info, err)
	}
	// Closed well, the log is in the file.
	if _, err := os.Stat(path + "-wal"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the log was left: %v", err)
	}
}

// A store of the first version keeps all it had.
func TestMigrateFromFirst(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	text, err := migrations.ReadFile(scripts()[0])
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=auto_vacuum(2)&_pragma=journal_mode(WAL)")
	if err != nil {
		t.Fatal(err)
	}
	th, rec := throw("W1", 1)
	bare := *rec
	bare.Key, bare.StartedAt, bare.ArrivedAt = "W1~bare", dawn, dawn
	var codec traceWriter
	_, err1 := db.Exec(string(text) + "\nPRAGMA user_version = 1;")
	_, err2 := db.Exec("INSERT INTO turnouts (id, name, cabinet, state) VALUES (7, 'W1', 'cab-1', x'0102')")
	insert := "INSERT INTO throws (key, turnout, to_end, started_at, arrived_at, completed, cabinet, record, traces) VALUES (?, 7, ?, ?, ?, ?, 'cab-1', ?, ?)"
	_, err3 := db.Exec(insert, rec.Key, int(rec.To), rec.StartedAt.UnixNano(), rec.ArrivedAt.UnixNano(), rec.Completed, appendRecord(nil, rec), codec.append(nil, th.Channels))
	_, err4 := db.Exec(insert, bare.Key, int(bare.To), dawn.UnixNano(), dawn.UnixNano(), bare.Completed, appendRecord(nil, &bare), nil)
	_, err5 := db.Exec(`INSERT INTO alerts VALUES ('a', 'W1', 1, 5, '{"id":"a","turnout":"W1"}')`)
	_, err6 := db.Exec("INSERT INTO aside (at, topic, turnout, faults, payload) VALUES (1, 't', '', 'null', x'010203')")
	if err := errors.Join(err1, err2, err3, err4, err5, err6, db.Close()); err != nil {
		t.Fatal(err)
	}
	for range 2 { // brought to this release, then opened as it is
		s, err := Open(t.Context(), path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		got, channels, err := s.Throw(t.Context(), rec.Key)
		if err != nil || !same(&got, rec) || len(channels) != 1 {
			t.Errorf("found %+v, %v", got, err)
		}
		if items, _, err := s.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 9); err != nil || len(items) != 2 {
			t.Errorf("found %d throws, %v", len(items), err)
		}
		if open, err := s.OpenAlerts(t.Context()); err != nil || len(open) != 1 {
			t.Errorf("found %v, %v", open, err)
		}
		if got := s.AsideNow(); got != (Aside{Messages: 1, Bytes: 3}) {
			t.Errorf("found %+v", got)
		}
		added := true
		update(t, s, func(tx *Tx) (err error) { added, err = tx.AddThrow(rec, th); return err })
		if added {
			t.Error("a throw of before was added again")
		}
		var sound string
		if err := s.read.QueryRow("PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
			t.Errorf("integrity: %s %v", sound, err)
		}
		wholly(t, path, "migrated")
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A full disk is temporary and leaves nothing behind; once there is room the store goes on.
func TestFullDisk(t *testing.T) {
	s := opened(t)
	if err := fill(s, 0, 500); err != nil {
		t.Fatal(err)
	}
	var pages int
	if err := s.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		err := fill(s, 1000, 500)
		if err == nil || !Temporary(err) || !strings.Contains(err.Error(), "the disk is full; make room") {
			t.Fatalf("found %v", err)
		}
	}
	if _, err := s.write.Exec("PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	if err := fill(s, 1000, 500); err != nil {
		t.Fatal(err)
	}
	items, _, err := s.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 5000)
	if err != nil || len(items) != 1000 {
		t.Errorf("found %d throws, %v", len(items), err)
	}
}

// Another program that holds the file is waited for, then told of; that is temporary.
func TestBusy(t *testing.T) {
	s := opened(t)
	other, err := sql.Open("sqlite", "file:"+s.path+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec("PRAGMA busy_timeout = 20"); err != nil {
		t.Fatal(err)
	}
	err = fill(s, 0, 1)
	if err == nil || !Temporary(err) || !strings.Contains(err.Error(), "another program has the file locked") {
		t.Errorf("found %v", err)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := fill(s, 0, 1); err != nil {
		t.Error(err)
	}
}

// Damage in the middle of the file is met when it is read, told, and fatal.
func TestDamageIsFatal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "throwline.db")
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(fill(s, 0, 1000), s.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for i := 4 * pageSize; i < len(b); i++ { // behind the schema
		b[i] = byte(rng.Uint32())
	}
	if s, err = Open(t.Context(), path, Options{}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	err = fill(s, 2000, 500)
	defer s.Close()
	if err == nil || Temporary(err) || !strings.Contains(err.Error(), "the file is damaged") {
		t.Errorf("found %v", err)
	}
}

// churn writes megabytes to the log of a store and leaves nothing in it.
func churn(t *testing.T, s *Store, megabytes int, look func(log int64)) {
	t.Helper()
	payload := make([]byte, 8<<20)
	for range megabytes / 8 {
		update(t, s, func(tx *Tx) error {
			id, err := tx.SetAside(ingest.SetAside{At: dawn, Topic: "t", Payload: payload})
			return errors.Join(err, tx.DropAside(id))
		})
		info, err := os.Stat(s.path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		look(info.Size())
	}
}

// Readers who overlap without end do not let the log grow without end.
func TestLogIsBounded(t *testing.T) {
	s := opened(t)
	if err := fill(s, 0, 100); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for i := range 3 {
		wg.Go(func() {
			for ctx.Err() == nil {
				err := s.each(ctx, func(row) error { time.Sleep(time.Duration(i+1) * time.Millisecond); return nil }, "SELECT id FROM throws LIMIT 20")
				if err != nil && ctx.Err() == nil {
					t.Error(err)
				}
			}
		})
	}
	most, before, cut := int64(0), int64(0), 0
	churn(t, s, 320, func(log int64) {
		if log < before {
			cut++
		}
		before, most = log, max(most, log)
	})
	stop()
	wg.Wait()
	t.Logf("the log was at most %d MB long and was cut %d times", most>>20, cut)
	// A machine that stands still for long may make one attempt vain.
	if most > 2*walMost+16<<20 || cut == 0 {
		t.Errorf("the log grew to %d MB and was cut %d times", most>>20, cut)
	}
}

// One who reads without end, here or in another program, is waited for once,
// told of, and stops neither the writing nor the others' reading.
func TestLongReader(t *testing.T) {
	for _, who := range []string{"here", "another program"} {
		t.Run(who, func(t *testing.T) {
			var logged lockedBuffer
			s, err := Open(t.Context(), filepath.Join(t.TempDir(), "throwline.db"), Options{Log: slog.New(slog.NewTextHandler(&logged, nil))})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if err := fill(s, 0, 100); err != nil {
				t.Fatal(err)
			}
			var release func()
			if who == "here" {
				held, let, done := make(chan struct{}), make(chan struct{}), make(chan error)
				go func() {
					first := true
					done <- s.each(t.Context(), func(row) error {
						if first {
							first = false
							close(held)
							<-let
						}
						return nil
					}, "SELECT id FROM throws")
				}()
				<-held
				release = func() {
					close(let)
					if err := <-done; err != nil {
						t.Error(err)
					}
				}
			} else {
				other, err := sql.Open("sqlite", "file:"+s.path)
				if err != nil {
					t.Fatal(err)
				}
				defer other.Close()
				tx, err := other.Begin()
				if err != nil {
					t.Fatal(err)
				}
				var n int
				if err := tx.QueryRow("SELECT count(*) FROM throws").Scan(&n); err != nil {
					t.Fatal(err)
				}
				release = func() { tx.Rollback() }
			}
			churn(t, s, 136, func(int64) {
				if items, _, err := s.Throws(t.Context(), "W1", time.Time{}, time.Time{}, "", 100); err != nil || len(items) != 100 {
					t.Errorf("found %d throws, %v", len(items), err)
				}
			})
			if n := strings.Count(logged.String(), "someone reads for long"); n != 1 {
				t.Errorf("told %d times: %s", n, logged.String())
			}
			release()
			last := int64(0)
			churn(t, s, 96, func(log int64) { last = log })
			if last >= walMost {
				t.Errorf("once the reader had left, the log was still %d MB long", last>>20)
			}
		})
	}
}

// lockedBuffer is a log that may be written at once.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// What pruning frees goes back to the disk.
func TestPruneGivesRoomBack(t *testing.T) {
	s := opened(t)
	if err := fill(s, 0, 6000); err != nil {
		t.Fatal(err)
	}
	var before, after, free int
	if err := s.write.QueryRow("PRAGMA page_count").Scan(&before); err != nil {
		t.Fatal(err)
	}
	for {
		n, err := s.Prune(t.Context(), time.Time{}, dawn.Add(5000*time.Minute), 500)
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			break
		}
	}
	err1 := s.write.QueryRow("PRAGMA page_count").Scan(&after)
	err2 := s.write.QueryRow("PRAGMA freelist_count").Scan(&free)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	if after > before/3 || free > 0 {
		t.Errorf("%d pages, then %d of which %d free", before, after, free)
	}
}
