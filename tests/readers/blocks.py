"""Reads a database of Ampwake without any code of ours: from schemas/blocks/FORMAT.md and schemas/store/src/schema.sql
alone, with Python's own sqlite3 and the `pcodec` package of PyPI. It is slow and short on purpose.

  blocks.py DB                  every sample: "channel ADDRESS UNIT COUNT", then a line per sample in the order of time:
                                UTC ms, code, the value's 64 bits in hexadecimal ("-" where there is none)
  blocks.py --vectors FORMAT.md reads the test vectors of that page, and refuses them with any one byte changed
"""

import re
import sqlite3
import struct
import sys

import pcodec.standalone

MOST_ROWS, MOST_COLUMNS = 8192, 250


class Damaged(Exception):
    """Bytes that are no block."""


def crc32c(data):
    """CRC-32C, RFC 3720 appendix B.4: polynomial 0x1EDC6F41, bits reflected, all ones before and after."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc = CRC_TABLE[(crc ^ byte) & 0xFF] ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF


def crc_row(n):
    for _ in range(8):
        n = (n >> 1) ^ (0x82F63B78 if n & 1 else 0)
    return n


CRC_TABLE = [crc_row(n) for n in range(256)]


class Input:
    def __init__(self, data):
        self.data, self.at = data, 0

    def take(self, length):
        piece = self.data[self.at : self.at + length]
        if len(piece) < length:
            raise Damaged("it ends early")
        self.at += length
        return piece

    def byte(self):
        return self.take(1)[0]

    def n(self):
        value, shift = 0, 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            shift += 7
            if value >= 1 << 64 or shift > 70:
                raise Damaged("a number of more than 64 bits")
            if byte < 0x80:
                return value

    def z(self):
        n = self.n()
        return (n >> 1) ^ -(n & 1)


def signed(value):
    """Wraps at 64 bits."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)


def bits(source, count):
    least, width = source.z(), source.byte()
    if width > 64:
        raise Damaged("a number of more than 64 bits")
    packed = int.from_bytes(source.take((count * width + 7) // 8), "little")
    return [signed(least + (packed >> at * width) % (1 << width)) for at in range(count)]


def numbers(source, count):
    kind = source.byte()
    if kind == 0:
        values = []
    elif kind == 1:
        values = [source.z()] * count
    elif kind == 2:
        values, last = [], 0
        for _ in range(count):
            last = signed(last + source.z())
            values.append(last)
    elif kind in (3, 4, 5, 8):
        packed = source.take(source.n())
        values = pcodec.standalone.simple_decompress(packed).tolist()
    elif kind == 6:
        values = list(struct.unpack("<d", source.take(8))) * count
    elif kind == 7:
        values = list(struct.unpack(f"<{count}d", source.take(8 * count)))
    elif kind == 9:
        values = bits(source, count)
    elif kind == 10:
        values = [source.z()]
        for difference in bits(source, max(count - 1, 0)):
            values.append(signed(values[-1] + difference))
        values = values[:count]
    else:
        raise Damaged(f"numbers of kind {kind}")
    if len(values) != count:
        raise Damaged(f"{len(values)} numbers and not {count}")
    return values


def block(data):
    """Times on the recorder's clock, and per column a pair (code, number or None) for every row."""
    if len(data) < 4 or crc32c(data[:-4]) != struct.unpack("<I", data[-4:])[0]:
        raise Damaged("the sum is wrong")
    source = Input(data[:-4])
    if source.byte() != 1:
        raise Damaged("a later format")
    rows, columns = source.n(), source.n()
    if rows > MOST_ROWS or columns > MOST_COLUMNS:
        raise Damaged("too large")
    first = source.z()
    times = [first + after for after in numbers(source, rows)]
    out = []
    for _ in range(columns):
        runs = [(source.byte(), source.n()) for _ in range(source.n())] or [(0, rows)]
        if sum(length for _, length in runs) != rows:
            raise Damaged("runs that do not add up")
        values = iter(numbers(source, sum(length for code, length in runs if code == 0)))
        out.append([(code, next(values) if code == 0 else None) for code, length in runs for _ in range(length)])
    if source.at != len(source.data):
        raise Damaged("more than a block")
    return times, out


def value(number, step, shift, decimals):
    if step is None:
        return number
    whole = max(-(1 << 63), min((1 << 63) - 1, number * step))
    whole = max(-(1 << 63), min((1 << 63) - 1, whole + shift))
    return float(whole) / float(10**decimals)


def read(path):
    """Samples of every channel by address: (unit, [(UTC ms, code, value)])."""
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    offsets = dict(db.execute("SELECT segment, offset_ms FROM segment_clock"))
    meaning = {}
    for row in db.execute("SELECT stream, channel, step, shift, decimals FROM stream_column ORDER BY stream, place"):
        meaning.setdefault(row[0], []).append(row[1:])
    pieces = list(db.execute("SELECT stream, segment, data FROM block WHERE length(data) > 0 ORDER BY segment, first_ms, id"))
    for segment, data in db.execute("SELECT segment, data FROM chunk ORDER BY id"):
        source = Input(data)
        while source.at < len(data):
            pieces.append((source.n(), segment, source.take(source.n())))
    samples = {}
    for stream, segment, data in pieces:
        times, columns = block(data)
        for (channel, *scale), column in zip(meaning[stream], columns, strict=True):
            rows = samples.setdefault(channel, [])
            for time, (code, number) in zip(times, column, strict=True):
                rows.append((time + offsets[segment], code, None if code else value(number, *scale)))
    for rows in samples.values():
        rows.sort(key=lambda row: row[0])
    channels = db.execute("SELECT id, address, unit FROM channel ORDER BY address")
    return {address: (unit, samples.get(channel, [])) for channel, address, unit in channels}


def vectors(path):
    """The table of test vectors: what stands there in words is checked by eye, that it reads and is guarded here."""
    page = open(path, encoding="utf-8").read().split("## Test vectors")[1]
    found = 0
    for line in page.splitlines():
        parts = re.findall(r"`((?:[0-9a-f]{2} ?)+)`", line)
        if len(parts) != 2:
            continue
        data = bytes.fromhex("".join(parts))
        times, columns = block(data)
        print(times, [[number if code == 0 else code for code, number in c] for c in columns])
        found += 1
        for at in range(len(data)):
            wrong = bytearray(data)
            wrong[at] ^= 0x10
            try:
                block(bytes(wrong))
            except Damaged:
                continue
            raise SystemExit(f"read with byte {at} changed")
    if not found:
        raise SystemExit("no vectors")


def main():
    if sys.argv[1] == "--vectors":
        return vectors(sys.argv[2])
    for address, (unit, rows) in read(sys.argv[1]).items():
        lines = [f"channel {address} {unit} {len(rows)}"]
        for time, code, value in rows:
            bits = "-" if code else struct.pack(">d", value).hex()
            lines.append(f"{time} {code} {bits}")
        print("\n".join(lines))


main()
