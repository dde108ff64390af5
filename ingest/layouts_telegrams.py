"""Layouts of files of telegrams and feeds, which name each value themselves."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from ingest.clock import NUMERIC_FORMATS, check_time_format
from monitor.models import Record


def _readable(time_format: str) -> str:
    check_time_format(time_format)
    return time_format


def _from_a_display(time_format: str) -> str:
    if time_format in NUMERIC_FORMATS or time_format == "iso":
        message = f"'{time_format}' is not how a meter shows its clock; give a strptime format"
        raise ValueError(message)
    return _readable(time_format)


def _between(separator: str) -> str:
    if not separator.isascii() or separator.isalnum() or separator in '"\r\n.+-:/()!*':
        message = f"'{separator}' cannot stand between a time and a telegram; use ; , or a tab"
        raise ValueError(message)
    return separator


ReceivedFormat = Annotated[str, Field(min_length=1), AfterValidator(_readable)]
DisplayFormat = Annotated[str, Field(min_length=1), AfterValidator(_from_a_display)]
# A blank may stand between time and telegram, so it must not be stripped as elsewhere.
Between = Annotated[
    str,
    StringConstraints(min_length=1, max_length=1, strip_whitespace=False),
    AfterValidator(_between),
]


class Obis(Record):
    """Layout of a log of P1 telegrams or IEC 62056-21 readouts.

    Attributes
    ----------
    received
        Where the log writes when it received a telegram: `none`, in a `line` of its own
        before it, or as a `prefix` of its first or of each line.
    separator
        Between the prefix and the telegram.
    time_format
        Of the time of reception; as for delimited text.
    time
        Which time a reading has: the `meter`'s as the telegram states it, else the time
        of reception; or always when it was `received`. A reading that has a time of its
        own in the telegram, as those of sub-meters do, keeps it.
    clock_format
        strptime format of a readout's own date and time (0.9.2 and 0.9.1 with a blank
        between, or 9.36); left out, they are not used, for their order of day and month
        differs from meter to meter.
    """

    received: Literal["none", "line", "prefix"] = "none"
    separator: Between = ";"
    time_format: ReceivedFormat = "iso"
    time: Literal["meter", "received"] = "meter"
    clock_format: DisplayFormat | None = None

    @model_validator(mode="after")
    def _reception_is_somewhere(self) -> Self:
        if self.time == "received" and self.received == "none":
            message = "time = \"received\" needs 'received': where that time stands"
            raise ValueError(message)
        return self


class Espi(Record):
    """How a feed of ESPI XML (NAESB REQ.21) is to be taken.

    Attributes
    ----------
    epoch
        What its seconds since 1970 are: `utc` as the standard says, or `local` where a
        portal writes the local time of the profile's zone into them.
    """

    epoch: Literal["utc", "local"] = "utc"
