"""Where files come from by themselves: what a person says once about each source."""

from __future__ import annotations

from datetime import date, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from string import Formatter
from typing import Annotated, Any, Final, Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from ingest.errors import Terminal
from ingest.profile import Profile, profile_from_toml
from monitor.described import LOOPBACK, EnvName, Port, between, credential, without_secrets
from monitor.errors import DescriptionError
from monitor.models import Identifier, Record, record_from_toml

#: Keys that would hold a secret; the file holds the names of environment variables only.
_SECRETS: Final = frozenset({"password", "passphrase", "token", "secret", "api_key", "apikey"})

#: Formats whose files can be put together from single messages.
MESSAGE_FORMATS: Final = ("jsonl", "line_protocol", "senml")

#: What an address may ask for: today, and the day of the newest reading so far (UTC).
PLACEHOLDERS: Final = frozenset({"today", "since"})

_SECOND, _DAY = timedelta(seconds=1), timedelta(days=1)
Every = Annotated[timedelta, between(_SECOND, 31 * _DAY)]
Settle = Annotated[timedelta, between(timedelta(0), _DAY)]
Patience = Annotated[timedelta, between(_SECOND, 3660 * _DAY)]
TimeLimit = Annotated[timedelta, between(_SECOND, timedelta(hours=1))]
Roll = Annotated[timedelta, between(timedelta(minutes=1), _DAY)]
Pattern = Annotated[str, Field(min_length=1, max_length=200)]
Bytes = Annotated[int, Field(ge=1, le=2**40)]
Complete = Literal["settled", "marker", "renamed"]


class _Source(Record):
    """What every source says.

    Attributes
    ----------
    name
        What the source is called; also the name of its folder in the spool.
    site, profile
        Whose readings it brings, and how its files are laid out.
    every
        How often it is looked at.
    silent_after
        Age of its newest reading from which it counts as silent.
    max_bytes
        Largest file that is taken.
    """

    name: Identifier
    site: Identifier
    profile: Path
    every: Every = timedelta(minutes=15)
    silent_after: Patience = 2 * _DAY
    max_bytes: Bytes = 256 * 2**20

    @model_validator(mode="before")
    @classmethod
    def _no_secrets(cls, data: Any) -> Any:
        return without_secrets(data, _SECRETS, "name that variable (see docs/sources.md)")

    def layout(self) -> Profile:
        """The profile, read anew so that a correction takes effect at once.

        Raises
        ------
        DescriptionError
            It is not there, or not usable.
        """
        return profile_from_toml(self.profile)


class _Listed(_Source):
    """A source that is a folder of files, here or elsewhere.

    Attributes
    ----------
    match
        Which names are meant, with `*` and `?`; lower and upper case differ.
    complete
        How it is known that a file is whole: `settled` (size and time of change have
        stood still for `settle`), `marker` (a file of the same name with `.done` added
        stands beside it) or `renamed` (it gets its name only once it is whole).
    """

    match: Pattern = "*"
    complete: Complete = "settled"
    settle: Settle = timedelta(seconds=30)

    def wants(self, name: str) -> bool:
        """Whether a name is one of those that are meant."""
        return fnmatchcase(name, self.match)


class FolderSource(_Listed):
    """Files that appear in a folder of this computer or a mounted one."""

    kind: Literal["folder"]
    folder: Path


class HttpSource(_Source):
    """One address that is asked again and again.

    Attributes
    ----------
    url
        May hold `{today}` and `{since}`: dates (UTC) of now and of the newest reading
        that the source has brought.
    since
        What `{since}` is before the first reading.
    query_env, headers_env
        Parameters of the address and header fields whose values are secret: name of
        the parameter or field, and of the environment variable that holds its value.
    timeout
        Longest time that one answer may take in all.
    """

    kind: Literal["http"]
    url: str
    since: date | None = None
    username_env: EnvName | None = None
    password_env: EnvName | None = None
    token_env: EnvName | None = None
    query_env: dict[str, EnvName] = Field(default_factory=dict)
    headers_env: dict[str, EnvName] = Field(default_factory=dict)
    ca_file: Path | None = None
    timeout: TimeLimit = timedelta(minutes=2)

    @field_validator("url")
    @classmethod
    def _usable(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            host, _ = parts.hostname, parts.port
            fields = {field for _, field, _, _ in Formatter().parse(url) if field is not None}
        except ValueError as error:
            message = f"this is not an address that can be asked: {error}"
            raise ValueError(message) from error
        if parts.scheme not in {"http", "https"} or not host:
            message = "an address begins with https:// (or http://) and a host"
            raise ValueError(message)
        if parts.username is not None or parts.password is not None:
            message = (
                "credentials do not belong in the address: name environment variables in "
                "'username_env' and 'password_env'"
            )
            raise ValueError(message)
        if fields - PLACEHOLDERS:
            message = "an address may hold {today} and {since} in braces and nothing else"
            raise ValueError(message)
        if "{" in parts.netloc:
            message = "the host of an address cannot change from day to day"
            raise ValueError(message)
        return url

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if "{since}" in self.url and self.since is None:
            message = "'url' asks for {since}: say in 'since' from which day on at first"
            raise ValueError(message)
        if (self.username_env is None) != (self.password_env is None):
            message = "'username_env' and 'password_env' belong together"
            raise ValueError(message)
        if self.token_env is not None and self.username_env is not None:
            message = "give either 'token_env' or 'username_env' with 'password_env'"
            raise ValueError(message)
        parts = urlsplit(self.url)
        secret = self.token_env or self.username_env or self.query_env or self.headers_env
        if secret and parts.scheme == "http" and parts.hostname not in LOOPBACK:
            message = "credentials travel by https:// only, so that nobody on the way reads them"
            raise ValueError(message)
        return self


class SftpSource(_Listed):
    """Files in a folder of an SFTP server.

    Attributes
    ----------
    known_hosts
        File with the key of the server, as `known_hosts` of SSH has it.
    key_file
        Private key to sign in with; `passphrase_env` names the variable with its
        passphrase.
    timeout
        Longest time that one visit may take in all.
    """

    kind: Literal["sftp"]
    host: str = Field(min_length=1)
    port: Port = 22
    username: str = Field(min_length=1)
    folder: str = "."
    known_hosts: Path
    password_env: EnvName | None = None
    key_file: Path | None = None
    passphrase_env: EnvName | None = None
    timeout: TimeLimit = timedelta(minutes=5)

    @model_validator(mode="after")
    def _has_a_way_in(self) -> Self:
        if self.password_env is None and self.key_file is None:
            message = "give 'password_env' or 'key_file', or nobody can sign in"
            raise ValueError(message)
        if self.passphrase_env is not None and self.key_file is None:
            message = "'passphrase_env' belongs to a 'key_file'"
            raise ValueError(message)
        return self


class MqttSource(_Source):
    """Messages of a broker, put together into one file a topic and stretch of time.

    Attributes
    ----------
    topics
        What is subscribed to; `+` and `#` are wildcards.
    tls
        False where the broker is reached without encryption, as on a wire of one's own.
    client_id
        Name under which the broker keeps messages while nobody listens; left out, it
        is made from the source's name.
    roll
        Length of the stretch that becomes one file.
    """

    kind: Literal["mqtt"]
    host: str = Field(min_length=1)
    port: Port = 8883
    topics: tuple[Annotated[str, Field(min_length=1, max_length=1000)], ...] = Field(min_length=1)
    tls: bool = True
    ca_file: Path | None = None
    username_env: EnvName | None = None
    password_env: EnvName | None = None
    client_id: str | None = Field(default=None, min_length=1, max_length=100)
    roll: Roll = timedelta(hours=1)

    @field_validator("topics")
    @classmethod
    def _topics_can_be_subscribed(cls, topics: tuple[str, ...]) -> tuple[str, ...]:
        for topic in topics:
            levels = topic.split("/")
            lone = all(level in {"+", "#"} or not set("+#") & set(level) for level in levels)
            if not lone or "#" in levels[:-1] or "\0" in topic:
                message = (
                    f"'{topic}' cannot be subscribed to: + stands for one level and # for all "
                    "that follow, each alone between slashes"
                )
                raise ValueError(message)
        return topics

    @model_validator(mode="after")
    def _password_has_a_name(self) -> Self:
        if self.password_env is not None and self.username_env is None:
            message = "'password_env' needs 'username_env'"
            raise ValueError(message)
        return self

    def layout(self) -> Profile:
        """The profile; its format must be one that is made of messages."""
        profile = super().layout()
        if profile.format not in MESSAGE_FORMATS:
            message = (
                f"Source '{self.name}' puts messages together, which the format "
                f"'{profile.format}' of {self.profile} cannot be. Use a profile of one of: "
                f"{', '.join(MESSAGE_FORMATS)}."
            )
            raise DescriptionError(message)
        return profile


Source = FolderSource | HttpSource | SftpSource | MqttSource


class Sources(Record):
    """Everything that brings files by itself.

    Attributes
    ----------
    spool
        Folder for what is fetched and what became of it; one folder a source inside.
    """

    spool: Path = Path("spool")
    source: tuple[Annotated[Source, Field(discriminator="kind")], ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _tell_apart(self) -> Self:
        names = [source.name for source in self.source]
        for name in names:
            if names.count(name) > 1:
                message = f"two sources are called '{name}'; each needs a name of its own"
                raise ValueError(message)
        seen: dict[tuple[Path, str], str] = {}
        for source in self.source:
            if isinstance(source, FolderSource):
                key = (source.folder, source.match)
                if key in seen:
                    message = (
                        f"sources '{seen[key]}' and '{source.name}' take the same files: tell "
                        "them apart by 'folder' or 'match'"
                    )
                    raise ValueError(message)
                seen[key] = source.name
        return self

    def root(self, source: Source) -> Path:
        """Folder in which the files of a source arrive."""
        return source.folder if isinstance(source, FolderSource) else self.spool / source.name


_PATHS: Final = ("profile", "ca_file", "known_hosts", "key_file")


def sources_from_toml(path: Path) -> Sources:
    """Read the description of all sources; see docs/sources.md for its keys.

    Paths in it count from the folder that it lies in.

    Raises
    ------
    DescriptionError
        With the file, each wrong key and why, as sentences.
    """
    read = record_from_toml(Sources, path, what="sources")
    base = path.absolute().parent
    anchored = []
    for source in read.source:
        names = (*_PATHS, "folder") if isinstance(source, FolderSource) else _PATHS
        given = {name: getattr(source, name, None) for name in names}
        moved = {name: base / value for name, value in given.items() if value is not None}
        anchored.append(source.model_copy(update=moved))
    return read.model_copy(update={"spool": base / read.spool, "source": tuple(anchored)})


def secret(source: Source, variable: str) -> str:
    """Value of an environment variable that holds a credential.

    Raises
    ------
    Terminal
        It is not set.
    """
    return credential(variable, f"Source '{source.name}'", error=Terminal)


def secret_names(source: Source) -> list[str]:
    """Environment variables that a source needs."""
    single = [
        getattr(source, key)
        for key in ("username_env", "password_env", "token_env", "passphrase_env")
        if getattr(source, key, None) is not None
    ]
    if isinstance(source, HttpSource):
        single += [*source.query_env.values(), *source.headers_env.values()]
    return single
