"""An address that is asked again and again, on a real server of this computer."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.ingest_store.intake import Intake, rows


class Portal:
    """What the server says, and what it was asked."""

    def __init__(self) -> None:
        self.content = rows(0, 1)
        self.status, self.headers = 200, dict[str, str]()
        self.has_etag = self.has_date = False
        self.drip_s = 0.0
        self.truncate = 0
        self.asked: list[tuple[str, dict[str, str]]] = []
        portal = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                portal.answer(self)

            def log_message(self, *_: Any) -> None:
                """The tests look at what was asked themselves."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,))
        self.thread.start()
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"

    def answer(self, to: BaseHTTPRequestHandler) -> None:
        self.asked.append((to.path, {k.lower(): v for k, v in to.headers.items()}))
        etag, date = f'"{hash(self.content)}"', formatdate(1717228800, usegmt=True)
        known = to.headers.get("If-None-Match") == etag if self.has_etag else False
        known = known or (self.has_date and to.headers.get("If-Modified-Since") == date)
        to.send_response(304 if known else self.status)
        if self.has_etag:
            to.send_header("ETag", etag)
        if self.has_date:
            to.send_header("Last-Modified", date)
        for name, value in self.headers.items():
            to.send_header(name, value)
        body = b"" if known else self.content
        to.send_header("Content-Length", str(len(body)))
        to.end_headers()
        try:
            if self.truncate:
                to.wfile.write(body[: self.truncate])
                to.close_connection = True
            elif self.drip_s:
                for byte in body:
                    to.wfile.write(bytes([byte]))
                    time.sleep(self.drip_s)
            else:
                to.wfile.write(body)
        except OSError:
            to.close_connection = True

    def close(self) -> None:
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


@pytest.fixture
def portal() -> Iterator[Portal]:
    made = Portal()
    yield made
    made.close()


@pytest.fixture
def make(tmp_path: Path, portal: Portal) -> Iterator[Any]:
    opened: list[Intake] = []

    def build(path: str = "/exports/meter.csv", more: str = "") -> Intake:
        made = Intake(
            tmp_path,
            '[[source]]\nname = "portal"\nsite = "mill-lane-1"\nprofile = "logger.toml"\n'
            f'kind = "http"\nurl = "{portal.url}{path}"\n{more}\n',
        )
        opened.append(made)
        return made

    yield build
    for intake in opened:
        intake.store.close()


def spooled(intake: Intake) -> list[str]:
    """Files anywhere in the spool but reports."""
    spool = intake.folder / "spool"
    return [p.name for p in spool.rglob("*") if p.is_file() and not p.name.endswith(".json")]


def test_an_export_is_fetched_and_imported(make: Any, portal: Portal) -> None:
    intake = make()
    result = intake.run()
    assert (result.done, result.problem) == (1, None)
    assert intake.counts() == [("20240601T083000Z-meter.csv", 4, 0, 0)]
    assert portal.asked[0][1]["accept-encoding"] == "identity"


@pytest.mark.parametrize("known_by", ["has_etag", "has_date", None])
def test_what_is_known_is_not_kept_again(make: Any, portal: Portal, known_by: str | None) -> None:
    if known_by:
        setattr(portal, known_by, True)
    intake = make()
    intake.run()
    intake.clock.forward(minutes=15)
    assert intake.run().done == 0
    assert len(spooled(intake)) == 1
    portal.content, portal.has_date = rows(0, 1, 2), False
    intake.clock.forward(minutes=15)
    assert intake.run().done == 1
    assert [c[1:] for c in intake.counts()] == [(4, 0, 0), (2, 4, 0)]


def test_a_process_that_dies_before_it_remembers_fetches_again_and_imports_once(
    make: Any, portal: Portal
) -> None:
    portal.has_etag = True
    intake = make()
    intake.collector.visit(intake.source())
    intake.start()
    assert intake.run().done == 2
    assert len(portal.asked) == 2
    assert "if-none-match" not in portal.asked[1][1]
    assert len(intake.counts()) == 1
    intake.run()
    assert "if-none-match" in portal.asked[2][1]


def test_the_address_asks_for_the_time_since_the_newest_reading(make: Any, portal: Portal) -> None:
    intake = make("/x?from={since}&to={today}", "since = 2024-01-01")
    intake.run()
    intake.clock.forward(days=1)
    intake.run()
    assert [path for path, _ in portal.asked] == [
        "/x?from=2024-01-01&to=2024-06-01",
        "/x?from=2024-01-10&to=2024-06-02",
    ]


def test_credentials_come_from_the_environment(
    make: Any, portal: Portal, monkeypatch: pytest.MonkeyPatch
) -> None:
    more = (
        'query_env = { key = "PORTAL_KEY" }\nheaders_env = { X-Customer = "PORTAL_CUSTOMER" }\n'
        'token_env = "PORTAL_TOKEN"'
    )
    intake = make("/x?a=1", more)
    assert "PORTAL_" in str(intake.run().problem)
    for name in ("KEY", "CUSTOMER", "TOKEN"):
        monkeypatch.setenv(f"PORTAL_{name}", f"hush {name}")
    assert intake.run().done == 1
    path, headers = portal.asked[0]
    assert path == "/x?a=1&key=hush+KEY"
    assert headers["x-customer"] == "hush CUSTOMER"
    assert headers["authorization"] == "Bearer hush TOKEN"
    portal.status = 500
    intake.clock.forward(hours=1)
    assert "hush" not in str(intake.run().problem)
    for path in (intake.folder / "spool").rglob("*"):
        assert not path.is_file() or b"hush" not in path.read_bytes()


def test_a_name_and_password_are_sent_as_basic_authentication(
    make: Any, portal: Portal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WHO", "Aladdin")
    monkeypatch.setenv("HOW", "open sesame")
    make(more='username_env = "WHO"\npassword_env = "HOW"').run()
    # RFC 7617, section 2: the example of user 'Aladdin' with password 'open sesame'.
    assert portal.asked[0][1]["authorization"] == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="


@pytest.mark.parametrize(
    ("status", "words", "passing"),
    [
        (503, "answers 503 Service Unavailable; it is asked again later", True),
        (429, "asked again later", True),
        (401, "credentials are missing or wrong", False),
        (404, "nothing at that address", False),
        (418, "Correct the description", False),
    ],
)
def test_an_answer_that_is_no_export_is_said(
    make: Any, portal: Portal, status: int, words: str, passing: bool
) -> None:
    portal.status = status
    intake = make()
    result = intake.run()
    assert words in str(result.problem)
    assert (result.due is not None) == passing
    assert spooled(intake) == []
    assert intake.state().error == result.problem
    portal.status = 200
    intake.clock.forward(hours=1)
    assert intake.run().done == 1


def test_waits_grow_while_a_server_is_away(make: Any, portal: Portal) -> None:
    portal.status = 503
    intake = make()
    waits = []
    for _ in range(4):
        result = intake.run()
        assert result.due is not None
        waits.append((result.due - intake.clock.now).total_seconds())
        intake.clock.now = result.due
    assert waits == [30, 60, 120, 240]
    assert intake.state().failures == 4


def test_a_redirect_is_followed_on_the_same_host_only(make: Any, portal: Portal) -> None:
    intake = make()
    portal.status, portal.headers = 302, {"Location": "/exports/other.csv"}

    def once(to: BaseHTTPRequestHandler, answer: Any = portal.answer) -> None:
        if to.path.endswith("other.csv"):
            portal.status, portal.headers = 200, {}
        answer(to)

    portal.answer = once  # type: ignore[method-assign]
    assert intake.run().done == 1
    assert [path for path, _ in portal.asked] == ["/exports/meter.csv", "/exports/other.csv"]


@pytest.mark.parametrize(
    "target",
    ["http://elsewhere.example/x.csv", "file:///etc/passwd", "//localhost/x", "https:///x"],
)
def test_a_redirect_elsewhere_is_refused(make: Any, portal: Portal, target: str) -> None:
    portal.status, portal.headers = 302, {"Location": target}
    result = make().run()
    assert "redirects to" in str(result.problem) or "cannot be asked" in str(result.problem)
    assert len(portal.asked) == 1


def test_a_circle_of_redirects_ends(make: Any, portal: Portal) -> None:
    portal.status, portal.headers = 302, {"Location": "/exports/meter.csv"}
    assert "redirects more than 5 times" in str(make().run().problem)


def test_an_answer_that_is_too_large_is_not_kept(make: Any, portal: Portal) -> None:
    portal.content = rows(*range(5000))
    intake = make(more="max_bytes = 1000")
    assert "more than 1,000 bytes" in str(intake.run().problem)
    assert spooled(intake) == []


def test_a_compressed_answer_that_nobody_asked_for_is_refused(make: Any, portal: Portal) -> None:
    portal.headers = {"Content-Encoding": "gzip"}
    intake = make()
    assert "compressed answer" in str(intake.run().problem)
    assert spooled(intake) == []


def test_an_answer_that_breaks_off_is_not_kept(make: Any, portal: Portal) -> None:
    portal.truncate = 30
    intake = make()
    result = intake.run()
    assert "cannot be reached" in str(result.problem)
    assert result.due is not None
    assert spooled(intake) == []
    portal.truncate = 0
    intake.clock.forward(minutes=1)
    assert intake.run().done == 1


def test_an_answer_that_drips_ends_with_the_time_limit(make: Any, portal: Portal) -> None:
    portal.content, portal.drip_s = rows(*range(20)), 0.05
    intake = make(more='timeout = "PT1S"')
    began = time.monotonic()
    assert "took longer than" in str(intake.run().problem)
    assert time.monotonic() - began < 5
    assert spooled(intake) == []


def test_a_server_that_is_not_there_is_said(make: Any, portal: Portal) -> None:
    intake = make()
    portal.close()
    result = intake.run()
    portal.__init__()  # type: ignore[misc]
    assert "cannot be reached" in str(result.problem)
    assert result.due is not None


@pytest.mark.parametrize("path", ["/..%2f..%2fetc%2fpasswd", "/a/../../x", "/%00", "/", "/x.tmp"])
def test_no_address_leads_out_of_the_spool(make: Any, portal: Portal, path: str) -> None:
    intake = make(path)
    assert intake.run().done == 1
    (name,) = intake.reports("done")
    assert (intake.folder / "spool" / "portal" / "done" / name).is_file()
    outside = [p for p in intake.folder.iterdir() if p.name not in {"spool", "homes.duckdb"}]
    assert sorted(p.suffix for p in outside if p.suffix != ".wal") == [".toml", ".toml"]
