#!/usr/bin/env python3
"""The other end of the line in `modbus_independent.rs`: a Modbus server of PyPI `pymodbus` (3.16.1, BSD).

    modbus_server.py serial DEVICE        modbus_server.py tcp PORT

Unit 7 holds what deploy/examples/maps/shunt.toml asks for. Unit 20 describes itself as SunSpec lays down: common
model, the battery block of tests/vectors/sunspec.json (encoded by PyPI `pysunspec2`), and two trackers in model 160.
"""

import json
import pathlib
import sys

from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

VECTORS = pathlib.Path(__file__).parents[2] / "tests" / "vectors" / "sunspec.json"


def registers(address, values):
    return SimData(address=address, values=values, datatype=DataType.REGISTERS)


def text(words, value):
    data = value.encode().ljust(2 * words, b"\0")
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, 2 * words, 2)]


def shunt():
    holding = [registers(256, [5120, 0xFFAD, 215, 875, 0b1000]), registers(512, text(8, "AB123"))]
    inputs = [registers(16, [1, 0])]
    bits = [SimData(address=0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(id=7, simdata=(bits, bits, holding, inputs))


def sunspec():
    common = [1, 66] + text(16, "M") + text(16, "Model X") + text(8, "") + text(8, "1.0") + text(16, "S42") + [1, 0x8000]
    block = json.loads(VECTORS.read_text())["vectors"][0]["registers_hex"]
    battery = [int(block[i : i + 4], 16) for i in range(0, len(block), 4)]
    # Factors: 0.1 A, 0.01 V, 1 W, 1 Wh; two modules.
    trackers = [160, 48, 0xFFFF, 0xFFFE, 0, 0, 0, 0, 2, 0]
    for number, (amps, volts, watts) in enumerate([(81, 9050, 733), (0xFFFF, 0xFFFF, 0xFFFF)], 1):
        trackers += [number] + text(8, f"PV{number}") + [amps, volts, watts, 0, 0, 0xFFFF, 0xFFFF, 0x8000, 4, 0, 0]
    unknown = [64001, 3, 1, 2, 3]
    return SimDevice(
        id=20,
        simdata=[registers(40000, text(2, "SunS") + common + unknown + battery + trackers + [0xFFFF, 0])],
    )


if __name__ == "__main__":
    kind, place = sys.argv[1:]
    devices = [shunt(), sunspec()]
    if kind == "serial":
        StartSerialServer(devices, port=place, baudrate=19200, parity="N", stopbits=1, bytesize=8)
    else:
        StartTcpServer(devices, address=("127.0.0.1", int(place)))
