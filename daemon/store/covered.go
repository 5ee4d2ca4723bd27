package store

import (
	"context"
	"fmt"

	"throwline/detect"
)

// A turnout's state is a fold over its throws, in the order in which they were
// filed. To write it with every throw would cost far more than the throw, so
// it may lag: what Covered says is the last throw up to which all states hold
// everything, and Since gives those that came after.

// LastThrow returns the number of the throw that was filed last, this
// transaction's among them; 0 before the first. Numbers only rise.
func (tx *Tx) LastThrow() int64 { return max(tx.last, tx.s.last) }

// Covered notes that all states, as they are kept, hold every throw up to
// number through.
func (tx *Tx) Covered(through int64) error {
	if _, err := tx.exec(tx.s.tx.saveCovered, through); err != nil {
		return fmt.Errorf("covered up to throw %d: %w", through, err)
	}
	return nil
}

// SaveCommon keeps what neighbours have in common and does not follow from
// their states.
func (tx *Tx) SaveCommon(b []byte) error {
	if _, err := tx.exec(tx.s.tx.saveCommon, b, sum(b)); err != nil {
		return fmt.Errorf("what neighbours have in common: %w", err)
	}
	return nil
}

// Common returns what SaveCommon kept; nil where it kept nothing, or where that
// has changed on the disk.
func (s *Store) Common(ctx context.Context) (b []byte, err error) {
	err = s.each(ctx, func(r row) error {
		var said uint32
		if err := r.Scan(&b, &said); err != nil {
			return err
		}
		if said != sum(b) {
			s.o.Log.Error("what neighbours have in common cannot be used", "path", s.path, "error", errChanged)
			b = nil
		}
		return nil
	}, "SELECT body, sum FROM common")
	return b, err
}

// Since gives the throws that were filed after the one that Covered named last
// to f, in the order in which they were filed, with their numbers.
func (s *Store) Since(ctx context.Context, f func(number int64, r *detect.Record) error) error {
	return s.each(ctx, func(r row) error {
		number, rec, err := scanThrow(r)
		if err != nil {
			return err
		}
		return f(number, &rec)
	}, "SELECT "+throwColumns+` FROM throws JOIN turnouts ON turnouts.id = throws.turnout
		WHERE throws.id > coalesce((SELECT through FROM covered), 0) ORDER BY throws.id`)
}

// loadLast reads the number of the last throw. It may have been pruned; a
// number that an exporter is past is not given again.
func (s *Store) loadLast(ctx context.Context) error {
	for _, t := range []*table{coveredTable, exportsTable} { // nobody else reads them row by row
		if err := s.each(ctx, func(r row) error { return checked{r}.Scan(new(any)) }, t.read(t.key[0])); err != nil {
			return err
		}
	}
	return s.each(ctx, func(r row) error { return r.Scan(&s.last) },
		"SELECT max(coalesce((SELECT max(id) FROM throws), 0), coalesce((SELECT through FROM covered), 0), coalesce((SELECT max(throws) FROM exports), 0))")
}
