"""How the state of a source is said: pure functions, for pages and commands alike."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from dashboard import format as fmt
from dashboard.theme import Look
from monitor.store.sources import SourceState

SILENT: Final = Look("silent", "■", "blind")
FAILING: Final = Look("failing", "▲", "off-course")
FILES_FAILED: Final = Look("with failed files", "◆", "in-doubt")
NOTHING_YET: Final = Look("nothing yet", "○", "too-early")
WORKING: Final = Look("working", "●", "on-course")

#: Worst first.
LOOKS: Final = (SILENT, FAILING, FILES_FAILED, NOTHING_YET, WORKING)


def look(state: SourceState, now: datetime) -> Look:
    """How a source is shown: a word and a shape."""
    if state.is_silent(now):
        return SILENT
    if state.error:
        return FAILING
    if state.failed:
        return FILES_FAILED
    return WORKING if state.newest else NOTHING_YET


def worst_first(states: list[SourceState], now: datetime) -> list[SourceState]:
    """Silent sources first, then failing ones, then those with files that failed."""
    return sorted(states, key=lambda state: (LOOKS.index(look(state, now)), state.name))


def duration(length: timedelta) -> str:
    """A length of time in its largest whole unit."""
    seconds = int(length.total_seconds())
    for size, word in ((86_400, "day"), (3600, "hour"), (60, "minute")):
        if seconds and seconds % size == 0:
            return fmt.plural(seconds // size, word)
    return fmt.plural(seconds, "second")


def attention(states: list[SourceState], now: datetime) -> str:
    """One sentence on all sources."""
    if not states:
        return "No source brings files by itself; they are imported by hand."
    counts = [(len([s for s in states if look(s, now) is one]), one.word) for one in LOOKS[:3]]
    wanting = [f"{count:,}{fmt.NBSP}{word}" for count, word in counts if count]
    if not wanting:
        if len(states) == 1:
            return "The one source does not need attention."
        return f"None of {fmt.plural(len(states), 'source')} needs attention."
    total = sum(count for count, _ in counts)
    verb = "needs" if total == 1 else "need"
    return f"{total:,} of {fmt.plural(len(states), 'source')} {verb} attention: " + (
        f"{fmt.listing(wanting)}."
    )


def why(state: SourceState, now: datetime) -> str:
    """What is the matter with a source, and since when."""
    parts = []
    if state.is_silent(now):
        limit = duration(state.silent_after)
        newest = fmt.age(state.newest, now)
        parts.append(
            f"Its newest reading is from {newest}; it should be at most {limit} old."
            if state.newest
            else f"It has brought no reading in more than {limit}."
        )
    if state.error:
        again = ""
        if state.retry_at is not None and state.retry_at > now:
            again = f" Next try at {state.retry_at:%H:%M} UTC."
        parts.append(state.error + again)
    if state.failed:
        parts.append(f"{fmt.plural(state.failed, 'file')} could not be taken.")
    if state.waiting:
        parts.append(f"{fmt.plural(state.waiting, 'file')} will be tried again.")
    if state.note:
        parts.append(fmt.initial(state.note))
    return " ".join(parts)
