"""Puts single messages together into files: one a topic and stretch of time.

A message is on disk before its sender is told that it arrived. A file that is being
filled lies in the spool's `part`; once its stretch is over it is moved whole to where
files arrive.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Lock
from typing import Any, Final

from ingest.errors import Terminal
from ingest.profile import Profile
from ingest.spool import Spool, safe_name, sync, unused

#: End of the name of a file that is being filled.
FILLING: Final = ".filling"

#: Largest message that is taken; a reading has a few hundred bytes.
MOST_BYTES: Final = 2**19

#: Times below this are relative to the time of reception (RFC 8428, section 4.5.3).
_RELATIVE: Final = 2**28

_STAMP: Final = "%Y%m%dT%H%M%SZ"
_NAMED: Final = re.compile(r".*-(\d{8}T\d{6}Z)\.[a-z]+")
_SUFFIX: Final = {"jsonl": ".jsonl", "senml": ".jsonl", "line_protocol": ".lp"}
_PER_SECOND: Final = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}

#: A line without a time: measurement and fields, spaces escaped or inside quotes.
_UNTIMED: Final = re.compile(r'(?:[^\s\\]|\\.)+ (?:"(?:[^"\\]|\\.)*"|[^\s"\\]|\\.)+')


def lines_of(payload: bytes, topic: str, received: datetime, profile: Profile) -> list[str]:
    """A message as lines of a file of a profile's format.

    What a message leaves out because its reception says it is added: for JSON lines the
    members `topic` and `received` (a bare value becomes the member `value`), for line
    protocol the time, for SenML the time that relative times count from.

    Raises
    ------
    Terminal
        The message is no such thing.
    """
    if len(payload) > MOST_BYTES:
        message = f"A message of {topic} has {len(payload):,} bytes; at most {MOST_BYTES:,} are."
        raise Terminal(message)
    try:
        text = payload.decode("utf-8-sig")
        if profile.format == "senml":
            return [_pack(json.loads(text), received)]
        if profile.format == "line_protocol":
            precision = profile.line_protocol.precision if profile.line_protocol else "ns"
            return _protocol(text, received, precision)
        return _objects(text, topic, received)
    except (ValueError, RecursionError) as error:
        message = f"A message of {topic} is not {profile.format}: {error}."
        raise Terminal(message) from error


def _objects(text: str, topic: str, received: datetime) -> list[str]:
    found = json.loads(text)
    added = {"topic": topic, "received": f"{received:%Y-%m-%dT%H:%M:%S.%fZ}"}
    if isinstance(found, dict):
        more = {key: value for key, value in added.items() if key not in found}
        # The digits stay as they were sent; line ends can stand between members only.
        plain = " ".join(text.split("\n")).replace("\r", " ").strip()
        joint = ", " if found and more else ""
        return [plain[:-1] + joint + json.dumps(more, ensure_ascii=False)[1:]]
    items = found if isinstance(found, list) else [found]
    whole = [item if isinstance(item, dict) else {"value": item} for item in items]
    return [json.dumps(added | item, ensure_ascii=False) for item in whole]


def _protocol(text: str, received: datetime, precision: str) -> list[str]:
    whole = round(received.timestamp() * 10**6) * _PER_SECOND[precision] // 10**6
    out = []
    for line in text.splitlines():
        if line.strip() and not line.startswith("#"):
            timed = line if not _UNTIMED.fullmatch(line.rstrip()) else f"{line.rstrip()} {whole}"
            out.append(timed)
    return out


def _pack(records: Any, received: datetime) -> str:
    """A pack whose times are absolute, so that it means the same tomorrow."""
    if not isinstance(records, list) or not all(isinstance(r, dict) for r in records):
        message = "a pack is an array of records"
        raise ValueError(message)
    base, out = 0.0, []
    for record in records:
        base = _number(record.get("bt", base))
        time = base + _number(record.get("t", 0.0))
        absolute = received.timestamp() + time if time < _RELATIVE else time
        rest = {key: value for key, value in record.items() if key != "bt"}
        out.append(rest | {"t": round(absolute, 6)})
    return json.dumps(out, ensure_ascii=False)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        message = f"a time is a number, not {str(value)[:40]!r}"
        raise ValueError(message)
    return float(value)


class MessageSpool:
    """Fills files with messages and hands on those whose stretch of time is over."""

    def __init__(self, spool: Spool, roll: timedelta) -> None:
        self.spool, self._roll = spool, roll
        self._lock = Lock()

    def append(
        self, payload: bytes, topic: str, received: datetime, profile: Profile
    ) -> Path | None:
        """Write a message down so that it outlasts a loss of power.

        Returns
        -------
        Path or None
            The file that it is in; None where it held nothing.

        Raises
        ------
        Terminal
            The message is not of the profile's format; nothing was written.
        """
        lines = lines_of(payload, topic, received, profile)
        if not lines:
            return None
        digest = hashlib.sha256(topic.encode()).hexdigest()[:8]
        label = safe_name(topic.replace("/", "_").replace(".", "_"))[:60]
        start = self._start(received)
        name = f"{label}-{digest}-{start:{_STAMP}}{_SUFFIX[profile.format]}{FILLING}"
        path = self.spool.part / name
        data = ("\n".join(lines) + "\n").encode()
        with self._lock:
            is_new = not path.exists()
            with path.open("ab+") as handle:
                end = handle.seek(0, os.SEEK_END)
                if end:
                    handle.seek(end - 1)
                    # A line that a lost process left half written stays one, to be refused alone.
                    data = data if handle.read(1) == b"\n" else b"\n" + data
                handle.write(data)
                handle.flush()
                os.fsync(handle.fileno())
            if is_new:
                sync(self.spool.part)
        return path

    def refuse(self, payload: bytes, topic: str, received: datetime, reason: str) -> Path:
        """Keep a message that fits no file, with a report that says why."""
        digest = hashlib.sha256(topic.encode() + b"\0" + payload).hexdigest()[:12]
        path = self.spool.failed / f"message-{digest}"
        with self.spool.whole(path.parent, path.name, replace=True) as draft:
            draft.write(payload)
        report = {
            "sentence": reason,
            "outcome": "failed",
            "topic": topic,
            "received": f"{received:%Y-%m-%dT%H:%M:%SZ}",
            "bytes": len(payload),
        }
        self.spool.report(path, report)
        return path

    def roll(self, now: datetime, *, everything: bool = False) -> int:
        """Hand on the files whose stretch of time is over; how many there were."""
        moved = 0
        with self._lock:
            for path in sorted(self.spool.part.glob(f"*{FILLING}")):
                name = path.name.removesuffix(FILLING)
                stamp = _NAMED.fullmatch(name)
                start = datetime.strptime(stamp[1] if stamp else "", _STAMP).replace(tzinfo=UTC)
                if everything or start + self._roll <= now:
                    path.rename(unused(self.spool.root, name))
                    moved += 1
        if moved:
            sync(self.spool.part, self.spool.root)
        return moved

    def next_roll(self, now: datetime) -> datetime | None:
        """When the next file is whole; None where none is being filled."""
        if not any(self.spool.part.glob(f"*{FILLING}")):
            return None
        return self._start(now) + self._roll

    def _start(self, moment: datetime) -> datetime:
        """Start of the stretch that a moment lies in."""
        step = self._roll.total_seconds()
        return datetime.fromtimestamp(moment.timestamp() // step * step, UTC)
