"""CANopen, SAE J1939, SunSpec and Modbus for regenerate_decoders.py: random contents, and what a library reads in them."""

import json
import pathlib
import random
import struct

RANDOM = random.Random(20261127)
SUNSPEC = pathlib.Path(__file__).parents[2] / "schemas" / "src" / "modbus_map" / "sunspec"


def files():
    yield "canopen", {"package": "canopen", "from": "PyPI", "licence": "MIT", "layouts": "CiA 301"}, canopen()
    yield (
        "can-j1939",
        {"package": "can-j1939", "from": "PyPI", "licence": "MIT", "layouts": "SAE J1939-73 and -81"},
        j1939(),
    )
    yield (
        "pysunspec2",
        {"package": "pysunspec2", "from": "PyPI", "licence": "Apache-2.0", "layouts": "the models of the SunSpec Alliance"},
        sunspec(),
    )
    yield (
        "pymodbus",
        {"package": "pymodbus", "from": "PyPI", "licence": "BSD-3-Clause", "layouts": "MODBUS application protocol V1.1b3"},
        modbus(),
    )


def canopen():
    from canopen.emcy import EmcyConsumer
    from canopen.nmt import NmtMaster

    out = []
    for code, register in ((0x3100, 0x05), (0x8130, 0x11), (0, 0), (0x5441, 0x80)):
        data = struct.pack("<HB5s", code, register, bytes(RANDOM.randrange(256) for _ in range(5)))
        consumer = EmcyConsumer()
        consumer.on_emcy(0x8A, data, 0.0)
        says = {"emergency_error_code": consumer.log[0].code, "error_register": consumer.log[0].register}
        out.append({"protocol": "canopen", "message": "128", "payload": data.hex(), "says": says})
    for state in (0, 4, 5, 127):
        master = NmtMaster(10)
        master.on_heartbeat(0x70A, bytes([state]), 0.0)
        says = {"nmt_state": master._state_received}
        out.append({"protocol": "canopen", "message": "1792", "payload": f"{state:02x}", "says": says})
    return out


def j1939():
    from j1939.diagnostic_messages import DTC
    from j1939.name import Name

    out = []
    for count in (1, 2, 3):
        data = bytes([RANDOM.choice([0x00, 0x04, 0x10, 0x40]), 0xFF])
        says = {}
        for n in range(count):
            # The conversion method of today: the top bit of the code is zero.
            code = RANDOM.randrange(1 << 31)
            read = DTC(dtc=code)
            suffix = f"_{n + 1}" if n else ""
            says[f"suspect_parameter_number{suffix}"] = read.spn
            says[f"failure_mode_identifier{suffix}"] = read.fmi
            says[f"occurrence_count{suffix}"] = read.oc
            data += struct.pack("<I", code)
        data += b"\xff" * max(0, 8 - len(data))
        out.append({"protocol": "j1939", "message": "65226", "payload": data.hex(), "says": says})
    for _ in range(3):
        # The reserved bit is zero.
        number = RANDOM.randrange(1 << 64) & ~(1 << 48)
        name = Name(value=number)
        says = {
            "unique_number": name.identity_number,
            "manufacturer_code": name.manufacturer_code,
            "device_instance_lower": name.ecu_instance,
            "device_instance_upper": name.function_instance,
            "device_function": name.function,
            "device_class": name.vehicle_system,
            "system_instance": name.vehicle_system_instance,
            "industry_group": name.industry_group,
            "arbitrary_address_capable": name.arbitrary_address_capable,
        }
        payload = number.to_bytes(8, "little").hex()
        # RV-C and NMEA 2000 have the same NAME.
        for protocol, message in (("j1939", "60928"), ("rvc", "ee00"), ("n2k", "60928")):
            out.append({"protocol": protocol, "message": message, "payload": payload, "says": dict(says)})
    return out


def wanted():
    """Points and names of channels, from the script that makes the maps."""
    text = (SUNSPEC / "generate.py").read_text()
    scope = {"__file__": str(SUNSPEC / "generate.py"), "__name__": "names"}
    exec(compile(text[: text.index("def offsets")], "generate.py", "exec"), scope)
    return scope["WANTED"], scope["UNITS"]


def random_point(point):
    kind, size = point["type"], point["size"]
    if kind == "sunssf":
        return struct.pack(">h", RANDOM.choice([-3, -2, -1, 0, 1]))
    if kind == "string":
        return "".join(RANDOM.choice("ABCDEFGHKLMN 123") for _ in range(size)).strip().encode().ljust(2 * size, b"\0")
    top = (1 << 16 * size - 1) - 2
    number = RANDOM.randrange(1, 60) if kind.startswith("enum") else RANDOM.randrange(1, min(top, 1 << 40))
    if kind.startswith("int") and RANDOM.random() < 0.4:
        number = (1 << 16 * size) - number
    return number.to_bytes(2 * size, "big")


def sunspec():
    from sunspec2 import mdef
    from sunspec2.device import Model, get_model_def

    names, units = wanted()
    out = []
    for model, (points, block, block_points) in names.items():
        group = get_model_def(model)["group"]
        inner = next((g for g in group.get("groups", []) if g["name"] == block), None)
        for blocks in (2, 1) if inner else (0, 0):
            body = b"".join(random_point(p) for p in group["points"][2:])
            for n in range(blocks):
                body += b"".join(random_point(p) for p in inner["points"])
            data = bytearray(struct.pack(">HH", model, len(body) // 2) + body)
            # Some libraries count the blocks by a point of the head.
            count = inner and inner.get(mdef.COUNT)
            if isinstance(count, str):
                at = 0
                for point in group["points"]:
                    if point["name"] == count:
                        data[2 * at : 2 * at + 2] = struct.pack(">H", blocks)
                    at += point["size"]
            read = Model(model, data=bytes(data), model_len=len(body) // 2)
            says = told(read.points, points, units, str(model))
            for n, part in enumerate(read.groups.get(block, []) if block else []):
                says |= told(part.points, block_points, units, f"{model}-{n + 1}")
            out.append({"protocol": "sunspec", "message": str(model), "payload": data.hex(), "says": says})
    return out


def told(points, wanted, units, instance):
    says = {}
    for point, name in wanted.items():
        value = points[point].cvalue
        unit = points[point].pdef.get("units")
        if unit and value is not None:
            value = value * units[unit][1]
        says[f"{instance}/{name}"] = value.strip() if isinstance(value, str) else value
    return says


def modbus():
    from pymodbus.client.mixin import ModbusClientMixin as Mixin

    types = {
        "u16": (Mixin.DATATYPE.UINT16, lambda: RANDOM.randrange(1 << 16)),
        "i16": (Mixin.DATATYPE.INT16, lambda: RANDOM.randrange(-(1 << 15), 1 << 15)),
        "u32": (Mixin.DATATYPE.UINT32, lambda: RANDOM.randrange(1 << 32)),
        "i32": (Mixin.DATATYPE.INT32, lambda: RANDOM.randrange(-(1 << 31), 1 << 31)),
        "u64": (Mixin.DATATYPE.UINT64, lambda: RANDOM.randrange(1 << 53)),
        "i64": (Mixin.DATATYPE.INT64, lambda: RANDOM.randrange(-(1 << 53), 1 << 53)),
        "f32": (Mixin.DATATYPE.FLOAT32, lambda: RANDOM.randrange(-8000, 8000) / 8),
        "f64": (Mixin.DATATYPE.FLOAT64, lambda: RANDOM.randrange(-(1 << 40), 1 << 40) / 1024),
        "string": (Mixin.DATATYPE.STRING, lambda: RANDOM.choice(["S42", "battery shunt", "AB"])),
    }
    out = []
    for kind, (datatype, value) in types.items():
        for order, theirs in (("high_first", "big"), ("low_first", "little")):
            if kind in ("u16", "i16", "string") and order == "low_first":
                continue
            for _ in range(3):
                registers = Mixin.convert_to_registers(value(), datatype, word_order=theirs)
                read = Mixin.convert_from_registers(registers, datatype, word_order=theirs)
                payload = "".join(f"{r:04x}" for r in registers)
                message = f"{kind} {order}" if kind not in ("u16", "i16", "string") else kind
                out.append({"protocol": "modbus", "message": message, "payload": payload, "says": {"value": read}})
    return out


if __name__ == "__main__":
    print(json.dumps([v for _, _, vectors in files() for v in vectors], indent=1))
