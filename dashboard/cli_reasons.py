"""Commands about why an SPF is what it is, whether it can be true, and what it costs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import typer
from rich.console import Group
from rich.table import Table
from rich.text import Text

from dashboard import format as say
from dashboard.cli_common import DEFAULT_STORE, AsJson, MaybeSite, SiteId, StorePath, show, table
from dashboard.pages.reasons_text import CAUSES, cost_lines
from monitor.guarantee.assessment import Assessment
from monitor.guarantee.standing import Standing
from monitor.metrics import periods
from monitor.models import Site
from monitor.refresh import refresh_site
from monitor.store import derived
from monitor.store.connection import open_store
from monitor.store.sites import list_sites, load_site


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(shortfall)
    app.command()(checks)
    app.command()(cost)


Found = list[tuple[Site, Standing, Assessment | None]]


def _found(site: str | None, store: Any) -> Found:
    now = periods.utc_now()
    with open_store(store) as opened:
        sites = [load_site(opened, site)] if site else list_sites(opened)
        return [
            (
                described,
                refresh_site(opened, described.id, now=now),
                derived.load_assessment(opened, described.id),
            )
            for described in sites
        ]


def _print(
    found: Found,
    site: str | None,
    as_json: bool,  # noqa: FBT001 - passed on
    document: Callable[[Standing, Assessment], Any],
    text: Callable[[Site, Standing, Assessment], list[Any]],
) -> None:
    known = [(described, s, a) for described, s, a in found if a is not None]
    documents = [{"site": a.site, **document(s, a)} for _, s, a in known]
    if not known:
        which = f"site '{site}'" if site else "any site"
        show(as_json, None if site else [], f"Nothing has been promised for {which}.")
        return
    parts: list[Any] = []
    for described, s, a in known:
        parts += [Text(a.site, style="bold"), *text(described, s, a), Text("")]
    show(as_json, documents[0] if site else documents, Group(*parts))


def shortfall(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """Where the SPF so far differs from the promise, cause by cause."""

    def document(_: Standing, a: Assessment) -> Any:
        return {
            "shortfall": None if a.shortfall is None else a.shortfall.model_dump(mode="json"),
            "model": None if a.fit is None else a.fit.model_dump(mode="json"),
            "no_model": a.no_fit,
        }

    def text(_: Site, __: Standing, a: Assessment) -> list[Any]:
        if a.shortfall is None:
            return [Text("Nothing has been measured of the guarantee period yet.")]
        return [Text(a.shortfall.sentence), _shares(a)]

    _print(_found(site, store), site, as_json, document, text)


def _shares(a: Assessment) -> Table:
    rows = table("cause", ">SPF", "95 % interval", ">kWh", ">cost", "what was found")
    found = a.shortfall
    for share in found.shares if found else ():
        known = share.spf is not None
        rows.add_row(
            CAUSES[share.cause],
            say.signed(share.spf) if known else share.state,
            say.interval(share.low, share.high) if known else "",
            say.number(share.kwh) if known else "",
            say.money(share.money, found.currency if found else None) if known else "",
            share.sentence,
        )
    return rows


def checks(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """Whether the measured heat can be true, and the house it is measured in is warm."""

    def document(_: Standing, a: Assessment) -> Any:
        found = a.plausibility
        return {"plausibility": None if found is None else found.model_dump(mode="json")}

    def text(_: Site, __: Standing, a: Assessment) -> list[Any]:
        if a.plausibility is None:
            return [Text("Nothing has been measured of the guarantee period yet.")]
        rows = table("check", "what was found")
        for doubt in a.plausibility.doubts:
            rows.add_row("doubt", f"{doubt.sentence} {doubt.caution or ''}".rstrip())
        for sentence in a.plausibility.in_order:
            rows.add_row("in order", sentence)
        for sentence in a.plausibility.not_measurable:
            rows.add_row("not checked", sentence)
        return [rows]

    _print(_found(site, store), site, as_json, document, text)


def cost(site: SiteId, store: StorePath = DEFAULT_STORE, as_json: AsJson = False) -> None:
    """What the electricity cost, against the former heating; carbon; remedy."""

    def document(s: Standing, a: Assessment) -> Any:
        return {
            "money": None if s.money is None else s.money.model_dump(mode="json"),
            **{
                name: None if value is None else value.model_dump(mode="json")
                for name, value in (
                    ("comparison", a.comparison),
                    ("bills", a.bills),
                    ("carbon", a.carbon),
                )
            },
        }

    def text(described: Site, s: Standing, a: Assessment) -> list[Any]:
        rows = table("what", "amount", "how")
        for line in cost_lines(described, s, a):
            rows.add_row(line.what, line.amount, line.note)
        return [rows]

    _print(_found(site, store), site, as_json, document, text)
