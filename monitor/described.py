"""What the files that describe services share: no secrets, only usable addresses and times."""

from __future__ import annotations

import os
from collections.abc import Collection
from datetime import timedelta
from typing import Annotated, Any, Final
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from monitor.errors import PledgewattError

#: Names of this computer, to which nothing needs to be encrypted.
LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})

EnvName = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]
Port = Annotated[int, Field(ge=1, le=65535)]


def between(least: timedelta, most: timedelta) -> AfterValidator:
    """A check that a length of time lies within limits."""

    def check(value: timedelta) -> timedelta:
        if not least <= value <= most:
            message = f"must lie between {least} and {most} (days and h:mm:ss)"
            raise ValueError(message)
        return value

    return AfterValidator(check)


def without_secrets(data: Any, keys: Collection[str], how: str) -> Any:
    """What a file says, unless it has a key that would hold a secret.

    Parameters
    ----------
    keys
        Keys that would.
    how
        How to say it instead; `{key}` stands for the key.

    Raises
    ------
    ValueError
        It has one; the sentence does not repeat what it holds.
    """
    if isinstance(data, dict) and (found := sorted(set(keys) & data.keys())):
        message = (
            f"'{found[0]}' does not belong in this file: put it into an environment variable "
            f"and {how.format(key=found[0])}"
        )
        raise ValueError(message)
    return data


def web_address(url: str) -> str:
    """An address that can be asked without anybody on the way reading it.

    Raises
    ------
    ValueError
        It is none, travels unencrypted to another computer, or holds credentials.
    """
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        message = f"this is not an address: {error}"
        raise ValueError(message) from error
    if parts.scheme not in {"http", "https"} or not host or not url.isprintable() or " " in url:
        message = "an address begins with https:// and a host, and has no spaces"
        raise ValueError(message)
    if parts.scheme == "http" and host not in LOOPBACK:
        message = "give https://; http:// is for this computer only"
        raise ValueError(message)
    if parts.username is not None or parts.password is not None:
        message = "credentials do not belong in an address"
        raise ValueError(message)
    return url


def credential(variable: str, what: str, *, error: type[PledgewattError] = PledgewattError) -> str:
    """Value of an environment variable that holds a credential.

    Parameters
    ----------
    what
        What needs it, as the sentence is to begin.

    Raises
    ------
    PledgewattError
        It is not set; of the kind `error`.
    """
    value = os.environ.get(variable)
    if not value:
        message = (
            f"{what} needs the environment variable {variable}, which is not set. Set it for the "
            "process that is to use it, and start that again."
        )
        raise error(message)
    return value
