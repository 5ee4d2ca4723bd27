-- How far each exporter has come: the last throw and the last event that the
-- other side took. What it could not take, and what was gone before, is counted.
CREATE TABLE exports (
	name    TEXT PRIMARY KEY,
	throws  INTEGER NOT NULL,
	events  INTEGER NOT NULL,
	written INTEGER NOT NULL DEFAULT 0,
	refused INTEGER NOT NULL DEFAULT 0,
	missed  INTEGER NOT NULL DEFAULT 0
) STRICT;
