CREATE TABLE sessions (
    id         INTEGER PRIMARY KEY,
    name       TEXT    NOT NULL,
    started_ns INTEGER NOT NULL, -- Unix time
    board      TEXT    NOT NULL,
    set_json   TEXT    NOT NULL,
    care_json  TEXT    NOT NULL
) STRICT;

CREATE TABLE shots (
    id           INTEGER PRIMARY KEY,
    session      INTEGER NOT NULL REFERENCES sessions (id),
    number       INTEGER NOT NULL CHECK (number >= 1), -- in the session, without gaps
    at_ns        INTEGER NOT NULL, -- Unix time
    status       TEXT    NOT NULL,
    simulated    INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    boot_id      INTEGER NOT NULL,
    gate_ns      INTEGER NOT NULL, -- board time
    clock_ns     INTEGER NOT NULL, -- board time
    interval_ns  INTEGER NOT NULL,
    delay_ns     INTEGER NOT NULL,
    set_json     TEXT    NOT NULL,
    program_json TEXT    NOT NULL,
    cues_json    TEXT    NOT NULL CHECK (json_valid (cues_json)),
    seen         TEXT    NOT NULL,
    verdict      TEXT    NOT NULL,
    note         TEXT    NOT NULL,
    UNIQUE (session, number)
) STRICT;
