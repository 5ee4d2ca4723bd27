package store

import (
	"database/sql"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"
)

// SQLite never writes the page at 1 GiB, where its locks lie: a log that holds
// pages beyond it, for a file that still ends before it, is sound.
func TestLogBeyondTheLocks(t *testing.T) {
	const page, locks = 16384, 1<<30/16384 + 1
	path := filepath.Join(t.TempDir(), "a.db")
	open := func() *sql.DB {
		db, err := sql.Open("sqlite", "file:"+path)
		if err != nil {
			t.Fatal(err)
		}
		db.SetMaxOpenConns(1)
		return db
	}
	do := func(db *sql.DB, texts ...string) {
		for _, text := range texts {
			if _, err := db.Exec(text); err != nil {
				t.Fatalf("%s: %v", text, err)
			}
		}
	}
	db := open()
	do(db, "PRAGMA page_size = 16384", "PRAGMA journal_mode = WAL", "CREATE TABLE t (b)")
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	// A database that ends just before that page: of holes, and said in its header.
	if err := os.Truncate(path, (locks-1)*page); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	header := make([]byte, 100)
	if _, err := f.ReadAt(header, 0); err != nil {
		t.Fatal(err)
	}
	binary.BigEndian.PutUint32(header[28:], locks-1) // pages
	copy(header[92:96], header[24:28])               // as of the change counter
	if _, err := f.WriteAt(header, 0); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	db = open()
	do(db, "INSERT INTO t VALUES (zeroblob(100000))")
	var pages int
	if err := db.QueryRow("PRAGMA page_count").Scan(&pages); err != nil || pages <= locks {
		t.Fatalf("%d pages, %v", pages, err)
	}
	// As it lies there after a kill.
	if err := checkLog(path); err != nil {
		t.Error(err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}
