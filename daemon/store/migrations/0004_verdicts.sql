-- What the throws after work say of it: a JSON list, one entry an end and drive.
ALTER TABLE work ADD COLUMN verdicts TEXT NOT NULL DEFAULT '[]';
