"""Pages whose parts are kept in memory say what pages that are made anew say, after any change."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import orjson
import pytest

from dashboard import data, home_data
from dashboard.components.written import written
from dashboard.pages import home, site
from monitor.errors import NotFoundError
from monitor.findings.finding import Confidence, Finding, Topic
from monitor.guarantee.settlement import Exclusion
from monitor.models import Site
from monitor.refresh import refresh_site
from monitor.store import audit, cases, claims, users
from monitor.store.connection import Store, open_store
from monitor.store.findings import keep_findings, load_findings, note_finding
from monitor.store.sites import list_sites, save_site
from monitor.store.users import User
from tests.dashboard.conftest import NOW, SITES, fill
from tests.dashboard.test_site_page import text

SITE = "alder-row-3"


@pytest.fixture(scope="module")
def own(tmp_path_factory) -> Store:
    path = tmp_path_factory.mktemp("kept") / "kept.duckdb"
    with open_store(path, create=True) as opened:
        for site_id in (SITE, "fen-view"):
            described, faults = SITES[site_id]
            save_site(opened, described, NOW)
            fill(opened, described, **faults)
            refresh_site(opened, site_id, now=NOW)
        yield opened


@pytest.fixture(scope="module")
def ines(own) -> User:
    return users.add_user(
        own, email="i@example.org", name="I", role="installer", password="nine bottles", now=NOW
    )


NUMBER = re.compile(r"\d+\.\d+")


def numbers(text: str) -> list[float]:
    return [float(found) for found in NUMBER.findall(text)]


def said(user: User, store: Store, now: datetime = NOW) -> str:
    """All that the pages of the home say, beyond the order in which threads add numbers up."""
    page = orjson.loads(orjson.dumps(written(site.layout(user, store, SITE, "?period=30", now))))
    household = home.view(home_data.home(user, store, SITE, now), now)
    whole = f"{page} {replace(household, explain=None)}"
    return re.sub(r"\d+\.\d{8,}(e-?\d+)?", lambda found: f"{float(found[0]):.9g}", whole)


def raise_tariff(store: Store) -> None:
    known = list_sites(store)
    dearer = next(one for one in known if one.id == SITE).model_dump()
    dearer["tariff"] = [{"valid_from": "2025-04-01", "price_per_kwh": 0.31}]
    save_site(store, Site.model_validate(dearer), NOW)
    refresh_site(store, SITE, now=NOW)


def leave_out(store: Store) -> None:
    begin = datetime(2026, 1, 5, tzinfo=UTC)
    claims.add_exclusion(
        store,
        SITE,
        Exclusion(
            start_utc=begin, end_utc=begin + timedelta(days=7), reason="Tests.", by="I", at=NOW
        ),
    )


def find(store: Store) -> None:
    finding = Finding(
        kind="one-thing",
        topic=Topic.HOUSEHOLD,
        title="One thing",
        what="It is so.",
        confidence=Confidence.CERTAIN,
    )
    keep_findings(store, SITE, [finding], NOW)


def note(store: Store) -> None:
    find(store)
    number = next(k.number for k in load_findings(store, SITE) if k.finding.kind == "one-thing")
    note_finding(store, number, "I", "Seen on the morning round.", NOW)


def clear(store: Store) -> None:
    keep_findings(store, SITE, [], NOW)


def claim(store: Store) -> None:
    cases.raise_claim(store, SITE, user_id=1, role="homeowner", said="High bills.", now=NOW)


def set_aside(store: Store) -> None:
    """The rise of the heat register is held to be impossible from now on."""
    known = next(one for one in list_sites(store) if one.id == SITE).model_dump()
    known["heat_pump"]["max_heat_kw"] = 2.0
    save_site(store, Site.model_validate(known), NOW)
    refresh_site(store, SITE, now=NOW)


CHANGES = [raise_tariff, leave_out, find, note, clear, claim, set_aside]


@pytest.mark.parametrize("change", CHANGES, ids=lambda one: one.__name__)
def test_after_a_change_both_pages_say_what_a_page_made_anew_says(own, ines, change):
    before = said(ines, own)
    assert said(ines, own) == before, "it is kept"
    change(own)
    after = said(ines, own)
    own.of_site.drop(None)
    anew = said(ines, own)
    assert NUMBER.sub("#", after) == NUMBER.sub("#", anew)
    # Sums of several threads differ in their last digit.
    assert numbers(after) == pytest.approx(numbers(anew), rel=1e-9)
    assert after != before


def test_a_change_of_one_home_leaves_what_is_kept_of_others(own, ines):
    alder = data.record(ines, own, SITE, NOW)
    fen = data.record(ines, own, "fen-view", NOW)
    claim(own)
    assert data.record(ines, own, "fen-view", NOW) is fen
    assert data.record(ines, own, SITE, NOW) is not alder


def test_figures_reach_up_to_this_hour_and_no_other(own, ines):
    first = data.record(ines, own, SITE, NOW)
    assert data.record(ines, own, SITE, NOW + timedelta(minutes=30)) is first
    later = data.record(ines, own, SITE, NOW + timedelta(hours=1))
    assert later.until == first.until + timedelta(hours=1)
    assert later.today >= date(2026, 3, 20)


def test_what_is_kept_is_shown_to_nobody_who_may_not_see_it(own, ines):
    assert "3 Alder Row" in text(site.layout(ines, own, SITE, "", NOW))
    other = users.add_user(
        own, email="o@example.org", name="O", role="homeowner", password="nine bottles",
        sites=["fen-view"], now=NOW,
    )  # fmt: skip
    for page in (
        lambda: site.layout(other, own, SITE, "", NOW),
        lambda: home_data.home(other, own, SITE, NOW),
    ):
        with pytest.raises(NotFoundError):
            page()


def test_each_look_is_logged_though_the_page_is_kept(as_installer, installer, store):
    def looks() -> int:
        rows = audit.entries(store, person=installer.user_id)
        return sum(row.action == "looked" and row.site == SITE for row in rows)

    before = looks()
    for _ in range(3):
        assert as_installer.get(f"/site/{SITE}/home").status_code == 200
    assert looks() == before + 3
