-- What tuning checks found. A piano is nobody's record: no learner is named here.
CREATE TABLE checks (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    at        INTEGER NOT NULL,
    "offset"  INTEGER NOT NULL,
    -- A4 in hertz, from which cents were counted.
    reference REAL NOT NULL,
    -- Parts in a million by which the sound card ran fast, and the standard error; NULL where it was not measured.
    clock     REAL,
    clock_se  REAL,
    -- Relative humidity of the room in percent, where it was told.
    humidity  REAL
) STRICT;

CREATE TABLE check_keys (
    "check"          INTEGER NOT NULL REFERENCES checks (id) ON DELETE CASCADE,
    key              INTEGER NOT NULL,
    -- First partial in hertz; every other error and spread in cents.
    hz               REAL NOT NULL,
    cents_se         REAL NOT NULL,
    inharmonicity    REAL NOT NULL,
    inharmonicity_se REAL NOT NULL,
    unison           REAL,
    unison_se        REAL,
    unison_beats     REAL,
    PRIMARY KEY ("check", key)
) STRICT, WITHOUT ROWID;
