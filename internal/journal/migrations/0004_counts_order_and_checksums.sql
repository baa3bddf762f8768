-- How many shots of a session have each verdict, so that a list of sessions reads no shots.
CREATE TABLE counts (
    session INTEGER NOT NULL REFERENCES sessions (id),
    verdict TEXT    NOT NULL,
    shots   INTEGER NOT NULL,
    PRIMARY KEY (session, verdict)
) STRICT, WITHOUT ROWID;

INSERT INTO counts SELECT session, verdict, count(*) FROM shots GROUP BY session, verdict;

CREATE TRIGGER shots_counted AFTER INSERT ON shots BEGIN
    INSERT INTO counts VALUES (new.session, new.verdict, 1) ON CONFLICT DO UPDATE SET shots = shots + 1;
END;

CREATE TRIGGER shots_judged AFTER UPDATE OF verdict ON shots WHEN old.verdict <> new.verdict BEGIN
    UPDATE counts SET shots = shots - 1 WHERE session = old.session AND verdict = old.verdict;
    INSERT INTO counts VALUES (new.session, new.verdict, 1) ON CONFLICT DO UPDATE SET shots = shots + 1;
END;

-- The order in which a session's shots were made.
CREATE INDEX shots_by_time ON shots (session, boot, since_boot_ns);

-- SQLite does not notice every damage of its file. CRC-32C of what the row has; NULL: from before this column.
ALTER TABLE shots ADD COLUMN crc INTEGER;
