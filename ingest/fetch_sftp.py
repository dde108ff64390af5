"""Fetches files from a folder of an SFTP server whose key is known."""

from __future__ import annotations

import asyncio
import stat
from datetime import datetime
from threading import Event
from typing import Any, Final

import asyncssh

from ingest.errors import Terminal, Transient
from ingest.fetched import Fetched, run_unless
from ingest.sources import SftpSource, secret
from ingest.spool import Entry, Settling, Spool, ripe, safe_name
from monitor.store.sources import Memory

_CONNECT_S: Final = 15.0
_PIECE: Final = 2**16

#: Most names of a folder that are looked at; more is not a folder of exports.
MOST_NAMES: Final = 100_000


def fetch_sftp(
    source: SftpSource,
    spool: Spool,
    memory: Memory,
    settling: Settling,
    now: datetime,
    stopping: Event,
) -> Fetched:
    """Visit a source's folder once; what is new and whole lies in the spool afterwards.

    The server's own files are left as they are: what was fetched is remembered.

    Raises
    ------
    Transient
        The server is out of reach.
    Terminal
        It shows another key than the known one, refuses the credentials, or has no
        such folder.
    """
    way_in = _way_in(source)
    try:
        return run_unless(stopping, _visit(source, way_in, spool, memory, settling, now))
    except TimeoutError as error:
        message = (
            f"{_shown(source)} took longer than {source.timeout}; what was fetched whole is kept, "
            "and it is visited again later."
        )
        raise Transient(message) from error
    except asyncssh.HostKeyNotVerifiable as error:
        message = (
            f"{_shown(source)} shows a key that is not in {source.known_hosts}, so it may be "
            "somebody else's server. Ask its operator for the key and compare; nothing was sent."
        )
        raise Terminal(message) from error
    except asyncssh.PermissionDenied as error:
        message = (
            f"{_shown(source)} does not let '{source.username}' in. Check 'username', the key file "
            "and the environment variables that the description names."
        )
        raise Terminal(message) from error
    except asyncssh.SFTPNoSuchFile as error:
        message = f"{_shown(source)} has no folder '{source.folder}'; correct 'folder'."
        raise Terminal(message) from error
    except asyncssh.SFTPPermissionDenied as error:
        message = f"{_shown(source)} does not let '{source.username}' read '{source.folder}'."
        raise Terminal(message) from error
    except (OSError, asyncssh.Error) as error:
        message = f"{_shown(source)} cannot be reached: {error}. It is visited again later."
        raise Transient(message) from error


def _shown(source: SftpSource) -> str:
    return f"Source '{source.name}': {source.host}"


def _way_in(source: SftpSource) -> dict[str, Any]:
    """What is needed to sign in: the server's key and the credentials, nothing of the user's."""
    if not source.known_hosts.is_file():
        message = (
            f"{_shown(source)}: there is no file {source.known_hosts} with the key of the server. "
            "Without it nobody can tell whose server answers."
        )
        raise Terminal(message)
    way: dict[str, Any] = {"known_hosts": str(source.known_hosts), "client_keys": None}
    if source.password_env is not None:
        way["password"] = secret(source, source.password_env)
    if source.key_file is not None:
        passphrase = secret(source, source.passphrase_env) if source.passphrase_env else None
        try:
            way["client_keys"] = [asyncssh.read_private_key(source.key_file, passphrase)]
        except (OSError, ValueError, asyncssh.Error) as error:
            message = f"{_shown(source)}: the key {source.key_file} cannot be used: {error}."
            raise Terminal(message) from error
    return way


async def _visit(
    source: SftpSource,
    way_in: dict[str, Any],
    spool: Spool,
    memory: Memory,
    settling: Settling,
    now: datetime,
) -> Fetched:
    async with (
        asyncio.timeout(source.timeout.total_seconds()),
        asyncssh.connect(
            source.host,
            source.port,
            username=source.username,
            config=None,
            agent_path=None,
            connect_timeout=_CONNECT_S,
            login_timeout=_CONNECT_S,
            **way_in,
        ) as connection,
        connection.start_sftp_client(path_encoding=None) as sftp,
    ):
        entries, refused = await _listing(sftp, source.folder)
        found = ripe(entries, source.wants, source.complete, source.settle, settling, now)
        notes = [f"{refused} names that are paths or no text were passed over"] if refused else []
        fetched: dict[str, tuple[int, float]] = {}
        for entry in found.whole:
            look = (entry.size, entry.changed)
            if memory.fetched.get(entry.name) == look:
                continue
            if entry.size > source.max_bytes:
                notes.append(f"'{entry.name}' is larger than 'max_bytes' and was passed over")
                continue
            if await _copy(sftp, source, entry, spool):
                fetched[entry.name] = look
            else:
                notes.append(f"'{entry.name}' changed or cannot be read; it is tried again")
        here = {entry.name for entry in entries}
        return Fetched(
            files=len(fetched),
            fetched=fetched,
            gone=tuple(name for name in memory.fetched if name not in here),
            due=found.due,
            note="; ".join(notes) + "." if notes else None,
        )


async def _listing(sftp: asyncssh.SFTPClient, folder: str) -> tuple[list[Entry], int]:
    """Plain files of a folder, and how many names there are none."""
    entries: list[Entry] = []
    refused = 0
    async for item in sftp.scandir(folder.encode()):
        name, at = _text(item.filename), item.attrs
        if name in {".", ".."}:
            continue
        if name is None or not _only_a_name(name) or len(entries) >= MOST_NAMES:
            refused += 1
        elif at.permissions is None or stat.S_ISREG(at.permissions):
            entries.append(Entry(name, at.size or 0, float(at.mtime or 0)))
    return entries, refused


def _text(name: str | bytes) -> str | None:
    try:
        return name.decode() if isinstance(name, bytes) else name
    except UnicodeDecodeError:
        return None


def _only_a_name(name: str) -> bool:
    """Whether a name from a server is a name inside its folder and text that can be kept."""
    return (
        0 < len(name) <= 255
        and not set(name) & {"/", "\\", "\0"}
        and name.isprintable()
        and name.strip(". ") != ""
    )


async def _copy(sftp: asyncssh.SFTPClient, source: SftpSource, entry: Entry, spool: Spool) -> bool:
    """Fetch one file; False where it changed or went meanwhile, and nothing was kept."""
    folder = source.folder.rstrip("/") or "/"
    path = f"{folder}/{entry.name}".replace("//", "/")
    size = 0
    with spool.whole(spool.root, safe_name(entry.name)) as draft:
        try:
            async with sftp.open(path.encode(), "rb") as remote:
                while (piece := await remote.read(_PIECE)) and size <= entry.size:
                    whole = piece if isinstance(piece, bytes) else piece.encode()
                    size += len(whole)
                    draft.write(whole)
        except (asyncssh.SFTPNoSuchFile, asyncssh.SFTPPermissionDenied):
            size = -1
        draft.wanted = size == entry.size
    return draft.wanted
