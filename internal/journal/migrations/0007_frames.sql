-- The camera's frames that were looked at for a session, so that each is read and measured once, and shown without the
-- camera. What was worked out can be worked out again; what a person settled cannot.
--
-- files_json  the files as they were when they were read
-- facts_json  what they say, and what was measured
-- picture     a small JPEG; empty: none was made
-- shot        the number of its shot in the session; NULL: none
-- settled     1: by a person
--
-- SQLite keeps this text in the schema, which is to stay on the file's first page: a schema of more pages is lost with
-- any of them.
CREATE TABLE frames (
 session INTEGER NOT NULL REFERENCES sessions (id),
 name TEXT NOT NULL,
 files_json TEXT NOT NULL,
 facts_json TEXT NOT NULL,
 picture BLOB NOT NULL,
 shot INTEGER,
 sure TEXT NOT NULL,
 probability REAL NOT NULL,
 settled INTEGER NOT NULL,
 PRIMARY KEY (session, name)
) STRICT, WITHOUT ROWID;
