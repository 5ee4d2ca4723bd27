-- Who may come in. Of what was given out, only the SHA-256 is kept.
CREATE TABLE accounts (
	name       TEXT PRIMARY KEY,
	display    TEXT NOT NULL,
	role       TEXT NOT NULL,
	disabled   INTEGER NOT NULL,
	created_at INTEGER NOT NULL,
	password   TEXT NOT NULL, -- a PHC string; '' for none
	subject    TEXT NOT NULL  -- at an OpenID provider; '' for none
) STRICT;
CREATE UNIQUE INDEX accounts_by_subject ON accounts (subject) WHERE subject <> '';

CREATE TABLE sessions (
	secret  BLOB PRIMARY KEY,
	account TEXT NOT NULL REFERENCES accounts (name),
	began   INTEGER NOT NULL,
	seen    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE tokens (
	id         INTEGER PRIMARY KEY,
	secret     BLOB NOT NULL UNIQUE,
	account    TEXT NOT NULL REFERENCES accounts (name),
	label      TEXT NOT NULL,
	role       TEXT NOT NULL,
	made_at    INTEGER NOT NULL,
	expires_at INTEGER NOT NULL,
	used_at    INTEGER NOT NULL -- 0: never
) STRICT;

CREATE TABLE links (
	secret     BLOB PRIMARY KEY,
	account    TEXT NOT NULL REFERENCES accounts (name),
	expires_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
