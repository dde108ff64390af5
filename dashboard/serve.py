"""Serves the pages: one process, its threads, the hourly refresh, and files that come in."""

from __future__ import annotations

import errno
import logging
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Final

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from dashboard.app import create_app
from dashboard.listening import Listener
from dashboard.provider import Provider
from dashboard.telling.described import Telling
from dashboard.telling.teller import Teller
from ingest.collect import Collector
from ingest.schedule import WRITER, Intake, add_writer
from ingest.sources import Sources
from monitor.errors import PledgewattError
from monitor.refresh import refresh_site
from monitor.store.connection import Store
from monitor.store.sites import list_sites

log = logging.getLogger(__name__)

#: How often it is looked whether somebody is to be told something.
TELL_EVERY: Final = timedelta(minutes=1)


def refresh_all(store: Store, now: datetime) -> int:
    """Bring the standing of every site up to date; one site's failure stops no other.

    Returns
    -------
    int
        How many sites failed; the log says which and why.
    """
    failed = 0
    for site in list_sites(store):
        try:
            refresh_site(store, site.id, now=now)
        except Exception:
            log.exception("The standing of site %s could not be refreshed", site.id)
            failed += 1
    return failed


def serve(
    store: Store,
    *,
    host: str = "127.0.0.1",
    port: int = 8050,
    secure_cookies: bool = False,
    proxies: int = 0,
    sources: Sources | None = None,
    telling: Telling | None = None,
    provider: Provider | None = None,
    on_ready: Callable[[str], None] | None = None,
) -> None:
    """Serve until the process is told to stop (Ctrl-C or SIGTERM); what was begun is finished.

    Parameters
    ----------
    port
        0 takes any free one.
    proxies
        Proxies in front whose word on who asks is taken.
    sources
        What brings files by itself meanwhile.
    telling
        How people are told of findings meanwhile.
    provider
        The provider that people may sign in through as well.
    on_ready
        Called with the address once it answers.

    Raises
    ------
    PledgewattError
        The address cannot be used, or the secret of the provider is not set.
    """
    app = create_app(
        store, secure_cookies=secure_cookies, proxies=proxies, provider=provider, telling=telling
    )
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        door = socket.create_server((host, port), family=family)
    except OSError as error:
        raise _cannot_listen(host, port, error) from error
    listener = Listener(app.server, door, proxies=proxies)
    with _working(store, sources, telling), _stopping() as told_to_stop:
        if on_ready is not None:
            on_ready(f"http://{_shown(host)}:{door.getsockname()[1]}/")
        listener.run(told_to_stop)


def take_in(store: Store, sources: Sources, *, on_ready: Callable[[], None]) -> None:
    """Take in files without serving pages, until the process is told to stop."""
    with _working(store, sources), _stopping() as told_to_stop:
        on_ready()
        told_to_stop.wait()


def collector(store: Store, sources: Sources) -> Collector:
    """What takes in the files of sources, and brings their sites up to date."""
    return Collector(store, sources, lambda opened, site, now: refresh_site(opened, site, now=now))


@contextmanager
def _working(
    store: Store, sources: Sources | None, telling: Telling | None = None
) -> Iterator[None]:
    """Refresh every hour, take files in and tell people, side by side with all else."""
    # What a job did is in the store; its comings and goings would drown the address.
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    scheduler = BackgroundScheduler(timezone=UTC)
    writer = add_writer(scheduler)
    scheduler.add_job(
        lambda: refresh_all(store, datetime.now(UTC)),
        "cron",
        minute=2,
        next_run_time=datetime.now(UTC),
        id="refresh",
        executor=WRITER,
        max_instances=1,
        coalesce=True,
        misfire_grace_time=None,
    )
    intake = None
    if sources is not None:
        intake = Intake(collector(store, sources), scheduler, writer)
    teller = None
    if telling is not None:
        teller = Teller(store, telling)
        # A worker of its own: a slow mail server holds up nothing but mail.
        scheduler.add_executor(ThreadPoolExecutor(1), "telling")
        scheduler.add_job(
            teller.round,
            "interval",
            seconds=TELL_EVERY.total_seconds(),
            id="telling",
            executor="telling",
            max_instances=1,
            coalesce=True,
            misfire_grace_time=None,
        )
    scheduler.start()
    try:
        if intake is not None:
            intake.start()
        yield
    finally:
        if intake is not None:
            intake.stop()
        if teller is not None:
            teller.stopping.set()
        scheduler.shutdown(wait=True)


def _shown(host: str) -> str:
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - only shown
    return f"[{host}]" if ":" in host else host


def _cannot_listen(host: str, port: int, error: OSError) -> PledgewattError:
    if error.errno == errno.EADDRINUSE:
        return PledgewattError(
            f"Port {port} on {host} is taken by another program. Stop that one, or choose another "
            "port."
        )
    if error.errno == errno.EACCES:
        return PledgewattError(
            f"Port {port} may not be used without special rights. Choose one above 1023."
        )
    return PledgewattError(f"Cannot serve on {host}, port {port}: {error.strerror or error}.")


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that SIGTERM or Ctrl-C sets, if in the main thread; a second one ends at once."""
    told = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield told
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}

    def restore() -> None:
        for number, handler in before.items():
            signal.signal(number, handler)

    def stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - signal's form
        told.set()
        restore()

    for number in before:
        signal.signal(number, stop)
    try:
        yield told
    finally:
        restore()
