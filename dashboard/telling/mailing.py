"""Hands messages to a mail server: one connection for all, and none that hangs."""

from __future__ import annotations

import smtplib
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as POLICY
from email.utils import format_datetime
from threading import Timer
from typing import Any

from dashboard.telling import words
from dashboard.telling.described import Mail, mail_address
from dashboard.telling.digest import Digest
from dashboard.telling.failure import NotTold, Refused, Unanswered
from monitor.described import credential
from monitor.errors import PledgewattError


def message(digest: Digest, mail: Mail, now: datetime) -> EmailMessage:
    """A digest as a mail: plain text, with a page beside it.

    The same news to the same person has the same Message-ID, so that one that arrives a
    second time, after an answer that was lost, can be known again.

    Raises
    ------
    Refused
        The person's address cannot be written to.
    """
    made = EmailMessage(policy=POLICY)
    sender = mail_address(mail.sender)
    made["From"] = Address(mail.sender_name, addr_spec=mail.sender)
    try:
        made["To"] = mail_address(digest.user.email)
    except ValueError as error:
        sentence = "The address of this account is not one that mail can be sent to."
        raise Refused(sentence) from error
    made["Subject"] = words.subject(digest)
    made["Date"] = format_datetime(now)
    made["Message-ID"] = f"<{digest.delivery}@{sender.domain}>"
    # RFC 3834: nobody's holiday notice answers a machine.
    made["Auto-Submitted"] = "auto-generated"
    made.set_content(words.text(digest))
    made.add_alternative(words.html(digest), subtype="html")
    return made


@contextmanager
def _limit(client: smtplib.SMTP) -> Iterator[None]:
    """Break off what takes too long in all, however busy the server looks."""

    def end() -> None:
        with suppress(OSError):
            if client.sock is not None:
                client.sock.shutdown(socket.SHUT_RDWR)

    clock = Timer(client.timeout, end)
    clock.daemon = True
    clock.start()
    try:
        yield
    finally:
        clock.cancel()


class _Plain(smtplib.SMTP):
    def connect(self, *args: Any, **kwargs: Any) -> tuple[int, bytes]:
        with _limit(self):
            return super().connect(*args, **kwargs)


class _Tls(smtplib.SMTP_SSL):
    def connect(self, *args: Any, **kwargs: Any) -> tuple[int, bytes]:
        with _limit(self):
            return super().connect(*args, **kwargs)


class Mailer:
    """A mail server, for as many messages as are sent in one go.

    A server that cannot be reached is not asked again for the next message; one that
    breaks off in the middle of a message is.
    """

    def __init__(self, mail: Mail) -> None:
        self._mail = mail
        self._client: smtplib.SMTP | None = None
        self._out_of_reach: PledgewattError | None = None

    def __enter__(self) -> Mailer:
        return self

    def __exit__(self, *_: object) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(smtplib.SMTPException, OSError, ValueError), _limit(client):
                client.quit()
            client.close()

    @property
    def _where(self) -> str:
        return f"The mail server {self._mail.host}, port {self._mail.door},"

    def send(self, made: EmailMessage, receiver: str) -> None:
        """Hand over one message; it is accepted once this returns.

        Raises
        ------
        Refused
            The server will not take mail for this receiver.
        Unanswered
            It broke off; it may have accepted the message before.
        NotTold
            The server is out of reach, or does not take the message now.
        """
        client = self._connected()
        try:
            with _limit(client):
                client.send_message(made, self._mail.sender, [receiver])
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            # RFC 5321, 4.2.1: an answer from 500 on stays what it is.
            kind = Refused if code >= 500 else NotTold
            told = _text(said).replace(receiver, "the receiver")
            what = "does not take mail for this person"
            raise self._answered(what, code, told, kind) from error
        except smtplib.SMTPSenderRefused as error:
            what = f"does not take mail from {self._mail.sender}"
            raise self._answered(what, error.smtp_code, error.smtp_error) from error
        except smtplib.SMTPNotSupportedError as error:
            sentence = f"{self._where} cannot write to such an address: {_said(error)}."
            raise Refused(sentence) from error
        except smtplib.SMTPResponseException as error:
            what = "did not accept the message"
            raise self._answered(what, error.smtp_code, error.smtp_error) from error
        except (smtplib.SMTPException, OSError, ValueError) as error:
            self._drop()
            sentence = f"{self._where} broke off in the middle of a message: {_said(error)}."
            raise Unanswered(sentence) from error

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client = None

    def _connected(self) -> smtplib.SMTP:
        if self._out_of_reach is not None:
            raise self._out_of_reach
        if self._client is not None and not self._alive(self._client):
            self._drop()
        if self._client is None:
            try:
                self._client = self._connect()
            except PledgewattError as error:
                self._out_of_reach = error
                raise
        return self._client

    def _alive(self, client: smtplib.SMTP) -> bool:
        with suppress(smtplib.SMTPException, OSError, ValueError), _limit(client):
            return client.noop()[0] == 250
        return False

    def _connect(self) -> smtplib.SMTP:
        mail, limit = self._mail, self._mail.timeout.total_seconds()
        sign_in = None
        if mail.username_env is not None and mail.password_env is not None:
            sign_in = (
                credential(mail.username_env, self._where),
                credential(mail.password_env, self._where),
            )
        trust = None
        try:
            if mail.security != "none":
                trust = ssl.create_default_context(cafile=mail.ca_file)
        except (OSError, ssl.SSLError) as error:
            sentence = f"{mail.ca_file} cannot be read as certificates: {_said(error)}."
            raise NotTold(sentence) from error
        client: smtplib.SMTP | None = None
        try:
            if mail.security == "tls":
                client = _Tls(mail.host, mail.door, timeout=limit, context=trust)
            else:
                client = _Plain(mail.host, mail.door, timeout=limit)
            with _limit(client):
                if mail.security == "starttls":
                    client.starttls(context=trust)
                if sign_in is not None:
                    client.login(*sign_in)
        except (smtplib.SMTPException, OSError, ValueError) as error:
            if client is not None:
                client.close()
            raise self._no_way_in(error) from error
        return client

    def _no_way_in(self, error: Exception) -> NotTold:
        if isinstance(error, smtplib.SMTPAuthenticationError):
            what = "does not accept name and password"
            return self._answered(what, error.smtp_code, error.smtp_error)
        if isinstance(error, smtplib.SMTPResponseException):
            return self._answered("cannot be used", error.smtp_code, error.smtp_error)
        if isinstance(error, smtplib.SMTPNotSupportedError):
            return NotTold(f"{self._where} does not offer what is described: {_said(error)}.")
        if isinstance(error, ssl.SSLCertVerificationError):
            return NotTold(
                f"{self._where} shows a certificate that is not trusted: "
                f"{error.verify_message}. Name its authority in 'ca_file'."
            )
        return NotTold(f"{self._where} cannot be reached: {_said(error)}.")

    def _answered(
        self, what: str, code: int, said: bytes | str, kind: type[NotTold] = NotTold
    ) -> NotTold:
        return kind(f"{self._where} {what}: {words.clean(f'{code} {_text(said)}', 300)}")


def _text(said: bytes | str) -> str:
    return said.decode(errors="replace") if isinstance(said, bytes) else said


def _said(error: Exception) -> str:
    told = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return words.clean(str(told), 300).rstrip(".")
