"""Writes plain data as TOML."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, date | int | float):
        return str(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_scalar(item) for item in value)}]"
    message = f"TOML cannot hold a {type(value).__name__}"
    raise TypeError(message)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and isinstance(value[0], Mapping)


def _table(data: Mapping[str, Any], path: str, lines: list[str]) -> None:
    present = {key: value for key, value in data.items() if value is not None}
    for key, value in present.items():
        if not isinstance(value, Mapping) and not _is_tables(value):
            lines.append(f"{key} = {_scalar(value)}")
    for key, value in present.items():
        inner = f"{path}.{key}" if path else key
        if isinstance(value, Mapping):
            lines += ["", f"[{inner}]"]
            _table(value, inner, lines)
        elif _is_tables(value):
            for item in value:
                lines += ["", f"[[{inner}]]"]
                _table(item, inner, lines)


def to_toml(data: Mapping[str, Any]) -> str:
    """Give a TOML document; keys whose value is None are left out."""
    lines: list[str] = []
    _table(data, "", lines)
    return "\n".join(lines) + "\n"
