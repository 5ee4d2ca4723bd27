-- Times are unix nanoseconds, UTC. Names of turnouts and cabinets are kept once.
CREATE TABLE turnouts (
	id      INTEGER PRIMARY KEY,
	name    TEXT NOT NULL UNIQUE,
	cabinet TEXT NOT NULL DEFAULT '',
	state   BLOB
) STRICT;

CREATE TABLE throws (
	id         INTEGER PRIMARY KEY,
	key        TEXT NOT NULL UNIQUE,
	turnout    INTEGER NOT NULL REFERENCES turnouts (id),
	to_end     INTEGER NOT NULL,
	started_at INTEGER NOT NULL,
	arrived_at INTEGER NOT NULL,
	completed  INTEGER NOT NULL,
	cabinet    TEXT NOT NULL,
	record     BLOB NOT NULL,
	traces     BLOB -- NULL once past their retention
) STRICT;
CREATE INDEX throws_by_turnout ON throws (turnout, started_at, id);
CREATE INDEX throws_by_time ON throws (started_at);

CREATE TABLE alerts (
	id        TEXT PRIMARY KEY,
	turnout   TEXT NOT NULL,
	open      INTEGER NOT NULL,
	raised_at INTEGER NOT NULL,
	body      TEXT NOT NULL
) STRICT;
CREATE INDEX alerts_by_time ON alerts (raised_at, id);
CREATE INDEX alerts_by_turnout ON alerts (turnout, raised_at, id);
CREATE INDEX alerts_open ON alerts (open) WHERE open = 1;

-- What happened, in its order: exporters and notifiers read it from a cursor.
CREATE TABLE events (
	seq   INTEGER PRIMARY KEY AUTOINCREMENT,
	at    INTEGER NOT NULL,
	alert TEXT NOT NULL,
	body  TEXT NOT NULL
) STRICT;

CREATE TABLE work (
	id      INTEGER PRIMARY KEY,
	turnout TEXT NOT NULL,
	done_at INTEGER NOT NULL,
	kind    TEXT NOT NULL,
	note    TEXT NOT NULL,
	by      TEXT NOT NULL,
	arrived_at INTEGER NOT NULL,
	UNIQUE (turnout, done_at, kind)
) STRICT;

CREATE TABLE receipts (
	cabinet TEXT PRIMARY KEY,
	boot    TEXT NOT NULL,
	through INTEGER NOT NULL,
	missing BLOB NOT NULL
) STRICT;

CREATE TABLE cabinets (
	name TEXT PRIMARY KEY,
	online INTEGER,
	at INTEGER,
	agent TEXT,
	clock_offset REAL,
	conditions_at INTEGER,
	rail_temperature REAL,
	air_temperature REAL,
	supply REAL,
	rain REAL
) STRICT;

CREATE TABLE aside (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	at      INTEGER NOT NULL,
	topic   TEXT NOT NULL,
	turnout TEXT NOT NULL,
	faults  TEXT NOT NULL,
	payload BLOB NOT NULL,
	retries INTEGER NOT NULL DEFAULT 0
) STRICT;
