"""Runs every measurement and prints the table: figures.py FOLDER-OF-PROGRAMS FRAMES."""

import gzip
import json
import os
import pathlib
import resource
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time

import can
import duckdb
import zstandard

programs, frames = pathlib.Path(sys.argv[1]).resolve(), int(sys.argv[2])
ROUNDS = 5
# Of the year's database; FIGURES_DAYS=365 takes 2 GB of disk.
DAYS = [int(days) for days in os.environ.get("FIGURES_DAYS", "7 30").split()]
rows = []


def run(*command, **more):
    return subprocess.run([str(c) for c in command], check=True, capture_output=True, text=True, **more).stdout


def measure(*arguments):
    return json.loads(run(programs / "measure", *arguments))


def processor_seconds(*command):
    """User and system time of a program: what one core does, whatever else the computer is at."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    run(*command)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime - before.ru_utime) + (after.ru_stime - before.ru_stime)


def spread(values):
    return f"{min(values):.3g} to {max(values):.3g}"


def row(what, value, between, wanted, met):
    rows.append((what, value, between, wanted, met))
    print(f"{what}: {value} ({between}); wanted {wanted}: {'met' if met else 'NOT MET'}", file=sys.stderr, flush=True)


def importing(name, log, wanted):
    rates = []
    for _ in range(ROUNDS):
        database = folder / "import.db"
        for path in folder.glob("import.db*"):
            path.unlink()
        rates.append(frames / processor_seconds(programs / "ampwake", "import", log, "--db", database) / 1e6)
    rate = statistics.median(rates)
    row(f"import, {name}", f"{rate:.2f} M frames/s", spread(rates), f"at least {wanted}", rate >= wanted)
    return rate * 1e6


def python_can(log, count):
    """The general-purpose Python CAN library, from the same text into its own SQLite log."""
    part = folder / "part.log"
    with open(log) as source, open(part, "w") as target:
        for _ in range(count):
            target.write(source.readline())
    database = folder / "peer.db"
    start = time.process_time()
    writer = can.io.SqliteWriter(str(database))
    for message in can.io.CanutilsLogReader(str(part)):
        writer(message)
    writer.stop()
    return count / (time.process_time() - start)


def sizes(manner, log, database):
    connection = sqlite3.connect(database)
    of = "SELECT sum(length(data)), sum(rows * columns) FROM block JOIN (SELECT stream, count(*) AS columns FROM stream_column GROUP BY stream) USING (stream) WHERE columns"
    (several, samples), (single, alone) = (connection.execute(f"{of} {which}").fetchone() for which in ("> 1", "= 1"))
    every = samples + (alone or 0)
    per_sample = several / samples
    row(f"blocks of two or more values, {manner}", f"{per_sample:.2f} bytes/sample", f"{samples} samples", "at most 1.0", per_sample <= 1.0)
    if alone:
        row(f"single-value messages, {manner}", f"{single / alone:.2f} bytes/sample", f"{alone} samples", "reported", True)
    tables = measure("tables", database)
    for name, parts in [("minutes", ["rollup_minute"]), ("hours", ["rollup_hour"]), ("summaries of blocks", ["summary"])]:
        taken = sum(tables[part] for part in parts)
        row(f"{name}, {manner}", f"{taken / every:.3f} bytes/sample", f"{taken} bytes", "reported", True)
    blocks, whole = several + (single or 0), os.path.getsize(database)
    row(f"all of the database, {manner}", f"{whole / every:.2f} bytes/sample", f"{whole} bytes; table block {tables['block']}", "reported", True)
    packed = len(zstandard.ZstdCompressor(level=3).compress(log.read_bytes()))
    row(f"blocks against zstd -3 of the recording, {manner}", f"1/{packed / blocks:.1f}", f"{packed} bytes", "at most 1/8", blocks * 8 <= packed)
    row(f"all of the database against it, {manner}", f"1/{packed / whole:.1f}", f"{whole} bytes", "at most 1/8", whole * 8 <= packed)


def scanning(manner, database):
    ours = measure("scan", database, "--rounds", 9)
    rate = [ours["samples"] / s for s in ours["seconds"]]
    median = statistics.median(rate)
    row(f"scan of sealed blocks, {manner}", f"{median / 1e6:.0f} M samples/s", spread([r / 1e6 for r in rate]), "at least 120", median >= 120e6)
    by_rows = measure("rows", database, folder / f"{manner}-rows.db")
    peer = by_rows["samples"] / statistics.median(by_rows["seconds"])
    row(f"scan against rows through rusqlite, {manner}", f"{median / peer:.1f} times", f"{peer / 1e6:.1f} M rows/s", "at least 10", median >= 10 * peer)
    parquet = folder / f"{manner}-parquet"
    run(programs / "ampwake", "export", database, "--parquet", parquet)
    connection = duckdb.connect()
    connection.execute("SET threads = 1")
    # Whatever nobody asks for is not worked out: all of it is asked for.
    question = f"""SELECT sum(n), sum(least), sum(most), sum(mean), sum(integral) FROM (
        SELECT channel, count(*) AS n, min(value) AS least, max(value) AS most, avg(value) AS mean,
               sum((value + before) / 2 * epoch(time - earlier)) AS integral
        FROM (SELECT channel, time, value, lag(value) OVER w AS before, lag(time) OVER w AS earlier
              FROM read_parquet('{parquet}/**/*.parquet', hive_partitioning = false)
              WINDOW w AS (PARTITION BY channel ORDER BY time)) GROUP BY channel)"""
    plain = f"""SELECT sum(n), sum(least), sum(most), sum(mean) FROM (
              SELECT channel, count(*) AS n, min(value) AS least, max(value) AS most, avg(value) AS mean
              FROM read_parquet('{parquet}/**/*.parquet', hive_partitioning = false) GROUP BY channel)"""
    for name, sql, wanted in [("without the integral", plain, 7), ("with it", question, 7)]:
        seconds = []
        for _ in range(3):
            start = time.process_time()
            n = connection.execute(sql).fetchone()[0]
            seconds.append(time.process_time() - start)
        peer = float(n) / statistics.median(seconds)
        row(f"scan against DuckDB on Parquet, {name}, {manner}", f"{median / peer:.1f} times", f"{peer / 1e6:.1f} M samples/s", f"at least {wanted}", median >= wanted * peer)


def overview(manner, database):
    """By the hour: the view for people against grouping rows, both in the stock SQLite of Python."""
    hours, grouped = [], []
    for _ in range(5):
        start = time.perf_counter()
        sqlite3.connect(database).execute("SELECT address, utc, samples, min, mean, max FROM hour_utc").fetchall()
        hours.append(time.perf_counter() - start)
    for _ in range(3):
        start = time.perf_counter()
        sqlite3.connect(folder / f"{manner}-rows.db").execute(
            "SELECT channel, time / 3600000, count(*), min(value), avg(value), max(value) FROM sample GROUP BY 1, 2"
        ).fetchall()
        grouped.append(time.perf_counter() - start)
    times = statistics.median(grouped) / statistics.median(hours)
    row(f"overview by the hour against grouping rows, {manner}", f"{times:.0f} times", f"{statistics.median(hours) * 1e3:.2f} ms", "at least 100", times >= 100)


def writing():
    for commit, wanted in [(10, 230), (60, 90)]:
        ours = measure("write", folder / f"write-{commit}.db", "--commit-s", commit)
        mb = ours["written"] / 1e6
        row(f"written to the device in a day at 100 samples/s, commits of {commit} s", f"{mb:.0f} MB", f"file {ours['file'] / 1e6:.1f} MB", f"under {wanted}", 0 < mb < wanted)
        peer = measure("write", folder / f"rows-{commit}.db", "--commit-s", commit, "--as-rows")
        times = peer["written"] / max(ours["written"], 1)
        row(f"the same against appended rows, commits of {commit} s", f"1/{times:.1f}", f"{peer['written'] / 1e6:.0f} MB", "at most 1/4", times >= 4)


def daemon(log):
    for name, rate in [("", 1850), (", ten times as fast", 18500)]:
        got = measure("daemon", log, folder / f"daemon-{rate}.db", "--per-second", rate, "--seconds", 30)
        share = got["share"] * 100
        lost = got["frames"] - got["recorded"]
        row(f"recorder on a full bus of 250 kbit/s{name}", f"{share:.2f} % of a core", f"{lost} of {got['frames']} frames missing", "under 2" if rate == 1850 else "reported", share < 2 or rate != 1850)
        mb = got["resident_mb"]
        row(f"its memory{name}", f"{mb:.1f} MB", f"{got['of_that_the_bus_mb']:.1f} MB of it the bus that plays", "under 20", mb < 20 or rate != 1850)


def voyage(log):
    """A day at high speed: memory must not grow with it."""
    got = measure("voyage", log, folder / "voyage.db", "--hours", 24)
    first, last = got["first_hour_mb"], got["resident_mb"]
    lost = got["frames"] - got["recorded"]
    row("memory of the recorder after 24 hours of a bus at 600 frames/s", f"{last:.1f} MB", f"{first:.1f} MB after the first hour; {lost} of {got['frames']} frames missing; in {got['seconds'][0]:.0f} s", "flat, but for 2 MB of cached pages", last < first + 2 and lost == 0)


def analysis(days):
    """One process, as it is called: wall time and the most memory it ever had. Of the whole year only where it is asked for."""
    database, intent = folder / "year.db", folder / "year.toml"
    made = measure("year", database, intent, "--days", days)
    start = time.perf_counter()
    # A computer on which others work is not to be taken down.
    limit = lambda: resource.setrlimit(resource.RLIMIT_AS, (12 << 30, 12 << 30))
    child = subprocess.Popen(
        [programs / "ampwake", "analyze", database, "--intent", intent, "--json", folder / "year.json"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, preexec_fn=limit,
    )
    words = child.stderr.read()
    _, status, used = os.wait4(child.pid, 0)
    wall, mb = time.perf_counter() - start, used.ru_maxrss / 1000
    what = f"analysis of {days} days at 1 Hz, {made['channels']} channels"
    beside = f"{made['samples']:,} samples, {made['file'] / 1e6:.0f} MB, written in {made['seconds'][0]:.0f} s"
    if status:
        row(what, "failed", words.strip().splitlines()[-1] if words.strip() else f"status {status}", "under 60 s for a year", False)
    else:
        row(what, f"{wall:.1f} s", f"{beside}; {used.ru_utime + used.ru_stime:.1f} s of processor", "under 60 s for a year", wall * 365 / days < 60)
        row("its memory", f"{mb:.0f} MB", "peak", "under 300 MB for a year", mb < 300)
    for path in folder.glob("year*"):
        path.unlink()


# On a disk, not in memory: bytes that go to the device are counted.
place = pathlib.Path(os.environ.get("FIGURES_FOLDER", tempfile.gettempdir()))
folder = pathlib.Path(tempfile.mkdtemp(prefix="figures-", dir=place))
try:
    for manner in ("steady", "rough"):
        log = folder / f"{manner}.log"
        with open(log, "wb") as out:
            subprocess.run([programs / "marine-mix", "--frames", str(frames), "--seed", "1"] + (["--rough"] if manner == "rough" else []), check=True, stdout=out)
        rate = importing(f"candump, {manner}", log, 5.0)
        database = folder / f"{manner}.db"
        shutil.move(folder / "import.db", database)
        if manner == "steady":
            decode = [frames / statistics.median(measure("decode", log)["seconds"]) / 1e6 for _ in range(ROUNDS)]
            row("decoding and gathering alone", f"{statistics.median(decode):.2f} M frames/s", spread(decode), "reported", True)
            (folder / "mix.log.zst").write_bytes(zstandard.ZstdCompressor(level=3).compress(log.read_bytes()))
            with gzip.open(folder / "mix.log.gz", "wb", compresslevel=6) as packed:
                packed.write(log.read_bytes())
            importing("candump.zst", folder / "mix.log.zst", 3.5)
            importing("candump.gz", folder / "mix.log.gz", 2.5)
            peer = python_can(log, min(frames, 200_000))
            row("import against python-can's SQLite log", f"{rate / peer:.0f} times", f"{peer:.0f} frames/s", "at least 80", rate >= 80 * peer)
        sizes(manner, log, database)
        scanning(manner, database)
        overview(manner, database)
        log.unlink() if manner == "rough" else None
    daemon(folder / "steady.log")
    voyage(folder / "steady.log")
    writing()
    for days in DAYS:
        analysis(days)
finally:
    shutil.rmtree(folder)

print(f"\n{frames:,} frames a recording; {os.cpu_count()} cores; python-can {can.__version__}, DuckDB {duckdb.__version__}\n")
print("| what | measured | spread, or beside it | wanted | |\n|---|---|---|---|---|")
for what, value, between, wanted, met in rows:
    print(f"| {what} | {value} | {between} | {wanted} | {'' if wanted == 'reported' else 'met' if met else '**not met**'} |")
