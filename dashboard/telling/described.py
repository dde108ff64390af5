"""How people are told of findings: what the operator says once, in one file."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from email.errors import MessageError
from email.headerregistry import Address
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self, TypeVar
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from monitor.described import LOOPBACK, EnvName, Port, between, web_address, without_secrets
from monitor.findings.finding import Topic
from monitor.models import Identifier, Record, record_from_toml
from monitor.record import ZoneName

#: Keys that would hold a secret; the file holds the names of environment variables only.
_SECRETS: Final = frozenset({"username", "password", "secret"})
_PORTS: Final = {"starttls": 587, "tls": 465, "none": 25}

#: Stands for no topic at all.
NOTHING: Final = "nothing"


Patience = Annotated[timedelta, between(timedelta(seconds=1), timedelta(minutes=5))]
Pause = Annotated[timedelta, between(timedelta(0), timedelta(days=7))]


class _Way(Record):
    """What every way to a person says.

    Attributes
    ----------
    ca_file
        Certificates of an authority of one's own (PEM).
    timeout
        Longest time that one message may take in all.
    """

    ca_file: Path | None = None
    timeout: Patience = timedelta(seconds=30)

    @model_validator(mode="before")
    @classmethod
    def _no_secrets(cls, data: Any) -> Any:
        return without_secrets(data, _SECRETS, "name that variable in '{key}_env'")


Way = TypeVar("Way", bound=_Way)


class Mail(_Way):
    """The server that takes mail, and who it is from.

    Attributes
    ----------
    security
        `starttls`, `tls` from the first byte, or `none` on this computer only.
    """

    host: str = Field(pattern=r"^[A-Za-z0-9._:\[\]-]{1,253}$")
    port: Port | None = None
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: str
    sender_name: str = Field(default="pledgewatt", max_length=80, pattern=r"^[^\x00-\x1f\x7f]*$")
    username_env: EnvName | None = None
    password_env: EnvName | None = None

    @field_validator("sender")
    @classmethod
    def _is_an_address(cls, sender: str) -> str:
        mail_address(sender)
        return sender

    @model_validator(mode="after")
    def _is_guarded(self) -> Self:
        if self.security == "none" and self.host not in LOOPBACK:
            message = (
                "mail to another computer travels by 'starttls' or 'tls' only, so that nobody on "
                "the way reads it"
            )
            raise ValueError(message)
        if (self.username_env is None) != (self.password_env is None):
            message = "'username_env' and 'password_env' belong together"
            raise ValueError(message)
        return self

    @property
    def door(self) -> int:
        """The port: as given, or the usual one (RFC 6409, RFC 8314, RFC 5321)."""
        return self.port if self.port is not None else _PORTS[self.security]


class Webhook(_Way):
    """An address that is posted to.

    Attributes
    ----------
    name
        How people's wishes call it.
    secret_env
        Variable with the secret that signs what is posted.
    """

    name: Identifier
    url: str
    secret_env: EnvName

    @field_validator("url")
    @classmethod
    def _usable(cls, url: str) -> str:
        return web_address(url)


class Telling(Record):
    """Everything about telling people of findings.

    Attributes
    ----------
    base_url
        Address under which the pages are reached; without it messages have no links.
    zone, daily
        When each day what is new is told.
    at_once
        Last topic, in the order of `Topic`, that does not wait for that.
    at_once_pause
        Least time between a message and one sent at once.
    site_names
        Whether a message names homes as people do, or by id alone.
    """

    base_url: str | None = None
    zone: ZoneName = "UTC"
    daily: time = time(7)
    at_once: Topic | Literal["nothing"] = Topic.HOUSEHOLD
    at_once_pause: Pause = timedelta(hours=1)
    site_names: bool = False
    mail: Mail | None = None
    webhook: tuple[Webhook, ...] = ()

    @field_validator("base_url")
    @classmethod
    def _usable(cls, url: str | None) -> str | None:
        if url is None:
            return None
        if urlsplit(url).query or urlsplit(url).fragment:
            message = "give the address of the pages without '?' or '#'"
            raise ValueError(message)
        return web_address(url).rstrip("/")

    @field_validator("daily")
    @classmethod
    def _is_of_the_zone(cls, daily: time) -> time:
        if daily.tzinfo is not None:
            message = "a time of the day such as 07:00:00, in the zone that 'zone' names"
            raise ValueError(message)
        return daily

    @model_validator(mode="after")
    def _leads_somewhere(self) -> Self:
        if self.mail is None and not self.webhook:
            message = "describe a [mail] server or a [[webhook]], or nobody can be told"
            raise ValueError(message)
        names = [hook.name for hook in self.webhook]
        for name in names:
            if names.count(name) > 1:
                message = f"two webhooks are called '{name}'; each needs a name of its own"
                raise ValueError(message)
        return self

    def hook(self, name: str) -> Webhook | None:
        """The webhook of a name."""
        return next((hook for hook in self.webhook if hook.name == name), None)

    def last_daily(self, now: datetime) -> datetime:
        """When what was new was last to be told, at or before `now` (UTC)."""
        zone = ZoneInfo(self.zone)
        today = datetime.combine(now.astimezone(zone).date(), self.daily, tzinfo=zone)
        moment = today.astimezone(UTC)
        if moment <= now:
            return moment
        before = datetime.combine(today.date() - timedelta(days=1), self.daily, tzinfo=zone)
        return before.astimezone(UTC)


def mail_address(text: str) -> Address:
    """An e-mail address that can stand in the head of a message.

    Raises
    ------
    ValueError
        It is none, or more than one.
    """
    try:
        address = Address(addr_spec=text)
    except (ValueError, IndexError, MessageError) as error:
        message = f"'{text}' is not an e-mail address such as 'name@example.org'"
        raise ValueError(message) from error
    if not address.domain or not address.username or not text.isprintable() or " " in text:
        message = f"'{text}' is not an e-mail address such as 'name@example.org'"
        raise ValueError(message)
    return address


def telling_from_toml(path: Path) -> Telling:
    """Read how people are told; see docs/telling.md for its keys.

    Paths in it count from the folder that it lies in.

    Raises
    ------
    DescriptionError
        With the file, each wrong key and why, as sentences.
    """
    read = record_from_toml(Telling, path, what="telling")
    base = path.absolute().parent
    hooks = tuple(_anchored(hook, base) for hook in read.webhook)
    mail = None if read.mail is None else _anchored(read.mail, base)
    return read.model_copy(update={"mail": mail, "webhook": hooks})


def _anchored(way: Way, base: Path) -> Way:
    if way.ca_file is None:
        return way
    return way.model_copy(update={"ca_file": base / way.ca_file})
