"""A small broker for tests: MQTT 3.1.1 (OASIS standard, 29 October 2014), as far as they need it.

Sessions that are not clean, quality of service 0 and 1, messages kept for newcomers.
Section numbers are those of the standard.
"""

from __future__ import annotations

import socket
import struct
import threading
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Session:
    """What the broker keeps of a client, connected or not."""

    topics: dict[str, int] = field(default_factory=dict)
    waiting: dict[int, bytes] = field(default_factory=dict)
    next_id: int = 1
    link: socket.socket | None = None


class Broker:
    """Listens on a free port of this computer until it is closed."""

    def __init__(self) -> None:
        self.sessions: dict[str, Session] = {}
        self.kept: dict[str, bytes] = {}
        self.people: dict[str, str] | None = None
        self.refused_topics: set[str] = set()
        self.acknowledged = 0
        self._lock = threading.RLock()
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = self._door.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._links: set[socket.socket] = set()
        self._open = True
        self._start(self._accept)

    def _start(self, work: Any, *given: Any) -> None:
        thread = threading.Thread(target=work, args=given, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while self._open:
            try:
                link, _ = self._door.accept()
            except OSError:
                return
            self._links.add(link)
            self._start(self._serve, link)

    def _serve(self, link: socket.socket) -> None:
        client = ""
        try:
            with link:
                while True:
                    head, body = self._packet(link)
                    if head >> 4 == 1:
                        client = self._connect(link, body)
                    elif not self._answer(link, client, head, body):
                        return
        except (OSError, EOFError):
            return
        finally:
            with self._lock:
                self._links.discard(link)
                session = self.sessions.get(client)
                if session is not None and session.link is link:
                    session.link = None

    def _answer(self, link: socket.socket, client: str, head: int, body: bytes) -> bool:
        kind = head >> 4
        if kind == 3:
            self._published(link, head, body)
        elif kind == 4:
            with self._lock:
                number = struct.unpack("!H", body[:2])[0]
                self.acknowledged += self.sessions[client].waiting.pop(number, None) is not None
        elif kind == 8:
            self._subscribe(link, client, body)
        elif kind == 12:
            link.sendall(b"\xd0\x00")
        return kind != 14

    def _packet(self, link: socket.socket) -> tuple[int, bytes]:
        head = self._exactly(link, 1)[0]
        size = shift = 0
        while True:  # section 2.2.3
            byte = self._exactly(link, 1)[0]
            size |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return head, self._exactly(link, size)

    def _exactly(self, link: socket.socket, size: int) -> bytes:
        data = b""
        while len(data) < size:
            piece = link.recv(size - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def _connect(self, link: socket.socket, body: bytes) -> str:
        flags = body[7]  # section 3.1.2.3
        client, rest = _text(body[10:])
        name = password = ""
        if flags & 0x80:
            name, rest = _text(rest)
        if flags & 0x40:
            password, rest = _text(rest)
        if self.people is not None and self.people.get(name) != password:
            link.sendall(b"\x20\x02\x00\x05")
            raise EOFError
        with self._lock:
            clean = bool(flags & 0x02)
            known = client in self.sessions and not clean
            session = self.sessions[client] if known else Session()
            self.sessions[client] = session
            session.link = link
            link.sendall(bytes([0x20, 2, int(known), 0]))
            for number, message in session.waiting.items():  # section 4.4
                self._send(session, 0x3A, number, message)
        return client

    def _subscribe(self, link: socket.socket, client: str, body: bytes) -> None:
        number, rest = body[:2], body[2:]
        codes = bytearray()
        wanted = []
        while rest:
            topic, rest = _text(rest)
            refused = topic in self.refused_topics
            codes.append(0x80 if refused else rest[0])
            if not refused:
                wanted.append((topic, rest[0]))
            rest = rest[1:]
        with self._lock:
            session = self.sessions[client]
            session.topics.update(wanted)
            link.sendall(bytes([0x90, 2 + len(codes)]) + number + bytes(codes))
            for topic, payload in self.kept.items():
                if any(matches(pattern, topic) for pattern, _ in wanted):
                    self._give(session, topic, payload, 1, kept=True)

    def _published(self, link: socket.socket, head: int, body: bytes) -> None:
        topic, rest = _text(body)
        quality = head >> 1 & 3
        if quality:
            link.sendall(b"\x40\x02" + rest[:2])
            rest = rest[2:]
        self.publish(topic, rest, quality=quality, keep=bool(head & 1))

    def publish(self, topic: str, payload: bytes, *, quality: int = 1, keep: bool = False) -> None:
        """Hand a message to every session that subscribed, and keep it if asked to."""
        with self._lock:
            if keep:
                self.kept[topic] = payload
            for session in self.sessions.values():
                if any(matches(pattern, topic) for pattern in session.topics):
                    self._give(session, topic, payload, quality, kept=False)

    def _give(
        self, session: Session, topic: str, payload: bytes, quality: int, *, kept: bool
    ) -> None:
        name = struct.pack("!H", len(topic.encode())) + topic.encode()
        if quality == 0:
            if session.link is not None:
                self._write(session, bytes([0x30 | kept]) + _size(name + payload))
            return
        number, session.next_id = session.next_id, session.next_id % 65535 + 1
        body = name + struct.pack("!H", number) + payload
        session.waiting[number] = body
        self._send(session, 0x32 | kept, number, body)

    def _send(self, session: Session, head: int, number: int, body: bytes) -> None:
        self._write(session, bytes([head]) + _size(body))

    def _write(self, session: Session, data: bytes) -> None:
        if session.link is not None:
            try:
                session.link.sendall(data)
            except OSError:
                session.link = None

    def waiting(self) -> int:
        """Messages that were not acknowledged."""
        with self._lock:
            return sum(len(session.waiting) for session in self.sessions.values())

    def drop(self) -> None:
        """Cut every connection, as a network does."""
        with self._lock:
            links = list(self._links)
        for link in links:
            try:
                link.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue

    def close(self) -> None:
        """Stop listening and end every connection."""
        self._open = False
        self._door.shutdown(socket.SHUT_RDWR)
        self._door.close()
        self.drop()
        for thread in self._threads:
            thread.join(5)


def matches(pattern: str, topic: str) -> bool:
    """Whether a topic is one that a pattern means (section 4.7)."""
    wanted, given = pattern.split("/"), topic.split("/")
    for n, level in enumerate(wanted):
        if level == "#":
            return True
        if n >= len(given) or level not in {"+", given[n]}:
            return False
    return len(wanted) == len(given)


def _text(data: bytes) -> tuple[str, bytes]:
    size = struct.unpack("!H", data[:2])[0]
    return data[2 : 2 + size].decode(), data[2 + size :]


def _size(body: bytes) -> bytes:
    size, out = len(body), bytearray()
    while True:
        size, byte = divmod(size, 128)
        out.append(byte | (0x80 if size else 0))
        if not size:
            return bytes(out) + body
