"""The usual step of a column of times, however many there are and in whatever order."""

from __future__ import annotations

import zlib
from datetime import timedelta

import numpy as np

from ingest.errors import Terminal
from ingest.local_time import DAY, SECOND, Ints

#: Share of steps that may be no multiple of the usual one (a logger's clock set right).
ODD_STEPS_ALLOWED = 0.01
#: Times within one day, and different steps, beyond which nothing is even: a day has
#: 86,400 seconds, and no interval is shorter than one.
MOST_IN_A_DAY = MOST_STEPS = 100_000
_BUFFER = 1 << 18


class Times:
    """A set of times in microseconds, kept day by day in little memory."""

    def __init__(self) -> None:
        self.dense = False
        self._waiting: list[Ints] = []
        self._count = 0
        self._days: dict[int, bytes] = {}

    def add(self, times: Ints) -> None:
        """Add times, in any order."""
        self._waiting.append(np.unique(times))
        self._count += len(self._waiting[-1])
        if self._count > _BUFFER:
            self._put_away()

    def _put_away(self) -> None:
        if not self._count:
            return
        times = np.unique(np.concatenate(self._waiting))
        self._waiting, self._count = [], 0
        for own in np.split(times, np.flatnonzero(np.diff(times // DAY)) + 1):
            day = int(own[0] // DAY)
            if day in self._days:
                own = np.union1d(own, self._of_day(day))
            self.dense |= len(own) > MOST_IN_A_DAY
            if not self.dense:
                # Regular times have equal differences, of which next to nothing is left.
                self._days[day] = zlib.compress(np.diff(own, prepend=day * DAY).tobytes(), 1)

    def _of_day(self, day: int) -> Ints:
        steps = np.frombuffer(zlib.decompress(self._days[day]), np.int64)
        return np.asarray(day * DAY + np.cumsum(steps), dtype=np.int64)

    def steps(self) -> tuple[Ints, Ints] | None:
        """Give the steps between neighbours and how often each occurs; None if too many."""
        self._put_away()
        if self.dense:
            return None
        found: dict[int, int] = {}
        last: int | None = None
        for day in sorted(self._days):
            own = self._of_day(day)
            if last is not None:
                own = np.concatenate(([last], own))
            last = int(own[-1])
            for step, count in zip(*np.unique(np.diff(own), return_counts=True), strict=True):
                found[int(step)] = found.get(int(step), 0) + int(count)
            if len(found) > MOST_STEPS:
                return None
        order = sorted(found)
        return np.array(order, dtype=np.int64), np.array([found[s] for s in order], dtype=np.int64)


class Spacing:
    """Times of one column, from which the length of its intervals is taken."""

    def __init__(self) -> None:
        self._utc = Times()
        self._local = Times()

    def add(self, utc: Ints, local: Ints) -> None:
        """Add times of readings, UTC and as the calendar there shows them."""
        self._utc.add(utc)
        self._local.add(local)

    def settle(self, *, file: str, where: str) -> tuple[timedelta, str]:
        """Give the usual step.

        Parameters
        ----------
        where
            The column's name, for sentences.

        Returns
        -------
        tuple
            The usual step, and a sentence that says what was taken.

        Raises
        ------
        Terminal
            There is no usual step; the profile must say `interval`.
        """
        advice = f"Give the column '{where}' an 'interval' in the profile, such as \"PT15M\"."
        uneven = (
            f"{file}: the times of the column '{where}' are not evenly spaced, "
            f"so its interval cannot be told. {advice}"
        )
        found = self._utc.steps()
        if found is None:
            raise Terminal(uneven)
        steps, counts = found
        if not len(steps):
            message = (
                f"{file}: the column '{where}' has too few times to tell its interval. {advice}"
            )
            raise Terminal(message)
        usual = int(steps[np.argmax(counts)])
        if usual >= DAY:
            # Days are regular on the local calendar, although some have 23 or 25 hours.
            found = self._local.steps()
            if found is None or not len(found[0]):
                raise Terminal(uneven)
            steps, counts = found
            usual = int(steps[np.argmax(counts)])
        odd = int(counts[steps % usual != 0].sum())
        if usual % SECOND or usual > 366 * DAY or odd > ODD_STEPS_ALLOWED * counts.sum():
            raise Terminal(uneven)
        length = timedelta(microseconds=usual)
        note = f"The column '{where}' has a reading every {length}; that is taken as its interval."
        if odd:
            note += f" {odd} of {int(counts.sum())} steps differ."
        return length, note
