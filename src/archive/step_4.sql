ALTER TABLE runs ADD COLUMN row_digest TEXT;
ALTER TABLE runs ADD COLUMN record_digest TEXT;

CREATE TABLE identity (
    run INTEGER NOT NULL REFERENCES runs (id),
    place INTEGER NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE INDEX identity_by_value ON identity (name, value, run);
