CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    made TEXT NOT NULL,
    author TEXT NOT NULL,
    reason TEXT NOT NULL,
    kind TEXT NOT NULL,
    run INTEGER REFERENCES runs (id),
    label TEXT,
    scope TEXT,
    centre REAL,
    deviation REAL,
    unit TEXT,
    base_runs INTEGER,
    base_from TEXT,
    base_to TEXT
) STRICT;

DROP INDEX checks_by_label;
CREATE INDEX checks_by_label ON checks (label, run, place, value, unit, shown_unit, low, high);
CREATE INDEX checks_to_count ON checks (label, outcome, run) WHERE outcome <> 'conforms';

DROP INDEX identity_by_value;
CREATE INDEX identity_by_name ON identity (name, run, value);

DROP INDEX IF EXISTS runs_by_serial;
CREATE INDEX runs_by_head ON runs (serial, script, simulated, started, id, verdict, model, operator);
CREATE INDEX runs_cut_short ON runs (started) WHERE not_reached <> '[]';
