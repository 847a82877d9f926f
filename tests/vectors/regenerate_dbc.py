#!/usr/bin/env python3
"""Encodes frames by dbc/pack.dbc and by random layouts, decodes them, and writes dbc.json.

Needs PyPI cantools (45.1.0, MIT, made the file). Without --write it only says whether dbc.json would change.
"""

import json
import pathlib
import random
import sys

import cantools

HERE = pathlib.Path(__file__).parent
FILE = HERE / "dbc.json"
RANDOM = random.Random(20261125)
SWITCHES = {"CellVoltages": [0, 1], "Nested": [0x00, 0x20, 0x21, 0x51, 0x31, 0x72, 0x23, 0x30]}


def plain(value):
    """A number; cantools gives named codes as objects."""
    return value.value if hasattr(value, "value") else value


def vectors(message, count):
    """Random data of a message, and what cantools reads in it without names of codes."""
    out = []
    for i in range(count):
        data = bytes(RANDOM.randrange(256) for _ in range(message.length))
        if message.is_multiplexed():
            # The low codes are those that have signals.
            data = bytes([RANDOM.choice(SWITCHES[message.name])]) + data[1:]
        try:
            decoded = message.decode(data, decode_choices=False, allow_truncated=True)
        except cantools.database.errors.DecodeError:
            # A multiplexer's code without signals: this tool then has the others, cantools refuses the frame.
            continue
        out.append(frame(message, data, decoded))
    return out


def frame(message, data, decoded):
    values = {name: float(plain(v)) for name, v in decoded.items()}
    finite = {name: v for name, v in values.items() if v == v and abs(v) != float("inf")}
    return {"id": message.frame_id, "extended": message.is_extended_frame, "data": data.hex(), "values": finite}


def random_layout(number):
    """A file of one message of 8 or 64 bytes with signals anywhere; cantools takes none that overlap."""
    size = RANDOM.choice([8, 64])
    lines = [f"BO_ {RANDOM.choice([number, 0x80000000 + number])} Layout{number}: {size} N"]
    taken = set()
    for i in range(16):
        bits = RANDOM.choice([1, 2, 3, 7, 8, 9, 12, 16, 17, 24, 31, 32, 33, 48, 63, 64])
        order = RANDOM.choice([0, 1])
        start = RANDOM.randrange(size * 8)
        walk = start if order else start // 8 * 8 + 7 - start % 8
        # The numbers of its bits: a Motorola signal walks each byte from above.
        place = {b if order else b // 8 * 8 + 7 - b % 8 for b in range(walk, walk + bits)}
        if walk + bits > size * 8 or place & taken:
            continue
        taken |= place
        sign = RANDOM.choice("+-")
        factor, offset = RANDOM.choice([(1, 0), (0.1, 0), (0.05, -1600), (2, 7), (-0.25, 40)])
        lines.append(f' SG_ S{i} : {start}|{bits}@{order}{sign} ({factor},{offset}) [0|0] "" N')
    return 'VERSION ""\n\nBU_: N\n\n' + "\n".join(lines) + "\n"


def main():
    pack = cantools.database.load_file(HERE / "dbc" / "pack.dbc", encoding="latin-1")
    frames = [v for message in pack.messages for v in vectors(message, 12)]
    layouts = []
    for number in range(1, 41):
        text = random_layout(number)
        message = cantools.database.load_string(text, strict=False).messages[0]
        layouts.append({"dbc": text, "frames": vectors(message, 6)})
    fresh = json.dumps({"made_by": f"cantools {cantools.__version__}", "pack": frames, "layouts": layouts}, indent=1)
    fresh += "\n"
    changed = not FILE.exists() or FILE.read_text() != fresh
    print("dbc.json", "differs" if changed else "is the same")
    if "--write" in sys.argv:
        FILE.write_text(fresh)
    return int(changed and "--write" not in sys.argv)


if __name__ == "__main__":
    sys.exit(main())
