#!/usr/bin/env python3
"""Writes four minutes of a serial line's sentences in every form of time, and what they say.

Needs PyPI pynmea2 (1.19.0, MIT, made the files), which writes every sentence and its checksum. The figures in
expected.json are what went in, rounded as the sentences round them.
"""

import datetime
import gzip
import json
import math
import pathlib

import pynmea2

HERE = pathlib.Path(__file__).parent
START = datetime.datetime(2026, 6, 1, 12, 0, 0, tzinfo=datetime.timezone.utc)
SECONDS = 240


def sentence(talker, kind, *fields):
    return str(getattr(pynmea2, kind)(talker, kind, tuple(str(f) for f in fields)))


def second(n):
    """The sentences of one second, each with its delay after the second and what it says."""
    at = START + datetime.timedelta(seconds=n)
    clock, day = at.strftime("%H%M%S.00"), at.strftime("%d%m%y")
    volts, amperes, warm = round(51 + n / 300, 2), round(100 * math.cos(n / 200), 1), round(20 + n / 100, 1)
    rpm, knots = round(1500 + 100 * math.sin(n / 60)), round(5 + math.sin(n / 90), 1)
    yield 0.05, sentence("GP", "ZDA", clock, *at.strftime("%d,%m,%Y").split(","), "00", "00"), {}
    yield 0.10, sentence(
        "GP", "RMC", clock, "A", "6007.4074", "N", "02445.9279", "W", knots, "90.0", day, "", "", "A"
    ), {"rmc/latitude": 60 + 7.4074 / 60, "rmc/longitude": -24 - 45.9279 / 60, "rmc/speed_over_ground": knots * 1852 / 3600}
    yield 0.20, sentence(
        "II", "XDR", "U", volts, "V", "BANK", "I", amperes, "A", "BANK", "C", warm, "C", "BANK"
    ), {"xdr/bank/voltage": volts, "xdr/bank/current": amperes, "xdr/bank/temperature": warm}
    yield 0.35, sentence("II", "RPM", "E", 1, rpm, "", "A"), {"rpm/engine_1/speed": rpm}
    yield 0.40, sentence("SD", "MTW", warm, "C"), {"mtw/water_temperature": warm}
    yield 0.50, sentence("VW", "VHW", "", "T", "", "M", knots, "N", "", "K"), {"vhw/water_speed": knots * 1852 / 3600}
    yield 0.60, sentence("GP", "VTG", "90.0", "T", "", "M", knots, "N", "", "K", "A"), {
        "vtg/speed_over_ground": knots * 1852 / 3600
    }
    yield 0.70, sentence("HE", "HDT", n % 360, "T"), {"hdt/heading_true": n % 360}
    yield 0.80, sentence("HC", "HDG", n % 360, "", "", "7.1", "W"), {
        "hdg/magnetic_sensor_heading": n % 360,
        "hdg/magnetic_variation": -7.1,
    }
    # A kind that says nothing about a voyage.
    yield 0.90, sentence("GP", "GLL", "6007.4074", "N", "02445.9279", "W", clock, "A"), {}


def tag(at):
    body = f"s:aft,c:{int(at.timestamp())}"
    return f"\\{body}*{pynmea2.NMEASentence.checksum(body):02X}\\"


FORMS = {
    "seconds.log": lambda at: f"{at.timestamp():.3f} ",
    "candump.log": lambda at: f"({at.timestamp():.6f}) aft ",
    "dates.log": lambda at: at.isoformat(timespec="milliseconds") + " ",
    "tags.log": tag,
    "bare.log": lambda at: "",
}


def main():
    expected, lines = {}, {name: [] for name in FORMS}
    for n in range(SECONDS):
        for delay, text, says in second(n):
            at = START + datetime.timedelta(seconds=n + delay)
            assert pynmea2.parse(text, check=True)
            for name, front in FORMS.items():
                lines[name].append(front(at) + text)
            for channel, value in says.items():
                expected.setdefault(channel, []).append([n, delay, value])
    for name in FORMS:
        text = "".join(line + "\r\n" for line in lines[name]).encode()
        HERE.joinpath(name + ".gz").write_bytes(gzip.compress(text, mtime=0))
    summary = {
        "made_by": f"pynmea2 {pynmea2.version}",
        "start": START.isoformat(),
        "sentences": len(lines["bare.log"]),
        "unknown": SECONDS,
        "channels": {},
    }
    # Every fortieth of each channel is enough to be held: second, delay, value.
    rows = [f'  "{c}": {json.dumps(v[::40])}' for c, v in sorted(expected.items())]
    text = json.dumps(summary, indent=1).replace("{}", "{\n" + ",\n".join(rows) + "\n }")
    HERE.joinpath("expected.json").write_text(text + "\n")


main()
