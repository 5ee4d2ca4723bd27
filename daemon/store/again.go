package store

import (
	"context"
	"encoding/json"

	"throwline/ingest"
)

// Its checksum covers the payload, which is not read here: what is sent through
// again is read by Aside, which looks at it.
const asideForText = "SELECT id, topic, turnout, faults FROM aside WHERE id > ? AND instr(faults, ?) > 0 ORDER BY id LIMIT ?"

// AsideFor returns messages that were set aside for a reason in which these words
// stand, oldest first, after the one of that number: at most limit, without their
// payloads. Rows that cannot be read are left out.
func (s *Store) AsideFor(ctx context.Context, words string, after int64, limit int) (list []ingest.SetAside, err error) {
	err = s.each(ctx, func(r row) error {
		var a ingest.SetAside
		var faults string
		if err := r.Scan(&a.ID, &a.Topic, &a.Turnout, &faults); err != nil {
			return err
		}
		if json.Unmarshal([]byte(faults), &a.Faults) == nil {
			list = append(list, a)
		}
		return nil
	}, asideForText, after, words, max(1, limit))
	return list, err
}
