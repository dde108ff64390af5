"""People, findings, a mail server and a receiver of webhooks, all real and all invented."""

from __future__ import annotations

import asyncio
import json
import ssl
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import IPv4Address
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from dashboard.telling.described import Telling
from dashboard.telling.teller import Teller
from monitor.findings.finding import Confidence, Effect, Finding, Topic
from monitor.models import Site
from monitor.store import users
from monitor.store.connection import Store
from monitor.store.findings import keep_findings
from monitor.store.sites import save_site
from monitor.store.users import User

NOON = datetime(2026, 3, 20, 12, tzinfo=UTC)
PASSWORD = "nine green bottles"


class Clock:
    """A clock that stands still until it is set forward."""

    def __init__(self, now: datetime = NOON) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **length: float) -> None:
        self.now += timedelta(**length)


def site(site_id: str, name: str = "3 Alder Row") -> Site:
    return Site.model_validate(
        {
            "id": site_id,
            "name": name,
            "place": "Marlbeck",
            "zone": "Europe/London",
            "commissioned": "2025-09-15",
            "heat_pump": {"nominal_heat_kw": 7.0},
            "meter": [
                {
                    "serial": f"H-{site_id}",
                    "measures": "heat",
                    "fitted": "2025-09-01T00:00:00",
                    "channel": [{"role": "heat_total", "kind": "register"}],
                }
            ],
        }
    )


def finding(kind: str, topic: Topic = Topic.OPERATION, **more: Any) -> Finding:
    words: dict[str, Any] = {
        "title": f"Something about {kind}",
        "what": f"The records show {kind}.",
        "confidence": Confidence.LIKELY,
    }
    return Finding(kind=kind, topic=topic, **(words | more))


def costing(kind: str, money: float, **more: Any) -> Finding:
    effect = Effect(
        spf=0.1, low=0.05, high=0.15, kwh_year=4 * money, money_year=money, currency="GBP"
    )
    return finding(kind, effect=effect, **more)


def forget(store: Store) -> None:
    """Leave the homes, and nobody and nothing else."""
    for table in (
        "account", "account_site", "finding", "told", "telling", "telling_from", "telling_wish"
    ):  # fmt: skip
        store.cursor().execute(f"DELETE FROM {table}")


class People:
    """A store with people and homes, and somebody who tells them."""

    def __init__(self, store: Store, telling: Telling) -> None:
        self.store, self.clock = store, Clock()
        self.use(telling)

    def use(self, telling: Telling) -> None:
        self.telling = telling
        self.teller = Teller(self.store, telling, clock=self.clock, chance=lambda: 0.5)

    def home(self, site_id: str, **more: Any) -> None:
        save_site(self.store, site(site_id, **more), self.clock())

    def person(self, email: str, role: str = "installer", sites: tuple[str, ...] = ()) -> User:
        return users.add_user(
            self.store,
            email=email,
            name="Hugo Householder" if role == "homeowner" else "Ines Installer",
            role=role,
            password=PASSWORD,
            sites=sites,
            now=self.clock(),
        )

    def found(self, site_id: str, *findings: Finding, **later: float) -> None:
        """A refresh that finds just this, so much later."""
        self.clock.forward(**(later or {"minutes": 1}))
        keep_findings(self.store, site_id, list(findings), self.clock())


class MailServer:
    """A mail server on this computer that can be made to fail in many ways."""

    def __init__(
        self,
        *,
        trust: ssl.SSLContext | None = None,
        at_once: bool = False,
        sign_in: tuple[str, str] | None = None,
    ) -> None:
        self.letters: list[EmailMessage] = []
        self.receivers: list[list[str]] = []
        self.refused: dict[str, str] = {}
        self.on_data: Callable[[SMTP], str | None] = lambda _: None
        self.encrypted: list[bool] = []
        self.signed_in = 0
        self._sign_in, self._at_once = sign_in, at_once
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._servers: list[SMTP] = []
        more: dict[str, Any] = {}
        if trust is not None and not at_once:
            more = {"tls_context": trust, "require_starttls": True}
        if sign_in is not None:
            more |= {
                "authenticator": self._authenticate,
                # What knows STARTTLS alone takes a connection that is encrypted from its first
                # byte for one that is not.
                "auth_required": not at_once,
                "auth_require_tls": not at_once,
            }

        def factory() -> SMTP:
            made = SMTP(self, hostname="mail.test", loop=self._loop, **more)
            self._servers.append(made)
            return made

        opening = self._loop.create_server(factory, "127.0.0.1", 0, ssl=trust if at_once else None)
        self._server = asyncio.run_coroutine_threadsafe(opening, self._loop).result(5)
        self.port: int = self._server.sockets[0].getsockname()[1]

    def _authenticate(self, *given: Any) -> AuthResult:
        data = given[-1]
        assert isinstance(data, LoginPassword)
        pair = (data.login.decode(), data.password.decode())
        self.signed_in += pair == self._sign_in
        return AuthResult(success=pair == self._sign_in, handled=False)

    async def handle_RCPT(  # noqa: N802 - the name is the library's
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - the name is the library's
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        answer = self.on_data(server)
        if answer is not None:
            return answer
        self.keep(session, envelope)
        return "250 accepted"

    def keep(self, session: Session, envelope: Envelope) -> None:
        assert isinstance(envelope.content, bytes)
        letter = message_from_bytes(envelope.content, policy=default)
        assert isinstance(letter, EmailMessage)
        self.letters.append(letter)
        self.receivers.append(list(envelope.rcpt_tos))
        self.encrypted.append(self._at_once or session.ssl is not None)

    def close(self) -> None:
        async def end() -> None:
            self._server.close()
            for one in self._servers:
                if one.transport is not None:
                    one.transport.abort()
            await asyncio.sleep(0)
            rest = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]
            for task in rest:
                task.cancel()
            await asyncio.gather(*rest, return_exceptions=True)

        asyncio.run_coroutine_threadsafe(end(), self._loop).result(5)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


def body(letter: EmailMessage, kind: str = "plain") -> str:
    part = letter.get_body((kind,))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


class Receiver:
    """A server that webhooks are posted to."""

    def __init__(self) -> None:
        self.requests: list[tuple[dict[str, str], bytes]] = []
        #: Status of the next answers; 0 breaks off before reading, -1 after it.
        self.status = 200
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                if receiver.status == 0:
                    self.close_connection = True
                    return
                sent = self.rfile.read(int(self.headers["Content-Length"]))
                if receiver.status in {200, -1}:
                    receiver.requests.append((dict(self.headers), sent))
                if receiver.status == -1:
                    self.close_connection = True
                    return
                self.send_response(receiver.status)
                if 300 <= receiver.status < 400:
                    self.send_header("Location", "/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/in"
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self._thread.start()

    @property
    def documents(self) -> list[dict[str, Any]]:
        return [json.loads(sent) for _, sent in self.requests]

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


def certificate(folder: Path, name: str = "localhost") -> tuple[Path, Path]:
    """A certificate that nobody but its owner signed, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    called = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(called)
        .issuer_name(called)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName(
                [x509.DNSName(name), x509.IPAddress(IPv4Address("127.0.0.1"))]
            ),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    files = folder / f"{name}.pem", folder / f"{name}.key"
    files[0].write_bytes(made.public_bytes(serialization.Encoding.PEM))
    files[1].write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return files


def server_trust(files: tuple[Path, Path]) -> ssl.SSLContext:
    trust = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    trust.load_cert_chain(*files)
    return trust
