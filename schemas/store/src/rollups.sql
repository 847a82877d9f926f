-- Sealed samples by the minute and by the hour, in UTC. Two segments can meet in one minute. Rows of one hour lie together,
-- because what is sealed together is: a memory card is written in whole pages.
--
-- min, max and sum are whole numbers of the channel's last digit, value * 10^channel.decimals, wherever the sender's were;
-- integral is value * 10^decimals * half milliseconds, over covered_ms of time. The views give them in the channel's unit.
CREATE TABLE rollup_minute (
    hour       INTEGER NOT NULL,              -- since 1970-01-01T00:00:00Z
    channel    INTEGER NOT NULL REFERENCES channel(id),
    minute     INTEGER NOT NULL,              -- of the hour
    segment    INTEGER NOT NULL REFERENCES segment(id),
    count      INTEGER NOT NULL,
    missing    INTEGER NOT NULL,
    min        NUMERIC,
    max        NUMERIC,
    sum        NUMERIC NOT NULL,
    integral   NUMERIC NOT NULL,
    covered_ms INTEGER NOT NULL,
    PRIMARY KEY (hour, channel, minute, segment)
) WITHOUT ROWID;
CREATE TABLE rollup_hour (
    hour       INTEGER NOT NULL,
    channel    INTEGER NOT NULL REFERENCES channel(id),
    segment    INTEGER NOT NULL REFERENCES segment(id),
    count      INTEGER NOT NULL,
    missing    INTEGER NOT NULL,
    min        NUMERIC,
    max        NUMERIC,
    sum        NUMERIC NOT NULL,
    integral   NUMERIC NOT NULL,
    covered_ms INTEGER NOT NULL,
    PRIMARY KEY (hour, channel, segment)
) WITHOUT ROWID;

-- What SQLite's planner needs to know: an hour holds many rows of one channel, so that a question about one channel goes
-- from hour to hour and reads its rows alone (https://www.sqlite.org/optoverview.html#the_skip_scan_optimization).
ANALYZE sqlite_schema;
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('rollup_minute', 'rollup_minute', '10000000 6000 60 1 1'),
    ('rollup_hour', 'rollup_hour', '1000000 100 1 1');

-- For people: minutes and hours with addresses and UTC.
CREATE VIEW minute_utc AS
SELECT channel.address, strftime('%Y-%m-%dT%H:%M:%SZ', r.hour * 3600 + r.minute * 60, 'unixepoch') AS utc,
       r.min / CAST('1e' || channel.decimals AS REAL) AS min,
       r.sum / CAST('1e' || channel.decimals AS REAL) / (r.count - r.missing) AS mean,
       r.max / CAST('1e' || channel.decimals AS REAL) AS max, channel.unit, r.count - r.missing AS samples, r.missing,
       r.integral / CAST('1e' || channel.decimals AS REAL) / 2000.0 AS integral, r.covered_ms / 1000.0 AS covered_s
FROM rollup_minute r JOIN channel ON channel.id = r.channel;
CREATE VIEW hour_utc AS
SELECT channel.address, strftime('%Y-%m-%dT%H:%M:%SZ', r.hour * 3600, 'unixepoch') AS utc,
       r.min / CAST('1e' || channel.decimals AS REAL) AS min,
       r.sum / CAST('1e' || channel.decimals AS REAL) / (r.count - r.missing) AS mean,
       r.max / CAST('1e' || channel.decimals AS REAL) AS max, channel.unit, r.count - r.missing AS samples, r.missing,
       r.integral / CAST('1e' || channel.decimals AS REAL) / 2000.0 AS integral, r.covered_ms / 1000.0 AS covered_s
FROM rollup_hour r JOIN channel ON channel.id = r.channel;
