"""How each kind of export names things, and the profile that describes it."""

from __future__ import annotations

from typing import Any

from demo_telemetry.homes import Export, Home
from demo_telemetry.meters import Channel, Meter

PORTAL_TIME = "Date and time"
HALFHOUR_TIME = "Period end"

_LOGGER = {
    "heat_total": "heat", "heat_space": "space_heat", "heat_dhw": "hot_water_heat",
    "elec_unit": "unit", "elec_source": "brine_pump", "elec_backup": "inline_heater",
    "elec_immersion": "immersion", "elec_pumps": "pump", "elec_total": "system",
    "flow_temp": "flow", "return_temp": "return", "flow_rate": "circulation",
    "outdoor_temp": "outdoor", "room_temp": "room", "dhw_temp": "cylinder",
    "source_temp": "brine",
}  # fmt: skip
_WORDS = {
    "heat_total": "Heat meter", "heat_space": "Space heating", "heat_dhw": "Hot water",
    "elec_unit": "Heat pump", "elec_source": "Brine pump", "elec_backup": "Inline heater",
    "elec_immersion": "Immersion heater", "elec_pumps": "Pump", "elec_total": "Whole system",
    "flow_temp": "Flow", "return_temp": "Return", "flow_rate": "Circulation",
    "outdoor_temp": "Outdoor air", "room_temp": "Living room", "dhw_temp": "Cylinder",
    "source_temp": "Brine",
}  # fmt: skip
_SUFFIX = {"kWh": "kwh", "MWh": "mwh", "GJ": "gj", "W": "w", "degC": "c", "m3/h": "m3h"}
_MBUS = {"flow_temp": "flow_temp", "return_temp": "return_temp", "flow_rate": "flow_rate"}


def header(layout: str, channel: Channel) -> str:
    """Give the name under which a channel stands in a layout."""
    if layout == "portal":
        unit = {"degC": "°C"}.get(channel.unit, channel.unit)
        return f"{_WORDS[channel.role]} [{unit}]"
    if layout == "points":
        return f"{_LOGGER[channel.role].upper()}.{_SUFFIX[channel.unit].upper()}"
    if layout == "halfhour":
        return f"{_WORDS[channel.role]} ({channel.unit})"
    return f"{_LOGGER[channel.role]}_{_SUFFIX[channel.unit]}"


def _delimited(layout: str) -> dict[str, Any]:
    if layout == "portal":
        return {
            "layout": "wide",
            "separator": ";",
            "decimal": ",",
            "header_contains": PORTAL_TIME,
            "time": PORTAL_TIME,
            "time_format": "%d.%m.%Y %H:%M",
        }
    if layout == "points":
        return {"layout": "long", "separator": ",", "time": "time", "point": "point",
                "value": "value"}  # fmt: skip
    if layout == "halfhour":
        return {"layout": "wide", "separator": ",", "time": HALFHOUR_TIME,
                "time_format": "%d/%m/%Y %H:%M"}  # fmt: skip
    return {"layout": "wide", "separator": ",", "time": "time"}


def channels_of(home: Home, roles: tuple[str, ...]) -> list[tuple[Meter, Channel]]:
    """Give the channels of an export with their meters, in the export's order."""
    known = {channel.role: (meter, channel) for meter in home.meters for channel in meter.channels}
    return [known[role] for role in roles]


def profile(home: Home, export: Export) -> dict[str, Any]:
    """Give the profile of an export as plain data."""
    local = export.layout in ("portal", "halfhour")
    columns: list[dict[str, Any]] = []
    for meter, channel in channels_of(home, export.roles):
        column: dict[str, Any] = {
            "role": channel.role,
            "kind": channel.kind,
            "unit": channel.unit,
        }
        if export.layout == "mbus":
            column["serial"] = meter.serial
            column["record"] = {"quantity": _MBUS.get(channel.role, "energy")}
        else:
            column["column"] = header(export.layout, channel)
        if channel.kind == "interval":
            column["interval"] = f"PT{export.every_min}M"
            column["stamp"] = "end"
        if channel.sentinel is not None:
            column["sentinels"] = [channel.sentinel]
        columns.append(column)
    data: dict[str, Any] = {
        "name": f"{home.title}: {export.name}",
        "format": "mbus" if export.layout == "mbus" else "delimited",
        "zone": home.zone if local else "UTC",
    }
    if export.layout == "mbus":
        data["mbus"] = {"separator": ";", "time_format": "iso"}
    else:
        data["delimited"] = _delimited(export.layout)
    data["column"] = columns
    return data
