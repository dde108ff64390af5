"""Opens the store: one file, one writing process, a schema of known version."""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from threading import Lock, RLock
from typing import Final

import duckdb
import polars as pl

from monitor.errors import NotFoundError, PledgewattError, StoreBusyError
from monitor.store import audit
from monitor.store.memory import Kept

#: Sites of which something is kept in memory.
MOST_KEPT: Final = 16

#: What a transaction is about that changes nothing a site's figures or words rest on.
NO_SITE: Final = ()


class Store:
    """An open store.

    One `Store` belongs to one process. Threads take a cursor each; a transaction holds
    the cursor that it runs on.
    """

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.path = path
        self._connection = connection
        self._sites: dict[str, RLock] = {}
        self._sites_lock = Lock()
        #: Held while the log of who did what is added to.
        self.audit_lock = Lock()
        #: Held while a claim is raised or decided: once, whoever comes at the same time.
        self.deciding = Lock()
        #: What was made from a site's rows, by site; a transaction drops what it is about.
        self.of_site = Kept(MOST_KEPT)

    def alone(self, site_id: str) -> RLock:
        """Held while a site's readings or figures are written: one after the other."""
        with self._sites_lock:
            return self._sites.setdefault(site_id, RLock())

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """A cursor of its own, for one thread or request."""
        return self._connection.cursor()

    @contextmanager
    def transaction(
        self, about: Iterable[str] | None = None
    ) -> Iterator[duckdb.DuckDBPyConnection]:
        """A cursor inside one transaction: all or nothing.

        Parameters
        ----------
        about
            Sites whose rows it changes; None where any may be concerned, `NO_SITE` for rows
            that say nothing of a site (accounts, sessions, the log, what was told).
        """
        cursor = self.cursor()
        cursor.begin()
        try:
            yield cursor
        except BaseException:
            cursor.rollback()
            raise
        else:
            cursor.commit()
        finally:
            cursor.close()
            # After the commit: what is made from now on is made from the new rows.
            self.of_site.drop(about)

    def close(self) -> None:
        """Close the file; every change is on disk afterwards."""
        try:
            audit.seal(self)
        finally:
            self._connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_store(path: Path, *, create: bool = False) -> Store:
    """Open a store and bring its schema up to date.

    Raises
    ------
    NotFoundError
        The file does not exist and `create` is False.
    StoreBusyError
        Another process has it open.
    PledgewattError
        The file is not a store, or of a newer version.
    """
    if not path.exists() and not create:
        message = f"There is no store at {path}. Make one with 'pledgewatt init --store {path}'."
        raise NotFoundError(message)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = duckdb.connect(str(path), config={"preserve_insertion_order": True})
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            message = (
                f"The store {path} is held open by another pledgewatt process, and only one may "
                "write at a time. Use the pages of the one that runs, or stop it first; files to "
                "import can wait until then."
            )
            raise StoreBusyError(message) from error
        message = f"{path} cannot be opened as a store: {error}"
        raise PledgewattError(message) from error
    except (duckdb.Error, OSError) as error:
        message = f"{path} cannot be opened as a store: {error}"
        raise PledgewattError(message) from error
    try:
        # Global, or cursors would read and write times in the zone of this computer.
        connection.execute("SET GLOBAL TimeZone = 'UTC'")
        _migrate(path, connection)
    except BaseException:
        connection.close()
        raise
    return Store(path, connection)


def query(
    cursor: duckdb.DuckDBPyConnection,
    sql: str,
    params: list[object] | dict[str, object] | None = None,
) -> pl.DataFrame:
    """Result of a statement as a frame; times without a zone are UTC and say so."""
    frame: pl.DataFrame = cursor.sql(sql, params=params).pl()
    naive = [name for name, dtype in frame.schema.items() if dtype == pl.Datetime("us")]
    return frame.with_columns(pl.col(*naive).dt.replace_time_zone("UTC")) if naive else frame


def _migrations() -> list[tuple[int, str]]:
    folder = files("monitor.store") / "migrations"
    found = [
        (int(entry.name[:4]), entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".sql")
    ]
    return sorted(found)


def _migrate(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    # DuckDB shows a .csv or .json as a view in memory: what is written there is lost.
    on_disk = connection.execute("SELECT 1 FROM duckdb_databases() WHERE path IS NOT NULL")
    if not on_disk.fetchall():
        message = f"{path} cannot be opened as a store: it is a file of another kind."
        raise PledgewattError(message)
    connection.execute(
        "CREATE TABLE IF NOT EXISTS schema_version "
        "(version INTEGER PRIMARY KEY, applied_at TIMESTAMPTZ NOT NULL)"
    )
    done = connection.execute("SELECT max(version) FROM schema_version").fetchall()[0][0] or 0
    steps = _migrations()
    newest = steps[-1][0]
    if done > newest:
        message = (
            f"The store {path} was written by a newer pledgewatt (schema {done}, this one knows "
            f"{newest}). Update pledgewatt to open it."
        )
        raise PledgewattError(message)
    # For steps that need something which nobody can guess; DuckDB draws no such numbers.
    connection.execute(f"SET VARIABLE fresh_secret = '{secrets.token_hex(32)}'")
    waiting = [step for step in steps if step[0] > done]
    # A new store is made in one go: a commit a step would be most of the time that it takes.
    for together in [waiting] if done == 0 else [[step] for step in waiting]:
        connection.begin()
        try:
            for version, sql in together:
                connection.execute(sql)
                connection.execute("INSERT INTO schema_version VALUES (?, now())", [version])
        except BaseException:
            connection.rollback()
            raise
        connection.commit()
    connection.execute("RESET VARIABLE fresh_secret")
