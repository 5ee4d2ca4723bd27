-- Up to which throw the turnouts' states hold what the throws taught; those
-- after it are stepped again at the start.
CREATE TABLE covered (
	one     INTEGER PRIMARY KEY CHECK (one = 1),
	through INTEGER NOT NULL
) STRICT;
