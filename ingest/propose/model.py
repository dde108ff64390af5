"""What is proposed for an unknown export, and how sure that is."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from ingest.profile import MbusRecord, Profile
from monitor.record import Record

Confidence = Annotated[float, Field(ge=0.0, le=1.0)]

#: A guess below this becomes a question to the person. Common practice, no source.
SURE: float = 0.7


class Guess(Record):
    """One thing that was told from the file.

    Attributes
    ----------
    value
        As a profile writes it; None where it could not be told.
    confidence
        From 0 to 1: 1 is what the file states or a person has said.
    reasons
        Sentences.
    """

    value: str | None = None
    confidence: Confidence = 0.0
    reasons: tuple[str, ...] = ()


class ColumnProposal(Record):
    """What one column, point or record of an export is thought to mean.

    Attributes
    ----------
    column, serial, record
        What the file calls it: see `ingest.profile.Column`.
    role, kind, unit
        `role.value` is None where the column is left out.
    interval_s, stamp
        Kind interval: length in seconds, and which end the time stands for.
    values
        Numbers found in it.
    """

    column: str
    serial: str | None = None
    record: MbusRecord | None = None
    role: Guess
    kind: Guess
    unit: Guess
    interval_s: int | None = None
    stamp: str | None = None
    scale: float = 1.0
    sentinels: tuple[float, ...] = ()
    values: int = 0

    @property
    def used(self) -> bool:
        """Whether the profile reads this column."""
        return self.role.value is not None

    @property
    def confidence(self) -> float:
        """How sure all of it is: as sure as the least sure part."""
        return min(self.role.confidence, self.kind.confidence, self.unit.confidence)


class Fact(Record):
    """How the file is laid out, in one respect."""

    name: str
    guess: Guess


class Question(Record):
    """What only a person can say.

    Attributes
    ----------
    key
        What the answer is given to: `zone`, `time_format`, `COLUMN.role` ...
    options
        Answers that fit; empty where any may.
    needed
        True where no profile can be made without the answer.
    """

    key: str
    text: str
    options: tuple[str, ...] = ()
    needed: bool = False


class Proposal(Record):
    """A profile for an unknown export, or what is still missing to be one.

    Attributes
    ----------
    facts
        Format, separator, time and the like.
    profile
        None while something is missing.
    doubts
        Sentences on what does not fit; none of them stops an import.
    """

    file: str
    format: str | None
    facts: tuple[Fact, ...] = ()
    columns: tuple[ColumnProposal, ...] = ()
    questions: tuple[Question, ...] = ()
    doubts: tuple[str, ...] = ()
    profile: Profile | None = None

    @property
    def missing(self) -> tuple[Question, ...]:
        """Questions that must be answered first."""
        return tuple(one for one in self.questions if one.needed)

    def document(self) -> dict[str, Any]:
        """Everything as plain data, for JSON."""
        return self.model_dump(mode="json") | {
            "columns": [
                one.model_dump(mode="json") | {"confidence": one.confidence, "used": one.used}
                for one in self.columns
            ]
        }
