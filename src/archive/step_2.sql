ALTER TABLE runs ADD COLUMN operator TEXT;

CREATE INDEX runs_by_operator ON runs (operator, started);
