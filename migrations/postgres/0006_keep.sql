-- Retention: events of findings that were dropped leave holes in the log. And: checksums of packed samples.

INSERT INTO counter (name, value) VALUES ('event-dropped', 0); -- newest event dropped; the log is whole after it

-- Rows of before have none: they are read without.
ALTER TABLE journal ADD COLUMN crc BIGINT; -- CRC-32 of packed, then extras; NULL in rows of before
ALTER TABLE latest ADD COLUMN crc BIGINT;  -- CRC-32 of packed; NULL in rows of before
