package torture

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"

	"throwline/daemon"
)

// meanwhile is what goes on while the program is killed: a backup, a reload
// with another retention or another target.
type meanwhile struct {
	b     *bench
	l     *load
	heard *promises

	backup  *exec.Cmd
	to      string
	said    bytes.Buffer
	least   int // throws promised before the backup began
	backups int // begun
	good    int // of them, that came to their end
	reloads int
}

// The configurations between which a reload changes. All keep throws for ever.
func (b *bench) plain() { b.configure(b.broker.URL(), "targets: {"+b.office()+"}") }

func (b *bench) short() {
	b.configure(b.broker.URL(), "targets: {"+b.office()+"}\nretention: {traces: 1d}")
}

func (b *bench) wide() {
	b.configure(b.broker.URL(), "targets: {"+b.office()+", spare: {mqtt: {topic: \"spare/{turnout}\"}}}\nsilence: {quiet: 5d}")
}

// begin has something going on in this cycle.
func (m *meanwhile) begin(cycle int) {
	b := m.b
	switch cycle % 4 {
	case 1: // a backup, beside the program
		m.to = filepath.Join(b.dir, fmt.Sprintf("backup-%d.db", m.backups))
		m.backups++
		m.heard.mu.Lock()
		m.least = int(m.heard.far)
		m.heard.mu.Unlock()
		m.said.Reset()
		m.backup = exec.Command(b.binary, "backup", "--config", b.conf, m.to)
		m.backup.Stderr = &m.said
		if err := m.backup.Start(); err != nil {
			b.t.Fatal(err)
		}
	case 2, 3: // a reload: traces are dropped now, or no longer
		switch m.reloads % 3 {
		case 0:
			b.short()
		case 1:
			b.wide()
		default:
			b.plain()
		}
		m.reloads++
		// Before it listens to the signal, it would end by it.
		b.awaitReady()
		b.signal(syscall.SIGHUP)
	}
}

// finish ends what goes on: every second backup is killed too. One that has
// come to its end verifies and holds what was promised before it began; one that
// was killed has left nothing under its name, or all.
func (m *meanwhile) finish() {
	if m.backup == nil {
		return
	}
	t := m.b.t
	killed := m.backups%2 == 0
	if killed {
		_ = m.backup.Process.Kill()
	}
	err := m.backup.Wait()
	m.backup = nil
	if err != nil && !killed {
		t.Errorf("backup: %v\n%s", err, m.said.String())
	}
	if _, there := os.Stat(m.to); there != nil {
		if err == nil {
			t.Errorf("backup %s came to its end and is not there", m.to)
		}
		return
	}
	m.good++
	found, err := daemon.Verify(t.Context(), &m.b.c, m.to)
	if err != nil {
		t.Errorf("backup: %v", err)
	}
	if found.Throws < m.least {
		t.Errorf("backup: expected the %d throws promised before it began, found %d", m.least, found.Throws)
	}
	_ = os.Remove(m.to)
}

func (m *meanwhile) String() string {
	return fmt.Sprintf("%d reloads, %d backups, of which %d came to their end", m.reloads, m.backups, m.good)
}
