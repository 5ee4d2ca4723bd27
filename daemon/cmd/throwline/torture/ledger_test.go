package torture

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// promises hears a cabinet's receipts, as a cabinet does, and remembers all
// that any of them has ever covered.
type promises struct {
	mu   sync.Mutex
	held map[uint64]bool // numbers promised
	far  uint64          // up to which all are
}

// listen hears the receipts of a cabinet until the test ends.
func listen(t *testing.T, address, cabinet string) *promises {
	p := &promises{held: map[uint64]bool{}}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	var done sync.WaitGroup
	done.Go(func() {
		for ctx.Err() == nil {
			d := wire.NewDecoder(wire.Limits{})
			l, err := mqtt.Connect(ctx, mqtt.LinkOptions{Broker: address, ClientID: "ledger-" + cabinet, Forget: true, Receive: func(_ *mqtt.Link, m *mqtt.Message) {
				if r, err := d.Receipt(m.Payload); err != nil {
					t.Errorf("receipt %s: %v", m.Payload, err)
				} else {
					p.take(r)
				}
				m.Ack()
			}})
			if err == nil {
				if l.Subscribe(ctx, mqtt.ReceiptTopic(mqtt.DefaultPrefix, cabinet)) == nil {
					select {
					case <-l.Lost():
					case <-ctx.Done():
					}
				}
				l.Close()
			}
			time.Sleep(50 * time.Millisecond)
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	return p
}

func (p *promises) take(r ingest.Receipt) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for n := p.far + 1; n <= r.Through; n++ {
		if r.Covers(r.Boot, n) {
			p.held[n] = true
		}
	}
	for p.held[p.far+1] {
		p.far++
		delete(p.held, p.far)
	}
}

// made returns whether the promise was made for a number.
func (p *promises) made() func(uint64) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	far := p.far
	held := make(map[uint64]bool, len(p.held))
	for n := range p.held {
		held[n] = true
	}
	return func(n uint64) bool { return n <= far || held[n] }
}

// shelf is what was found in the store, in its order.
type shelf struct {
	b     *bench
	last  int64
	order []filed
	known map[int]bool // numbers of throws
	busy  int          // looks that found new ones
}

type filed struct {
	n       int // number of the throw
	arrived time.Time
}

func (b *bench) db() *sql.DB {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.c.DataDir, daemon.StoreName)+"?mode=ro")
	if err != nil {
		b.t.Fatal(err)
	}
	return db
}

func (b *bench) number(query string) (n int) {
	b.t.Helper()
	db := b.db()
	defer db.Close()
	if err := db.QueryRow(query).Scan(&n); err != nil {
		b.t.Fatalf("%s: %v", query, err)
	}
	return n
}

// look takes what is new in the store, and holds all of it against what was
// promised: nobody may have sent anything again in between.
func (s *shelf) look(promised func(uint64) bool, sent int) {
	t := s.b.t
	t.Helper()
	db := s.b.db()
	defer db.Close()
	rows, err := db.QueryContext(t.Context(), "SELECT id, key, arrived_at FROM throws WHERE id > ? ORDER BY id", s.last)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	was := s.last
	defer func() {
		if s.last > was {
			s.busy++
		}
	}()
	for rows.Next() {
		var key string
		var at int64
		if err := rows.Scan(&s.last, &key, &at); err != nil {
			t.Fatal(err)
		}
		_, id, _ := strings.Cut(key, "~n")
		n, err := strconv.Atoi(id)
		if err != nil {
			t.Fatalf("throw %q: %v", key, err)
		}
		if s.known[n] {
			t.Errorf("throw %d is stored twice", n)
		}
		s.known[n] = true
		s.order = append(s.order, filed{n, time.Unix(0, at)})
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	// The program may live, and go on.
	if n := s.b.number(fmt.Sprintf("SELECT count(*) FROM throws WHERE id <= %d", s.last)); n != len(s.known) {
		t.Errorf("expected the %d throws that were there, found %d", len(s.known), n)
	}
	for n := range sent {
		if promised(uint64(n+1)) && !s.known[n] {
			t.Errorf("throw %d was promised and is not stored", n)
		}
	}
}

// verify reads the store from end to end.
func (b *bench) verify() store.Contents {
	b.t.Helper()
	found, err := daemon.Verify(b.t.Context(), &b.c, "")
	if err != nil {
		b.t.Fatal(err)
	}
	return found
}

func contents(c store.Contents) string {
	return fmt.Sprintf("%d throws of %d turnouts, %d of them with traces, %d alerts, %.1f MB", c.Throws, c.Turnouts, c.Traces, c.Alerts, float64(c.Bytes)/1e6)
}

// events returns every transition of the store, in their order.
func (b *bench) events() (list []alerting.Event) {
	b.t.Helper()
	s, err := store.OpenReader(b.t.Context(), filepath.Join(b.c.DataDir, daemon.StoreName))
	if err != nil {
		b.t.Fatal(err)
	}
	defer s.Close()
	if err := s.EventsFrom(b.t.Context(), 0, 1<<30, func(_ int64, e *alerting.Event) error {
		list = append(list, *e)
		return nil
	}); err != nil {
		b.t.Fatal(err)
	}
	return list
}

// records returns every throw of the store as it was measured, in the order of filing.
func (b *bench) records() (list []*detect.Record) {
	b.t.Helper()
	s, err := store.OpenReader(b.t.Context(), filepath.Join(b.c.DataDir, daemon.StoreName))
	if err != nil {
		b.t.Fatal(err)
	}
	defer s.Close()
	if err := s.ThrowsAfter(b.t.Context(), 0, 1<<30, func(_ int64, r *detect.Record) error {
		list = append(list, r)
		return nil
	}); err != nil {
		b.t.Fatal(err)
	}
	return list
}

// sameTraces holds throws' raw traces, where they are kept, against what was sent.
func (b *bench) sameTraces(every int, sent func(r *detect.Record) *ingest.Throw) {
	b.t.Helper()
	list := b.records()
	s, err := store.OpenReader(b.t.Context(), filepath.Join(b.c.DataDir, daemon.StoreName))
	if err != nil {
		b.t.Fatal(err)
	}
	defer s.Close()
	compared := 0
	for i := 0; i < len(list); i += every {
		_, channels, err := s.Throw(b.t.Context(), list[i].Key)
		if err != nil {
			b.t.Fatal(err)
		}
		if channels == nil {
			continue // past its retention
		}
		compared++
		if want := sent(list[i]); !reflect.DeepEqual(channels, want.Channels) || !list[i].StartedAt.Equal(want.StartedAt) {
			b.t.Errorf("throw %s is not as it was sent", list[i].Key)
		}
	}
	if compared == 0 {
		b.t.Error("expected some traces to compare, found none")
	}
}
