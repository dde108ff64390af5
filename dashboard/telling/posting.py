"""Posts digests to a webhook, signed so that its receiver knows who sent them and when."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import ssl
from datetime import datetime
from threading import Event
from typing import Final

import httpx

from dashboard.telling import words
from dashboard.telling.described import Webhook
from dashboard.telling.digest import Digest
from dashboard.telling.failure import NotTold, Refused, Unanswered
from ingest.errors import Transient
from ingest.fetched import run_unless
from monitor.described import credential

#: Answers that another try may turn into better ones (RFC 9110, section 15; RFC 6585, section 4).
_PASSING: Final = frozenset({408, 425, 429, 500, 502, 503, 504})


def signature(secret: str, timestamp: int, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) over the time, a full stop and the body, in hex digits."""
    return hmac.new(secret.encode(), b"%d." % timestamp + body, hashlib.sha256).hexdigest()


def post(digest: Digest, hook: Webhook, now: datetime, stopping: Event) -> None:
    """Post one digest; it is accepted once this returns.

    Raises
    ------
    Refused
        The address will not take it; a person has to put something right.
    Unanswered
        It may have been accepted.
    NotTold
        It is out of reach, or may take it later.
    """
    secret = credential(hook.secret_env, f"Webhook '{hook.name}'")
    body = json.dumps(words.document(digest), ensure_ascii=False).encode()
    timestamp = int(now.timestamp())
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "pledgewatt",
        "Pledgewatt-Delivery": digest.delivery,
        "Pledgewatt-Timestamp": str(timestamp),
        "Pledgewatt-Signature": f"sha256={signature(secret, timestamp, body)}",
    }
    trust = None
    try:
        if hook.url.startswith("https:"):
            trust = ssl.create_default_context(cafile=hook.ca_file)
    except (OSError, ssl.SSLError) as error:
        message = f"{hook.ca_file} cannot be read as certificates: {error.strerror or error}."
        raise NotTold(message) from error
    try:
        status = run_unless(stopping, _ask(hook, body, headers, trust))
    except (httpx.ConnectError, httpx.ConnectTimeout) as error:
        message = f"Webhook '{hook.name}' cannot be reached: {_said(error)}."
        raise NotTold(message) from error
    except (httpx.HTTPError, TimeoutError, OSError, Transient) as error:
        message = f"Webhook '{hook.name}' gave no answer: {_said(error)}."
        raise Unanswered(message) from error
    if 200 <= status < 300:
        return
    kind = NotTold if status in _PASSING else Refused
    message = f"Webhook '{hook.name}' did not take the message: it answered with HTTP {status}."
    if 300 <= status < 400:
        message += " It is not followed elsewhere; correct 'url'."
    raise kind(message)


async def _ask(
    hook: Webhook, body: bytes, headers: dict[str, str], trust: ssl.SSLContext | None
) -> int:
    limit = hook.timeout.total_seconds()
    client = httpx.AsyncClient(
        timeout=limit, verify=trust or False, trust_env=False, follow_redirects=False
    )
    # One limit for everything: a server may drip a byte at a time, even of its headers.
    async with (
        asyncio.timeout(limit),
        client,
        client.stream("POST", hook.url, content=body, headers=headers) as answer,
    ):
        return answer.status_code


def _said(error: Exception) -> str:
    return words.clean(str(error) or "no answer in time", 300).rstrip(".")
