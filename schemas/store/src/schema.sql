-- The database of Ampwake: what the buses said, in SQLite.
--
-- Open it with any SQLite client and start with
--     SELECT * FROM latest_utc;
--     SELECT * FROM minute_utc WHERE address = 'can0/n2k/127508/0/battery_voltage';
-- Full resolution lies packed in `chunk` and `block`: `ampwake sql` and the loadable extension show it as a table
-- `sample`. Reading is safe while the recorder writes. Please do not write to it: keep notes in a copy.

-- Facts about the file itself.
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- A stretch of recording in which the recorder's clock ran without a jump. Times of chunks, blocks, events and devices
-- are the recorder's own, in milliseconds since 1970-01-01; `segment_clock` says what is added to get UTC.
CREATE TABLE segment (
    id               INTEGER PRIMARY KEY,
    source           TEXT NOT NULL,           -- the file that was imported, or the recorder's run
    rollup_offset_ms INTEGER NOT NULL DEFAULT 0 -- the offset with which this segment's rollups were made
);

-- What is known of the clock of a segment. A correction adds a row and rewrites no sample; the newest row holds.
CREATE TABLE clock (
    id        INTEGER PRIMARY KEY,
    segment   INTEGER NOT NULL REFERENCES segment(id),
    offset_ms INTEGER NOT NULL,               -- UTC less the recorder's own time
    note      TEXT NOT NULL                   -- how that is known
);
CREATE INDEX clock_of_segment ON clock (segment, id);
CREATE VIEW segment_clock AS
SELECT segment.id AS segment, segment.source, coalesce(clock.offset_ms, 0) AS offset_ms, coalesce(clock.note, '') AS note
FROM segment LEFT JOIN clock ON clock.id = (SELECT max(id) FROM clock c WHERE c.segment = segment.id);

-- One measured quantity of one device and instance.
CREATE TABLE channel (
    id      INTEGER PRIMARY KEY,
    address TEXT NOT NULL UNIQUE,             -- bus/protocol/message[@sender][/instance]/field
    unit    TEXT NOT NULL,                    -- V, A, degC, ...; 'code' is the number of an enumeration
    decimals INTEGER NOT NULL DEFAULT 0       -- of its numbers in minutes and hours, see there
);

-- The columns of a stream: values that arrive together, in one message. A stream never changes: where the meaning of
-- its numbers does (an edited description of a device), there is a new one.
CREATE TABLE stream_column (
    stream   INTEGER NOT NULL,
    place    INTEGER NOT NULL,                -- the column in the stream's blocks, from 0
    channel  INTEGER NOT NULL REFERENCES channel(id),
    step     INTEGER,                         -- value = (raw * step + shift) / 10^decimals; NULL: floats
    shift    INTEGER,
    decimals INTEGER,
    PRIMARY KEY (stream, place)
) WITHOUT ROWID;
CREATE INDEX stream_of_channel ON stream_column (channel);

-- Everything since the last sealing: one row per commit, in the format of `schemas/blocks/FORMAT.md`.
CREATE TABLE chunk (
    id      INTEGER PRIMARY KEY,
    segment INTEGER NOT NULL REFERENCES segment(id),
    data    BLOB NOT NULL
);

-- Sealed samples: at most 8192 rows of one stream, in the same format. Old ones have no data any more (x''), only their
-- summaries; `meta` says from when on all is there (full_resolution_from_ms).
CREATE TABLE block (
    id       INTEGER PRIMARY KEY,
    stream   INTEGER NOT NULL,
    segment  INTEGER NOT NULL REFERENCES segment(id),
    first_ms INTEGER NOT NULL,
    last_ms  INTEGER NOT NULL,
    rows     INTEGER NOT NULL,
    data     BLOB NOT NULL
);
CREATE INDEX block_of_stream ON block (stream, segment, first_ms, last_ms, rows);

-- What each channel comes to in each block. Integrals are unit times seconds over covered_ms of time.
CREATE TABLE summary (
    block      INTEGER NOT NULL REFERENCES block(id),
    channel    INTEGER NOT NULL REFERENCES channel(id),
    count      INTEGER NOT NULL,              -- samples, "not available" ones included
    missing    INTEGER NOT NULL,              -- those in which the sender had no value
    first_ms   INTEGER,                       -- of the first one that has a value; the recorder's own time
    first      REAL,
    last_ms    INTEGER,
    last       REAL,
    min        REAL,
    max        REAL,
    sum        REAL NOT NULL,
    integral   REAL NOT NULL,
    covered_ms INTEGER NOT NULL,
    PRIMARY KEY (block, channel)
) WITHOUT ROWID;

-- What each channel holds in each segment, sealed samples only.
CREATE TABLE coverage (
    channel  INTEGER NOT NULL REFERENCES channel(id),
    segment  INTEGER NOT NULL REFERENCES segment(id),
    samples  INTEGER NOT NULL,                -- all of them, "not available" included
    missing  INTEGER NOT NULL,                -- those in which the sender had no value
    first_ms INTEGER NOT NULL,
    last_ms  INTEGER NOT NULL,
    latest   REAL,                            -- value of the last one, NULL where it had none
    PRIMARY KEY (channel, segment)
) WITHOUT ROWID;

-- The latest sample of each channel, written at most once a minute.
CREATE TABLE latest (
    channel INTEGER PRIMARY KEY REFERENCES channel(id),
    segment INTEGER NOT NULL REFERENCES segment(id),
    t_ms    INTEGER NOT NULL,
    value   REAL,
    code    INTEGER NOT NULL                  -- 0 value, 1 not available, 2 out of range, 3 reserved
);

-- Things that happened to the recording: clock steps, devices that share an address, bus errors, starts, stops; and what
-- somebody marked by hand (kind 'mark'; without a segment its time is UTC).
CREATE TABLE event (
    id      INTEGER PRIMARY KEY,
    segment INTEGER REFERENCES segment(id),
    t_ms    INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    bus     TEXT,
    channel TEXT,                             -- an address
    text    TEXT NOT NULL,                    -- in plain words
    details TEXT NOT NULL                     -- the figures, a JSON object
);

-- Who was heard. name is the 64-bit NAME in hexadecimal, '' for a device that never claimed its address.
CREATE TABLE device (
    bus           TEXT NOT NULL,
    address       INTEGER NOT NULL,           -- the last one heard
    name          TEXT NOT NULL,
    product       TEXT NOT NULL,              -- what it says about itself, a JSON object
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

-- Chunks and blocks that were found damaged, set aside as they are.
CREATE TABLE damaged (
    id      INTEGER PRIMARY KEY,
    segment INTEGER,
    found   TEXT NOT NULL,                    -- what was wrong
    data    BLOB NOT NULL
);

-- For people: the latest values with addresses and UTC.
CREATE VIEW latest_utc AS
SELECT channel.address, latest.value, channel.unit,
       strftime('%Y-%m-%dT%H:%M:%fZ', (latest.t_ms + segment_clock.offset_ms) / 1000.0, 'unixepoch') AS utc,
       round((julianday('now') - 2440587.5) * 86400.0 - (latest.t_ms + segment_clock.offset_ms) / 1000.0, 1) AS age_s,
       CASE latest.code WHEN 0 THEN 'value' WHEN 1 THEN 'not available' WHEN 2 THEN 'out of range' ELSE 'reserved' END AS said
FROM latest JOIN channel ON channel.id = latest.channel JOIN segment_clock ON segment_clock.segment = latest.segment;
