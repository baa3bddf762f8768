-- What people marked in a session's frames, which cannot be worked out again: a JSON object; NULL: nothing. It is a
-- column, and a short one, as the schema is to stay on the file's first page, see 0007.
ALTER TABLE sessions ADD COLUMN marks TEXT;
