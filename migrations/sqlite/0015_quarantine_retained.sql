-- Whether the broker had kept a refused message, which a replay has to know, and a way to rows by receive time for retention.
-- From here on quarantine_raw.size counts the texts of the message's rows beside its bytes; messages of before keep what was
-- counted for them.

ALTER TABLE quarantine ADD COLUMN retained INTEGER NOT NULL DEFAULT 0; -- 1: the broker had kept it; of rows of before known only where it was refused for that
UPDATE quarantine SET retained = 1 WHERE raw_id IN (SELECT raw_id FROM quarantine WHERE reason = 'retained-without-time');
CREATE INDEX quarantine_received ON quarantine (received);
