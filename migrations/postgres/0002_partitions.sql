-- Tables that grow with time become partitioned: old parts are dropped whole instead of row by row. Nothing is copied:
-- each table of before becomes the first part of its successor. Parts after it are made by the program, ahead of need.
-- These tables refer to unit without a foreign key: units are never removed, and dropping a part must not lock unit.
-- And: who runs on the database, see crates/store/doc/storage.md.

SET LOCAL statement_timeout = 0;

-- Raised when another process takes the database over; numbers are given only to who knows the present one.
ALTER TABLE counter ADD COLUMN fence BIGINT NOT NULL DEFAULT 0;

-- The process that runs on the database. One row.
CREATE TABLE owner (
  one    BIGINT PRIMARY KEY CHECK (one = 1), -- holds the table to one row
  holder TEXT,                               -- which process, in words of the program; NULL when it left in order
  beat   BIGINT NOT NULL                     -- moves while the holder lives
);
INSERT INTO owner (one, holder, beat) VALUES (1, NULL, 0);

ALTER TABLE journal DROP CONSTRAINT journal_unit_no_fkey;
ALTER TABLE block DROP CONSTRAINT block_unit_no_fkey;
ALTER TABLE rollup DROP CONSTRAINT rollup_unit_no_fkey;
ALTER TABLE journal RENAME TO journal_base;
ALTER TABLE block RENAME TO block_base;
ALTER TABLE rollup RENAME TO rollup_base;

-- By position, which grows with receive time and is ours alone: no clock of a sender can ask for a part.
CREATE TABLE journal (LIKE journal_base INCLUDING ALL) PARTITION BY RANGE (seq);
-- By UTC day, 28 days a part.
CREATE TABLE block (LIKE block_base INCLUDING ALL) PARTITION BY RANGE (day);
CREATE TABLE rollup (LIKE rollup_base INCLUDING ALL) PARTITION BY RANGE (day);

DO $$
DECLARE
edge BIGINT;
BEGIN
SELECT value + 1 INTO edge FROM counter WHERE name = 'journal';
EXECUTE format('ALTER TABLE journal ATTACH PARTITION journal_base FOR VALUES FROM (MINVALUE) TO (%s)', edge);
SELECT (COALESCE(MAX(day), -1) + 28) / 28 * 28 INTO edge FROM block_base;
EXECUTE format('ALTER TABLE block ATTACH PARTITION block_base FOR VALUES FROM (MINVALUE) TO (%s)', edge);
SELECT (COALESCE(MAX(day), -1) + 28) / 28 * 28 INTO edge FROM rollup_base;
EXECUTE format('ALTER TABLE rollup ATTACH PARTITION rollup_base FOR VALUES FROM (MINVALUE) TO (%s)', edge);
END
$$;
