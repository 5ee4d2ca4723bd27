package faults

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/daemon"
)

// A page of the store turns bad while the program runs. Who asks for it ends the
// program, with the reason; it does not start again on that file, says what to do,
// and that helps.
func TestDamageMet(t *testing.T) {
	t.Parallel() // they mostly wait
	b := newBench(t, filepath.Join(t.TempDir(), "data"))
	b.start()
	b.await("a program that is ready", b.ready)
	b.load(time.Millisecond)
	b.await("receipts", func() bool { return b.promised() > 300 })
	b.settle()
	backup := filepath.Join(t.TempDir(), "backup.db")
	if _, err := daemon.Backup(t.Context(), &b.c, backup); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", "file:"+b.path()+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	var page, size int64
	err1 := db.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'throws_by_turnout'").Scan(&page)
	err2 := db.QueryRow("PRAGMA page_size").Scan(&size)
	if err := errors.Join(err1, err2, db.Close()); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.await("a program that is ready", b.ready) // it has read the store, but nobody this page since
	f, err := os.OpenFile(b.path(), os.O_RDWR, 0)
	if err == nil {
		_, err = f.WriteAt([]byte{0xee}, (page-1)*size)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	if status, body := b.get("/api/v1/turnouts/TOLB-W1/throws"); status < 500 && status != -1 {
		t.Fatalf("expected an error, found %d, %s", status, body)
	}
	for _, want := range []string{"the file is damaged; bring it back from a backup (throwline restore)", "it is damaged: "} {
		if code := b.ended(); code == 0 || !strings.Contains(b.out.String(), want) {
			t.Fatalf("expected %q and an exit that is not 0, found exit %d", want, code)
		}
		b.start() // the second time, it must not
	}
	if code := b.ended(); code == 0 {
		t.Error("started on a store that it had found damaged")
	}
	if _, _, err := daemon.Restore(t.Context(), &b.c, backup, time.Now()); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.await("a program that is ready", b.ready)
	b.load(time.Millisecond)
	b.settle()
}
