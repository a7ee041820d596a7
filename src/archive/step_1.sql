CREATE TABLE runs (
    id INTEGER PRIMARY KEY,
    started TEXT NOT NULL,
    script TEXT NOT NULL,
    digest TEXT NOT NULL,
    version TEXT NOT NULL,
    serial TEXT NOT NULL,
    model TEXT NOT NULL,
    simulated INTEGER NOT NULL,
    seed TEXT,
    faults TEXT NOT NULL,
    verdict TEXT NOT NULL,
    exit_code INTEGER NOT NULL,
    failure TEXT,
    not_reached TEXT NOT NULL,
    took REAL
) STRICT;

CREATE INDEX runs_by_start ON runs (started);
CREATE INDEX runs_by_serial ON runs (serial, started);

CREATE TABLE params (
    run INTEGER NOT NULL REFERENCES runs (id),
    place INTEGER NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE checks (
    run INTEGER NOT NULL REFERENCES runs (id),
    place INTEGER NOT NULL,
    time REAL NOT NULL,
    label TEXT NOT NULL,
    condition TEXT NOT NULL,
    value REAL,
    unit TEXT,
    shown_unit TEXT,
    uncertainty REAL,
    coverage REAL,
    rule TEXT,
    low REAL,
    low_conforms INTEGER,
    high REAL,
    high_conforms INTEGER,
    margin REAL,
    probability REAL,
    outcome TEXT NOT NULL,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE INDEX checks_by_label ON checks (label, run, place, value, unit, shown_unit);

CREATE TABLE quantities (
    run INTEGER NOT NULL REFERENCES runs (id),
    place INTEGER NOT NULL,
    time REAL NOT NULL,
    label TEXT NOT NULL,
    value REAL,
    unit TEXT NOT NULL,
    shown_unit TEXT NOT NULL,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;

CREATE INDEX quantities_by_label ON quantities (label, run, place, value, unit, shown_unit);
