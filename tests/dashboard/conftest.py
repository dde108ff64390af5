"""A small invented fleet: six homes whose standings all differ, over half a year of hours."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient

from dashboard.app import create_app
from monitor.models import Role, Site
from monitor.refresh import refresh_site
from monitor.schemas import REJECT, empty
from monitor.store import users
from monitor.store.connection import Store, open_store
from monitor.store.readings import Batch, record_import
from monitor.store.sites import save_site, stored_channels
from monitor.store.users import User

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
START = datetime(2025, 9, 20, tzinfo=UTC)
PASSWORD = "nine green bottles"


def clock() -> datetime:
    return NOW


def _site(site_id: str, name: str, place: str, *, promise: float | None, **more: object) -> Site:
    states = more.pop("states", ("outdoor_temp", "flow_temp", "return_temp", "room_temp"))
    start = more.pop("start", "2025-09-20")
    meters = [
        {
            "serial": f"H-{site_id}",
            "measures": "heat",
            "fitted": "2025-09-01T00:00:00",
            "accuracy_class": "2",
            "q_p_m3h": 1.5,
            "channel": [{"role": "heat_total", "kind": "register", "resolution": 0.1}],
        },
        {
            "serial": f"E-{site_id}",
            "measures": "electricity",
            "fitted": "2025-09-01T00:00:00",
            "accuracy_class": "B",
            "channel": [{"role": "elec_unit", "kind": "register", "resolution": 0.01}],
        },
    ]
    if states:
        meters.append(
            {
                "serial": f"T-{site_id}",
                "measures": "sensors",
                "fitted": "2025-09-01T00:00:00",
                "channel": [{"role": role, "kind": "state"} for role in states],
            }
        )
    terms = (
        []
        if promise is None
        else [
            {
                "signed": "2025-09-01",
                "promised_spf": promise,
                "boundary": "H2",
                "start": start,
                "months": 12,
            }
        ]
    )
    return Site.model_validate(
        {
            "id": site_id,
            "name": name,
            "place": place,
            "zone": "Europe/London",
            "commissioned": "2025-09-15",
            "heat_loss_kw": 5.0,
            "heat_pump": {
                "nominal_heat_kw": 7.0,
                "design_flow_temp_c": 45.0,
                "design_outdoor_temp_c": -3.0,
                "flow_temp_at_15_c": 28.0,
            },
            "meter": meters,
            "terms": terms,
            "tariff": [{"valid_from": "2025-04-01", "price_per_kwh": 0.25}],
            **more,
        }
    )


SITES = {
    "alder-row-3": (
        _site(
            "alder-row-3",
            "3 Alder Row",
            "Marlbeck",
            promise=3.0,
            postcode_area="XV4",
            designer="Quillan",
            installer_team="Fell",
            heat_loss_kw=4.0,
        ),
        {},
    ),
    "brook-cottage": (
        _site(
            "brook-cottage",
            "Brook Cottage",
            "Nether Sallow",
            promise=3.9,
            postcode_area="XV7",
            # It loses half more than that.
            heat_loss_kw=4.0,
        ),
        {"lost": [(60, 66)], "silent": [(100, 103)]},
    ),
    "chapel-hill-12": (
        _site(
            "chapel-hill-12",
            "12 Chapel Hill",
            "Marlbeck",
            promise=3.52,
            event=[{"at": "2025-11-02T10:00:00", "what": "visit", "note": "Lowered the curve."}],
        ),
        {},
    ),
    "dene-farm": (_site("dene-farm", "Dene Farm", "Upper Dene", promise=3.2), {"stops": 40}),
    "elm-close-8": (
        _site("elm-close-8", "8 Elm Close", "Marlbeck", promise=3.3, start="2026-02-20", states=()),
        {},
    ),
    "fen-view": (_site("fen-view", "Fen View", "Sedgeford Fen", promise=None), {}),
}


def fill(store: Store, site: Site, *, lost=(), silent=(), stops: int | None = None) -> None:
    """Registers of half a year: heat after the cold, electricity after heat and lift.

    `lost` days lose the register's course (a reset), `silent` ones only its readings.
    """
    hours = int((NOW - START).total_seconds() // 3600) + 1
    h = np.arange(hours)
    seed = np.random.default_rng(sum(site.id.encode()))
    outdoor = 8 - 6 * np.cos((h / 24 - 120) / 365 * 2 * np.pi)
    outdoor = outdoor + 3 * np.sin((h % 24 - 9) / 24 * 2 * np.pi)
    outdoor += np.repeat(seed.normal(0, 2.5, hours // 24 + 1), 24)[:hours]
    heat = np.clip(0.26 * (17 - outdoor), 0.15, 7.0)
    flow = 45 - (outdoor + 3) * 17 / 18 + seed.normal(0, 0.8, hours)
    cop = 3.55 + 0.055 * (outdoor - 5) + seed.normal(0, 0.1, hours)
    series = {
        Role.HEAT_TOTAL: 1000 + np.cumsum(heat),
        Role.ELEC_UNIT: 300 + np.cumsum(heat / cop),
        Role.OUTDOOR_TEMP: outdoor,
        Role.FLOW_TEMP: flow,
        Role.RETURN_TEMP: flow - 5,
        Role.ROOM_TEMP: 20.5 + seed.normal(0, 0.4, hours),
    }
    keep = np.ones(hours, dtype=bool)
    if stops is not None:
        keep &= h < stops * 24
    for first, last in (*lost, *silent):
        keep &= (h < first * 24) | (h >= last * 24)
    for first, _ in lost:
        series[Role.HEAT_TOTAL] = np.where(
            h >= first * 24,
            series[Role.HEAT_TOTAL] - series[Role.HEAT_TOTAL][first * 24],
            series[Role.HEAT_TOTAL],
        )
    frames = [
        pl.DataFrame(
            {
                "channel_id": np.full(keep.sum(), stored.channel_id, dtype=np.int32),
                "t_utc": [START + timedelta(hours=int(k)) for k in h[keep]],
                "duration_s": None,
                "value": np.round(series[stored.channel.role][keep], 3),
                "line": h[keep] + 2,
            },
            schema_overrides={
                "t_utc": pl.Datetime("us", "UTC"),
                "duration_s": pl.Int32,
                "line": pl.Int64,
            },
        )
        for stored in stored_channels(store, site)
    ]
    rejects = empty(REJECT)
    if site.id == "brook-cottage":
        rejects = pl.DataFrame(
            {
                "line": [17, 18],
                "column": ["heat", "heat"],
                "raw": ["=1+1", "<script>alert(1)</script>"],
                "reason": ["not a number", "not a number"],
            }
        )
    batch = Batch(
        site_id=site.id,
        file_name=f"{site.id}.csv",
        content_hash="c",
        profile_hash="p",
        profile_name="hourly logger",
        correction=False,
        lines=int(keep.sum()),
        blank=0,
        staged=pl.concat(frames),
        rejects=rejects,
        notes=(),
    )
    record_import(store, batch, NOW)


@pytest.fixture(scope="session", autouse=True)
def _quick_hashes() -> Iterator[None]:
    """Passwords of tests are not worth guarding: hash them with the least effort."""
    usual, users._hasher = users._hasher, PasswordHasher(1, 1024, 1)
    yield
    users._hasher = usual


@pytest.fixture(scope="session")
def sites() -> dict[str, Site]:
    return {site_id: site for site_id, (site, _) in SITES.items()}


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory, _quick_hashes: None) -> Iterator[Store]:
    path: Path = tmp_path_factory.mktemp("store") / "fleet.duckdb"
    with open_store(path, create=True) as opened:
        for site, faults in SITES.values():
            save_site(opened, site, NOW)
            fill(opened, site, **faults)
            refresh_site(opened, site.id, now=NOW)
        users.add_user(
            opened,
            email="ines@example.org",
            name="Ines Installer",
            role="installer",
            password=PASSWORD,
            now=NOW,
        )
        users.add_user(
            opened,
            email="hugo@example.org",
            name="Hugo Householder",
            role="homeowner",
            password=PASSWORD,
            sites=["alder-row-3"],
            now=NOW,
        )
        yield opened


def person(store: Store, role: str) -> User:
    return next(user for user in users.list_users(store) if user.role == role)


@pytest.fixture
def installer(store: Store) -> User:
    return person(store, "installer")


@pytest.fixture
def homeowner(store: Store) -> User:
    return person(store, "homeowner")


@pytest.fixture(scope="session")
def app(store: Store):
    return create_app(store, clock=clock)


def signed_in(app, user: User) -> FlaskClient:
    """A client that carries the session of a person."""
    client = app.server.test_client()
    with client.session_transaction() as session:
        session.update(
            user=user.user_id, key=user.session_key, id=f"test-{user.user_id}", csrf="token"
        )
    return client


@pytest.fixture
def anonymous(app) -> FlaskClient:
    return app.server.test_client()


@pytest.fixture
def as_installer(app, installer) -> FlaskClient:
    return signed_in(app, installer)


@pytest.fixture
def as_homeowner(app, homeowner) -> FlaskClient:
    return signed_in(app, homeowner)
