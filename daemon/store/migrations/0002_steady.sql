-- A name of our own in the file's header, so that no other database is taken for ours.
PRAGMA application_id = 1414286926;

-- Every throw stands in one of these two, so that finding what is past its
-- retention never walks over what has lost its traces already.
DROP INDEX throws_by_time;
CREATE INDEX throws_with_traces ON throws (started_at) WHERE traces IS NOT NULL;
CREATE INDEX throws_without_traces ON throws (started_at) WHERE traces IS NULL;

-- Open alerts in the order in which they are listed.
DROP INDEX alerts_open;
CREATE INDEX alerts_open ON alerts (raised_at, id) WHERE open = 1;
