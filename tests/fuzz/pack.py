#!/usr/bin/env python3
"""Packs corpus/<target>/ into corpus/<target>.tar.gz: of what the fuzzer keeps, the few inputs that cover the most.

    python3 pack.py dbc

The target must have been built (`cargo +nightly fuzz build --fuzz-dir .`). libFuzzer says what each input covers; inputs
are then taken in the order of what they add, the small ones first, up to 280 of them and 300 kB. Equal corpora give equal
archives.
"""

import gzip
import heapq
import io
import os
import pathlib
import subprocess
import sys
import tarfile
import tempfile

MOST_INPUTS = 280
MOST_BYTES = 300_000
# What an edge is worth beside a feature (an edge with its count), and how many bytes are a burden.
WORTH = {"COV": 10, "FT": 1}
BURDEN = 1500

here = pathlib.Path(__file__).parent
target = sys.argv[1]
build = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", here / "target"))
program = (build / "x86_64-unknown-linux-gnu" / "release" / target).resolve()
inputs = here / "corpus" / target

with tempfile.TemporaryDirectory() as scratch:
    control = pathlib.Path(scratch, "control")
    pathlib.Path(scratch, "merged").mkdir()
    subprocess.run(
        [program, "-merge=1", f"-merge_control_file={control}", "-rss_limit_mb=900", "-timeout=30",
         f"{scratch}/merged", inputs],
        cwd=scratch, stderr=subprocess.DEVNULL, check=True,
        env=os.environ | {"ASAN_OPTIONS": "quarantine_size_mb=8"},
    )
    lines = control.read_text().splitlines()

count = int(lines[0])
files = [pathlib.Path(line) for line in lines[2 : 2 + count]]
covers = {}
for line in lines[2 + count :]:
    kind, *numbers = line.split()
    if kind in WORTH:
        covers.setdefault(int(numbers[0]), set()).update((kind, n) for n in numbers[1:])
size = {i: files[i].stat().st_size for i in covers}

covered, chosen, total = set(), [], 0


def gain(i):
    return sum(WORTH[kind] for kind, _ in covers[i] - covered) / (1 + size[i] / BURDEN)


queue = [(-gain(i), files[i].name, i) for i in covers]
heapq.heapify(queue)
while queue and len(chosen) < MOST_INPUTS:
    _, name, i = heapq.heappop(queue)
    now = gain(i)
    if queue and -queue[0][0] > now:
        heapq.heappush(queue, (-now, name, i))
    elif now > 0 and total + size[i] <= MOST_BYTES:
        chosen.append(files[i])
        total += size[i]
        covered |= covers[i]

archive = io.BytesIO()
with tarfile.open(fileobj=archive, mode="w", format=tarfile.USTAR_FORMAT) as tar:
    for path in sorted(chosen, key=lambda p: p.name):
        entry = tarfile.TarInfo(path.name)
        entry.size = path.stat().st_size
        tar.addfile(entry, io.BytesIO(path.read_bytes()))
packed = here / "corpus" / f"{target}.tar.gz"
packed.write_bytes(gzip.compress(archive.getvalue(), 9, mtime=0))

everything = set().union(*covers.values())
edges = [sum(kind == "COV" for kind, _ in s) for s in (covered, everything)]
print(f"{target}: {len(chosen)} of {count} inputs, {total} bytes, packed {packed.stat().st_size}; edges {edges[0]} of {edges[1]}")
