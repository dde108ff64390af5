"""Two homes and one person of every kind, so that whatever reaches the wrong one shows."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from flask.testing import FlaskClient
from itsdangerous import TimestampSigner

from dashboard.app import create_app
from dashboard.auth import LIFETIME
from dashboard.provider import Provider
from monitor.refresh import refresh_site
from monitor.store import cases, invitations, users
from monitor.store.connection import Store, open_store
from monitor.store.findings import load_findings
from monitor.store.sites import save_site
from monitor.store.users import User
from tests.dashboard.conftest import NOW, PASSWORD, SITES, clock, fill, signed_in

OWN, FOREIGN = "alder-row-3", "brook-cottage"

#: What says something of a home, by its id.
OF_SITE = {
    OWN: ("Alder Row", "Marlbeck", f"H-{OWN}"),
    FOREIGN: ("Brook Cottage", "Nether Sallow", f"H-{FOREIGN}", "hums at night"),
}

#: Everybody: name, role, and what they are given.
PEOPLE: dict[str, tuple[str, dict[str, Any]]] = {
    "ines": ("installer", {}),
    "iris": ("installer", {"sites": [OWN]}),
    "wanda": ("warranty", {}),
    "walter": ("warranty", {"sites": [OWN]}),
    "hugo": ("homeowner", {"sites": [OWN]}),
    "olga": ("homeowner", {"sites": [FOREIGN]}),
    "agnes": ("administrator", {}),
    "lothar": ("installer", {}),
}
#: Whoever has no session that counts: signed out, too long ago, and locked.
OUTSIDE = ("nobody", "expired", "lothar")
INSIDE = tuple(who for who in PEOPLE if who not in OUTSIDE)


#: A provider that is down: its addresses are there, and lead back to the sign-in page.
PROVIDER = Provider(
    name="Firm Account",
    issuer="http://127.0.0.1:9",
    client_id="watt-pages",
    client_secret_env="PROVIDER_SECRET",
    base_url="http://localhost",
)


@dataclass
class World:
    """The store with its application and people, numbers of what is in it, and a script."""

    store: Store
    app: Any
    people: dict[str, User]
    claims: dict[str, int]
    findings: dict[str, int]
    invitation: int
    script: str = ""

    def client(self, who: str) -> FlaskClient:
        if who == "nobody":
            return self.app.server.test_client()
        if who == "expired":
            return self._expired()
        return signed_in(self.app, self.people[who])

    def _expired(self) -> FlaskClient:
        """The cookie of a session that began a moment longer ago than one lives."""
        server = self.app.server
        ines = self.people["ines"]
        content = {"user": ines.user_id, "key": ines.session_key, "id": "old", "csrf": "token"}
        began = int(time.time() - LIFETIME.total_seconds() - 60)
        with mock.patch.object(TimestampSigner, "get_timestamp", return_value=began):
            cookie = server.session_interface.get_signing_serializer(server).dumps(content)
        client = server.test_client()
        client.set_cookie(server.config["SESSION_COOKIE_NAME"], cookie)
        return client

    def user(self, who: str) -> User | None:
        return None if who in OUTSIDE else self.people[who]


@pytest.fixture(scope="session")
def described(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a store with two homes and nobody; copied, as making one takes longer."""
    path = tmp_path_factory.mktemp("described") / "two-homes.duckdb"
    with open_store(path, create=True) as store:
        for site_id in (OWN, FOREIGN):
            save_site(store, SITES[site_id][0], NOW)
    return path


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _quick_hashes: None) -> Iterator[World]:
    path = tmp_path_factory.mktemp("world") / "world.duckdb"
    with open_store(path, create=True) as store:
        for site_id in (OWN, FOREIGN):
            site, faults = SITES[site_id]
            save_site(store, site, NOW)
            fill(store, site, **faults)
            refresh_site(store, site_id, now=NOW)
        people = {
            name: users.add_user(
                store,
                email=f"{name}@example.org",
                name=name.capitalize(),
                role=role,
                password=PASSWORD,
                now=NOW,
                **given,
            )
            for name, (role, given) in PEOPLE.items()
        }
        users.lock(store, "lothar@example.org", locked=True)
        claims = {
            site_id: cases.raise_claim(
                store,
                site_id,
                user_id=people[who].user_id,
                role="homeowner",
                said="It hums at night." if site_id == FOREIGN else "It is cold.",
                now=NOW,
            )
            for site_id, who in ((OWN, "hugo"), (FOREIGN, "olga"))
        }
        made, _ = invitations.invite(
            store,
            email="fred@example.org",
            name="Fred Foreign",
            role="homeowner",
            sites=[FOREIGN],
            now=NOW,
        )
        findings = {
            site_id: next((one.number for one in load_findings(store, site_id)), 999)
            for site_id in (OWN, FOREIGN)
        }
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("PROVIDER_SECRET", "s3cret")
            app = create_app(store, clock=clock, provider=PROVIDER)
        made_of = World(store, app, people, claims, findings, made.number)
        page = made_of.client("ines").get("/").get_data(as_text=True)
        made_of.script = re.findall(r'src="/_dash-component-suites/([^"?]+)', page)[0]
        yield made_of
