"""NMEA 0183 and candump text for regenerate_decoders.py: what a library reads in lines that it or another one wrote."""

import datetime
import pathlib
import random

RANDOM = random.Random(20261128)
KNOT = 1852 / 3600
CAPTURES = pathlib.Path(__file__).parents[1] / "golden" / "captures"


def files():
    yield (
        "pynmea2",
        {"package": "pynmea2", "from": "PyPI", "licence": "MIT", "layouts": "NMEA 0183 as that library has it"},
        sentences(),
    )
    yield (
        "python-can",
        {"package": "python-can", "from": "PyPI", "licence": "LGPL-3.0", "layouts": "the text of candump (can-utils)"},
        candump(),
    )


def number(text):
    return float(text) if text not in (None, "") else None


def signed(text, direction, negative):
    value = number(text)
    return -value if value is not None and direction == negative else value


def times(value, factor):
    return value * factor if value is not None else None


# Type and unit letter of a transducer: name of the channel and factor into its unit.
TRANSDUCERS = {
    ("A", "D"): ("angle", 1),
    ("C", "C"): ("temperature", 1),
    ("D", "M"): ("depth", 1),
    ("F", "H"): ("frequency", 1),
    ("G", ""): ("generic", 1),
    ("H", "P"): ("humidity", 0.01),
    ("I", "A"): ("current", 1),
    ("L", "S"): ("salinity", 0.001),
    ("N", "N"): ("force", 1),
    ("P", "B"): ("pressure", 1e5),
    ("P", "P"): ("pressure", 1),
    ("R", "l"): ("flow_rate", 3600),
    ("S", ""): ("switch", 1),
    ("T", "R"): ("tachometer", 1),
    ("U", "V"): ("voltage", 1),
    ("V", "M"): ("volume", 1000),
}


def read(sentence):
    """What pynmea2 reads, under the names of channels and in their units."""
    import pynmea2

    m = pynmea2.parse(sentence, check=True)
    kind = m.sentence_type
    if kind == "RPM":
        place = f"{ {'E': 'engine', 'S': 'shaft'}[m.source] }_{m.engine_no}"
        return {f"{place}/speed": number(m.speed), f"{place}/propeller_pitch": times(number(m.pitch), 0.01)}
    if kind == "MTW":
        return {"water_temperature": number(m.temperature)}
    if kind == "VHW":
        return {
            "heading_true": number(m.heading_true),
            "heading_magnetic": number(m.heading_magnetic),
            "water_speed": times(number(m.water_speed_knots), KNOT),
        }
    if kind == "VTG":
        return {
            "course_over_ground_true": number(m.true_track),
            "course_over_ground_magnetic": number(m.mag_track),
            "speed_over_ground": times(number(m.spd_over_grnd_kts), KNOT),
        }
    if kind == "HDT":
        return {"heading_true": number(m.heading)}
    if kind == "HDG":
        return {
            "magnetic_sensor_heading": number(m.heading),
            "magnetic_deviation": signed(m.deviation, m.dev_dir, "W"),
            "magnetic_variation": signed(m.variation, m.var_dir, "W"),
        }
    if kind == "RMC":
        at = datetime.datetime.combine(m.datestamp, m.timestamp.replace(tzinfo=datetime.timezone.utc))
        return {
            "latitude": m.latitude,
            "longitude": m.longitude,
            "speed_over_ground": times(number(m.spd_over_grnd), KNOT),
            "course_over_ground_true": number(m.true_course),
            "magnetic_variation": signed(m.mag_variation, m.mag_var_dir, "W"),
            "time": at.timestamp(),
        }
    if kind == "ZDA":
        at = datetime.datetime(m.year, m.month, m.day, tzinfo=datetime.timezone.utc)
        clock = m.timestamp
        return {"time": at.timestamp() + clock.hour * 3600 + clock.minute * 60 + clock.second + clock.microsecond / 1e6}
    if kind == "XDR":
        says = {}
        for i in range(m.num_transducers):
            t = m.get_transducer(i)
            name, factor = TRANSDUCERS[(t.type, t.units)]
            says[f"{t.id.lower()}/{name}"] = times(number(t.value), factor)
        return says
    raise ValueError(kind)


def sentences():
    import pynmea2

    def build(talker, kind, *parts):
        return str(getattr(pynmea2, kind)(talker, kind, tuple(str(p) for p in parts)))

    def some(low, high, digits):
        return f"{RANDOM.uniform(low, high):.{digits}f}"

    lines = []
    for _ in range(3):
        clock = f"{RANDOM.randrange(24):02}{RANDOM.randrange(60):02}{RANDOM.randrange(60):02}.{RANDOM.randrange(4)}5"
        day, month, year = RANDOM.randrange(1, 29), RANDOM.randrange(1, 13), RANDOM.randrange(2020, 2040)
        place = [
            f"{RANDOM.randrange(90):02}{some(0, 59.99, 4).zfill(7)}",
            RANDOM.choice("NS"),
            f"{RANDOM.randrange(180):03}{some(0, 59.99, 4).zfill(7)}",
            RANDOM.choice("EW"),
        ]
        date = f"{day:02}{month:02}{year % 100:02}"
        lines += [
            build("II", "RPM", RANDOM.choice("ES"), RANDOM.randrange(3), some(0, 3000, 1), some(0, 100, 0), "A"),
            build("SD", "MTW", some(-2, 35, 1), "C"),
            build("VW", "VHW", some(0, 359, 1), "T", some(0, 359, 1), "M", some(0, 20, 2), "N", "", "K"),
            build("GP", "VTG", some(0, 359, 1), "T", some(0, 359, 1), "M", some(0, 20, 2), "N", "", "K", "A"),
            build("HE", "HDT", some(0, 359, 1), "T"),
            build("HC", "HDG", some(0, 359, 1), some(0, 9, 1), RANDOM.choice("EW"), some(0, 9, 1), RANDOM.choice("EW")),
            build("GP", "RMC", clock, "A", *place, some(0, 20, 1), some(0, 359, 1), date, some(0, 9, 1), "W", "A"),
            build("GP", "ZDA", clock, f"{day:02}", f"{month:02}", year, "00", "00"),
        ]
    for (kind, unit), _ in TRANSDUCERS.items():
        lines.append(build("II", "XDR", kind, some(0, 90, 2), unit, "BATT1"))
    every = [part for kind, unit in TRANSDUCERS if kind not in "GS" for part in (kind, some(0, 9, 1), unit, kind + unit)]
    lines += [build("II", "XDR", *every[i : i + 16]) for i in range(0, len(every), 16)]
    out = []
    for line in lines:
        kind = line[3:6]
        message = f"XDR {line.split(',')[1]}" if kind == "XDR" else kind
        out.append({"protocol": "nmea0183", "message": message, "payload": line, "says": read(line)})
    return out


def candump():
    from can.io.canutils import CanutilsLogReader

    out = []
    with open(CAPTURES / "mixed.log") as log:
        text = log.read().splitlines()
    messages = list(CanutilsLogReader(str(CAPTURES / "mixed.log")))
    assert len(messages) == len(text)
    # One frame of every kind: they stand at the end.
    for line, m in list(zip(text, messages))[295:]:
        if " 20000004#" in line:
            continue  # it knows one error frame only, the one that it writes
        says = {
            "id": m.arbitration_id,
            "extended": m.is_extended_id,
            "remote": m.is_remote_frame,
            "fd": m.is_fd,
            "data": m.data.hex(),
            "microseconds": round(m.timestamp * 1e6),
        }
        kind = "CAN FD" if m.is_fd else "remote" if m.is_remote_frame else "classic"
        out.append({"protocol": "candump", "message": kind, "payload": line, "says": says})
    return out
