package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// storeEnds are what the names of a store's files end in: its own, and those beside it.
var storeEnds = []string{"", "-wal", "-shm", "-journal", ".lock"}

// toMake are the folders that are missing on the way to one, the deepest first.
func toMake(folder string) (list []string) {
	for {
		if _, err := os.Lstat(folder); !errors.Is(err, fs.ErrNotExist) {
			return list
		}
		list = append(list, folder)
		folder = filepath.Dir(folder)
	}
}

// unmake removes a store that was begun, and the folders made for it that hold
// nothing else.
func unmake(path string, folders []string) error {
	lock, err := os.Open(path + ".lock")
	if err == nil {
		defer lock.Close()
		if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
			return nil //nolint:nilerr // another process was quicker to make one there: it is not ours
		}
		var errs []error
		for _, end := range storeEnds {
			if err := os.Remove(path + end); !errors.Is(err, fs.ErrNotExist) {
				errs = append(errs, err)
			}
		}
		if err := errors.Join(errs...); err != nil {
			return fmt.Errorf("remove what was made of it: %w", err)
		}
	}
	for _, f := range folders {
		_ = os.Remove(f) // what others have put something into stays
	}
	return nil
}
