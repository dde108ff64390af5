"""What the records of a meter mean to a profile, whatever carries them (EN 13757-3)."""

from __future__ import annotations

from ingest.mbus_frames import ELECTRICITY_MEDIA, HEAT_MEDIA
from ingest.profile import Column, MbusRecord, Profile
from ingest.units import Conversion, conversion
from monitor.errors import DescriptionError
from monitor.models import Kind, Role


def record_of(column: Column, profile: Profile) -> MbusRecord:
    """Give the record that a column means.

    Raises
    ------
    DescriptionError
        The column names none, or one that cannot be of its kind and role.
    """
    name = f"The profile '{profile.name}', column of role '{column.role}':"
    if column.record is None:
        message = f"{name} an M-Bus column needs 'record', such as {{ quantity = \"energy\" }}."
        raise DescriptionError(message)
    if not _can_be(column.record.quantity, column):
        message = (
            f"{name} a record of '{column.record.quantity}' cannot be kind '{column.kind}' of "
            f"role '{column.role}'. Energy is a register, power is power, and a temperature or "
            "flow is a state."
        )
        raise DescriptionError(message)
    if column.unit is not None:
        conversion(column.unit, column.role, column.kind, where=label(column))
    return column.record


def _can_be(quantity: str, column: Column) -> bool:
    if quantity == "energy":
        return column.kind is Kind.REGISTER
    if quantity == "power":
        return column.kind is Kind.POWER
    return column.kind is Kind.STATE and (quantity == "flow_rate") == (
        column.role is Role.FLOW_RATE
    )


def label(column: Column) -> str:
    """Name a column by its record: 'energy', 'energy tariff 1', 'energy cooling'."""
    record = column.record or MbusRecord(quantity="energy")
    parts: list[str] = [record.quantity]
    parts += [
        f"{name} {number}"
        for name, number in (
            ("storage", record.storage),
            ("tariff", record.tariff),
            ("device", record.device),
        )
        if number
    ]
    if record.cooling:
        parts.append("cooling")
    if record.id is not None:
        parts.append(f"id {record.id}")
    return " ".join(parts)


def concerns(column: Column, meter: str, medium: int | None) -> bool:
    """Say whether a column means a meter, given its serial and its medium byte."""
    if column.serial is not None:
        return column.serial.zfill(8).upper() == meter
    return medium in (ELECTRICITY_MEDIA if column.role.is_electricity else HEAT_MEDIA)


def in_kept_unit(sentinel: float, column: Column) -> float:
    """Give a sentinel of the profile in the unit that is kept."""
    unit = Conversion(1.0)
    if column.unit is not None:
        unit = conversion(column.unit, column.role, column.kind, where=label(column))
    return unit.factor * sentinel * column.scale + unit.offset
