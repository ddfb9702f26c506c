-- What lists and the operator load filter, order and count by, and the positions that operators sit at.

ALTER TABLE finding ADD COLUMN due BIGINT NOT NULL DEFAULT 9223372036854775807; -- time at which a limit is reached by the middle estimate; the largest number: not estimated
ALTER TABLE finding ADD COLUMN taken_by TEXT;         -- who works on it; NULL: nobody
ALTER TABLE finding ADD COLUMN waiting_until BIGINT;  -- waiting until then; NULL: not
ALTER TABLE finding ADD COLUMN shelved_until BIGINT;  -- shelved until then; NULL: not
ALTER TABLE finding ADD COLUMN out_until BIGINT;      -- out of service until then; NULL: not
ALTER TABLE finding ADD COLUMN fault TEXT;            -- fault ranked first; NULL: none
UPDATE finding SET
  fault = substring(machine FROM '"faults":[[][{]"id":"([^"]*)"'),
  taken_by = operator::json ->> 'taken_by',
  waiting_until = (extract(epoch FROM (operator::json ->> 'waiting_until')::timestamptz) * 1000000)::bigint,
  shelved_until = (extract(epoch FROM (operator::json -> 'shelved' ->> 0)::timestamptz) * 1000000)::bigint;
DROP INDEX finding_list;
CREATE INDEX finding_list ON finding (open, priority, due, onset, id);
CREATE INDEX finding_recorded ON finding (recorded);

-- Operator positions: seats that cover railways or classes. Without any, one covers everything.
CREATE TABLE position (
  name     TEXT PRIMARY KEY, -- identity: a short word
  title    TEXT NOT NULL,    -- name for people
  railways TEXT NOT NULL,    -- railways covered, as a JSON list; empty: all
  classes  TEXT NOT NULL     -- classes covered, as a JSON list; empty: all
);
