"""Files of an SFTP server, on a real one of this computer."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import asyncssh
import pytest

from tests.ingest_store.intake import Intake, rows

PASSWORD = "nine green bottles"


class Door(asyncssh.SSHServer):
    """Lets one person in, by password or by key."""

    def __init__(self, server: Server) -> None:
        self.server = server

    def begin_auth(self, username: str) -> bool:
        return True

    def password_auth_supported(self) -> bool:
        return True

    def validate_password(self, username: str, password: str) -> bool:
        self.server.passwords.append(password)
        return (username, password) == ("reader", PASSWORD)

    def public_key_auth_supported(self) -> bool:
        return True

    def validate_public_key(self, username: str, key: asyncssh.SSHKey) -> bool:
        return key.export_public_key() == self.server.client_key.export_public_key()


class Server:
    """A server with one folder; `invented` are names that it claims to have beside them."""

    def __init__(self, root: Path) -> None:
        self.root = root / "theirs"
        (self.root / "out").mkdir(parents=True)
        self.host_key = asyncssh.generate_private_key("ssh-ed25519")
        self.client_key = asyncssh.generate_private_key("ssh-ed25519")
        self.invented: list[str] = []
        self.opened: list[bytes] = []
        self.passwords: list[str] = []
        self.growing = False
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever)
        self.thread.start()
        self.door = self._do(self._listen())
        self.port = self.door.get_port()

    def _do(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(20)

    async def _listen(self) -> Any:
        server = self

        class Files(asyncssh.SFTPServer):
            def __init__(self, channel: Any) -> None:
                super().__init__(channel, chroot=os.fsencode(server.root))

            async def scandir(self, path: bytes) -> AsyncIterator[asyncssh.SFTPName]:
                async for name in super().scandir(path):
                    yield name
                for name in server.invented:
                    attrs = asyncssh.SFTPAttrs(size=7, mtime=1, permissions=0o100644)
                    yield asyncssh.SFTPName(os.fsencode(name), "", attrs)

            def open(self, path: bytes, pflags: int, attrs: Any) -> Any:
                server.opened.append(path)
                if server.growing:
                    with (server.root / path.decode().lstrip("/")).open("ab") as file:
                        file.write(b"2024-01-10T05:00:00Z,15,5\n")
                return super().open(path, pflags, attrs)

        return await asyncssh.create_server(
            lambda: Door(self),
            "127.0.0.1",
            0,
            server_host_keys=[self.host_key],
            sftp_factory=Files,
        )

    def known_hosts(self, key: asyncssh.SSHKey) -> str:
        public = key.export_public_key().decode().strip()
        return f"[127.0.0.1]:{self.port} {public}\n"

    def put(self, name: str, content: bytes) -> Path:
        path = self.root / "out" / name
        path.write_bytes(content)
        return path

    async def _shut(self) -> None:
        self.door.close()
        await self.door.wait_closed()

    def close(self) -> None:
        self._do(self._shut())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    made = Server(tmp_path)
    yield made
    made.close()


@pytest.fixture
def make(tmp_path: Path, server: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    opened: list[Intake] = []
    monkeypatch.setenv("SFTP_PASSWORD", PASSWORD)

    def build(more: str = 'complete = "renamed"', sign_in: str = "") -> Intake:
        (tmp_path / "known_hosts").write_text(server.known_hosts(server.host_key))
        made = Intake(
            tmp_path,
            '[[source]]\nname = "files"\nsite = "mill-lane-1"\nprofile = "logger.toml"\n'
            f'kind = "sftp"\nhost = "127.0.0.1"\nport = {server.port}\nusername = "reader"\n'
            'folder = "out"\nmatch = "*.csv"\nknown_hosts = "known_hosts"\n'
            + (sign_in or 'password_env = "SFTP_PASSWORD"')
            + f"\n{more}\n",
        )
        opened.append(made)
        return made

    yield build
    for intake in opened:
        intake.store.close()


def test_files_are_fetched_once_and_left_where_they_are(make: Any, server: Server) -> None:
    server.put("a.csv", rows(0))
    server.put("b.csv", rows(1))
    server.put("notes.txt", b"hello")
    server.put("c.csv.part", rows(2))
    intake = make()
    assert intake.run().done == 2
    assert len(server.opened) == 2
    assert intake.run().done == 0
    assert len(server.opened) == 2
    assert sorted(c[0] for c in intake.counts()) == ["a.csv", "b.csv"]
    assert len(list((server.root / "out").iterdir())) == 4


def test_a_file_that_has_grown_is_fetched_again(make: Any, server: Server) -> None:
    server.put("a.csv", rows(0))
    intake = make()
    intake.run()
    server.put("a.csv", rows(0, 1))
    assert intake.run().done == 1
    assert [c[1:] for c in intake.counts()] == [(2, 0, 0), (2, 2, 0)]


def test_a_file_that_is_being_written_is_left_until_it_stands_still(
    make: Any, server: Server
) -> None:
    intake = make('settle = "PT30S"')
    server.put("a.csv", rows(0, 1)[:30])
    assert intake.run().done == 0
    intake.clock.forward(seconds=29)
    server.put("a.csv", rows(0, 1))
    result = intake.run()
    assert result.done == 0
    assert result.due is not None
    intake.clock.now = result.due
    assert intake.run().done == 1
    assert intake.counts() == [("a.csv", 4, 0, 0)]


def test_a_file_that_grows_while_it_is_fetched_is_not_kept(make: Any, server: Server) -> None:
    server.put("a.csv", rows(0))
    server.growing = True
    intake = make()
    result = intake.run()
    assert result.done == 0
    assert "changed or cannot be read" in str(intake.state().note)
    server.growing = False
    assert intake.run().done == 1


def test_a_process_that_dies_before_it_remembers_fetches_again_and_imports_once(
    make: Any, server: Server
) -> None:
    server.put("a.csv", rows(0))
    intake = make()
    intake.collector.visit(intake.source())
    intake.start()
    assert intake.run().done == 2
    assert len(intake.counts()) == 1
    assert intake.run().done == 0


@pytest.mark.parametrize(
    "name",
    ["../../../etc/passwd.csv", "/etc/x.csv", "a/b.csv", "..\\x.csv", "...csv/..", "a\nb.csv"],
)
def test_a_name_that_is_a_path_is_never_asked_for(make: Any, server: Server, name: str) -> None:
    server.put("good.csv", rows(0))
    server.invented = [name]
    intake = make()
    assert intake.run().done == 1
    assert [path.rpartition(b"/")[2] for path in server.opened] == [b"good.csv"]
    assert "1 names that are paths or no text were passed over" in str(intake.state().note)
    outside = {p.name for p in intake.folder.iterdir()}
    assert outside <= {
        "spool",
        "theirs",
        "known_hosts",
        "logger.toml",
        "sources.toml",
        "homes.duckdb",
        "homes.duckdb.wal",
    }


def test_a_name_that_is_no_text_is_passed_over(make: Any, server: Server) -> None:
    server.invented = ["bad\udcff.csv"]
    server.put("good.csv", rows(0))
    assert make().run().done == 1


def test_a_file_that_is_listed_and_not_there_stops_no_other(make: Any, server: Server) -> None:
    server.invented = ["a-ghost.csv"]
    server.put("good.csv", rows(0))
    intake = make()
    assert intake.run().done == 1
    assert intake.state().error is None


def test_links_and_folders_of_the_server_are_passed_over(make: Any, server: Server) -> None:
    (server.root / "out" / "folder.csv").mkdir()
    (server.root / "out" / "link.csv").symlink_to("/etc/passwd")
    server.put("good.csv", rows(0))
    assert make().run().done == 1
    assert len(server.opened) == 1


def test_a_file_that_is_too_large_is_passed_over_and_said(make: Any, server: Server) -> None:
    server.put("large.csv", rows(*range(100)))
    server.put("small.csv", rows(0))
    intake = make('complete = "renamed"\nmax_bytes = 100')
    assert intake.run().done == 1
    assert "'large.csv' is larger than 'max_bytes'" in str(intake.state().note)


def test_a_server_with_another_key_gets_no_password(make: Any, server: Server) -> None:
    server.put("a.csv", rows(0))
    intake = make()
    other = asyncssh.generate_private_key("ssh-ed25519")
    (intake.folder / "known_hosts").write_text(server.known_hosts(other))
    result = intake.run()
    assert "shows a key that is not in" in str(result.problem)
    assert server.passwords == []
    assert result.due is None


def test_without_a_known_key_nothing_is_connected_to(make: Any, server: Server) -> None:
    intake = make()
    (intake.folder / "known_hosts").write_text("")
    assert "shows a key that is not in" in str(intake.run().problem)
    (intake.folder / "known_hosts").unlink()
    assert "there is no file" in str(intake.run().problem)
    assert server.passwords == []


def test_a_wrong_password_is_said_and_not_repeated(
    make: Any, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    intake = make()
    monkeypatch.setenv("SFTP_PASSWORD", "wrong bottles")
    said = str(intake.run().problem)
    assert "does not let 'reader' in" in said
    assert "bottles" not in said


@pytest.mark.parametrize("passphrase", [None, "ten green bottles"])
def test_a_key_lets_in_without_a_password(
    make: Any, server: Server, monkeypatch: pytest.MonkeyPatch, passphrase: str | None
) -> None:
    server.put("a.csv", rows(0))
    sign_in = 'key_file = "id"'
    if passphrase:
        monkeypatch.setenv("KEY_PASSPHRASE", passphrase)
        sign_in += '\npassphrase_env = "KEY_PASSPHRASE"'
    intake = make(sign_in=sign_in)
    server.client_key.write_private_key(intake.folder / "id", passphrase=passphrase)
    assert intake.run().done == 1
    assert server.passwords == []
    (intake.folder / "id").write_text("no key")
    assert "cannot be used" in str(intake.run().problem)


def test_a_folder_that_the_server_lacks_is_said(make: Any, server: Server) -> None:
    intake = make()
    (server.root / "out").rmdir()
    assert "has no folder 'out'" in str(intake.run().problem)


def test_a_server_that_is_not_there_is_visited_again(make: Any, server: Server) -> None:
    intake = make()
    (intake.folder / "sources.toml").write_text(
        (intake.folder / "sources.toml").read_text().replace(str(server.port), "1")
    )
    from ingest.sources import sources_from_toml

    intake.sources = sources_from_toml(intake.folder / "sources.toml")
    intake.start()
    result = intake.run()
    assert "cannot be reached" in str(result.problem)
    assert result.due is not None
