"""From what was told of each column to a proposal, its questions and a profile's column."""

from __future__ import annotations

from typing import Any

from ingest.propose.columns import Seen
from ingest.propose.model import SURE, ColumnProposal, Guess, Question
from monitor.models import Kind, Role


def column_of(one: Seen) -> ColumnProposal:
    """Give what was told of a column as a proposal."""
    role = one.role
    if role.value is None and one.left_out:
        role = Guess(value=None, confidence=role.confidence, reasons=(one.left_out,))
    scale = one.said("scale")
    said = one.said("sentinels")
    factor = float(scale) if scale else 1.0
    sentinels = tuple(float(x) for x in said.split(",")) if said else one.run.sentinels
    return ColumnProposal(
        column=one.name,
        serial=one.said("serial") or one.serial,
        record=one.record,
        role=role,
        kind=one.kind,
        unit=one.unit,
        interval_s=one.interval_s,
        stamp=one.stamp,
        scale=factor,
        sentinels=sentinels,
        values=one.run.count,
    )


def profile_column(one: ColumnProposal, format_: str) -> dict[str, Any]:
    """Give a column as a profile writes it."""
    data: dict[str, Any] = {"role": one.role.value, "kind": one.kind.value}
    if one.record is not None:
        data |= {"record": one.record.model_dump(), "serial": one.serial}
    else:
        data["column"] = one.column
        if one.serial is not None:
            data["serial"] = one.serial
        if format_ not in ("obis", "espi"):
            data["unit"] = one.unit.value
    if one.kind.value == "interval" and format_ != "espi":
        data["stamp"] = one.stamp or "start"
        if one.interval_s is not None:
            data["interval"] = one.interval_s
    if one.scale != 1.0:
        data["scale"] = one.scale
    if one.sentinels:
        data["sentinels"] = list(one.sentinels)
    return data


def questions_about(columns: tuple[ColumnProposal, ...]) -> list[Question]:
    """Ask for what could not be told of columns, and for what is only a guess."""
    out = []
    for one in columns:
        if not one.used:
            continue
        for key, guess in (("role", one.role), ("kind", one.kind), ("unit", one.unit)):
            if guess.value is None:
                # Files of telegrams state their units themselves.
                needed = key != "unit" or one.record is None
                out.append(_ask(one, key, guess, "cannot be told", needed=needed))
            elif guess.confidence < SURE:
                what = f"is '{guess.value}' only by guess"
                out.append(_ask(one, key, guess, what, needed=False))
    if columns and not any(one.used for one in columns):
        out.append(
            Question(
                key=f"{columns[0].column}.role",
                text="No column says what it measures. Name the role of at least one.",
                options=tuple(Role),
                needed=True,
            )
        )
    return out


def _ask(one: ColumnProposal, key: str, guess: Guess, what: str, *, needed: bool) -> Question:
    why = f" {guess.reasons[-1]}" if guess.reasons else ""
    options: dict[str, tuple[str, ...]] = {"role": (*Role, "none"), "kind": tuple(Kind)}
    return Question(
        key=f"{one.column}.{key}",
        text=f"The {key} of '{one.column}' {what}.{why} What is it?",
        options=options.get(key, ()),
        needed=needed,
    )
