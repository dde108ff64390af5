"""Who waits for whom at the server, and what becomes of requests when it is told to stop."""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from threading import Event, Lock, Thread

import pytest

from dashboard.listening import PAGES, PASSWORDS, Listener

LONG = b"x" * 3_000_000


class Slow:
    """An application whose pages and passwords wait until they are let go."""

    def __init__(self) -> None:
        self.let_go, self.lock, self.inside = Event(), Lock(), []

    def __call__(self, environ, start_response):
        path = environ["PATH_INFO"]
        if path != "/health":
            with self.lock:
                self.inside.append(path)
            assert self.let_go.wait(20)
        start_response("200 OK", [("Content-Length", str(len(LONG) if path == "/long" else 2))])
        return [LONG if path == "/long" else b"ok"]

    def wait_for(self, count: int) -> None:
        for _ in range(400):
            if len(self.inside) >= count:
                return
            Event().wait(0.02)
        pytest.fail(f"only {self.inside} came in")


@contextmanager
def serving() -> Iterator[tuple[Slow, int, Event, Thread]]:
    app, told, door = Slow(), Event(), socket.create_server(("127.0.0.1", 0))
    port = door.getsockname()[1]
    thread = Thread(target=Listener(app, door, proxies=0).run, args=(told,))
    thread.start()
    try:
        yield app, port, told, thread
    finally:
        app.let_go.set()
        told.set()
        thread.join(25)
    assert not thread.is_alive()


def ask(port: int, path: str, method: str = "GET") -> tuple[int, bytes]:
    status, content, _ = heard(asked(port, path, method))
    return status, content


def asked(port: int, path: str, method: str = "GET") -> http.client.HTTPConnection:
    """A connection on which a request has been sent, its answer not yet read."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request(method, path)
    except BaseException:
        connection.close()
        raise
    return connection


def heard(connection: http.client.HTTPConnection) -> tuple[int, bytes, str]:
    """Status, content, and whether the connection stays open."""
    try:
        answer = connection.getresponse()
        return answer.status, answer.read(), answer.headers.get("Connection", "stays").lower()
    finally:
        connection.close()


def test_the_server_says_that_it_is_well_though_all_else_waits():
    with serving() as (app, port, _, _), ThreadPoolExecutor(40) as people:
        waiting = [people.submit(ask, port, "/page") for _ in range(20)]
        waiting += [people.submit(ask, port, "/login", "POST") for _ in range(20)]
        app.wait_for(PAGES + PASSWORDS)
        assert ask(port, "/health") == (200, b"ok")
        app.let_go.set()
        assert all(one.result(20) == (200, b"ok") for one in waiting)


def test_who_signs_in_takes_no_turn_of_a_page():
    with serving() as (app, port, _, _), ThreadPoolExecutor(40) as people:
        for _ in range(10):
            people.submit(ask, port, "/login", "POST")
        app.wait_for(PASSWORDS)
        for _ in range(10):
            people.submit(ask, port, "/page")
        app.wait_for(PASSWORDS + PAGES)
        assert app.inside.count("/login") == PASSWORDS
        assert app.inside.count("/page") == PAGES
        app.let_go.set()


def test_told_to_stop_it_answers_in_full_what_has_come_in_and_lets_nobody_new_in():
    with (
        serving() as (app, port, told, thread),
        ThreadPoolExecutor(12) as people,
        ExitStack() as stack,
    ):
        # More than take turns at a time: some have not even been begun.
        # All are sent before the server is told, whoever the system lets run first.
        begun = [people.submit(heard, asked(port, "/long")) for _ in range(3 * PAGES)]
        app.wait_for(PAGES)
        idle = stack.enter_context(closing(asked(port, "/health")))
        assert idle.getresponse().read() == b"ok"
        told.set()
        for _ in range(200):
            with socket.socket() as new:
                if new.connect_ex(("127.0.0.1", port)):
                    break
            Event().wait(0.02)
        else:
            pytest.fail("somebody new was let in")
        assert thread.is_alive()
        app.let_go.set()
        assert all(one.result(20) == (200, LONG, "close") for one in begun)
        thread.join(10)
        assert not thread.is_alive()
