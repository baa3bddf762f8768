-- What a person says of a picture beside the verdict. No CHECK: that would read every row, damaged ones too.
ALTER TABLE shots ADD COLUMN star INTEGER NOT NULL DEFAULT 0; -- 1: to be kept
ALTER TABLE shots ADD COLUMN picture TEXT NOT NULL DEFAULT ''; -- what is wrong with it

-- The camera's own numbers, as typed. The shots from one on have the next ones, up to where another was typed.
CREATE TABLE file_numbers (
    session INTEGER NOT NULL REFERENCES sessions (id),
    shot    INTEGER NOT NULL CHECK (shot >= 1), -- its number in the session
    file    INTEGER NOT NULL CHECK (file BETWEEN 0 AND 9999), -- 0: none is known from here on
    PRIMARY KEY (session, shot)
) STRICT, WITHOUT ROWID;

-- What was said of shots, so that a search in it reads no shots.
CREATE INDEX shots_remarked ON shots (session, number, verdict, note, star, picture)
    WHERE verdict <> '' OR note <> '' OR star <> 0 OR picture <> '';
