"""Fetches one address: only what is new, only so much, only from the host that was named."""

from __future__ import annotations

import asyncio
import hashlib
import ssl
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from threading import Event
from typing import Final
from urllib.parse import urlsplit

import httpx

from ingest.errors import Terminal, Transient
from ingest.fetched import Fetched, run_unless
from ingest.sources import HttpSource, secret
from ingest.spool import Spool, safe_name
from monitor.store.sources import Memory

MOST_REDIRECTS: Final = 5

#: Longest silence within one answer.
_SILENCE_S: Final = 30.0
_CONNECT_S: Final = 10.0

#: Answers that another try may turn into better ones (RFC 9110, section 15; RFC 6585, section 4).
_PASSING: Final = frozenset({408, 425, 429, 500, 502, 503, 504})


@dataclass(frozen=True)
class _Visit:
    source: HttpSource
    spool: Spool
    url: str
    kept: Mapping[str, str]
    now: datetime


def fetch_http(
    source: HttpSource, spool: Spool, memory: Memory, now: datetime, stopping: Event
) -> Fetched:
    """Ask a source's address once; what is new lies in the spool afterwards.

    Raises
    ------
    Transient
        The server is out of reach or says that it will be able to answer later.
    Terminal
        The answer cannot become another one by itself: not allowed, not there, too large.
    """
    url = address(source, memory, now)
    # An address that has changed with the day has no earlier version.
    kept: Mapping[str, str] = memory.validators
    if kept.get("url") != url:
        kept = {}
    headers = {"Accept-Encoding": "identity", "User-Agent": "pledgewatt"}
    if "etag" in kept:
        headers["If-None-Match"] = kept["etag"]
    if "last_modified" in kept:
        headers["If-Modified-Since"] = kept["last_modified"]
    headers |= {field: secret(source, name) for field, name in source.headers_env.items()}
    if source.token_env is not None:
        headers["Authorization"] = f"Bearer {secret(source, source.token_env)}"
    auth = None
    if source.username_env is not None and source.password_env is not None:
        auth = httpx.BasicAuth(
            secret(source, source.username_env), secret(source, source.password_env)
        )
    query = {field: secret(source, name) for field, name in source.query_env.items()}
    visit = _Visit(source, spool, url, kept, now)
    with _sentences(source):
        asked = httpx.URL(url).copy_merge_params(query) if query else httpx.URL(url)
        client = httpx.AsyncClient(
            headers=headers,
            auth=auth,
            timeout=httpx.Timeout(_SILENCE_S, connect=_CONNECT_S),
            verify=_trust(source),
            trust_env=False,
            follow_redirects=False,
        )
        return run_unless(stopping, _ask(visit, client, asked))


async def _ask(visit: _Visit, client: httpx.AsyncClient, asked: httpx.URL) -> Fetched:
    source = visit.source
    # One limit for everything: a server may drip a byte at a time, even of its headers.
    async with asyncio.timeout(source.timeout.total_seconds()), client:
        for _ in range(MOST_REDIRECTS + 1):
            async with client.stream("GET", asked) as answer:
                if answer.is_redirect:
                    asked = _onward(source, asked, answer)
                    continue
                if answer.status_code == httpx.codes.NOT_MODIFIED:
                    return Fetched()
                _judge(source, answer)
                return await _keep(visit, answer)
    message = f"{_shown(source)} redirects more than {MOST_REDIRECTS} times; correct 'url'."
    raise Terminal(message)


def address(source: HttpSource, memory: Memory, now: datetime) -> str:
    """The address for today, without its secret parameters."""
    since = memory.newest.date() if memory.newest else source.since
    return source.url.replace("{today}", f"{now:%Y-%m-%d}").replace("{since}", f"{since}")


def _shown(source: HttpSource) -> str:
    return f"Source '{source.name}': {source.url}"


def _trust(source: HttpSource) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=source.ca_file)
    except (OSError, ssl.SSLError) as error:
        message = (
            f"Source '{source.name}': {source.ca_file} cannot be read as certificates: {error}."
        )
        raise Terminal(message) from error


def _onward(source: HttpSource, asked: httpx.URL, answer: httpx.Response) -> httpx.URL:
    """Where a redirect leads, if it may be followed: the same host, scheme and port."""
    target = asked.join(answer.headers.get("Location", ""))
    if (target.scheme, target.host, target.port) != (asked.scheme, asked.host, asked.port):
        message = (
            f"{_shown(source)} redirects to {target.scheme}://{target.netloc.decode()}, which is "
            "not the host that the description names. If that is right, put the new address into "
            "'url'."
        )
        raise Terminal(message)
    return target


def _judge(source: HttpSource, answer: httpx.Response) -> None:
    code = answer.status_code
    if code == httpx.codes.OK:
        return
    words = f"{_shown(source)} answers {code} {answer.reason_phrase}".rstrip()
    if code in _PASSING:
        message = f"{words}; it is asked again later."
        raise Transient(message)
    hints = {
        401: "The credentials are missing or wrong: check the environment variables it names.",
        403: "The credentials do not allow this: ask the operator of the server.",
        404: "There is nothing at that address: correct 'url'.",
    }
    message = f"{words}. {hints.get(code, 'Correct the description of the source.')}"
    raise Terminal(message)


async def _keep(visit: _Visit, answer: httpx.Response) -> Fetched:
    """Write an answer into the spool, unless it says what the last one said."""
    source, spool = visit.source, visit.spool
    if answer.headers.get("Content-Encoding", "identity").lower() != "identity":
        message = (
            f"{_shown(source)} sends a compressed answer although none was asked for; let the "
            "server send the file as it is."
        )
        raise Terminal(message)
    validators = {"url": visit.url}
    for name, field in (("etag", "ETag"), ("last_modified", "Last-Modified")):
        if field in answer.headers:
            validators[name] = answer.headers[field]
    last = urlsplit(visit.url).path.rpartition("/")[2]
    digest, size = hashlib.sha256(), 0
    with spool.whole(spool.root, f"{visit.now:%Y%m%dT%H%M%SZ}-{safe_name(last)}") as draft:
        async for piece in answer.aiter_raw():
            size += len(piece)
            if size > source.max_bytes:
                message = (
                    f"{_shown(source)} sends more than {source.max_bytes:,} bytes, the "
                    "'max_bytes' of the source; nothing was kept. Ask for a shorter time, or "
                    "allow more."
                )
                raise Terminal(message)
            digest.update(piece)
            draft.write(piece)
        validators["sha256"] = digest.hexdigest()
        draft.wanted = visit.kept.get("sha256") != validators["sha256"]
    return Fetched(files=int(draft.wanted), validators=validators)


@contextmanager
def _sentences(source: HttpSource) -> Iterator[None]:
    """Say in a sentence what went wrong on the way."""
    try:
        yield
    except TimeoutError as error:
        message = (
            f"{_shown(source)} took longer than {source.timeout}; nothing was kept, and it is "
            "asked again later."
        )
        raise Transient(message) from error
    except httpx.TimeoutException as error:
        message = f"{_shown(source)} does not answer in time; it is asked again later."
        raise Transient(message) from error
    except httpx.TransportError as error:
        if "CERTIFICATE_VERIFY_FAILED" in str(error):
            message = (
                f"{_shown(source)} shows a certificate that cannot be trusted: {error}. If it is "
                "signed by an authority of your own, name that one's certificate in 'ca_file'."
            )
            raise Terminal(message) from error
        message = f"{_shown(source)} cannot be reached: {error}. It is asked again later."
        raise Transient(message) from error
    except (httpx.HTTPError, httpx.InvalidURL, UnicodeError, ValueError) as error:
        message = f"{_shown(source)} cannot be asked: {error}. Correct 'url' or the credentials."
        raise Terminal(message) from error
