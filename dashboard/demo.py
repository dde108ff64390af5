"""Builds the demo: exports of invented homes, taken in through the ordinary adapters."""

from __future__ import annotations

import secrets
import shutil
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from dashboard import demo_claims
from demo_telemetry import DemoHome, write_fleet
from ingest.inbox import import_file
from ingest.profile import profile_from_toml
from monitor.errors import DescriptionError
from monitor.metrics import periods
from monitor.metrics.boundary import promised_recipe
from monitor.models import site_from_toml
from monitor.refresh import refresh_site
from monitor.store import users
from monitor.store.connection import Store, open_store
from monitor.store.sites import save_site
from monitor.store.users import User, UserRole

INSTALLER = "installer@demo.example"
WARRANTY = "warranty@demo.example"
SECOND = "second@demo.example"

#: Marks a folder that a demo made and may therefore make anew.
MARK = ".made-by-pledgewatt-demo"


@dataclass(frozen=True)
class Made:
    """What was built: where the store is, and who may sign in (e-mail, password, sees)."""

    store: Path
    readings: int
    sign_ins: tuple[tuple[str, str, str], ...]

    @property
    def document(self) -> dict[str, Any]:
        """For --json."""
        return {
            "store": str(self.store),
            "readings": self.readings,
            "sign_ins": [
                {"email": email, "password": password, "sees": sees}
                for email, password, sees in self.sign_ins
            ],
        }

    @property
    def text(self) -> str:
        """For people."""
        lines = [
            f"The demo store {self.store} holds {self.readings:,} readings.",
            "Sign in as (passwords are new each time):",
        ]
        lines += [f"  {email:<36} {password:<14} {sees}" for email, password, sees in self.sign_ins]
        return "\n".join(lines)


def build(folder: Path, *, store: Path, end: date, months: int, console: Console) -> Made:
    """Write the fleet's exports, import them, compute the figures, add sign-ins.

    Raises
    ------
    DescriptionError
        The folder holds something that no demo has put there.
    """
    _clear(folder, store)
    with Progress(
        TextColumn("{task.description:<28}"), BarColumn(), TimeElapsedColumn(), console=console
    ) as progress:
        task = progress.add_task("Simulating homes", total=1.0)
        homes = write_fleet(
            folder,
            end=end,
            months=months,
            progress=lambda _, share: progress.update(task, completed=share),
        )
        progress.update(task, completed=1.0)
        with open_store(store, create=True) as opened:
            total = _import(opened, homes, progress)
            _refresh(opened, homes, progress)
            sign_ins = _people(opened, homes)
    return Made(store, total, sign_ins)


def _clear(folder: Path, store: Path) -> None:
    mark = folder / MARK
    if folder.exists() and any(folder.iterdir()) and not mark.exists():
        message = (
            f"The folder {folder} holds files that no demo has put there. Name an empty one "
            "with --dir."
        )
        raise DescriptionError(message)
    if mark.exists():
        shutil.rmtree(folder)
    if store.exists():
        message = f"{store} exists already and will not be overwritten. Name another with --store."
        raise DescriptionError(message)
    folder.mkdir(parents=True, exist_ok=True)
    mark.touch()


def _import(store: Store, homes: list[DemoHome], progress: Progress) -> int:
    files = [
        (home, profile, export)
        for home in homes
        for profile, exports in home.profile_imports
        for export in exports
    ]
    task = progress.add_task("Importing exports", total=len(files))
    total = 0
    now = periods.utc_now()
    for home in homes:
        site = site_from_toml(home.site_file)
        for terms in site.terms:
            promised_recipe(site, terms)
        save_site(store, site, now)
    for home, profile, export in files:
        report = import_file(store, home.id, export, profile_from_toml(profile), now=now)
        total += report.counts.accepted
        progress.advance(task)
    return total


def _refresh(store: Store, homes: list[DemoHome], progress: Progress) -> None:
    task = progress.add_task("Computing figures", total=len(homes))
    for home in homes:
        refresh_site(store, home.id, now=periods.utc_now())
        progress.advance(task)


def _people(store: Store, homes: list[DemoHome]) -> tuple[tuple[str, str, str], ...]:
    """Add who may sign in, and the claims that some of them made and work on."""
    now = periods.utc_now()
    out = []
    claimed: dict[str, User] = {}

    def add(email: str, name: str, role: UserRole, sees: str, sites: tuple[str, ...] = ()) -> User:
        password = secrets.token_urlsafe(9)
        out.append((email, password, sees))
        return users.add_user(
            store, email=email, name=name, role=role, password=password, sites=sites, now=now
        )

    add(INSTALLER, "Demo installer", "installer", "the whole fleet")
    desk = "the whole fleet and its claims"
    warranty = add(WARRANTY, "Demo warranty", "warranty", desk)
    add(SECOND, "Demo second person", "warranty", f"{desk}; confirms what another proposed")
    for home in homes[:3]:
        claimed[home.id] = add(
            home.homeowner_email, home.homeowner_name, "homeowner", f"only {home.id}", (home.id,)
        )
    demo_claims.make(store, claimed, warranty, now)
    return tuple(out)
