"""Files that a person has sent and not yet confirmed.

A file is hostile until proven otherwise: it is kept under a random name in a folder that
only this process may enter, its own name is never a path, its size is bounded, only the
person who sent it can use it, and it is gone after a while whatever happens.
"""

from __future__ import annotations

import base64
import binascii
import secrets
import shutil
import tempfile
import weakref
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Final

from ingest.profile import Profile
from ingest.propose import Answers, Proposal
from monitor.errors import PledgewattError

#: Largest file that can be sent; larger ones are for the command line or a source.
MOST_BYTES: Final = 20 << 20
#: Largest request of a callback: a file travels as base64 inside JSON.
MOST_REQUEST: Final = MOST_BYTES * 4 // 3 + (1 << 20)
#: A file waits so long for a person, in seconds.
LIFETIME_S: Final = 30 * 60
#: Files that wait at once; the oldest gives way.
MOST_WAITING: Final = 8
_LONGEST_NAME: Final = 120


class UploadError(PledgewattError):
    """A file that was sent cannot be used."""


@dataclass
class Upload:
    """One file that waits.

    Attributes
    ----------
    name
        What its sender calls it, for the page alone.
    answers
        What the person has said of it so far.
    proposal, previewed
        The last proposal, and the profile and site whose preview the person has seen.
    """

    token: str
    owner: int
    name: str
    path: Path
    since: float
    answers: Answers = field(default_factory=Answers)
    proposal: Proposal | None = None
    previewed: tuple[Profile, str] | None = None


def shown_name(name: object) -> str:
    """Give a file's name for a page: short, and without what does not print."""
    text = str(name) if isinstance(name, str) else ""
    bare = "".join(sign for sign in text[-300:] if sign.isprintable())
    return bare[-_LONGEST_NAME:] or "the file"


class Uploads:
    """Keeps files until they are confirmed, replaced or too old."""

    def __init__(self, *, lifetime_s: float = LIFETIME_S) -> None:
        #: Made by `mkdtemp`, so that nobody else may enter it.
        self.folder = Path(tempfile.mkdtemp(prefix="pledgewatt-upload-"))
        # Removed with everything in it when the process ends.
        weakref.finalize(self, shutil.rmtree, self.folder, ignore_errors=True)
        self._lifetime_s = lifetime_s
        self._kept: dict[str, Upload] = {}
        self._lock = Lock()

    def keep(self, owner: int, name: object, contents: object, now: float | None = None) -> Upload:
        """Keep a file that came as a data URL.

        Raises
        ------
        UploadError
            It is empty, too large, or did not arrive whole.
        """
        moment = monotonic() if now is None else now
        data = _decoded(contents)
        token = secrets.token_urlsafe(24)
        path = self.folder / f"upload-{secrets.token_hex(12)}"
        with self._lock:
            self._sweep(moment)
            while len(self._kept) >= MOST_WAITING:
                self._drop(min(self._kept.values(), key=lambda one: one.since).token)
            # Made anew: nothing that lies there already is ever written to.
            with path.open("xb") as stream:
                stream.write(data)
            path.chmod(0o600)
            kept = Upload(token, owner, shown_name(name), path, moment)
            self._kept[token] = kept
        return kept

    def find(self, owner: int, token: object, now: float | None = None) -> Upload:
        """Give a file that a person has sent.

        Raises
        ------
        UploadError
            It is not there any more, or never was this person's.
        """
        moment = monotonic() if now is None else now
        with self._lock:
            self._sweep(moment)
            found = self._kept.get(token) if isinstance(token, str) else None
        if found is None or found.owner != owner:
            message = (
                "The file is not kept any more: it waits for half an hour at most. Choose it again."
            )
            raise UploadError(message)
        return found

    def drop(self, token: str) -> None:
        """Forget a file."""
        with self._lock:
            self._drop(token)

    def _sweep(self, moment: float) -> None:
        for token in [t for t, o in self._kept.items() if moment - o.since > self._lifetime_s]:
            self._drop(token)

    def _drop(self, token: str) -> None:
        gone = self._kept.pop(token, None)
        if gone is not None:
            gone.path.unlink(missing_ok=True)


def _decoded(contents: object) -> bytes:
    if not isinstance(contents, str) or "," not in contents[:300]:
        message = "The file did not arrive whole. Choose it again."
        raise UploadError(message)
    text = contents[contents.index(",") + 1 :]
    if len(text) > MOST_BYTES * 4 // 3 + 4:
        message = (
            f"The file is larger than {MOST_BYTES >> 20} MiB. Import it with 'pledgewatt import', "
            "or export a shorter period."
        )
        raise UploadError(message)
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as error:
        message = "The file did not arrive whole. Choose it again."
        raise UploadError(message) from error
    if not data:
        message = "The file is empty. Export it again."
        raise UploadError(message)
    return data
