#!/usr/bin/env python3
"""Writes mixed.log (candump text) as mixed.pcap and mixed.pcapng, with PyPI scapy (2.8.0 made these files)."""

import pathlib
import re

from scapy.layers.can import CAN, CANFD
from scapy.utils import PcapNgWriter, PcapWriter

HERE = pathlib.Path(__file__).parent


def packets():
    for line in (HERE / "mixed.log").read_text().splitlines():
        seconds, identifier, body = re.match(r"\(([\d.]+)\) can0 ([0-9A-F]+)#(.*)", line).groups()
        number = int(identifier, 16)
        flags = 0
        if number & 0x20000000:
            flags, number = 0b001, number & 0x1FFFFFFF
        elif len(identifier) == 8:
            flags = 0b100
        if body.startswith("#"):
            packet = CANFD(identifier=number, flags=flags, fd_flags=0x04, data=bytes.fromhex(body[2:]))
        elif body.startswith("R"):
            packet = CAN(identifier=number, flags=flags | 0b010, length=0)
        else:
            packet = CAN(identifier=number, flags=flags, data=bytes.fromhex(body))
        whole, part = seconds.split(".")
        packet.time = int(whole) + int(part) / 1e6
        yield packet


for writer, name in ((PcapWriter, "mixed.pcap"), (PcapNgWriter, "mixed.pcapng")):
    out = writer(str(HERE / name), linktype=227) if writer is PcapWriter else writer(str(HERE / name))
    for packet in packets():
        out.write(packet)
    out.close()
