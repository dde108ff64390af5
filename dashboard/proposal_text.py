"""How a proposal is said: pure functions, for the page and the command alike."""

from __future__ import annotations

from typing import Final

from ingest.propose import ColumnProposal, Guess, Proposal
from ingest.propose.model import SURE

#: How sure a guess is, in words, from which confidence on.
_WORDS: Final = ((0.95, "sure"), (SURE, "likely"), (0.01, "a guess"), (0.0, "not told"))


def how_sure(guess: Guess | float) -> str:
    """A confidence as word and figure: `likely (0.85)`."""
    value = guess if isinstance(guess, float | int) else guess.confidence
    word = next(word for least, word in _WORDS if value >= least)
    return f"{word} ({value:.2f})"


def verdict(proposal: Proposal) -> str:
    """One sentence on the whole."""
    if proposal.format is None:
        return f"{proposal.file} cannot be read as an export: {' '.join(proposal.doubts)}"
    used = [one for one in proposal.columns if one.used]
    if proposal.profile is None:
        count = len(proposal.missing)
        what = "1 question has" if count == 1 else f"{count} questions have"
        return (
            f"{proposal.file} is {proposal.format}, but {what} to be answered first."
            if count
            else f"{proposal.file} is {proposal.format}, but no profile could be made of it."
        )
    least = min((one.confidence for one in used), default=0.0)
    columns = "1 column is" if len(used) == 1 else f"{len(used)} columns are"
    return (
        f"{proposal.file} is {proposal.format}; {columns} read, the least sure of them "
        f"{how_sure(least)}."
    )


def reasons_of(column: ColumnProposal) -> str:
    """Why a column is thought to be what it is; where it is left out, why."""
    if not column.used:
        return " ".join(column.role.reasons)
    parts = (*column.role.reasons, *column.kind.reasons, *column.unit.reasons)
    return " ".join(dict.fromkeys(parts))


def kind_of(column: ColumnProposal) -> str:
    """Kind of a column, with length and end of an interval."""
    if column.kind.value != "interval":
        return column.kind.value or ""
    length = f" of {column.interval_s // 60} min" if column.interval_s else ""
    return f"interval{length}, time at its {column.stamp}"
