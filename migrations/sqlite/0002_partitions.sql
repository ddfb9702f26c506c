-- SQLite has no partitions; freed pages are used again. Kept alike with PostgreSQL: who runs on the database. The lock
-- beside the file guards it here, so that these stay as they are.

-- Raised when another process takes the database over; numbers are given only to who knows the present one.
ALTER TABLE counter ADD COLUMN fence INTEGER NOT NULL DEFAULT 0;

-- The process that runs on the database. One row.
CREATE TABLE owner (
  one    INTEGER PRIMARY KEY CHECK (one = 1), -- holds the table to one row
  holder TEXT,                                -- which process, in words of the program; NULL when it left in order
  beat   INTEGER NOT NULL                     -- moves while the holder lives
);
INSERT INTO owner (one, holder, beat) VALUES (1, NULL, 0);
