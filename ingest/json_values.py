"""Values of JSON texts that come from outside: strict, and never a crash."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from typing import Any

_NUMBER = re.compile(r"[+-]?(?:\d++\.?\d*+|\.\d++)(?:[eE][+-]?\d{1,4})?")
_KINDS = {
    dict: "an object",
    list: "an array",
    str: "a text",
    bool: "true or false",
    type(None): "null",
}


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = Counter(name for name, _ in pairs).most_common(1)[0][0]
        message = f"the member '{twice[:60]}' stands there twice"
        raise ValueError(message)
    return found


#: Refuses objects that name a member twice: nobody can tell which one is meant.
DECODER = json.JSONDecoder(object_pairs_hook=_object)


def decode(text: str, start: int = 0) -> tuple[Any, int]:
    """Read the JSON value that begins at a place of a text.

    Returns
    -------
    tuple
        The value, and the place behind it.

    Raises
    ------
    ValueError
        With a sentence fragment that says what is wrong.
    """
    try:
        return DECODER.raw_decode(text, start)
    except json.JSONDecodeError as error:
        message = f"{error.msg[:1].lower()}{error.msg[1:]} (character {error.pos - start + 1})"
        raise ValueError(message) from error
    except RecursionError as error:
        message = "its objects are nested too deeply"
        raise ValueError(message) from error


def kind_of(value: Any) -> str:
    """Say what a JSON value is, for a sentence."""
    return _KINDS.get(type(value), "a number")


def number_of(value: Any) -> tuple[float | None, str | None]:
    """Give a JSON value as a number, and else why it is none.

    A text that holds a number is one: many loggers quote them.
    """
    if isinstance(value, str):
        if _NUMBER.fullmatch(value.strip()) is None:
            return None, "the text is not a number"
        number = float(value)
    elif isinstance(value, bool) or not isinstance(value, int | float):
        return None, f"{kind_of(value)} is not a number"
    else:
        try:
            number = float(value)
        except OverflowError:
            return None, "the number is too large"
    if not math.isfinite(number):
        return None, "not a finite number"
    return number, None


def shown_value(value: Any, most: int = 400) -> str:
    """Give a value as text for a person; a number and a text as they are."""
    if isinstance(value, str):
        return value[:most]
    if isinstance(value, dict | list):
        return kind_of(value)
    return str(value) if not isinstance(value, bool) and value is not None else json.dumps(value)
