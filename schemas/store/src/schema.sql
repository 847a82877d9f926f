-- The database of Ampwake: what the buses said, in plain SQL.
--
-- Open it with any SQLite client and start with
--     SELECT * FROM sample_utc WHERE address = 'can0/n2k/127508/0/battery_voltage' LIMIT 20;
-- Reading is safe while the recorder writes. Please do not write to it: keep notes in a copy.

-- Facts about the file itself.
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- A stretch of recording in which the recorder's clock ran without a jump. All times in this file are the
-- recorder's own, in milliseconds since 1970-01-01; the corrected time is t_ms + offset_ms of the segment.
-- When a wrong clock is found out, offset_ms changes and no sample is ever rewritten.
CREATE TABLE segment (
    id        INTEGER PRIMARY KEY,
    source    TEXT NOT NULL,               -- the file that was imported, or the recorder's run
    offset_ms INTEGER NOT NULL DEFAULT 0,
    note      TEXT NOT NULL DEFAULT ''     -- how the offset is known
);

-- One measured quantity of one device and instance.
CREATE TABLE channel (
    id      INTEGER PRIMARY KEY,
    address TEXT NOT NULL UNIQUE,          -- bus/protocol/message[@sender][/instance]/field
    unit    TEXT NOT NULL                  -- V, A, degC, ...; 'code' is the number of an enumeration
);

-- What each channel holds in each segment, kept with every commit so that a list of channels needs no scan.
CREATE TABLE coverage (
    channel  INTEGER NOT NULL REFERENCES channel(id),
    segment  INTEGER NOT NULL REFERENCES segment(id),
    samples  INTEGER NOT NULL,             -- all of them, "not available" included
    missing  INTEGER NOT NULL,             -- those in which the sender had no value
    first_ms INTEGER NOT NULL,
    last_ms  INTEGER NOT NULL,
    latest   REAL,                         -- value of the last one, NULL where it had none
    PRIMARY KEY (channel, segment)
) WITHOUT ROWID;

-- The samples. value is NULL unless code is 0.
CREATE TABLE sample (
    channel INTEGER NOT NULL REFERENCES channel(id),
    segment INTEGER NOT NULL REFERENCES segment(id),
    t_ms    INTEGER NOT NULL,
    seq     INTEGER NOT NULL,              -- order of arrival within the segment
    value   REAL,
    code    INTEGER NOT NULL,              -- 0 value, 1 not available, 2 out of range, 3 reserved
    PRIMARY KEY (channel, segment, t_ms, seq)
) WITHOUT ROWID;

-- Things that happened to the recording: clock steps, devices that share an address, bus errors, starts, stops.
CREATE TABLE event (
    id      INTEGER PRIMARY KEY,
    segment INTEGER REFERENCES segment(id),
    t_ms    INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    bus     TEXT,
    channel TEXT,                          -- an address
    text    TEXT NOT NULL,                 -- in plain words
    details TEXT NOT NULL                  -- the figures, a JSON object
);

-- Who was heard. name is the 64-bit NAME in hexadecimal, '' for a device that never claimed its address.
CREATE TABLE device (
    bus           TEXT NOT NULL,
    address       INTEGER NOT NULL,        -- the last one heard
    name          TEXT NOT NULL,
    product       TEXT NOT NULL,           -- what it says about itself, a JSON object
    first_segment INTEGER REFERENCES segment(id),
    first_ms      INTEGER NOT NULL,
    last_segment  INTEGER REFERENCES segment(id),
    last_ms       INTEGER NOT NULL
);
-- A NAME is one device wherever it sits; without a NAME the address is all there is.
CREATE UNIQUE INDEX device_named ON device (bus, name) WHERE name <> '';
CREATE UNIQUE INDEX device_unnamed ON device (bus, address) WHERE name = '';

-- Data that could not be used, counted: damaged lines, incomplete messages, unknown messages.
CREATE TABLE problem (
    name  TEXT PRIMARY KEY,
    count INTEGER NOT NULL
) WITHOUT ROWID;

-- Every sample with its address, its corrected time in UTC and its value.
CREATE VIEW sample_utc AS
SELECT channel.address,
       channel.unit,
       strftime('%Y-%m-%dT%H:%M:%fZ', (sample.t_ms + segment.offset_ms) / 1000.0, 'unixepoch') AS utc,
       sample.value,
       CASE sample.code WHEN 0 THEN 'value' WHEN 1 THEN 'not available'
                        WHEN 2 THEN 'out of range' ELSE 'reserved' END AS said
FROM sample
JOIN channel ON channel.id = sample.channel
JOIN segment ON segment.id = sample.segment;
