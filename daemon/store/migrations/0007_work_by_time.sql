-- What was done on a shift is asked for over all turnouts.
CREATE INDEX work_by_time ON work (done_at, id);
