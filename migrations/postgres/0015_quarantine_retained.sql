-- Whether the broker had kept a refused message, which a replay has to know, and a way to rows by receive time for retention.
-- From here on quarantine_raw.size counts the texts of the message's rows beside its bytes; messages of before keep what was
-- counted for them.

ALTER TABLE quarantine ADD COLUMN retained BOOLEAN NOT NULL DEFAULT FALSE; -- true: the broker had kept it; of rows of before known only where it was refused for that
UPDATE quarantine SET retained = TRUE WHERE raw_id IN (SELECT raw_id FROM quarantine WHERE reason = 'retained-without-time');
CREATE INDEX quarantine_received ON quarantine (received);
