"""Finds adapters: ours and third parties' come through the same entry point group."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol, runtime_checkable

from ingest.errors import Terminal
from ingest.normal_form import Extract
from ingest.profile import Profile

GROUP = "pledgewatt.adapters"


@runtime_checkable
class Adapter(Protocol):
    """Reads one format.

    `name` is what a profile's `format` says; `read` returns the normal form or raises
    an `IngestError` that names file, line and what to do.
    """

    name: str

    def read(self, path: Path, profile: Profile) -> Extract:
        """Read a whole file."""
        ...


@runtime_checkable
class PartsAdapter(Adapter, Protocol):
    """An adapter that can give a file in parts, so that files of any length fit into memory."""

    def read_parts(self, path: Path, profile: Profile) -> Iterator[Extract]:
        """Read a file, a part at a time.

        The parts together are what `read` gives: each reading and each reject once, lines
        and blank cells as sums, notes with the last part.
        """
        ...


def read_in_parts(found: Adapter, path: Path, profile: Profile) -> Iterator[Extract]:
    """Read a file in parts; in one where an adapter knows no parts."""
    if isinstance(found, PartsAdapter):
        yield from found.read_parts(path, profile)
    else:
        yield found.read(path, profile)


def adapter_names() -> list[str]:
    """Names of every adapter that is installed."""
    return sorted({point.name for point in entry_points(group=GROUP)})


def adapter(name: str) -> Adapter:
    """Give the adapter of a name.

    Raises
    ------
    Terminal
        No adapter has that name.
    """
    for point in entry_points(group=GROUP, name=name):
        found = point.load()
        if not isinstance(found, Adapter):
            message = f"The adapter '{name}' from {point.value} lacks a name or a read method."
            raise Terminal(message)
        return found
    message = (
        f"No adapter reads format '{name}'. Set 'format' in the profile to one of: "
        f"{', '.join(adapter_names())}."
    )
    raise Terminal(message)
