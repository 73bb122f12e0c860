-- The first form. Times are milliseconds since 1970 UTC beside the local clock's offset in seconds; practice days are
-- dates as text. Enums are small integers that never change their meaning; unknown ones are left out when read.

CREATE TABLE learners (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    name    TEXT NOT NULL UNIQUE COLLATE NOCASE,
    created INTEGER NOT NULL
) STRICT;

-- What holds for the whole store, as the learner in use.
CREATE TABLE store_state (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

CREATE TABLE settings (
    learner INTEGER NOT NULL REFERENCES learners (id) ON DELETE CASCADE,
    key     TEXT NOT NULL,
    value   TEXT NOT NULL,
    PRIMARY KEY (learner, key)
) STRICT, WITHOUT ROWID;

-- The course in use; its text is copied, so that a file that is moved or edited changes nothing unasked.
CREATE TABLE courses (
    learner INTEGER PRIMARY KEY REFERENCES learners (id) ON DELETE CASCADE,
    id      TEXT NOT NULL,
    origin  TEXT NOT NULL,
    text    TEXT,
    chosen  INTEGER NOT NULL
) STRICT;

CREATE TABLE sittings (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    learner  INTEGER NOT NULL REFERENCES learners (id) ON DELETE CASCADE,
    stage    TEXT NOT NULL,
    day      TEXT NOT NULL,
    started  INTEGER NOT NULL,
    "offset" INTEGER NOT NULL,
    ended    INTEGER,
    seed     INTEGER NOT NULL
) STRICT;
CREATE INDEX sittings_by_learner ON sittings (learner, day);

CREATE TABLE answers (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    learner     INTEGER NOT NULL REFERENCES learners (id) ON DELETE CASCADE,
    sitting     INTEGER NOT NULL REFERENCES sittings (id) ON DELETE CASCADE,
    day         TEXT NOT NULL,
    stage       TEXT NOT NULL,
    at          INTEGER NOT NULL,
    item        TEXT NOT NULL,
    prompt      INTEGER NOT NULL,
    way         INTEGER NOT NULL,
    given       TEXT,
    outcome     INTEGER NOT NULL,
    response_ms INTEGER,
    attempt     INTEGER NOT NULL,
    active_ms   INTEGER NOT NULL,
    -- Taken out of the record by the learner, as misheard.
    withdrawn   INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX answers_by_learner ON answers (learner, day, stage);

CREATE TABLE marks (
    id           INTEGER PRIMARY KEY AUTOINCREMENT,
    learner      INTEGER NOT NULL REFERENCES learners (id) ON DELETE CASCADE,
    day          TEXT NOT NULL,
    stage        TEXT NOT NULL,
    at           INTEGER NOT NULL,
    "offset"     INTEGER NOT NULL,
    -- The last answer recorded before it: what came after is known even if the clock was set.
    after_answer INTEGER NOT NULL,
    UNIQUE (learner, day)
) STRICT;
