"""Finds adapters: ours and third parties' come through the same entry point group."""

from __future__ import annotations

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
