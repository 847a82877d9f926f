"""NMEA 2000 for regenerate_decoders.py: messages with random contents, and what three libraries read in them."""

import datetime
import json
import os
import pathlib
import random
import re
import subprocess

HERE = pathlib.Path(__file__).parent
RANDOM = random.Random()
DATABASE = json.loads((HERE / "n2k_fields.json").read_text())
PGNS = {p["PGN"]: p for p in DATABASE["pgns"]}
# Without a layout that can be filled in blindly: requests, acknowledgements, group functions, lists, variable text.
LEFT_OUT = {59392, 59904, 126208, 126464, 126998}
RENAMED = {
    (127488, "speed"): "engine_speed",
    (127508, "voltage"): "battery_voltage",
    (127508, "current"): "battery_current",
    (127508, "temperature"): "battery_temperature",
    (130312, "actual_temperature"): "temperature",
    (65240, "industry_code"): "industry_group",
}
# What a library reads otherwise than the published database and the other libraries, and so is not compared.
NOT_COMPARED = {
    "nmea2000": {
        ("126993", "data_transmit_offset"): "its database has milliseconds, that of the other library hundredths of a second",
    },
    "n2k": {
        ("127510", "equalize_time"): "seconds, where the database has minutes",
        ("127513", "capacity"): "read as a signed number",
        ("127513", "temperature_coefficient"): "read as an unsigned number",
        ("130311", "humidity"): "read as an unsigned number",
    },
    "canboatjs": {
        ("127488", "engine_speed"): "rounded to a tenth",
        ("127513", "peukert_exponent"): "without its offset",
        ("129033", "local_offset"): "a negative one is written an hour early",
    },
}
# Coulombs in two of the libraries, ampere-hours in the database's own units.
COULOMBS = ("remaining_capacity", "capacity")


def snake(pgn, name):
    name = "_".join(part for part in re.split(r"[^a-z0-9]+", name.lower()) if part)
    return RENAMED.get((pgn, name), name)


def fields(pgn, sets):
    """Every field with its first bit and its set, repeating ones as often as they are sent."""
    message = PGNS[pgn]
    first = message.get("RepeatingFieldSet1StartField")
    if not first:
        return [(f, f["BitOffset"], 0) for f in message["Fields"]]
    size = message["RepeatingFieldSet1Size"]
    once, repeated = message["Fields"][: first - 1], message["Fields"][first - 1 : first - 1 + size]
    length = sum(f["BitLength"] for f in repeated)
    return [(f, f["BitOffset"], 0) for f in once] + [
        (f, f["BitOffset"] + n * length, n) for n in range(sets) for f in repeated
    ]


def raw(pgn, field, sets, index):
    """Random bits that are a value: what the database allows, below the codes for "no value"."""
    bits, kind = field["BitLength"], field["FieldType"]
    if kind == "RESERVED":
        return (1 << bits) - 1
    if kind == "SPARE":
        return 0
    if kind == "STRING_FIX":
        text = "".join(RANDOM.choice("ABCDEFGHKLMNPRSTUVWXYZ 0123456789") for _ in range(bits // 16)).strip() or "A"
        return int.from_bytes(text.encode().ljust(bits // 8, b"\xff"), "little")
    if is_count(pgn, field):
        return sets
    if field["Name"] == "Line":
        return index
    if kind == "LOOKUP" and field["LookupEnumeration"] in DATABASE["enums"]:
        # "Error" at the place of "out of range" is just that.
        values = DATABASE["enums"][field["LookupEnumeration"]]["EnumValues"]
        known = [v["Value"] for v in values if v["Name"] != "Error"]
        return RANDOM.choice([v for v in known if v < (1 << bits) - (2 if bits > 2 else 1)] or [0])
    if kind == "BITLOOKUP":
        return RANDOM.randrange(1 << (bits - 2))
    step, most = field.get("Resolution") or 1, (1 << bits - bool(field.get("Signed"))) - 4
    zero = field.get("Offset", 0)
    high = min((field.get("RangeMax", most * step) - zero) / step, most)
    low = max((field.get("RangeMin", 0) - zero) / step, -most if field.get("Signed") else 0)
    if kind in ("DATE", "TIME"):
        high = min(high, 30_000 if kind == "DATE" else 863_990_000)
    return RANDOM.randint(int(low * 0.98), int(high * 0.98)) & ((1 << bits) - 1)


def payload(pgn, sets):
    number, length = 0, 0
    for field, bit, index in fields(pgn, sets):
        number |= raw(pgn, field, sets, index) << bit
        length = max(length, bit + field["BitLength"])
    return number.to_bytes(length // 8, "little")


def nothing(pgn):
    """A message of instance 0 in which nothing is available."""
    number, length = 0, 0
    for field, bit, _ in fields(pgn, 0):
        bits = field["BitLength"]
        is_set = field["Id"] in ("instance", "connectionNumber") or is_count(pgn, field)
        value = (1 << bits - 1) - 1 if field.get("Signed") else (1 << bits) - 1
        number |= (0 if is_set or field["FieldType"] == "SPARE" else value) << bit
        length = max(length, bit + bits)
    return number.to_bytes(length // 8, "little")


def is_count(pgn, field):
    return PGNS[pgn].get("RepeatingFieldSet1CountField") == field["Order"]


def in_channel_unit(unit, value):
    if value is None:
        return None
    return {"K": lambda v: v - 273.15, "%": lambda v: v / 100}.get(unit, lambda v: v)(value)


def named(pgn, field, value, index, raw_bits):
    """Name in the channel and value in its unit; None for what is no value of a channel or an instance."""
    kind = field["FieldType"]
    if kind in ("RESERVED", "SPARE", "BINARY") or field["Id"] == "sid":
        return None
    if is_count(pgn, field):
        return None
    known = DATABASE["enums"].get(field.get("LookupEnumeration"), {}).get("EnumValues", [])
    if kind in ("LOOKUP", "BITLOOKUP", "INDIRECT_LOOKUP") and raw_bits == (1 << field["BitLength"]) - 1:
        # A decoder that shows the code of "not available", or hides one that has a name.
        value = raw_bits if any(v["Value"] == raw_bits for v in known) else None
    name = snake(pgn, field["Name"])
    if value is not None and name == "nmea_2000_version":
        value = round(value * 1000)  # the channelless number as it is sent
    return (name if index == 0 else f"{name}_{index + 1}"), in_channel_unit(field.get("Unit"), value)


def collect(pgn, data, get):
    """What `get(field, set)` says of every field, where it says anything."""
    sets = count_of(pgn, data)
    number = int.from_bytes(data, "little")
    says = {}
    for field, bit, index in fields(pgn, sets):
        found, value = get(field, index)
        bits = number >> bit & ((1 << field["BitLength"]) - 1)
        pair = named(pgn, field, value, index, bits) if found else None
        if pair:
            says[pair[0]] = pair[1]
    return says


def count_of(pgn, data):
    at = PGNS[pgn].get("RepeatingFieldSet1CountField")
    return data[PGNS[pgn]["Fields"][at - 1]["BitOffset"] // 8] if at else 0


def by_nmea2000(pgn, data):
    from nmea2000 import NMEA2000Decoder, _canboat

    decoder, message = NMEA2000Decoder(), None
    if PGNS[pgn]["Type"] == "Fast":
        identifier = _canboat.can_id_compose(6, pgn, 35, 255)
        for frame in _canboat.fast_packet_fragment(0, data):
            message = decoder.decode(f"(1757680800.110000) can0 {identifier:08X}#{frame.hex().upper()}") or message
    else:
        message = decoder.decode(f"2026-01-01-00:00:00.000,6,{pgn},35,255,{len(data)},{data.hex(',')}")
    if message is None:
        return None
    plain = {f.id: f for f in message.fields}
    lists = plain.get("##list##")

    def get(field, index):
        repeated = PGNS[pgn].get("RepeatingFieldSet1StartField", 99) <= field["Order"]
        where = lists.value[index] if repeated and lists else plain
        found = where.get(field["Id"])
        if found is None:
            return False, None
        value = found.raw_value if field["FieldType"] != "STRING_FIX" else found.value
        return True, seconds(value)

    return collect(pgn, data, get)


def seconds(value):
    """Dates as days and times of day as seconds, whatever form they have."""
    if isinstance(value, datetime.date):
        return (value - datetime.date(1970, 1, 1)).days
    if isinstance(value, datetime.time):
        return value.hour * 3600 + value.minute * 60 + value.second + value.microsecond / 1e6
    if isinstance(value, datetime.timedelta):
        return value.total_seconds()
    if isinstance(value, str) and re.fullmatch(r"-?\d+:-?\d\d:-?\d\d(\.\d+)?", value):
        h, m, s = value.replace("-", "").split(":")
        return (-1 if "-" in value else 1) * (int(h) * 3600 + int(m) * 60 + float(s))
    if isinstance(value, str) and re.fullmatch(r"\d{4}\.\d\d\.\d\d", value):
        return (datetime.date(*map(int, value.split("."))) - datetime.date(1970, 1, 1)).days
    return value


def by_canboatjs(messages):
    """All at once: a process per message would take minutes."""
    script = pathlib.Path(__file__).with_name("canboatjs.js")
    text = json.dumps([[pgn, data.hex()] for pgn, data in messages])
    done = subprocess.run(["node", script], input=text, capture_output=True, text=True, env=os.environ, check=True)
    answer = json.loads(done.stdout)
    out = []
    for (pgn, data), read in zip(messages, answer["fields"]):
        if read is None:
            out.append(None)
            continue

        def get(field, index, read=read, pgn=pgn):
            repeated = PGNS[pgn].get("RepeatingFieldSet1StartField", 99) <= field["Order"]
            where = read.get("list", [])[index] if repeated else read
            value = where.get(field["Id"])
            if field["FieldType"] == "BITLOOKUP" and isinstance(value, list):
                names = {v["Name"]: v["Bit"] for v in DATABASE["bitenums"][field["LookupBitEnumeration"]]["EnumBitValues"]}
                # A bit without a name is left out there.
                return all(n in names for n in value), sum(1 << names[n] for n in value if n in names)
            return True, seconds(value)

        out.append(collect(pgn, data, get))
    return answer["version"], out


# Name of the attribute -> name of the channel. Left out: the second library's own enumerations.
SECOND = {
    126992: ("system_time", {"system_date": "date", "system_time": "time"}),
    126996: (
        "pgn_product_information",
        {
            "product_code": "product_code",
            "n2k_model_id": "model_id",
            "n2k_sw_code": "software_version_code",
            "n2k_model_version": "model_version",
            "n2k_model_serial_code": "model_serial_code",
            "load_equivalency": "load_equivalency",
        },
    ),
    127488: (
        "engine_parameters_rapid",
        {"engine_speed": "engine_speed", "engine_boost_pressure": "boost_pressure"},
    ),
    127489: (
        "engine_parameters_dynamic",
        {
            "engine_oil_press": "oil_pressure",
            "engine_oil_temp": "oil_temperature",
            "engine_coolant_temp": "temperature",
            "alternator_voltage": "alternator_potential",
            "fuel_rate": "fuel_rate",
            "engine_hours": "total_engine_hours",
            "engine_coolant_press": "coolant_pressure",
            "engine_fuel_press": "fuel_pressure",
        },
    ),
    127493: (
        "transmission_parameters_dynamic",
        {"oil_pressure": "oil_pressure", "oil_temperature": "oil_temperature"},
    ),
    127497: (
        "trip_parameters_engine",
        {
            "trip_fuel_used": "trip_fuel_used",
            "fuel_rate_average": "fuel_rate_average",
            "fuel_rate_economy": "fuel_rate_economy",
            "instantaneous_fuel_economy": "instantaneous_fuel_economy",
        },
    ),
    127506: (
        "dc_detailed_status",
        {
            "dc_type": "dc_type",
            "state_of_charge": "state_of_charge",
            "state_of_health": "state_of_health",
            "time_remaining": "time_remaining",
            "ripple_voltage": "ripple_voltage",
            "capacity": "remaining_capacity",
        },
    ),
    127507: (
        "charger_status",
        {
            "charge_state": "operating_state",
            "charger_mode": "charge_mode",
            "enabled": "enabled",
            "equalization_pending": "equalization_pending",
            "equalization_time_remaining": "equalization_time_remaining",
        },
    ),
    127508: (
        "battery_status",
        {
            "battery_voltage": "battery_voltage",
            "battery_current": "battery_current",
            "battery_temperature": "battery_temperature",
        },
    ),
    127513: (
        "battery_configuration_status",
        {"battery_capacity": "capacity", "battery_temperature_coefficient": "temperature_coefficient"},
    ),
    127750: (
        "converter_status",
        {
            "temperature_state": "temperature_state",
            "overload_state": "overload_state",
            "low_dc_voltage_state": "low_dc_voltage_state",
            "ripple_state": "ripple_state",
        },
    ),
    128259: (
        "boat_speed",
        {"water_referenced": "speed_water_referenced", "ground_referenced": "speed_ground_referenced"},
    ),
    129025: ("lat_long_rapid", {"latitude": "latitude", "longitude": "longitude"}),
    129026: ("cog_sog_rapid", {"cog": "cog", "sog": "sog"}),
    129029: (
        "gnss_data",
        {
            "days_since_1970": "date",
            "seconds_since_midnight": "time",
            "latitude": "latitude",
            "longitude": "longitude",
            "hdop": "hdop",
            "pdop": "pdop",
        },
    ),
    129033: (
        "date_time_local_offset",
        {"days_since_1970": "date", "seconds_since_midnight": "time"},
    ),
    130310: (
        "outside_environmental_parameters",
        {
            "water_temperature": "water_temperature",
            "outside_ambient_air_temperature": "outside_ambient_air_temperature",
            "atmospheric_pressure": "atmospheric_pressure",
        },
    ),
    130311: (
        "environmental_parameters",
        {"temperature": "temperature", "humidity": "humidity", "atmospheric_pressure": "atmospheric_pressure"},
    ),
    130312: ("temperature", {"actual_temperature": "temperature", "set_temperature": "set_temperature"}),
}


def by_n2k(pgn, data):
    """The port of the C++ library."""
    import n2k
    import n2k.messages as messages

    name, attributes = SECOND[pgn]
    message = n2k.Message(source=35, pgn=pgn, data=bytearray(data))
    try:
        read = getattr(messages, f"parse_n2k_{name}")(message)
    except ValueError:
        return None  # a code that its enumeration has not
    says = {}
    for attribute, channel in attributes.items():
        field = next(f for f in PGNS[pgn]["Fields"] if snake(pgn, f["Name"]) == channel)
        value = getattr(read, attribute)
        value = int(value) if hasattr(value, "value") else value
        if field["FieldType"] != "STRING_FIX":
            top = (1 << field["BitLength"]) - 1
            if value is None or abs(value) >= 1e8 and value < 0 or value == top and field["FieldType"] != "DATE":
                value = None
            value = in_channel_unit(field.get("Unit"), value)
        says[channel] = value
    return says


def files():
    messages = []
    for pgn in sorted(set(PGNS) - LEFT_OUT):
        repeats = bool(PGNS[pgn].get("RepeatingFieldSet1StartField"))
        RANDOM.seed(pgn)  # a new message leaves the others as they are
        messages += [(pgn, payload(pgn, n + 1 if repeats else 0)) for n in range(2)] + [(pgn, nothing(pgn))]

    def vectors(library, read):
        out = []
        for (pgn, data), says in zip(messages, read):
            left = [name for number, name in NOT_COMPARED[library] if number == str(pgn)]
            says = {k: v for k, v in (says or {}).items() if k not in left}
            for name in COULOMBS if library != "nmea2000" else ():
                if says.get(name) is not None:
                    says[name] /= 3600
            if says:
                # The one message that SAE J1939 has alone.
                protocol = "j1939" if pgn == 65240 else "n2k"
                out.append({"protocol": protocol, "message": str(pgn), "payload": data.hex(), "says": says})
        return out

    def head(library, **words):
        left = {f"{number} {name}": why for (number, name), why in NOT_COMPARED[library].items()}
        return {**words, "not_compared": left}

    read = [by_nmea2000(pgn, data) for pgn, data in messages]
    words = {"package": "nmea2000", "from": "PyPI", "licence": "Apache-2.0"}
    layouts = "CANboat database 9.0.0, embedded"
    yield "nmea2000", head("nmea2000", **words, layouts=layouts), vectors("nmea2000", read)

    read = [by_n2k(pgn, data) if pgn in SECOND else None for pgn, data in messages]
    words = {"package": "n2k", "from": "PyPI", "licence": "MIT"}
    layouts = "its own, a port of the NMEA2000 C++ library: shares nothing with the CANboat database"
    yield "n2k", head("n2k", **words, layouts=layouts), vectors("n2k", read)

    if os.environ.get("NODE_PATH"):
        version, read = by_canboatjs(messages)
        words = {"package": "@canboat/canboatjs", "from": "npm", "version": version, "licence": "Apache-2.0"}
        layouts = "CANboat database, as npm @canboat/ts-pgns carries it"
        yield "canboatjs", head("canboatjs", **words, layouts=layouts), vectors("canboatjs", read)
