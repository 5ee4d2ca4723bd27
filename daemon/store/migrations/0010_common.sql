-- What neighbours have in common and what does not follow from their states; one row.
CREATE TABLE common (
  one  INTEGER PRIMARY KEY CHECK (one = 1),
  body BLOB NOT NULL,
  sum  INTEGER NOT NULL -- CRC-32C of the body
) STRICT;
