"""Keeps in memory what was made once, until what it was made from changes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from threading import Lock
from typing import Any, Generic, TypeVar

Value = TypeVar("Value")


class _Made(Generic[Value]):
    """A value that the first who asks makes; whoever asks meanwhile waits for it."""

    def __init__(self, stamp: Hashable) -> None:
        self.stamp = stamp
        self._lock = Lock()
        self._values: list[Value] = []

    def get(self, make: Callable[[], Value]) -> Value:
        with self._lock:
            if not self._values:
                self._values.append(make())
            return self._values[0]


class Kept:
    """Values by key, each made once; for any number of threads.

    Who asks after a value was dropped never gets it, even if its making was under way.

    Parameters
    ----------
    most
        Values that are kept; beyond, the one not asked for the longest goes first.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._made: OrderedDict[Hashable, _Made[Any]] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], Value], *, stamp: Hashable = None) -> Value:
        """The value that is kept under a key with this stamp, or else what `make` gives.

        An error of `make` goes to the caller; the next one tries anew.
        """
        with self._lock:
            made: _Made[Value] | None = self._made.get(key)
            if made is None or made.stamp != stamp:
                made = self._made[key] = _Made(stamp)
            self._made.move_to_end(key)
            if len(self._made) > self._most:
                self._made.popitem(last=False)
        return made.get(make)

    def drop(self, keys: Iterable[Hashable] | None) -> None:
        """Forget the values of some keys, or (None) all."""
        with self._lock:
            if keys is None:
                self._made.clear()
            else:
                for key in keys:
                    self._made.pop(key, None)
