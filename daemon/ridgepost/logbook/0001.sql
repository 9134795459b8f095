-- The log. `seq` is handed out by the station, without gaps; there is no other index, because
-- each one is another page to write for every entry.
CREATE TABLE log (
    seq INTEGER PRIMARY KEY,
    run INTEGER NOT NULL,
    mono_ms INTEGER NOT NULL,      -- monotonic clock of the run's boot
    wall_ms INTEGER NOT NULL,      -- Unix time; believe it only if wall_trusted
    wall_trusted INTEGER NOT NULL,
    what TEXT NOT NULL,            -- kind of record
    body TEXT NOT NULL             -- the record, JSON
);

-- One row for each start of the program. Together with seq it names an entry for ever.
CREATE TABLE run (
    run INTEGER PRIMARY KEY,
    boot TEXT NOT NULL,            -- runs of one boot share its monotonic clock
    first_seq INTEGER NOT NULL
);

-- How far a reader of the log has come: every entry up to seq is dealt with.
CREATE TABLE reader (
    name TEXT PRIMARY KEY,
    seq INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE identity (
    log TEXT NOT NULL              -- this log's own short name, drawn at random when it was made
);

-- Six hexadecimal digits: enough that two logs of one club do not share a name.
INSERT INTO identity (log) VALUES (lower(hex(randomblob(3))));
