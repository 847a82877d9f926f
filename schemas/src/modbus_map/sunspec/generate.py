#!/usr/bin/env python3
"""Writes the maps of the SunSpec models beside this file anew, from PyPI `pysunspec2` (1.3.7 made them).

Which points of a model matter here, and the names of their channels (the points' labels there), is said below.
"""

import json
import pathlib

import sunspec2

SOURCE = pathlib.Path(sunspec2.__file__).parent / "models" / "json"
TYPES = {"uint16": "u16", "int16": "i16", "uint32": "u32", "int32": "i32", "uint64": "u64", "acc32": "u32",
         "enum16": "u16", "string": "string"}
UNITS = {"A": ("A", 1), "V": ("V", 1), "W": ("W", 1), "Wh": ("Wh", 1), "WH": ("Wh", 1), "Ah": ("Ah", 1),
         "C": ("degC", 1), "Hz": ("Hz", 1), "VA": ("VA", 1), "var": ("var", 1), "Pct": ("fraction", 0.01),
         "%": ("fraction", 0.01), "%WHRtg": ("fraction", 0.01)}

# Model: points of the head part, the repeating block, points of that.
WANTED = {
    1: (
        {"Mn": "manufacturer", "Md": "model", "Opt": "options", "Vr": "version", "SN":
         "serial_number"},
        None,
        {},
    ),
    160: (
        {},
        "module",
        {"IDStr": "input_id_string", "DCA": "dc_current", "DCV": "dc_voltage", "DCW": "dc_power",
         "DCWH": "lifetime_energy", "Tmp": "temperature", "DCSt": "operating_state"},
    ),
    203: (
        {"A": "amps", "AphA": "amps_phasea", "AphB": "amps_phaseb", "AphC": "amps_phasec", "PhVphA":
         "phase_voltage_an", "PhVphB": "phase_voltage_bn", "PhVphC": "phase_voltage_cn", "Hz": "hz",
         "W": "watts", "VA": "va", "VAR": "var", "PF": "pf", "TotWhExp":
         "total_watt_hours_exported", "TotWhImp": "total_watt_hours_imported"},
        None,
        {},
    ),
    401: (
        {"DCA": "amps", "DCAhr": "amp_hours", "DCV": "voltage", "Tmp": "temp"},
        "string",
        {"InDCA": "amps", "InDCAhr": "amp_hours"},
    ),
    403: (
        {"DCA": "amps", "DCAhr": "amp_hours", "DCV": "voltage", "Tmp": "temp"},
        "string",
        {"InDCA": "amps", "InDCAhr": "amp_hours"},
    ),
    404: (
        {"DCA": "amps", "DCAhr": "amp_hours", "DCV": "voltage", "Tmp": "temp", "DCW": "watts",
         "DCWh": "watt_hours"},
        "string",
        {"InDCA": "amps", "InDCAhr": "amp_hours", "InDCV": "voltage", "InDCW": "watts", "InDCWh":
         "watt_hours"},
    ),
    713: (
        {"WHRtg": "energy_rating", "WHAvail": "energy_available", "SoC": "state_of_charge", "SoH":
         "state_of_health", "Sta": "status"},
        None,
        {},
    ),
    714: (
        {"DCA": "dc_current", "DCW": "dc_power", "DCWhInj": "dc_energy_injected", "DCWhAbs":
         "dc_energy_absorbed"},
        "Prt",
        {"PrtTyp": "port_type", "IDStr": "port_id_string", "DCA": "dc_current", "DCV": "dc_voltage",
         "DCW": "dc_power", "DCWhInj": "dc_energy_injected", "DCWhAbs": "dc_energy_absorbed", "Tmp":
         "dc_port_temperature", "DCSta": "dc_port_status"},
    ),
    802: (
        {"AHRtg": "nameplate_charge_capacity", "WHRtg": "nameplate_energy_capacity", "SoC":
         "state_of_charge", "DoD": "depth_of_discharge", "SoH": "state_of_health", "NCyc":
         "cycle_count", "ChaSt": "charge_status", "State": "state_of_the_battery_bank", "V":
         "external_battery_voltage", "VMax": "max_battery_voltage", "VMin": "min_battery_voltage",
         "CellVMax": "max_cell_voltage", "CellVMin": "min_cell_voltage", "CellVAvg":
         "average_cell_voltage", "A": "total_dc_current", "AChaMax": "max_charge_current",
         "ADisChaMax": "max_discharge_current", "W": "total_power"},
        None,
        {},
    ),
}
NOTES = {
    802: "# The published model does not say which sign charging has: `total_dc_current` and `total_power` keep the device's own.\n",
    714: "# Total over all ports first, then one instance per port. Signs are the device's own.\n",
    203: "# Currents and powers carry the meter's own sign.\n",
    160: "# One instance per module.\n",
}


def offsets(group):
    """Where each point of a group starts, and the length of the group."""
    at, places = 0, {}
    for point in group["points"]:
        places[point["name"]] = at
        at += point["size"]
    return places, at


def register(point, at, name, section, head):
    """One point as a section of the map."""
    text = f'\n[[{section}]]\nfield = "{name}"\naddress = {at}\ntype = "{TYPES[point["type"]]}"\n'
    if point["type"] == "string":
        return text + f'length = {point["size"]}\n'
    unit, scale = UNITS[point["units"]] if point.get("units") else ("", 1)
    if point["type"].startswith("enum"):
        unit = "code"
    text += f'unit = "{unit}"\n'
    if scale != 1:
        text += f"scale = {scale}\n"
    if point["type"] == "acc32":
        text += "not_available = [0]\n"
    if point.get("sf"):
        text += f'scale_factor = {head[point["sf"]]}\n'
    return text


for model, (points, block, block_points) in WANTED.items():
    group = json.loads((SOURCE / f"model_{model}.json").read_text())["group"]
    head, end = offsets(group)
    text = (
        f'# SunSpec model {model}, "{group["label"]}". Registers from PyPI pysunspec2 1.3.7 (Apache-2.0), counted from the'
        f" model's head;\n# names are the points' labels there.\n{NOTES.get(model, '')}"
        f'schema = "ampwake-modbus-map/1"\nname = "{group["label"]}"\nsunspec_model = {model}\nread_gaps = true\n'
    )
    for point in group["points"]:
        if point["name"] in points:
            text += register(point, head[point["name"]], points[point["name"]], "register", head)
    if block:
        inner = next(g for g in group["groups"] if g["name"] == block)
        places, length = offsets(inner)
        text += f"\n[repeat]\nfirst = {end}\nlength = {length}\n"
        for point in inner["points"]:
            if point["name"] in block_points:
                name = block_points[point["name"]]
                text += register(point, places[point["name"]], name, "repeat.register", head)
    pathlib.Path(__file__).with_name(f"{model}.toml").write_text(text)
