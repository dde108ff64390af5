"""The web server: who waits for whom, and an end that finishes what was begun.

waitress takes requests in the order of their coming. Three things are added. Pages take turns,
a few at a time: more side by side would each be slower and need more memory. Signing in, made
slow and hungry on purpose, has turns of its own, so that fifty people who come at nine o'clock
keep nobody from a page. And whoever asks whether the server is well waits for neither.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from select import select
from socket import socket
from threading import BoundedSemaphore, Event
from typing import Any, Final

from waitress import wasyncore
from waitress.server import create_server

WsgiApp = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]

#: Requests that may wait or be worked on at once; beyond, they wait unread.
THREADS: Final = 64

#: Pages that are made at the same time, and passwords that are looked at.
PAGES: Final = 4
PASSWORDS: Final = 2

#: Open connections: a browser keeps up to six for as long as its pages are looked at.
CONNECTIONS: Final = 1000

#: Seconds that requests under way are given at the end.
PATIENCE: Final = 20.0

_PASSWORD_PATHS: Final = frozenset({"/login", "/join"})


class Turns:
    """Puts requests in line before an application; all of an answer is made in its turn."""

    def __init__(self, app: WsgiApp, pages: int = PAGES, passwords: int = PASSWORDS) -> None:
        self._app = app
        self._pages = BoundedSemaphore(pages)
        self._passwords = BoundedSemaphore(passwords)

    def __call__(
        self, environ: dict[str, Any], start_response: Callable[..., Any]
    ) -> Iterable[bytes]:
        """Answer a request once it is its turn."""
        path = environ.get("PATH_INFO")
        if path == "/health":
            return self._app(environ, start_response)
        hashes = environ.get("REQUEST_METHOD") == "POST" and path in _PASSWORD_PATHS
        with self._passwords if hashes else self._pages:
            return self._app(environ, start_response)


class Listener:
    """A server at an open socket."""

    def __init__(self, app: WsgiApp, door: socket, *, proxies: int) -> None:
        self._channels: dict[int, Any] = {}
        self._server = create_server(
            Turns(app),
            map=self._channels,
            sockets=[door],
            threads=THREADS,
            connection_limit=CONNECTIONS,
            asyncore_use_poll=True,
            ident=None,
            # Without a proxy nobody may say that they ask for somebody else.
            clear_untrusted_proxy_headers=proxies == 0,
        )

    def run(self, told_to_stop: Event) -> None:
        """Serve until told to stop, then finish what was begun.

        From then on nobody new is let in. Each connection is closed once its answer has gone
        out; what takes longer than `PATIENCE` is cut off.
        """
        try:
            while not told_to_stop.is_set():
                self._turn()
            self._finish()
        finally:
            self._server.task_dispatcher.shutdown(timeout=2)
            wasyncore.close_all(self._channels)

    def _turn(self) -> None:
        wasyncore.loop(timeout=0.2, use_poll=True, map=self._channels, count=1)

    def _finish(self) -> None:
        deadline = time.monotonic() + PATIENCE
        # Who stands at the door already is let in before it is shut.
        while select([self._server.socket], [], [], 0)[0] and time.monotonic() < deadline:
            self._turn()
        # The socket alone: answers still need the trigger that wakes this loop.
        wasyncore.dispatcher.close(self._server)
        while self._server.active_channels and time.monotonic() < deadline:
            # First what was sent is read, so that nobody with a request seems idle.
            self._turn()
            for channel in self._server.active_channels.values():
                for request in list(channel.requests):
                    # As if it were asked for: the answer says that the connection ends with it.
                    request.headers["CONNECTION"] = "close"
                if not (channel.request or channel.requests or channel.total_outbufs_len):
                    channel.will_close = True
