package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
)

// oldRows fill the tables of each version as its program did: what a migration
// adds is filled in the databases of that version and of all later ones.
var oldRows = map[int][]string{
	1: {
		`INSERT INTO events (at, alert, body) SELECT raised_at, id, json_object('event', 'raised', 'at', json_extract(body, '$.raised_at'), 'alert', json(body)) FROM alerts`,
		`INSERT INTO work (turnout, done_at, kind, note, by, arrived_at) VALUES ('W1', 1000, 'cleaned', 'n', 'b', 2000), ('W2', 3000, 'lubricated', '', '', 4000)`,
		`INSERT INTO receipts VALUES ('cab-1', 'b', 300, x'')`,
		`INSERT INTO cabinets (name, online, at, agent, rain) VALUES ('cab-1', 1, 5000, 'agent', 0.5)`,
		`INSERT INTO aside (at, topic, turnout, faults, payload, retries) VALUES (6000, 't/☃', 'W9', '[{"path":"to","expected":"x","found":"y"}]', x'7b00ff', 2)`,
	},
	3: {`INSERT INTO covered VALUES (1, 7)`},
	4: {`UPDATE work SET verdicts = '[{"drive":"main","said":"s"}]' WHERE turnout = 'W1'`},
	5: {
		`UPDATE alerts SET acknowledged = 0, handling = '{"acknowledged_at":"2026-03-01T06:05:00Z"}' WHERE id = 'a2'`,
		`INSERT INTO journal (at, alert, turnout, body) VALUES (7000, 'a2', 'W1', '{"alert":"a2","turnout":"W1","at":"2026-03-01T06:05:00Z","action":"acknowledge"}')`,
		`INSERT INTO outbox (target, key, alert, turnout, reason, body, since, due, done_at, sent) VALUES ('mail', 'a1~1', 'a1', 'W1', 'new', '{}', 1, 1, 2, 1), ('mail', 'a2~1', 'a2', 'W1', 'new', '{}', 1, 1, NULL, 0)`,
		`INSERT INTO attempts (outgoing, at, outcome) VALUES (1, 2, 'taken')`,
		`INSERT INTO targets (name, sent, sent_at) VALUES ('mail', 1, 2)`,
		`INSERT INTO places VALUES ('W1', '{"turnout":"W1","criticality":4}')`,
		`INSERT INTO windows (body) VALUES ('{"name":"night","zone":"Etc/UTC","start":"2026-03-01T01:00","duration_ns":3600000000000}')`,
		`INSERT INTO audit (at, by, what, detail) VALUES (1, 'b', 'w', 'd')`,
	},
	6: {
		`INSERT INTO accounts VALUES ('ada', 'Ada', 'admin', 0, 1, '', '')`,
		`INSERT INTO sessions VALUES (zeroblob(32), 'ada', 1, 2)`,
		`INSERT INTO tokens VALUES (1, zeroblob(32), 'ada', 'label', 'viewer', 1, 2, 0)`,
		`INSERT INTO links VALUES (zeroblob(32), 'ada', 3)`,
	},
	10: {`INSERT INTO common VALUES (1, x'7b7d', 695980202)`},
	8:  {`INSERT INTO exports (name, throws, events) VALUES ('influx', 3, 1)`},
}

const oldThrows = 48

// oldStore makes a database as the program of an earlier version left it.
func oldStore(t testing.TB, path string, version int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=page_size(16384)&_pragma=foreign_keys(1)&_pragma=synchronous(OFF)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	do := func(text string, args ...any) {
		t.Helper()
		if _, err := db.Exec(text, args...); err != nil {
			t.Fatalf("version %d: %s: %v", version, text, err)
		}
	}
	do("PRAGMA auto_vacuum = INCREMENTAL")
	do("PRAGMA journal_mode = WAL")
	for _, name := range scripts()[:version] {
		text, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		do(string(text))
	}
	do(fmt.Sprintf("PRAGMA user_version = %d", version))
	do("INSERT INTO turnouts (id, name, cabinet, state) VALUES (7, 'W1', 'cab-1', x'0102'), (8, 'W2', '', NULL)")
	var codec traceWriter
	for n := range oldThrows {
		th, rec := batchThrow(n, 1)
		traces := codec.append(nil, th.Channels)
		if n%5 == 0 {
			traces = nil // past its retention
		}
		do("INSERT INTO throws (id, key, turnout, to_end, started_at, arrived_at, completed, cabinet, record, traces) VALUES (?, ?, 7, ?, ?, ?, ?, 'cab-1', ?, ?)",
			n+1, rec.Key, int(rec.To), nanos(rec.StartedAt), nanos(rec.ArrivedAt), rec.Completed, appendRecord(nil, rec), traces)
	}
	for _, a := range []alerting.Alert{alert("a1", "W1", 1), cleared(alert("a2", "W1", 2), 30), alert("a3", "W2", 3)} {
		body, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		do("INSERT INTO alerts (id, turnout, open, raised_at, body) VALUES (?, ?, ?, ?, ?)", a.ID, a.Turnout, a.Open(), nanos(a.RaisedAt), string(body))
		if version >= 5 && !a.Open() {
			do("UPDATE alerts SET cleared_at = ? WHERE id = ?", nanos(a.ClearedAt), a.ID)
		}
	}
	for v := 1; v <= version; v++ {
		for _, text := range oldRows[v] {
			do(text)
		}
	}
}

// dump gives all rows of all tables, with the columns that they have in like.
func dump(t testing.TB, db *sql.DB, like map[string][]string) (rows map[string][]string, columns map[string][]string) {
	t.Helper()
	rows, columns = map[string][]string{}, like
	list := func(text string) (out []string) {
		r, err := db.Query(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		defer r.Close()
		for r.Next() {
			var s string
			if err := r.Scan(&s); err != nil {
				t.Fatalf("%s: %v", text, err)
			}
			out = append(out, s)
		}
		if err := r.Err(); err != nil {
			t.Fatal(err)
		}
		return out
	}
	if like == nil {
		columns = map[string][]string{}
		for _, table := range list("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'") {
			columns[table] = list(fmt.Sprintf("SELECT name FROM pragma_table_info('%s')", table))
		}
	}
	for table, cs := range columns {
		var quoted []string
		for _, c := range cs {
			quoted = append(quoted, "quote("+c+")")
		}
		rows[table] = list(fmt.Sprintf("SELECT %s FROM %s ORDER BY 1", strings.Join(quoted, " || ' ' || "), table))
	}
	return rows, columns
}

func schema(t testing.TB, db *sql.DB) string {
	t.Helper()
	var text string
	if err := db.QueryRow(`SELECT group_concat(x, char(10)) FROM (SELECT type || ' ' || name || ' ' || coalesce(group_concat(c), '') AS x FROM (
		SELECT s.type, s.name, i.name || ' ' || i.type || ' ' || i."notnull" || ' ' || coalesce(i.dflt_value, '') AS c
		FROM sqlite_schema s LEFT JOIN pragma_table_info(s.name) i ON s.type = 'table' ORDER BY s.name, i.name) GROUP BY type, name ORDER BY 1)`).Scan(&text); err != nil {
		t.Fatal(err)
	}
	return text
}

// soundOld holds a migrated store against what it was.
func soundOld(t testing.TB, s *Store, what string, before, columns map[string][]string, want string) {
	t.Helper()
	if got := schema(t, s.read); got != want {
		t.Errorf("%s: expected the tables of a new store\n%s\nfound\n%s", what, want, got)
	}
	after, _ := dump(t, s.read, columns)
	for table, rows := range before {
		if !slices.Equal(rows, after[table]) {
			t.Errorf("%s: table %s: expected\n%s\nfound\n%s", what, table, strings.Join(rows, "\n"), strings.Join(after[table], "\n"))
		}
	}
	var sound string
	if err := s.read.QueryRow("PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
		t.Errorf("%s: integrity: %s %v", what, sound, err)
	}
	wholly(t, s.path, what+", in use")
	if list, _, err := s.Throws(context.Background(), "W1", time.Time{}, time.Time{}, "", 1000); err != nil || len(list) != oldThrows {
		t.Errorf("%s: found %d throws, %v", what, len(list), err)
	}
}

// wholly holds that the check of a whole store finds nothing, the text among it that
// its tables were made and changed with.
func wholly(t testing.TB, path, what string) {
	t.Helper()
	if c, err := Check(context.Background(), path, nil); err != nil || !c.Sound() || c.Version != len(scripts()) || c.Rows == 0 {
		t.Errorf("%s: expected it to be sound, found %+v, %v", what, c, err)
	}
}

// A store of every earlier version is brought to this release with every row it
// had, wherever the power fails or the program is killed on the way.
//
//	THROWLINE_MIGRATIONS=200 go test ./daemon/store -run TestMigrate -v -timeout 1h
func TestMigrateInterrupted(t *testing.T) {
	cuts := longer("THROWLINE_MIGRATIONS", 2)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 13))
	ctx := t.Context()
	fresh := opened(t)
	want := schema(t, fresh.read)
	images := 0
	for version := 1; version < len(scripts()); version++ {
		first := newDisk(t, quickDir(t))
		path := filepath.Join(first.dir, theStore)
		oldStore(t, path, version)
		db, err := sql.Open("sqlite", "file:"+path)
		if err != nil {
			t.Fatal(err)
		}
		before, columns := dump(t, db, nil)
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		for table, rows := range before {
			if len(rows) == 0 {
				t.Errorf("version %d: table %s has no rows: add some to oldRows", version, table)
			}
		}
		old := files(t, first.dir)
		first.record = true
		s, err := Open(ctx, path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ops := first.taken() // before more is read
		soundOld(t, s, fmt.Sprintf("version %d", version), before, columns, want)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		wholly(t, path, fmt.Sprintf("version %d, closed", version))
		for n := range cuts {
			upTo := rng.IntN(len(ops) + 1)
			p := newPlatter()
			for name, b := range old {
				f := &platterFile{seen: b, kept: b}
				p.files[name], p.names[name] = f, f
			}
			p = p.clone()
			for i := range ops[:upTo] {
				p.do(&ops[i])
			}
			dir := quickDir(t)
			what := fmt.Sprintf("version %d, power cut after operation %d of %d", version, upTo, len(ops))
			if n%2 == 0 {
				p.cut(t, dir, rng)
			} else {
				what = fmt.Sprintf("version %d, killed after operation %d of %d", version, upTo, len(ops))
				p.killed(t, dir)
			}
			s, err := Open(ctx, filepath.Join(dir, theStore), Options{})
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			soundOld(t, s, what, before, columns, want)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			wholly(t, s.path, what+", closed")
			if t.Failed() {
				t.FailNow()
			}
			images++
			_ = os.RemoveAll(dir)
		}
	}
	t.Logf("%d versions, %d interrupted migrations: every row there", len(scripts())-1, images)
}

// One version too new is refused, by what reads it too, and not touched.
func TestFuture(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, theStore)
	s, err := Open(t.Context(), path, Options{})
	if err == nil {
		_, err = s.write.Exec(fmt.Sprintf("PRAGMA user_version = %d", len(scripts())+1))
	}
	if err = errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	_, err1 := Open(t.Context(), path, Options{})
	_, err2 := Verify(t.Context(), path, func([]byte) error { return nil })
	_, err3 := OpenReader(t.Context(), path)
	for _, err := range []error{err1, err2, err3} {
		if err == nil || !strings.Contains(err.Error(), "version") {
			t.Errorf("expected a refusal, found %v", err)
		}
	}
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the file was changed")
	}
}
