-- The camera's frames that were looked at for a session, so that each is read and measured once, and shown without the
-- camera. What was worked out can be worked out again; what a person settled cannot.
CREATE TABLE frames (
    session     INTEGER NOT NULL REFERENCES sessions (id),
    name        TEXT    NOT NULL,
    files_json  TEXT    NOT NULL, -- as they were when they were read
    facts_json  TEXT    NOT NULL, -- what they say, and what was measured
    picture     BLOB    NOT NULL, -- a small JPEG; empty: none was made
    shot        INTEGER CHECK (shot >= 1), -- the number of its shot in the session; NULL: none
    sure        TEXT    NOT NULL,
    probability REAL    NOT NULL,
    settled     INTEGER NOT NULL CHECK (settled IN (0, 1)), -- 1: by a person
    UNIQUE (session, name)
) STRICT;

CREATE UNIQUE INDEX frames_by_shot ON frames (session, shot) WHERE shot IS NOT NULL;
