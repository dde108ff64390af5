"""Mail that goes to a real server: guarded, signed in, refused, and broken off."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP

from dashboard.telling.described import Telling
from monitor.findings.finding import Topic
from monitor.store import told
from monitor.store.connection import Store, open_store
from tests.dashboard.telling_people import (
    MailServer,
    People,
    body,
    certificate,
    finding,
    forget,
    server_trust,
)

COLD = finding("cold", Topic.HOUSEHOLD, title="Cold rooms")
NAME, WORD = "pledge", "four wet ducks"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with open_store(tmp_path_factory.mktemp("told") / "told.duckdb", create=True) as opened:
        yield opened


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return certificate(tmp_path_factory.mktemp("trust"))


@pytest.fixture(autouse=True)
def _password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_USER", NAME)
    monkeypatch.setenv("MAIL_PASSWORD", WORD)


@pytest.fixture
def serve() -> Iterator[object]:
    servers = []

    def build(**settings: object) -> MailServer:
        servers.append(MailServer(**settings))
        return servers[-1]

    yield build
    for server in servers:
        server.close()


def by(port: int, **more: object) -> Telling:
    way = {"host": "127.0.0.1", "port": port, "security": "none", "sender": "pw@firm.example"}
    return Telling.model_validate({"mail": {**way, **more}})


def people(store: Store, telling: Telling, *emails: str) -> People:
    forget(store)
    made = People(store, telling)
    for email in emails or ("ines@firm.example",):
        made.person(email)
    made.found("alder-row-3", COLD)
    return made


def problem(made: People) -> str:
    (outcome,) = made.teller.tell(due=False)
    assert outcome.problem is not None
    return outcome.problem


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_travels_encrypted_and_signed_in(store, serve, files, security):
    server = serve(trust=server_trust(files), at_once=security == "tls", sign_in=(NAME, WORD))
    sign_in = {"username_env": "MAIL_USER", "password_env": "MAIL_PASSWORD"}
    told_by = by(server.port, security=security, ca_file=files[0], **sign_in)
    made = people(store, told_by, "a@firm.example", "b@firm.example")
    assert [o.problem for o in made.teller.tell(due=False)] == [None, None]
    assert server.receivers == [["a@firm.example"], ["b@firm.example"]]
    assert server.encrypted == [True, True]
    assert server.signed_in == 1, "one connection for all"
    letter = server.letters[0]
    assert letter["From"] == "pledgewatt <pw@firm.example>"
    assert letter["To"] == "a@firm.example"
    assert letter["Auto-Submitted"] == "auto-generated"
    assert letter["Subject"] == "1 new finding: Cold rooms (alder-row-3)"
    assert "1. Cold rooms (alder-row-3; household, likely)" in body(letter)
    assert "<b>Cold rooms</b>" in body(letter, "html")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_server_whose_certificate_is_not_trusted_gets_no_password(store, serve, files, security):
    server = serve(trust=server_trust(files), at_once=security == "tls", sign_in=(NAME, WORD))
    sign_in = {"username_env": "MAIL_USER", "password_env": "MAIL_PASSWORD"}
    made = people(store, by(server.port, security=security, **sign_in))
    assert "shows a certificate that is not trusted" in problem(made)
    assert server.letters == []


def test_a_server_that_offers_no_encryption_gets_nothing(store, serve):
    server = serve()
    made = people(store, by(server.port, security="starttls"))
    assert "does not offer what is described: STARTTLS" in problem(made)
    assert server.letters == []


def test_a_wrong_password_is_said_without_saying_it(store, serve, files, monkeypatch):
    monkeypatch.setenv("MAIL_PASSWORD", "five dry ducks")
    server = serve(trust=server_trust(files), sign_in=(NAME, WORD))
    sign_in = {"username_env": "MAIL_USER", "password_env": "MAIL_PASSWORD"}
    made = people(store, by(server.port, security="starttls", ca_file=files[0], **sign_in))
    said = problem(made)
    assert "does not accept name and password: 535" in said
    assert "ducks" not in said


def test_a_password_that_is_not_set_is_named(store, serve, monkeypatch):
    monkeypatch.delenv("MAIL_PASSWORD")
    sign_in = {"username_env": "MAIL_USER", "password_env": "MAIL_PASSWORD"}
    made = people(store, by(serve().port, **sign_in))
    assert "needs the environment variable MAIL_PASSWORD, which is not set" in problem(made)


def test_a_receiver_who_is_refused_stops_nobody_else_and_is_told_later(store, serve):
    server = serve()
    emails = ("a@firm.example", "b@firm.example", "c@firm.example")
    made = people(store, by(server.port), *emails)
    server.refused["b@firm.example"] = "550 5.1.1 <b@firm.example> is unknown here"
    a, b, c = made.teller.tell(due=False)
    assert (a.problem, c.problem) == (None, None)
    assert "does not take mail for this person: 550 5.1.1 <the receiver> is unknown" in b.problem
    server.refused.clear()
    (again,) = made.teller.tell(due=False)
    assert (again.email, again.problem) == ("b@firm.example", None)
    assert server.receivers == [["a@firm.example"], ["c@firm.example"], ["b@firm.example"]]


def test_who_is_refused_for_good_is_tried_less_often_than_who_is_refused_for_now(store, serve):
    server = serve()
    made = people(store, by(server.port), "a@firm.example", "b@firm.example")
    server.refused = {"a@firm.example": "550 unknown", "b@firm.example": "451 later"}
    made.teller.tell(due=False)
    gone, later = (record.retry_at for _, record in sorted(told.mailed(store).items()))
    assert (gone - made.clock()).total_seconds() == 3600
    assert (later - made.clock()).total_seconds() == 300


def test_a_server_that_dies_in_the_middle_loses_nothing_and_stops_nobody_else(store, serve):
    server = serve()
    made = people(store, by(server.port), "a@firm.example", "b@firm.example")

    def die_once(session: SMTP) -> str:
        server.on_data = lambda _: None
        session.transport.abort()
        return "250 never heard"

    server.on_data = die_once
    a, b = made.teller.tell(due=False)
    assert "broke off in the middle of a message" in a.problem
    assert b.problem is None
    (again,) = made.teller.tell(due=False)
    assert (again.email, again.problem) == ("a@firm.example", None)
    assert server.receivers == [["b@firm.example"], ["a@firm.example"]]


def test_a_message_whose_answer_was_lost_comes_again_with_the_same_mark(store, serve):
    server = serve()
    made = people(store, by(server.port))

    def keep_and_die(session: SMTP) -> str:
        server.keep(session.session, session.envelope)
        session.transport.abort()
        return "250 never heard"

    server.on_data = keep_and_die
    assert "broke off" in problem(made)
    server.on_data = lambda _: None
    made.clock.forward(hours=1)
    (again,) = made.teller.tell(due=False)
    assert again.problem is None
    first, second = server.letters
    assert first["Message-ID"] == second["Message-ID"]


def test_a_message_that_is_not_accepted_is_not_told(store, serve):
    server = serve()
    made = people(store, by(server.port))
    server.on_data = lambda _: "552 5.3.4 too much"
    assert "did not accept the message: 552 5.3.4 too much" in problem(made)
    server.on_data = lambda _: None
    (again,) = made.teller.tell(due=False)
    assert again.problem is None


def test_a_server_that_is_down_is_asked_once_a_round_and_not_once_a_person(store):
    with socket.create_server(("127.0.0.1", 0)) as door:
        calls = []

        def hang_up() -> None:
            while True:
                try:
                    visitor, _ = door.accept()
                except OSError:
                    return
                calls.append(1)
                visitor.close()

        thread = threading.Thread(target=hang_up, daemon=True)
        thread.start()
        made = people(store, by(door.getsockname()[1]), "a@firm.example", "b@firm.example")
        outcomes = made.teller.tell(due=False)
        assert ["cannot be reached" in o.problem for o in outcomes] == [True, True]
        assert len(calls) == 1
        door.shutdown(socket.SHUT_RDWR)
    thread.join(5)


def test_a_server_that_drips_its_greeting_is_broken_off(store):
    with socket.create_server(("127.0.0.1", 0)) as door:

        def drip() -> None:
            visitor, _ = door.accept()
            with visitor:
                try:
                    while True:
                        visitor.sendall(b"220-wait\r\n")
                        time.sleep(0.05)
                except OSError:
                    return

        thread = threading.Thread(target=drip, daemon=True)
        thread.start()
        made = people(store, by(door.getsockname()[1], timeout="PT1S"))
        start = time.monotonic()
        assert "cannot be reached" in problem(made)
        assert time.monotonic() - start < 5
    thread.join(5)


@pytest.mark.parametrize("email", ["a,b@firm.example", "ines@firm.example>", "jürgen@firm.example"])
def test_an_account_whose_address_is_none_is_told_of_as_a_failure(store, serve, email):
    server = serve()
    made = people(store, by(server.port), email, "z@firm.example")
    bad, good = sorted(made.teller.tell(due=False), key=lambda o: o.email == "z@firm.example")
    assert bad.problem == "The address of this account is not one that mail can be sent to."
    assert good.problem is None
    assert server.receivers == [["z@firm.example"]]


def test_a_domain_in_other_letters_needs_a_server_that_can_write_them(store, serve):
    server = serve()
    made = people(store, by(server.port), "ines@bücher.example")
    (outcome,) = made.teller.tell(due=False)
    assert outcome.problem is not None
    assert "cannot write to such an address" in outcome.problem


def test_a_store_that_cannot_be_written_to_sends_nothing(store, serve, monkeypatch):
    server = serve()
    made = people(store, by(server.port))

    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(told, "start_telling", full)
    assert "No space left on device" in problem(made)
    assert server.letters == []
