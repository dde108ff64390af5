"""Processes that do not answer, to see that the fuzz notices; they import nothing, to be quick."""

from __future__ import annotations

import sys
from multiprocessing.connection import Connection
from time import sleep


def dies(pipe: Connection, *, store: bool) -> None:
    """End without an answer."""
    pipe.send(None)
    pipe.recv()
    sys.exit(3)


def hangs(pipe: Connection, *, store: bool) -> None:
    """Never answer, and keep the processor busy."""
    pipe.send(None)
    pipe.recv()
    while True:
        pass


def waits(pipe: Connection, *, store: bool) -> None:
    """Never answer, and do nothing."""
    pipe.send(None)
    pipe.recv()
    sleep(600)
