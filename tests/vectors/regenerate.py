#!/usr/bin/env python3
"""Encodes the messages of nmea2000.json anew and says which differ. With --write the file takes the new bytes.

Needs PyPI nmea2000 (2026.10.3 made the file). Inputs are in the library's SI units (per cent as 0..1, rpm as Hz,
Ah as coulombs); the messages without recorded inputs have no such field, so that their decoded values serve.
"""

import json
import pathlib
import sys

from nmea2000 import _canboat

FILE = pathlib.Path(__file__).with_name("nmea2000.json")
database = _canboat.Database()


def values(decoded):
    """The plain fields of a decoded message; absent ones are left to the encoder."""
    plain = {k: v[0] for k, v in decoded.items() if not k.startswith("reserved") and k != "lines"}
    return {k: v for k, v in plain.items() if v is not None}


def encode(vector):
    """Payload and frames of one vector."""
    definition = database.pgn_variants(vector["pgn"])[0]
    if vector.get("inputs"):
        fields = {k: float(v) if any(c in v for c in ".e") else int(v) for k, v in vector["inputs"].items()}
    else:
        fields = values(vector["decoded"])
    sets = [[values(line) for line in vector["decoded"].get("lines", [])]]
    payload = database.encode(definition.id, fields, sets=sets) if sets[0] else database.encode(definition.id, fields)
    head, first = vector["frames"][0].split("#")
    fast = definition.packet_type != "Single"
    sequence = int(first[:2], 16) >> 5
    frames = _canboat.fast_packet_fragment(sequence, payload) if fast else [payload]
    return payload.hex(), [f"{head}#{frame.hex().upper()}" for frame in frames]


def main():
    data = json.loads(FILE.read_text())
    different = 0
    for vector in data["vectors"]:
        payload, frames = encode(vector)
        if (payload, frames) != (vector["payload_hex"], vector["frames"]):
            different += 1
            print(f"{vector['name']} ({vector['pgn']}): {vector['payload_hex']} -> {payload}")
            vector["payload_hex"], vector["frames"] = payload, frames
    print(f"{different} of {len(data['vectors'])} differ")
    if "--write" in sys.argv[1:]:
        FILE.write_text(json.dumps(data, indent=1) + "\n")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
