-- Of which kinds a session's shots are, as the shots' sets call them, in the order of the first of each: a JSON array,
-- so that a list of sessions reads no shots; NULL: none. It is a column, and a short one, as the schema is to stay on
-- the file's first page, see 0007.
ALTER TABLE sessions ADD COLUMN kinds TEXT;

UPDATE sessions SET kinds = nullif ((SELECT json_group_array (kind) FROM (SELECT kind FROM (SELECT number,
    CASE WHEN json_valid (set_json) THEN json_extract (set_json, '$.kind') END AS kind FROM shots
    WHERE session = sessions.id) WHERE typeof (kind) = 'text' GROUP BY kind ORDER BY min (number))), '[]');
