"""Hours that occur twice, in a file that is read in parts.

Which pass a row belongs to, the order of the whole file tells: a row of such an hour is
kept back until the file's end, with as many rows before and after it as the order needs.
"""

from __future__ import annotations

import numpy as np

from ingest.local_time import NEIGHBOURS, Bools, Ints, Zone, resolve_fold

_NONE: Ints = np.zeros(0, dtype=np.int64)


class DoubleHours:
    """The order of the rows about the double hours of a file.

    Attributes
    ----------
    rows
        Rows in double hours so far; they are numbered in the order of the file.
    """

    def __init__(self, zone: Zone) -> None:
        self.rows = 0
        self._zone = zone
        # The last rows of each group: group, local time, number, and whether it is kept.
        self._tail = (_NONE, _NONE, _NONE, np.zeros(0, dtype=np.bool_))
        self._kept: list[tuple[Ints, Ints, Ints]] = []

    def add(self, local: Ints, double: Bools, group: Ints) -> None:
        """Add the next rows of the file.

        Parameters
        ----------
        local
            Local times in microseconds.
        double
            Mask of the rows in an hour that occurs twice.
        group
            Which series each row belongs to.
        """
        number = np.full(len(local), -1, dtype=np.int64)
        count = int(double.sum())
        number[double] = np.arange(self.rows, self.rows + count)
        self.rows += count
        new = (group, local, number, np.zeros(len(local), dtype=np.bool_))
        group, local, number, kept = (
            np.concatenate(pair) for pair in zip(self._tail, new, strict=True)
        )
        order = np.argsort(group, kind="stable")
        group, local, number, kept = group[order], local[order], number[order], kept[order]
        if count or (number >= 0).any():
            near = _near(number >= 0, group)
            fresh = near & ~kept
            self._kept.append((group[fresh], local[fresh], number[fresh]))
            kept |= near
        # Place of each row from the end of its group.
        ends = np.searchsorted(group, group, side="right")
        last = ends - np.arange(len(group)) <= NEIGHBOURS
        self._tail = (group[last], local[last], number[last], kept[last])

    def settle(self) -> tuple[Bools, Bools]:
        """Say which rows are of the later pass of their hour, and which pass is told."""
        later = np.zeros(self.rows, dtype=np.bool_)
        told = np.zeros(self.rows, dtype=np.bool_)
        if self.rows:
            group, local, number = (
                np.concatenate(parts) for parts in zip(*self._kept, strict=True)
            )
            double = number >= 0
            of_later, known = resolve_fold(local, double, group, self._zone)
            later[number[of_later]] = True
            told[number[double]] = known[double]
        return later, told


def _near(double: Bools, group: Ints) -> Bools:
    """Say which rows, sorted by group, stand close enough to a double hour to tell its order."""
    near = double.copy()
    for distance in range(1, NEIGHBOURS + 1):
        same = group[distance:] == group[:-distance]
        near[distance:] |= double[:-distance] & same
        near[:-distance] |= double[distance:] & same
    return near
