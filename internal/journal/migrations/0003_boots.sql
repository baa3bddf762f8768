-- A machine without a clock battery does not know the date when it starts. What orders sessions and shots is the boot
-- they were made in and the time since; what dates them is the date of that boot, once something has told it.
CREATE TABLE boots (
    id        INTEGER PRIMARY KEY, -- in the order of the boots
    name      TEXT    NOT NULL UNIQUE, -- the system's own for it
    origin_ns INTEGER, -- Unix time at its beginning; NULL: not known
    dated_by  TEXT    NOT NULL DEFAULT '' CHECK (dated_by IN ('', 'phone', 'system')),
    CHECK ((origin_ns IS NULL) = (dated_by = ''))
) STRICT;

-- started_ns and at_ns stay what the machine's clock said. NULL: from before these columns.
ALTER TABLE sessions ADD COLUMN boot INTEGER REFERENCES boots (id);
ALTER TABLE sessions ADD COLUMN since_boot_ns INTEGER;
ALTER TABLE shots ADD COLUMN boot INTEGER REFERENCES boots (id);
ALTER TABLE shots ADD COLUMN since_boot_ns INTEGER;
