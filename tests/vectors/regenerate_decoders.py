#!/usr/bin/env python3
"""Writes decoders/*.json anew: what independent libraries read in messages, one file per library.

    pip install nmea2000==2026.10.3 n2k==0.5.0 canopen==2.4.1 can-j1939==2.0.12 pynmea2==1.19.0 \\
                pymodbus==3.16.1 pysunspec2==1.3.7 python-can==4.6.1
    npm install --ignore-scripts @canboat/canboatjs@3.20.0       (NODE_PATH says where; left out without it)

Values are in the units of channels (V, A, degC, fractions, seconds ...) under the names of channels: the translation
is done here, so that the test (tests/decoders.rs) only compares. null: the library finds no value.
"""

import importlib.metadata
import json
import math
import pathlib
import sys

HERE = pathlib.Path(__file__).parent
sys.path.insert(0, str(HERE))

import decoders_lines  # noqa: E402
import decoders_n2k  # noqa: E402
import decoders_others  # noqa: E402


def clean(value):
    """A number without the noise of binary fractions."""
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return int(value) if value == int(value) and abs(value) < 2**53 else float(f"{value:.15g}")
    return value


def write(name, head, vectors):
    rows = []
    for vector in vectors:
        vector["says"] = {k: clean(v) for k, v in vector["says"].items()}
        rows.append("  " + json.dumps(vector))
    package = head.pop("package")
    if not head.get("version"):
        head["version"] = importlib.metadata.version(package)
    text = json.dumps({"library": package, **head, "made_by": "regenerate_decoders.py", "vectors": []}, indent=1)
    text = text.replace('"vectors": []', '"vectors": [\n' + ",\n".join(rows) + "\n ]")
    (HERE / "decoders" / f"{name}.json").write_text(text + "\n")
    print(f"{name}: {len(vectors)}")


def main():
    for module in (decoders_n2k, decoders_others, decoders_lines):
        for name, head, vectors in module.files():
            write(name, head, vectors)


if __name__ == "__main__":
    main()
