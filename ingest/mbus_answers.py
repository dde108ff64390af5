"""Answers of a meter that take several telegrams (EN 13757-3, DIF 1F: more records follow)."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from ingest.mbus_frames import HEADER_BYTES, TRAILER_BYTES, Build, Frames, Ints, builds

#: Telegrams of one answer follow each other at once; at 300 baud the longest takes nine
#: seconds. Common practice, no source.
WITHIN_S = 60
#: An answer of more telegrams is none; histories of two years take a dozen.
#: Common practice, no source.
MOST_TELEGRAMS = 64
_IDENTITY = slice(7, 15)
_ACCESS = 15


@dataclass
class Answers:
    """Telegrams of a capture by their build, those of one answer joined.

    Attributes
    ----------
    parts
        Rows of the capture, their telegrams (of equal length) and the build of these.
    joined
        Telegrams that were read with the one before them.
    open
        Telegrams that announce more records of which none were found.
    unreadable
        Rows whose records cannot be told apart.
    """

    parts: list[tuple[Ints, Frames, Build]] = field(default_factory=list)
    joined: int = 0
    open: int = 0
    unreadable: list[Ints] = field(default_factory=list)

    def add(self, rows: Ints, block: Frames) -> None:
        """Sort telegrams of equal length by build; `rows` says where they stand."""
        for part, build in builds(block):
            if build is None:
                self.unreadable.append(rows[part])
            else:
                self.parts.append((rows[part], block[part], build))


def join_answers(single: Answers, seconds: Ints, known: Ints) -> Answers:
    """Join the telegrams of one answer.

    What follows a telegram that announces more is the same meter's next telegram, with
    the next access number, at most `WITHIN_S` later and of another build: a telegram of
    the same build is the meter's next answer, of which the reader took no more.

    Parameters
    ----------
    single
        Every telegram by itself.
    seconds, known
        Time of each row of the capture, and the rows whose time is known.
    """
    if all(build.more is None for _, _, build in single.parts):
        return single
    chains = _chains(single, seconds, known)
    result = Answers(unreadable=list(single.unreadable))
    followers = {row for chain in chains for row in chain[1:]}
    openers = {chain[0] for chain in chains}
    result.joined = len(followers)
    for rows, block, build in single.parts:
        alone = np.array([row not in followers and row not in openers for row in rows.tolist()])
        if build.more is not None:
            result.open += int(alone.sum())
        if alone.any():
            result.parts.append((rows[alone], block[alone], build))
    _add_joined(result, single, chains)
    return result


def _chains(single: Answers, seconds: Ints, known: Ints) -> list[list[int]]:
    """List the rows of each answer of more than one telegram."""
    timed = set(known.tolist())
    of_meter: dict[bytes, list[tuple[int, int, Build]]] = defaultdict(list)
    for rows, block, build in single.parts:
        for row, frame in zip(rows.tolist(), block, strict=True):
            of_meter[frame[_IDENTITY].tobytes()].append((row, int(frame[_ACCESS]), build))
    chains = []
    for telegrams in of_meter.values():
        telegrams.sort(key=lambda one: one[0])
        chain = [telegrams[0]]
        for follower in telegrams[1:]:
            row, access, build = chain[-1]
            continues = (
                build.more is not None
                and len(chain) < MOST_TELEGRAMS
                and follower[1] == (access + 1) % 256
                and all(follower[2] is not earlier[2] for earlier in chain)
                and {row, follower[0]} <= timed
                and 0 <= seconds[follower[0]] - seconds[chain[0][0]] <= WITHIN_S
            )
            if not continues:
                chains.append(chain)
                chain = []
            chain.append(follower)
        chains.append(chain)
    return [[row for row, _, _ in chain] for chain in chains if len(chain) > 1]


def _add_joined(result: Answers, single: Answers, chains: list[list[int]]) -> None:
    wanted = {row for chain in chains for row in chain}
    found: dict[int, tuple[Frames, Build]] = {}
    for rows, block, build in single.parts:
        found |= {
            row: (frame, build)
            for row, frame in zip(rows.tolist(), block, strict=True)
            if row in wanted
        }
    by_length: dict[int, list[tuple[int, Frames]]] = defaultdict(list)
    for chain in chains:
        first, _ = found[chain[0]]
        pieces = [first[:HEADER_BYTES]]
        for row in chain:
            frame, build = found[row]
            last = row == chain[-1]
            end = len(frame) - TRAILER_BYTES if last or build.more is None else build.more
            pieces.append(frame[HEADER_BYTES:end])
        whole = np.concatenate([*pieces, first[-TRAILER_BYTES:]])
        by_length[len(whole)].append((chain[0], whole))
    for joined in by_length.values():
        result.add(np.array([row for row, _ in joined]), np.stack([one for _, one in joined]))
