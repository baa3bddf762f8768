CREATE TABLE phones (
    token_hash BLOB    PRIMARY KEY CHECK (length (token_hash) = 32), -- SHA-256; the token itself is on the phone only
    name       TEXT    NOT NULL,
    paired_ns  INTEGER NOT NULL -- Unix time
) STRICT;
