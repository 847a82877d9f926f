"""Reads an export with engines that share no code with us or with each other: DuckDB and Polars, of PyPI.

  tables.py DIR   of every engine and channel: "ENGINE VESSEL CHANNEL UNIT SAMPLES VALUES MIN MAX MEAN FIRST LAST
                  NOT_AVAILABLE", times in ms UTC, "-" where there is no value, tabs between

Days are compared with the times of their rows here, because only a reader sees the partitions.
"""

import pathlib
import sys

import duckdb
import polars as pl


def say(engine, rows):
    for row in rows:
        print(engine, *("-" if cell is None else repr(cell) if isinstance(cell, float) else cell for cell in row), sep="\t")


def with_duckdb(name, table):
    db = duckdb.connect()
    db.execute("SET TimeZone = 'UTC'")
    assert not db.execute(f"SELECT count(*) FROM {table} WHERE CAST(time AS DATE) <> day").fetchone()[0]
    say(
        name,
        db.execute(
            f"""SELECT vessel, channel, coalesce(unit, ''), count(*), count(value), min(value), max(value), avg(value),
                       epoch_ms(min(time)), epoch_ms(max(time)), count(*) FILTER (WHERE status = 'not available')
                FROM {table} GROUP BY ALL ORDER BY channel"""
        ).fetchall(),
    )


def with_polars(name, frame):
    frame = frame.collect()
    assert frame.filter(pl.col("time").dt.date() != pl.col("day")).is_empty()
    # What the file says of its order is true.
    assert frame.equals(frame.sort("day", "channel", "time", maintain_order=True))
    value, time = pl.col("value"), pl.col("time").dt.timestamp("ms")
    columns = frame.group_by("vessel", "channel", "unit").agg(
        pl.len(),
        value.count().alias("values"),
        value.min().alias("min"),
        value.max().alias("max"),
        value.mean().alias("mean"),
        time.min().alias("first"),
        time.max().alias("last"),
        (pl.col("status") == "not available").sum().alias("not available"),
    )
    say(name, columns.sort("channel").rows())


def main(folder):
    quoted = folder.replace("'", "''")
    if next(pathlib.Path(folder).rglob("*.csv"), None):
        with_duckdb("duckdb-csv", f"read_csv('{quoted}/**/*.csv', hive_partitioning = true)")
        return
    with_duckdb("duckdb", f"read_parquet('{quoted}/**/*.parquet', hive_partitioning = true)")
    with_polars("polars", pl.scan_parquet(folder, hive_partitioning=True))


main(sys.argv[1])
