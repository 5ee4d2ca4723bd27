-- The checksum of the row (sums.go says of which columns); NULL for one that was
-- written before. A state and traces have one of their own: both come and go alone.
ALTER TABLE turnouts ADD COLUMN sum INTEGER;
ALTER TABLE throws ADD COLUMN sum INTEGER;
ALTER TABLE alerts ADD COLUMN sum INTEGER;
ALTER TABLE events ADD COLUMN sum INTEGER;
ALTER TABLE work ADD COLUMN sum INTEGER;
ALTER TABLE receipts ADD COLUMN sum INTEGER;
ALTER TABLE cabinets ADD COLUMN sum INTEGER;
ALTER TABLE aside ADD COLUMN sum INTEGER;
ALTER TABLE covered ADD COLUMN sum INTEGER;
ALTER TABLE journal ADD COLUMN sum INTEGER;
ALTER TABLE outbox ADD COLUMN sum INTEGER;
ALTER TABLE attempts ADD COLUMN sum INTEGER;
ALTER TABLE targets ADD COLUMN sum INTEGER;
ALTER TABLE places ADD COLUMN sum INTEGER;
ALTER TABLE windows ADD COLUMN sum INTEGER;
ALTER TABLE audit ADD COLUMN sum INTEGER;
ALTER TABLE accounts ADD COLUMN sum INTEGER;
ALTER TABLE sessions ADD COLUMN sum INTEGER;
ALTER TABLE tokens ADD COLUMN sum INTEGER;
ALTER TABLE links ADD COLUMN sum INTEGER;
ALTER TABLE exports ADD COLUMN sum INTEGER;
-- The last time that all of it was read beside the program, and what was found; one row.
CREATE TABLE checks (
	one     INTEGER PRIMARY KEY CHECK (one = 1),
	at      INTEGER NOT NULL,
	bytes   INTEGER NOT NULL,
	rows    INTEGER NOT NULL,
	damaged INTEGER NOT NULL,
	sum     INTEGER
) STRICT;
