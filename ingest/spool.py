"""The folder of one source: what arrives, what is in hand, what is done and what failed.

Files move through it by renaming only, each step of which happens whole or not at all:
`root` (arrived) → `taken/ID` (in hand) → `done` or `failed`, with a report beside them.
`part` holds what is still being fetched. Names that somebody else chose become names
here only through `safe_name`.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
import time
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO, Any, Final

from ingest.errors import Terminal, Transient
from ingest.sources import Complete

REPORT: Final = ".report.json"
MARKER: Final = ".done"

#: Ends of names that say that a file is not whole yet, or not a file of readings.
#: Common practice, no source.
_PASSED_OVER: Final = (
    MARKER,
    REPORT,
    ".part",
    ".partial",
    ".filepart",
    ".tmp",
    ".temp",
    ".crdownload",
    ".lock",
    "~",
)

#: Longest name in bytes; a file system allows 255, and reports add to the name.
_LONGEST: Final = 150
_KEPT: Final = frozenset("._-+=@,() ")
_DIGEST: Final = 12


def safe_name(raw: str) -> str:
    """A name that is nothing but a name, made from one that somebody else chose.

    No separator, control sign or leading dot is left, and it fits any file system.
    """
    plain = unicodedata.normalize("NFC", raw.encode("utf-8", "replace").decode("utf-8"))
    name = "".join(c if c.isalnum() or c in _KEPT else "_" for c in plain).strip(" .")
    stem, suffix = _parted(name)
    if len(suffix.encode()) > 20:
        stem, suffix = name, ""
    room = _LONGEST - len(suffix.encode())
    stem = stem.encode()[:room].decode("utf-8", "ignore").strip(" .")
    return f"{stem or 'file'}{suffix}"


def passed_over(name: str) -> bool:
    """Whether a name says that its file is not to be taken: hidden, unfinished, a marker."""
    return name.startswith((".", "~")) or name.lower().endswith(_PASSED_OVER)


@dataclass(frozen=True)
class Entry:
    """A file as a listing shows it; `look` is whatever changes when it is written to."""

    name: str
    size: int
    changed: float
    look: tuple[int, ...] = ()


@dataclass
class Settling:
    """Remembers how files looked, to tell which have stopped changing.

    Kept in memory: after a restart each file is watched anew. The clock of whoever
    writes the files is never asked, for it may be wrong.
    """

    _seen: dict[str, tuple[tuple[float, ...], datetime]] = field(default_factory=dict)

    def since(self, entry: Entry, now: datetime) -> datetime:
        """Since when a file has looked as it does."""
        look = (entry.size, entry.changed, *entry.look)
        before = self._seen.get(entry.name)
        if before is None or before[0] != look or before[1] > now:
            self._seen[entry.name] = (look, now)
        return self._seen[entry.name][1]

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget files that are gone."""
        wanted = set(names)
        self._seen = {name: seen for name, seen in self._seen.items() if name in wanted}


@dataclass(frozen=True)
class Ripe:
    """Which files are whole, and when the next one may be."""

    whole: tuple[Entry, ...]
    due: datetime | None


def ripe(
    entries: list[Entry],
    wanted: Callable[[str], bool],
    complete: Complete,
    settle: timedelta,
    settling: Settling,
    now: datetime,
) -> Ripe:
    """Tell which files of a listing are whole."""
    candidates = [e for e in entries if wanted(e.name) and not passed_over(e.name)]
    candidates.sort(key=lambda e: (e.changed, e.name))
    if complete == "renamed":
        return Ripe(tuple(candidates), None)
    if complete == "marker":
        markers = {e.name: e.changed for e in entries if e.name.endswith(MARKER)}
        # A marker older than its file was left by an earlier file of that name.
        marked = [e for e in candidates if markers.get(e.name + MARKER, -1.0) >= e.changed]
        return Ripe(tuple(marked), None)
    settling.keep_only(e.name for e in candidates)
    at = [(settling.since(e, now) + settle, e) for e in candidates]
    return Ripe(
        tuple(e for moment, e in at if moment <= now),
        min((moment for moment, _ in at if moment > now), default=None),
    )


@dataclass(frozen=True)
class Taken:
    """A file in hand."""

    claim: str
    path: Path


@dataclass
class Draft:
    """A file that is being written; once `wanted` is false it never appears."""

    handle: IO[bytes]
    wanted: bool = True

    def write(self, piece: bytes) -> None:
        """Add to it."""
        self.handle.write(piece)


class Spool:
    """The folder of one source.

    Attributes
    ----------
    root
        Where files arrive.
    name
        Where several sources share the root: name of this one, by which what they
        have in hand is kept apart.
    """

    def __init__(self, root: Path, name: str = "") -> None:
        self.root = root
        self.part, self.taken = root / "part" / name, root / "taken" / name
        self.done, self.failed = root / "done" / name, root / "failed" / name

    def prepare(self, *, make_root: bool) -> None:
        """Make the folders inside.

        Raises
        ------
        Terminal
            The folder is not there, or files cannot be moved in it.
        """
        if not make_root and not self.root.is_dir():
            message = (
                f"There is no folder {self.root}. Make it, or correct 'folder' in the description "
                "of the source."
            )
            raise Terminal(message)
        try:
            for folder in (self.part, self.taken, self.done, self.failed):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            message = (
                f"Files cannot be moved in {self.root}: {error.strerror or error}. The process "
                "that takes files in must be allowed to write there."
            )
            raise Terminal(message) from error

    def arrived(self) -> list[Entry]:
        """Plain files that stand in the folder; links and pipes are not followed."""
        found = []
        with _reachable(self.root), os.scandir(self.root) as listing:
            for item in listing:
                try:
                    at = item.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue
                if stat.S_ISREG(at.st_mode):
                    look = (at.st_ino, at.st_mtime_ns)
                    found.append(Entry(item.name, at.st_size, at.st_mtime, look))
        return found

    def claim(self, entry: Entry) -> Taken | None:
        """Take a file in hand, so that whoever writes its name anew makes another file.

        Returns
        -------
        Taken or None
            None where the file has gone meanwhile.
        """
        # Begins with the time, so that files are tried in the order in which they came.
        claim = f"{time.time_ns():016x}{secrets.token_hex(2)}"
        path = self.taken / claim / safe_name(entry.name)
        path.parent.mkdir()
        try:
            (self.root / entry.name).rename(path)
        except FileNotFoundError:
            path.parent.rmdir()
            return None
        (self.root / (entry.name + MARKER)).unlink(missing_ok=True)
        sync(self.taken, path.parent, self.root)
        return Taken(claim, path)

    def in_hand(self) -> list[Taken]:
        """Files that were taken and not put away, also by an earlier process."""
        found = []
        for folder in sorted(self.taken.iterdir()):
            inside = sorted(folder.iterdir()) if folder.is_dir() else []
            found += [Taken(folder.name, path) for path in inside]
            if folder.is_dir() and not inside:
                folder.rmdir()
        return found

    def put_away(self, taken: Taken, sha256: str | None, report: dict[str, Any]) -> Path:
        """Move a file to `done` or `failed`, as its report says, after the report."""
        folder = self.done if report["outcome"] == "done" else self.failed
        path = folder / final_name(taken.path.name, sha256 or taken.claim)
        self.report(path, report)
        taken.path.rename(path)
        taken.path.parent.rmdir()
        sync(folder, self.taken)
        return path

    def report(self, path: Path, report: dict[str, Any]) -> None:
        """Write the report of a file beside it."""
        text = json.dumps(report, ensure_ascii=False, indent=1) + "\n"
        with self.whole(path.parent, path.name + REPORT, replace=True) as draft:
            draft.write(text.encode())

    def unreported(self) -> list[Path]:
        """Files in `done` that have no report."""
        names = {path.name for path in self.done.iterdir()}
        bare = [n for n in names if not n.endswith(REPORT) and n + REPORT not in names]
        return [self.done / name for name in sorted(bare) if (self.done / name).is_file()]

    def repeats(self, sha256: str) -> bool:
        """Whether a file of the same content is done already."""
        # A report alone was left by a process that was killed before it moved the file.
        found = self.done.glob(f"*-{sha256[:_DIGEST]}*")
        return any(not path.name.endswith(REPORT) for path in found)

    @contextmanager
    def whole(self, folder: Path, name: str, *, replace: bool = False) -> Iterator[Draft]:
        """A file that appears in a folder under its name once it is written whole.

        What is left of one that broke off is cleared away by `clear`.
        """
        work = self.part / f"{secrets.token_hex(8)}.part"
        try:
            with work.open("xb") as handle:
                draft = Draft(handle)
                yield draft
                handle.flush()
                os.fsync(handle.fileno())
            if draft.wanted:
                work.rename(folder / name if replace else unused(folder, name))
        finally:
            work.unlink(missing_ok=True)
        sync(folder)

    def give_back(self, path: Path) -> None:
        """Move a file that was put away back to where files arrive."""
        path.rename(unused(self.root, path.name))
        sync(self.root, path.parent)

    def clear(self) -> None:
        """Remove what an earlier process left half fetched; it will be fetched again."""
        for path in self.part.glob("*.part"):
            path.unlink(missing_ok=True)


def final_name(name: str, digest: str) -> str:
    """Name of a file that is put away: its own, made unique by what it holds."""
    stem, suffix = _parted(name)
    mark = f"-{digest[:_DIGEST]}"
    return f"{stem.removesuffix(mark)}{mark}{suffix}"


def _parted(name: str) -> tuple[str, str]:
    return Path(name).stem, Path(name).suffix


def unused(folder: Path, name: str) -> Path:
    """A path in a folder that is still free: the name, or one with a number."""
    stem, suffix = _parted(name)
    path, n = folder / name, 1
    while os.path.lexists(path):
        n += 1
        path = folder / f"{stem}-{n}{suffix}"
    return path


@contextmanager
def _reachable(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        message = f"{folder} cannot be read now: {error.strerror or error}."
        raise Transient(message) from error


def sync(*folders: Path) -> None:
    """Make renames last through a loss of power, where the system can."""
    if os.name == "nt":
        return
    for folder in folders:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
