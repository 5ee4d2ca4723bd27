package lineside

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"throwline/ingest/mqtt/mosquittotest"
)

// A throw that the disk does not give back holds up none behind it, and what is
// left of its segment is there for the next start.
func TestUnreadThrowHoldsUpNone(t *testing.T) {
	b := mosquittotest.Start(t, "")
	b.Stop()
	dir := filepath.Join(t.TempDir(), "spool")
	c := openCabinet(t, b, dir, nil)
	sendAll(t, c, 0, 3)
	if err := c.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	c = openCabinet(t, b, dir, nil) // those three are on the disk only
	sendAll(t, c, 3, 5)
	damaged := spoolFiles(t, dir)[0]
	whole, err := os.ReadFile(damaged)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(damaged, int64(len(whole)/2)); err != nil {
		t.Fatal(err)
	}
	b.Begin()
	o := openOffice(t, b)
	until(t, "what can be read to be stored", func() bool { return o.stored() >= 3 })
	flush(t, c)
	if err := c.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(damaged); err != nil {
		t.Fatalf("expected the segment to be kept: %v", err)
	}
	if err := os.WriteFile(damaged, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	c = openCabinet(t, b, dir, nil)
	until(t, "all to be stored", func() bool { return o.stored() == 5 })
	flush(t, c)
}
