"""Server time of the fleet page and the agenda, on a synthetic store of many sites.

python -m tests.bench.fleet_page [--sites 10000] [--turns 30] [--store FILE]

Writes descriptions, standings, outlooks, trends and open findings as the program keeps them,
but simulates no reading. Then asks for pages as a browser does, over the whole stack of the
server (rules, session, log of looks, page, JSON), each of them in many ways, and prints the
median, the 95 % and the longest time by the clock, and the median of processor time, which
other work on the machine does not stretch. `--store FILE` keeps the store, with a sign-in.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.rules import CALLBACK
from monitor.findings.finding import Confidence, Effect, Finding, Topic
from monitor.guarantee.outlook import Outlook
from monitor.guarantee.standing import Standing, StandingWord
from monitor.metrics.account import Account, Hours
from monitor.metrics.trend import POINTS
from monitor.models import Boundary, Site
from monitor.store import fleet as stored
from monitor.store import users
from monitor.store.connection import Store, open_store
from monitor.store.fleet import Wanted
from monitor.store.users import User

NOW = datetime(2026, 3, 20, 12, 20, tzinfo=UTC)
PASSWORD = "nine green bottles"

#: Invented names; the SPF that each designer's homes do beside the promise.
DESIGNERS = {"A. Tarn": 0.15, "B. Fennick": 0.1, "C. Ostrel": -0.3, "D. Pryde": 0.05, "": 0.0}
DESIGNERS |= {f"{chr(69 + n)}. Marlow-{n}": 0.1 for n in range(20)}
TEAMS = [f"Team {n}" for n in range(1, 31)]
MODELS = [f"Vaskerby {letter}{size}" for letter in "KLMN" for size in (5, 7, 9, 12, 16)]
PLACES = [f"{a}{b}" for a in ("Thorn", "Mar", "Sal", "Wen", "Hol") for b in ("beck", "wick", "ley")]
PLACES = [f"{place} {n}" for place in PLACES for n in range(1, 13)]
TROUBLES = (
    ("cause:flow_temperature", Topic.OPERATION, "The flow runs above the design curve"),
    ("cause:backup_and_immersion", Topic.OPERATION, "Resistive heaters run beside the heat pump"),
    ("heat_beside_heat_loss", Topic.METER, "Heat does not fit the house"),
    ("silent-site", Topic.DATA, "No readings come in"),
    ("room_temperature", Topic.HOUSEHOLD, "The promise is kept but the house is cold"),
)


def site(n: int, rng: np.random.Generator) -> Site:
    """Description of one home."""
    start = date(2022, 6, 1) + timedelta(days=int(rng.integers(0, 1400)))
    meter = [
        {
            "serial": f"{kind[0]}-{n}",
            "measures": kind,
            "fitted": "2020-01-01T00:00:00",
            "channel": [{"role": role, "kind": "register"}],
        }
        for kind, role in (("heat", "heat_total"), ("electricity", "elec_unit"))
    ]
    return Site.model_validate(
        {
            "id": f"home-{n}",
            "name": f"{n} {['Alder', 'Birch', 'Cedar', 'Dogwood', 'Elder'][n % 5]} Row",
            "place": PLACES[int(rng.integers(0, len(PLACES)))],
            "postcode_area": f"XV{1 + n * n % 40}",
            "zone": "Europe/London",
            "commissioned": start,
            "designer": list(DESIGNERS)[int(rng.integers(0, len(DESIGNERS)))],
            "installer_team": TEAMS[int(rng.integers(0, len(TEAMS)))],
            "heat_pump": {"nominal_heat_kw": 7.0, "model": MODELS[int(rng.integers(0, 20))]},
            "meter": meter,
        }
    )


def standing(home: Site, rng: np.random.Generator) -> Standing:
    """Where a home stands, drawn about what its designer's homes do."""
    start = home.commissioned
    end = start.replace(year=start.year + int(rng.integers(2, 5)), day=min(start.day, 28))
    promise = round(float(rng.uniform(2.8, 4.0)), 1)
    spf = promise + DESIGNERS[home.designer] + float(rng.normal(0, 0.3))
    u = 0.1
    probability = float(np.clip(0.5 + (spf - promise) / (4 * u), 0.001, 0.999))
    over = end <= NOW.date()
    word = StandingWord.ON_COURSE
    if probability < 0.8:
        word = StandingWord.IN_DOUBT if probability > 0.2 else StandingWord.OFF_COURSE
    if rng.uniform() < 0.05:
        word = StandingWord.BLIND
    if (NOW.date() - start).days < 90:
        word = StandingWord.TOO_EARLY
    total = max(24, (min(end, NOW.date()) - start).days * 24)
    known = int(total * rng.uniform(0.9, 1.0))
    return Standing(
        site=home.id,
        word=word,
        why=f"The SPF so far is {abs(spf - promise):.2f} beside the promise.",
        promise=promise,
        boundary=Boundary(f"H{int(rng.integers(2, 5))}"),
        terms_version=1,
        period_start=start,
        period_end=end,
        days_left=max(0, (end - NOW.date()).days),
        account=Account(
            boundary=Boundary.H2,
            assumption=None,
            start_utc=datetime(start.year, start.month, start.day, tzinfo=UTC),
            end_utc=NOW.replace(minute=0),
            heat_kwh=9000.0,
            electricity_kwh=9000.0 / spf,
            spf=spf,
            u_spf=u,
            coverage=known / total,
            hours=Hours(total=total, measured=known, bridged=0, missing=total - known),
            budget=(),
        ),
        low=spf - 1.96 * u,
        high=spf + 1.96 * u,
        probability=probability,
        settlement="undecided" if over else None,
        newest_reading=NOW - timedelta(hours=float(rng.exponential(12))),
        computed_at=NOW,
    )


def outlook(found: Standing) -> Outlook:
    """The outlook beside a standing."""
    assert found.promise is not None
    assert found.account is not None
    assert found.account.spf is not None
    return Outlook(
        site=found.site,
        at=NOW,
        period_start=found.period_start,
        period_end=found.period_end,
        promise=found.promise,
        is_forecast=True,
        is_adequate=True,
        sentence="",
        median=found.account.spf,
        low_90=found.account.spf - 0.2,
        high_90=found.account.spf + 0.2,
        probability=found.probability,
    )


def findings(rng: np.random.Generator) -> Iterator[Finding]:
    """Open findings of one home: none for half of them, one or two for the others."""
    count = int(rng.choice([0, 1, 2], p=[0.5, 0.35, 0.15]))
    for n in rng.choice(len(TROUBLES), size=count, replace=False, p=[0.4, 0.3, 0.2, 0.07, 0.03]):
        kind, topic, title = TROUBLES[n]
        costs = topic is Topic.OPERATION
        spf = float(rng.uniform(0.1, 0.6))
        yield Finding(
            kind=kind,
            topic=topic,
            title=title,
            what=f"{title}.",
            confidence=Confidence.LIKELY,
            effect=Effect(
                spf=spf,
                low=spf - 0.1,
                high=spf + 0.1,
                kwh_year=1500 * spf,
                money_year=400 * spf,
                currency="GBP",
            )
            if costs
            else None,
            check=("The settings against the design", "The meters against one another"),
        )


def fill(store: Store, sites: int, seed: int = 7) -> None:
    """Write what the program keeps of many homes, in bulk, and their flat rows from it."""
    rng = np.random.default_rng(seed)
    documents: dict[str, list[tuple[str, str]]] = {"site": [], "standing": [], "outlook": []}
    found, trends = [], []
    for n in range(1, sites + 1):
        home = site(n, rng)
        at = standing(home, rng)
        assert at.account is not None
        documents["site"].append((home.id, home.model_dump_json()))
        documents["standing"].append((home.id, at.model_dump_json()))
        if at.settlement is None:
            documents["outlook"].append((home.id, outlook(at).model_dump_json()))
        found += [(home.id, one.kind, one.model_dump_json()) for one in findings(rng)]
        course = (at.account.spf or 3.0) + np.cumsum(rng.normal(0, 0.08, POINTS))
        trends.append((home.id, ",".join(f"{v:.3f}" for v in course)))
    frames = {
        name: pl.DataFrame(rows, schema=["site_id", "document"], orient="row")
        for name, rows in documents.items()
    }
    frames["found"] = pl.DataFrame(found, schema=["site_id", "kind", "document"], orient="row")
    frames["trends"] = pl.DataFrame(trends, schema=["site_id", "trend"], orient="row")
    with store.transaction() as cursor:
        for name, frame in frames.items():
            cursor.register(f"given_{name}", frame)
        cursor.execute(
            "INSERT INTO site_version (site_id, document, recorded_at) "
            "SELECT site_id, document, $now FROM given_site",
            {"now": NOW},
        )
        cursor.execute("INSERT INTO standing SELECT * FROM given_standing")
        cursor.execute("INSERT INTO outlook SELECT * FROM given_outlook")
        cursor.execute(
            "INSERT INTO finding (site_id, kind, opened_at, seen_at, times_opened, document) "
            "SELECT site_id, kind, $now, $now, 1, document FROM given_found",
            {"now": NOW - timedelta(days=2)},
        )
        cursor.execute(
            "INSERT INTO fleet BY NAME SELECT * FROM fleet_site_now "
            "LEFT JOIN fleet_standing_now USING (site_id) "
            "LEFT JOIN fleet_outlook_now USING (site_id)"
        )
        cursor.execute("INSERT INTO fleet_finding BY NAME SELECT * FROM fleet_finding_now")
        cursor.execute(
            "UPDATE fleet SET trend = given_trends.trend, trend_end = $day "
            "FROM given_trends WHERE given_trends.site_id = fleet.site_id",
            {"day": NOW.date()},
        )
        for name in frames:
            cursor.unregister(f"given_{name}")


def signed_in(store: Store, role: str = "installer") -> tuple[FlaskClient, User]:
    """A client of the whole stack, with the session of a person who sees every site."""
    user = users.add_user(
        store,
        email=f"{role}@example.org",
        name="Ines",
        role=role,
        password=PASSWORD,
        now=NOW,
    )
    client = create_app(store, clock=lambda: NOW).server.test_client()
    with client.session_transaction() as session:
        session.update(user=user.user_id, key=user.session_key, id="bench", csrf="token")
    return client, user


def page(pathname: str, search: str) -> dict[str, Any]:
    """The request with which a browser asks for the content of a page."""
    outputs = [("page", "children"), ("title", "data"), ("notice", "children")]
    return {
        "output": ".." + "...".join(".".join(one) for one in outputs) + "..",
        "outputs": [{"id": a, "property": b} for a, b in outputs],
        "inputs": [{"id": "url", "property": "pathname", "value": pathname}],
        "state": [
            {"id": "url", "property": "search", "value": search},
            {"id": "fleet-searched", "property": "data", "value": ""},
        ],
        "changedPropIds": ["url.pathname"],
    }


def results(search: str, typed: str = "") -> dict[str, Any]:
    """The request that follows a change of search text, filter, order or page."""
    return {
        "output": "fleet-results.children",
        "outputs": {"id": "fleet-results", "property": "children"},
        "inputs": [
            {"id": "url", "property": "search", "value": search},
            {"id": "fleet-searched", "property": "data", "value": typed},
        ],
        "state": [
            {"id": "fleet-search", "property": "value", "value": typed},
            {"id": "url", "property": "pathname", "value": "/"},
        ],
        "changedPropIds": ["url.search"],
    }


def timed(call: Callable[[], Any]) -> tuple[float, float]:
    """Milliseconds that a request takes, by the clock and of processor time."""
    begun, worked = time.perf_counter(), time.process_time()
    answer = call()
    assert answer.status_code == 200, answer.status_code
    assert b"could not be computed" not in answer.get_data()
    return 1000 * (time.perf_counter() - begun), 1000 * (time.process_time() - worked)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=10_000)
    parser.add_argument("--turns", type=int, default=30)
    parser.add_argument("--store", type=Path, default=None, help="keep the store here")
    chosen = parser.parse_args()
    out = sys.stdout
    with tempfile.TemporaryDirectory() as folder:
        path = chosen.store or Path(folder) / "fleet.duckdb"
        with open_store(path, create=True) as store:
            begun = time.perf_counter()
            fill(store, chosen.sites)
            out.write(f"{chosen.sites:,} sites written in {time.perf_counter() - begun:.0f} s\n\n")
            client, _ = signed_in(store)
            measure(store, client, chosen.turns)


#: What is asked for: a name, and the query strings that are taken in turn.
PAGES = {
    "fleet, first page": ("/", [""]),
    "fleet, another order or page": (None, ["?sort=-cost", "?sort=gap&page=7", "?sort=finding"]),
    "fleet, by designer": (None, ["?by=designer", "?by=place&standing=blind", "?by=model"]),
    "agenda": ("/agenda", ["", "?kind=new&page=3"]),
    "warranty desk": ("/desk", ["", "?due=4"]),
}
SEARCHES = (
    ("?searched=1", "beck"),
    ("?searched=1", "ostrel team"),
    ("?searched=1&standing=off-course", "cedar"),
)


def cohort_searches(store: Store) -> list[str]:
    """Query strings for one designer, for those that state none, and for one team of an age."""
    tokens = {
        by: dict(stored.cohorts(store, Wanted(NOW.date()), by).select("cohort", "token").rows())
        for by in ("designer", "team", "age")
    }
    return [
        f"?designer={tokens['designer']['C. Ostrel']}",
        "?designer=",
        f"?team={tokens['team']['Team 7']}&age={tokens['age']['1 to 2 years']}",
    ]


def measure(store: Store, client: FlaskClient, turns: int) -> None:
    """Ask for each page in turn and print the times."""
    headers = {"X-CSRFToken": "token"}

    warranty, _ = signed_in(store, "warranty")

    def ask(body: dict[str, Any]) -> Any:
        by = warranty if body["inputs"][0]["value"] == "/desk" else client
        return by.post(CALLBACK, json=body, headers=headers)

    def paint() -> Any:
        # All that the server does for a first paint: frame, layout, callbacks, content.
        for path in ("/", "/_dash-layout", "/_dash-dependencies"):
            assert client.get(path).status_code == 200
        return ask(page("/", ""))

    jobs: dict[str, list[Callable[[], Any]]] = {"first paint, all requests": [paint]}
    for name, (path, searches) in PAGES.items():
        jobs[name] = [
            lambda path=path, one=one: ask(results(one) if path is None else page(path, one))  # type: ignore[misc]
            for one in searches
        ]
    jobs["fleet, searched"] = [lambda one=one: ask(results(*one)) for one in SEARCHES]  # type: ignore[misc]
    jobs["fleet, one designer"] = [
        lambda one=one: ask(results(one))  # type: ignore[misc]
        for one in cohort_searches(store)
    ]
    jobs["fleet as CSV, all rows"] = [lambda: client.post("/fleet.csv", data={"csrf": "token"})]
    size = len(ask(page("/", "")).get_data())
    sys.stdout.write(
        "| request | median, ms | 95 %, ms | most, ms | processor, ms |\n|---|---|---|---|---|\n"
    )
    for name, calls in jobs.items():
        for call in calls:
            call()  # what only the first request of a process does is not counted
        ms = np.array([timed(calls[n % len(calls)]) for n in range(turns)])
        at = [*np.quantile(ms[:, 0], [0.5, 0.95, 1.0]), np.median(ms[:, 1])]
        sys.stdout.write(f"| {name} | " + " | ".join(f"{v:.0f}" for v in at) + " |\n")
    sys.stdout.write(f"\nContent of the first page: {size / 1000:.0f} kB of JSON\n")


if __name__ == "__main__":
    main()
