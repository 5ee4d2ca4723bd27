-- CRC-32C of the state; NULL for one that was written before.
ALTER TABLE turnouts ADD COLUMN state_sum INTEGER;
