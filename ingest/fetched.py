"""What one visit to a source gave, and how one is broken off."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from threading import Event
from typing import Any, Final, TypeVar

from ingest.errors import Transient

T = TypeVar("T")

_GLANCE_S: Final = 0.2


@dataclass(frozen=True)
class Fetched:
    """What was fetched into the spool, and what to remember of it.

    Attributes
    ----------
    files
        How many files were fetched.
    validators
        What the server says of the version that was fetched; None leaves what is kept.
    fetched
        Size and time of change of the files that were fetched, by their name there.
    gone
        Names that are remembered and no longer there.
    due
        When a file that is still changing may be whole.
    note
        A sentence that a person should see.
    """

    files: int = 0
    validators: Mapping[str, str] | None = None
    fetched: Mapping[str, tuple[int, float]] = field(default_factory=dict)
    gone: tuple[str, ...] = ()
    due: datetime | None = None
    note: str | None = None


def run_unless(stopping: Event, work: Coroutine[Any, Any, T]) -> T:
    """Run something that waits for a server, and break it off once the process ends.

    Raises
    ------
    Transient
        It was broken off.
    """
    try:
        return asyncio.run(_watched(stopping, work))
    except asyncio.CancelledError as error:
        message = "The visit was broken off because the process ends."
        raise Transient(message) from error


async def _watched(stopping: Event, work: Coroutine[Any, Any, T]) -> T:
    task = asyncio.ensure_future(work)
    while not task.done():
        await asyncio.wait({task}, timeout=_GLANCE_S)
        if stopping.is_set():
            task.cancel()
    return task.result()
