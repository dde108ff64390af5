"""Attributes whose names Python cannot spell."""

from __future__ import annotations

from typing import Any


def aria(**values: str) -> dict[str, Any]:
    """Attributes `aria-NAME` of an element."""
    return {f"aria-{name}": value for name, value in values.items()}


#: For shapes and arrows that only repeat what a word beside them says.
UNHEARD: dict[str, Any] = {"aria-hidden": "true"}
