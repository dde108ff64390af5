"""What a person has said about an export, as `KEY=VALUE`."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from monitor.errors import DescriptionError

#: Answers about the whole file.
WHOLE: Final = (
    "name", "format", "zone", "time_format", "decimal", "thousands", "encoding", "separator",
    "sheet",
)  # fmt: skip
#: Answers about one column.
OF_COLUMN: Final = ("role", "kind", "unit", "stamp", "interval", "scale", "serial", "sentinels")

_NUMBER: Final = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
#: What an answer may be, as a regular expression and in words; others may be anything.
_ALLOWED: Final = {
    "decimal": (r"[.,]", "a point or a comma"),
    "thousands": (r"[.,' ]?", "a point, a comma, an apostrophe or 'blank'"),
    "encoding": (r"utf-8|utf-16|latin-1|cp1252", "utf-8, utf-16, latin-1 or cp1252"),
    "separator": (r"[;,|\t ~^:/]", "one character such as ; , | or 'tab'"),
    "stamp": (r"start|end", "start or end"),
    "interval": (r"[1-9]\d{0,7}", "a whole number of seconds"),
    "scale": (_NUMBER, "a number"),
    "sentinels": (rf"{_NUMBER}(?:,{_NUMBER})*", "numbers with commas between"),
}
_SPELT: Final = {("separator", ""): "\t", ("separator", "tab"): "\t", ("thousands", "blank"): " "}


@dataclass
class Answers:
    """What a person has said: of the whole file, and of each column by its name."""

    whole: dict[str, str] = field(default_factory=dict)
    columns: dict[str, dict[str, str]] = field(default_factory=dict)

    def of(self, column: str) -> dict[str, str]:
        """What was said of one column."""
        return self.columns.get(column, {})


def read_answers(texts: Iterable[str]) -> Answers:
    """Read answers such as `zone=Europe/London` and `Wärme [kWh].role=heat_total`.

    Raises
    ------
    DescriptionError
        One has no `=`, or a key that is not known.
    """
    out = Answers()
    for text in texts:
        key, equals, value = text.rpartition("=")
        if not equals or not key.strip():
            message = f"'{text}' is no answer: write KEY=VALUE, such as zone=Europe/London."
            raise DescriptionError(message)
        key, value = key.strip(), value.strip()
        value = _SPELT.get((key, value), value)
        column, point, what = key.rpartition(".")
        pattern, words = _ALLOWED.get(what, ("", ""))
        if pattern and not re.fullmatch(pattern, value):
            message = f"'{key}' must be {words}, not '{value}'."
            raise DescriptionError(message)
        if key in WHOLE:
            out.whole[key] = value
        elif point and column and what in OF_COLUMN:
            out.columns.setdefault(column, {})[what] = value
        else:
            message = (
                f"'{key}' is not known. Of the file: {', '.join(WHOLE)}. Of a column: "
                f"COLUMN.{', COLUMN.'.join(OF_COLUMN)}."
            )
            raise DescriptionError(message)
    return out
