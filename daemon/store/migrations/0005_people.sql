-- What people do about an alert stands with it, as JSON; so does what is to be
-- remembered of reminders and escalations.
ALTER TABLE alerts ADD COLUMN handling TEXT NOT NULL DEFAULT '{}';
ALTER TABLE alerts ADD COLUMN calls TEXT NOT NULL DEFAULT 'null';
ALTER TABLE alerts ADD COLUMN call INTEGER NOT NULL DEFAULT 0; -- how often it has called again
ALTER TABLE alerts ADD COLUMN acknowledged INTEGER NOT NULL DEFAULT -1; -- the call that was; -1: none
ALTER TABLE alerts ADD COLUMN untold INTEGER NOT NULL DEFAULT 0; -- 1: a target is still to be told of it
ALTER TABLE alerts ADD COLUMN cleared_at INTEGER; -- NULL while it stands
-- What cleared before anyone could acknowledge it calls nobody now.
UPDATE alerts SET acknowledged = 0, cleared_at = coalesce(unixepoch(json_extract(body, '$.cleared_at')) * 1000000000, raised_at),
	handling = json_object('acknowledged_at', json_extract(body, '$.cleared_at')) WHERE open = 0;
-- What is not over: it stands, or nobody has said that he saw its last call, or
-- someone is to be told. With an OR it would be taken for lists of open alerts too.
CREATE INDEX alerts_live ON alerts (raised_at, id) WHERE (open | (acknowledged < call) | untold) = 1;
CREATE INDEX alerts_cleared ON alerts (cleared_at, id) WHERE cleared_at IS NOT NULL;

-- Everything that was done about an alert, by people and by the program.
CREATE TABLE journal (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	at      INTEGER NOT NULL,
	alert   TEXT REFERENCES alerts (id), -- NULL: of none, such as the trial of a target
	turnout TEXT NOT NULL,
	body    TEXT NOT NULL
) STRICT;
CREATE INDEX journal_by_time ON journal (at, id);
CREATE INDEX journal_by_alert ON journal (alert, at, id);
CREATE INDEX journal_by_turnout ON journal (turnout, at, id);
INSERT INTO journal (at, alert, turnout, body)
	SELECT events.at, alerts.id, alerts.turnout, json_object('alert', alerts.id, 'turnout', alerts.turnout,
		'at', json_extract(events.body, '$.at'), 'action', json_extract(events.body, '$.event'))
	FROM events JOIN alerts ON alerts.id = events.alert ORDER BY events.seq;
CREATE TRIGGER journal_stays BEFORE DELETE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is only added to'); END;
CREATE TRIGGER journal_stands BEFORE UPDATE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is only added to'); END;

-- What is to be sent: entered with the alert, dropped some time after it was sent.
CREATE TABLE outbox (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	target  TEXT NOT NULL,
	key     TEXT NOT NULL,
	alert   TEXT REFERENCES alerts (id), -- NULL: a trial
	turnout TEXT NOT NULL,
	reason  TEXT NOT NULL,
	body    TEXT NOT NULL,
	since   INTEGER NOT NULL, -- due at first
	due     INTEGER NOT NULL, -- put off with every try in vain
	tries   INTEGER NOT NULL DEFAULT 0,
	outcome TEXT NOT NULL DEFAULT '', -- of the last try
	done_at INTEGER, -- NULL while it waits
	sent    INTEGER NOT NULL DEFAULT 0, -- 0 and done: given up
	UNIQUE (target, key)
) STRICT;
CREATE INDEX outbox_due ON outbox (target, due, id) WHERE done_at IS NULL;
CREATE INDEX outbox_turn ON outbox (target, alert, id) WHERE done_at IS NULL;
CREATE INDEX outbox_since ON outbox (target, since, done_at) WHERE done_at IS NULL;
CREATE INDEX outbox_done ON outbox (done_at) WHERE done_at IS NOT NULL;
CREATE INDEX outbox_by_alert ON outbox (alert, id);

CREATE TABLE attempts (
	id       INTEGER PRIMARY KEY,
	outgoing INTEGER NOT NULL REFERENCES outbox (id) ON DELETE CASCADE,
	at       INTEGER NOT NULL,
	outcome  TEXT NOT NULL
) STRICT;
CREATE INDEX attempts_by_outgoing ON attempts (outgoing, id);

-- How each target has fared; outlives what was sent.
CREATE TABLE targets (
	name      TEXT PRIMARY KEY,
	sent      INTEGER NOT NULL DEFAULT 0,
	given_up  INTEGER NOT NULL DEFAULT 0,
	sent_at   INTEGER,
	failed_at INTEGER,
	failure   TEXT NOT NULL DEFAULT ''
) STRICT;

-- The registry of turnouts. A place may be known before its turnout first throws.
CREATE TABLE places (
	turnout TEXT PRIMARY KEY,
	body    TEXT NOT NULL
) STRICT;

CREATE TABLE windows (
	id   INTEGER PRIMARY KEY AUTOINCREMENT,
	body TEXT NOT NULL
) STRICT;

-- Who has done what to the program.
CREATE TABLE audit (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	at     INTEGER NOT NULL,
	by     TEXT NOT NULL,
	what   TEXT NOT NULL,
	detail TEXT NOT NULL
) STRICT;
CREATE TRIGGER audit_stays BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END;
CREATE TRIGGER audit_stands BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit log is only added to'); END;
