package daemon

import (
	"context"
	"path/filepath"
	"time"

	"throwline/daemon/store"
)

// storePath is where the store of a configuration is.
func (c *Config) storePath() string { return filepath.Join(c.DataDir, StoreName) }

func soundState(b []byte) error {
	if b == nil {
		return nil
	}
	_, _, err := readCheckpoint(b)
	return err
}

// Backup copies the configuration's store to a new file while the program may
// run, and reads the copy; see [store.Backup].
func Backup(ctx context.Context, c *Config, to string) (store.Contents, error) {
	return store.Backup(ctx, c.storePath(), to, soundState)
}

// Verify reads a store from end to end: a file, or that of the configuration for "".
func Verify(ctx context.Context, c *Config, file string) (store.Contents, error) {
	if file == "" {
		file = c.storePath()
	}
	return store.Verify(ctx, file, soundState)
}

// Check reads a store from end to end and tells of all that is damaged: a file,
// or that of the configuration for ""; see [store.Check].
func Check(ctx context.Context, c *Config, file string, told func(store.Damage)) (store.Checked, error) {
	if file == "" {
		file = c.storePath()
	}
	return store.Check(ctx, file, told)
}

// Restore puts a backup in the place of the configuration's store; see [store.Restore].
func Restore(ctx context.Context, c *Config, from string, now time.Time) (kept string, found store.Contents, err error) {
	return store.Restore(ctx, from, c.storePath(), now, soundState)
}
