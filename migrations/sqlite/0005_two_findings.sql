-- Decisions that concern two findings.

ALTER TABLE decision ADD COLUMN other TEXT; -- the other finding that it concerns: merged into, or split off; NULL: none
CREATE INDEX decision_other ON decision (other, id) WHERE other IS NOT NULL;
