-- Raw frames of Ampwake: what the CAN buses carried, untouched. `ampwake import` reads it like any recording.
-- SELECT datetime(first_us / 1000000, 'unixepoch'), frames, length(data) FROM raw_chunk;

-- Frames in the order of arrival, one row per commit of the recorder. The format of `data` stands in RAW.md. Times are
-- the recorder's own, in microseconds since 1970-01-01.
CREATE TABLE raw_chunk (
    id       INTEGER PRIMARY KEY,
    first_us INTEGER NOT NULL,            -- the earliest receive time in it
    last_us  INTEGER NOT NULL,            -- the latest
    frames   INTEGER NOT NULL,
    data     BLOB NOT NULL
);
