-- What lists and the operator load filter, order and count by, and the positions that operators sit at.

ALTER TABLE finding ADD COLUMN due INTEGER NOT NULL DEFAULT 9223372036854775807; -- time at which a limit is reached by the middle estimate; the largest number: not estimated
ALTER TABLE finding ADD COLUMN taken_by TEXT;         -- who works on it; NULL: nobody
ALTER TABLE finding ADD COLUMN waiting_until INTEGER;  -- waiting until then; NULL: not
ALTER TABLE finding ADD COLUMN shelved_until INTEGER;  -- shelved until then; NULL: not
ALTER TABLE finding ADD COLUMN out_until INTEGER;      -- out of service until then; NULL: not
ALTER TABLE finding ADD COLUMN fault TEXT;            -- fault ranked first; NULL: none
UPDATE finding SET
  fault = json_extract(machine, '$.faults[0].id'),
  taken_by = json_extract(operator, '$.taken_by'),
  waiting_until = CAST(strftime('%s', json_extract(operator, '$.waiting_until')) AS INTEGER) * 1000000 + CASE WHEN instr(json_extract(operator, '$.waiting_until'), '.') > 0 THEN CAST(substr(replace(substr(json_extract(operator, '$.waiting_until'), 21), 'Z', '') || '000000', 1, 6) AS INTEGER) ELSE 0 END,
  shelved_until = CAST(strftime('%s', json_extract(operator, '$.shelved[0]')) AS INTEGER) * 1000000 + CASE WHEN instr(json_extract(operator, '$.shelved[0]'), '.') > 0 THEN CAST(substr(replace(substr(json_extract(operator, '$.shelved[0]'), 21), 'Z', '') || '000000', 1, 6) AS INTEGER) ELSE 0 END;
DROP INDEX finding_list;
CREATE INDEX finding_list ON finding (open, priority, due, onset, id);
CREATE INDEX finding_recorded ON finding (recorded);

-- Operator positions: seats that cover railways or classes. Without any, one covers everything.
CREATE TABLE position (
  name     TEXT PRIMARY KEY, -- identity: a short word
  title    TEXT NOT NULL,    -- name for people
  railways TEXT NOT NULL,    -- railways covered, as a JSON list; empty: all
  classes  TEXT NOT NULL     -- classes covered, as a JSON list; empty: all
) STRICT;
