package store

import (
	"context"
	"time"
)

// LatestWork returns when each turnout was last worked on.
func (s *Store) LatestWork(ctx context.Context) (map[string]time.Time, error) {
	latest := map[string]time.Time{}
	err := s.each(ctx, func(r row) error {
		var name string
		var at int64
		err := r.Scan(&name, &at)
		latest[name] = time.Unix(0, at).UTC()
		return err
	}, "SELECT turnout, max(done_at) FROM work GROUP BY turnout")
	return latest, err
}
