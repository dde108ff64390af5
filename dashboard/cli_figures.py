"""Commands that show figures: any window, the usual periods, rolling, standing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any

import numpy as np
import polars as pl
import typer

from dashboard import format as say
from dashboard.cli_common import (
    DAY,
    DEFAULT_STORE,
    AsJson,
    MaybeSite,
    SiteId,
    StorePath,
    show,
    table,
)
from monitor.errors import DescriptionError
from monitor.guarantee.settlement import spans
from monitor.guarantee.standing import Standing
from monitor.metrics import periods
from monitor.metrics.account import Account, account, heat_meter_use, with_u_spf
from monitor.metrics.boundary import Recipe, measurable, recipe
from monitor.metrics.daily import day_frame
from monitor.metrics.hidden import Hidden, hidden
from monitor.metrics.performance import Blocks, accounts, exclude, pair
from monitor.metrics.site_weather import site_weather
from monitor.metrics.uncertainty import HeatMeterUse
from monitor.models import Assumption, Boundary, Site
from monitor.refresh import judge, refresh_site
from monitor.store import claims, derived
from monitor.store.changes import pending
from monitor.store.connection import Store, open_store
from monitor.store.sites import list_sites, load_site, stored_channels
from monitor.store.weather import load_weather

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(spf)
    app.command(name="periods")(periods_)
    app.command()(rolling)
    app.command()(standing)


def spf(
    site: SiteId,
    first: Annotated[datetime, typer.Option("--from", formats=DAY, help="First day, local.")],
    end: Annotated[
        datetime, typer.Option("--to", formats=DAY, help="Day after the last one, local.")
    ],
    boundary: Annotated[Boundary | None, typer.Option(help="Default: the promise's.")] = None,
    accept: Annotated[
        list[Assumption] | None, typer.Option("--assume", help="Accept a named assumption.")
    ] = None,
    all_hours: Annotated[
        bool, typer.Option("--all-hours", help="Count hours that are excluded by agreement, too.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Performance factor of the local days from --from up to, not including, --to."""
    if end <= first:
        message = (
            f"--to {end:%Y-%m-%d} must be after --from {first:%Y-%m-%d}: "
            "it is the day after the last one."
        )
        raise DescriptionError(message)
    with open_store(store) as opened:
        ready = _ready(opened, site, boundary, tuple(accept or ()), all_hours=all_hours)
    result = ready.account(first.date(), end.date())
    document = {
        "site": site,
        "from": first.date(),
        "to": end.date(),
        "from_utc": result.start_utc,
        "to_utc": result.end_utc,
        "boundary": result.boundary,
        "assumption": result.assumption,
        "heat_kwh": result.heat_kwh,
        "electricity_kwh": result.electricity_kwh,
        "spf": result.spf,
        "u_spf": result.u_spf,
        "coverage": result.coverage,
        "hours": result.hours.model_dump(),
        "excluded_hours": result.excluded_hours,
        "budget": [
            {**line.model_dump(), "divisor": line.divisor, "u_spf": line.u_spf}
            for line in result.budget
        ],
    }
    show(as_json, document, _account_text(site, first.date(), end.date(), result))


@dataclass(frozen=True)
class _Ready:
    """A site with its paired hours inside one boundary."""

    site: Site
    recipe: Recipe
    blocks: Blocks
    use: HeatMeterUse
    hides: Hidden | None

    def account(self, first: date, end: date) -> Account:
        """Account of local days, the last one not included."""
        return account(self.site, self.recipe, self.blocks, self.use, first, end, hides=self.hides)


def _ready(
    store: Store,
    site_id: str,
    boundary: Boundary | None,
    assumptions: tuple[Assumption, ...],
    *,
    all_hours: bool,
) -> _Ready:
    site = load_site(store, site_id)
    if pending(store, site_id) is not None:
        refresh_site(store, site_id, now=periods.utc_now())
    terms = site.current_terms
    if boundary is None:
        if terms is not None:
            boundary = terms.boundary
            assumptions = assumptions or terms.assumptions
        else:
            able = measurable(site)
            boundary = able[-1] if able else Boundary.H4
    how = recipe(site, boundary, assumptions)
    slots, states = derived.load_slots(store, site.id), derived.load_states(store, site.id)
    left_out = [] if all_hours else spans(claims.exclusions(store, site_id).values())
    blocks = exclude(pair(slots, how), left_out)
    given = site_weather(site, load_weather(store, site.weather))
    now = periods.utc_now()
    known = slots.filter(pl.col("block_end_utc") <= now)
    days = day_frame(site, how, known, states, given.daily, left_out)
    return _Ready(
        site, how, blocks, heat_meter_use(site, slots, states), hidden(site, days, given, now)
    )


def _account_text(site: str, first: date, end: date, result: Account) -> str:
    h = result.hours
    lines = [
        f"{site}, {first} up to {end}, boundary {result.boundary}",
        f"  SPF          {_spf(result)}",
        f"  heat         {result.heat_kwh:,.1f} kWh",
        f"  electricity  {result.electricity_kwh:,.1f} kWh",
        f"  coverage     {result.coverage:.1%} ({h.measured} h measured, {h.bridged} h bridged, "
        f"{h.missing} h missing of {h.total} h)",
    ]
    if result.excluded_hours:
        lines.append(f"  excluded     {result.excluded_hours} h by agreement; they do not count")
    if result.assumption is not None:
        lines.append(f"  assumption   {result.assumption.sentence}")
    lines += [
        f"  u            {line.u_spf:.4f}  {line.source}: {line.detail}" for line in result.budget
    ]
    return "\n".join(lines)


def periods_(
    site: SiteId,
    boundary: Annotated[Boundary | None, typer.Option(help="Default: the promise's.")] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Performance factors of the usual periods: guarantee, rolling, seasons, months."""
    with open_store(store) as opened:
        ready = _ready(opened, site, boundary, (), all_hours=False)
    known = _known_days(ready)
    windows: list[periods.Window] = []
    if known is not None:
        first, after = known
        terms = ready.site.current_terms
        if terms is not None:
            windows.append(periods.Window("guarantee period", terms.start, terms.end))
        windows += [
            periods.Window(f"last {days} days on record", after - timedelta(days), after)
            for days in (7, 30, 365)
        ]
        windows += periods.heating_seasons(first, after)
        windows += periods.months(first, after)
        windows.append(periods.Window("whole record", first, after))
    found = [(w, ready.account(w.first, min(w.end, known[1]))) for w in windows if known]
    rows = table(
        "period", ">SPF", ">heat (kWh)", ">electricity (kWh)", ">coverage", ">measured (h)",
        ">bridged (h)", ">missing (h)",
    )  # fmt: skip
    for window, a in found:
        h = a.hours
        rows.add_row(
            window.name,
            _spf(a),
            say.number(a.heat_kwh, 1),
            say.number(a.electricity_kwh, 1),
            say.share(a.coverage),
            *(str(n) for n in (h.measured, h.bridged, h.missing)),
        )
    documents = [
        {
            "period": window.name,
            "from": window.first,
            "to": min(window.end, known[1]) if known else window.end,
            **a.model_dump(exclude={"budget"}),
        }
        for window, a in found
    ]
    show(as_json, documents, rows)


def rolling(
    site: SiteId,
    days: Annotated[int, typer.Option(min=1, max=3660, help="Length of the window.")] = 30,
    boundary: Annotated[Boundary | None, typer.Option(help="Default: the promise's.")] = None,
    store: StorePath = DEFAULT_STORE,
    as_json: AsJson = False,
) -> None:
    """Performance factor of the last so many days, for each day of the record."""
    with open_store(store) as opened:
        ready = _ready(opened, site, boundary, (), all_hours=False)
    rows = table(
        "last day", ">SPF", ">u", ">coverage", ">measured (h)", ">bridged (h)", ">missing (h)"
    )
    documents = []
    known = _known_days(ready)
    if known is not None:
        first, after = known
        windows = periods.rolling(first, after, days)
        each = [
            periods.span(ready.site, d) for d in periods.days(windows[0].first, windows[-1].end)
        ]
        ends = [periods.span(ready.site, w) for w in windows]
        found = with_u_spf(
            ready.site,
            ready.recipe,
            ready.use,
            accounts(ready.blocks, [a for a, _ in ends], [b for _, b in ends]),
            accounts(ready.blocks, [a for a, _ in each], [b for _, b in each]),
            ready.hides,
        )
        for window, row in zip(windows, found.iter_rows(named=True), strict=True):
            hours = [row[f"hours_{kind}"] for kind in ("measured", "bridged", "missing")]
            rows.add_row(
                window.name,
                say.spf(row["spf"], row["u_spf"]),
                say.number(row["u_spf"], 2),
                say.share(row["coverage"]),
                *(str(n) for n in hours),
            )
            documents.append(
                {
                    "last_day": window.name,
                    "days": days,
                    "boundary": ready.recipe.boundary,
                    **{k: v for k, v in row.items() if not k.startswith(("stream:", "u_edge:"))},
                }
            )
    show(as_json, documents, rows)


def _known_days(ready: _Ready) -> tuple[date, date] | None:
    """First local day with a known hour inside the boundary, and the day after the last."""
    known = np.flatnonzero(ready.blocks.known)
    if len(known) == 0:
        return None
    hour = timedelta(hours=1)
    start = EPOCH + int(ready.blocks.start[known[0]]) * hour
    end = EPOCH + int(ready.blocks.end[known[-1]]) * hour
    return (
        periods.local_day(ready.site, start),
        periods.local_day(ready.site, end - hour) + timedelta(1),
    )


def _spf(result: Account) -> str:
    if result.spf is None or result.u_spf is None:
        return "–"
    return f"{say.spf(result.spf, result.u_spf)} ± {result.u_spf:.2f}"


def standing(
    site: MaybeSite = None, store: StorePath = DEFAULT_STORE, as_json: AsJson = False
) -> None:
    """Where sites stand against their promise, worst first."""
    now = periods.utc_now()
    with open_store(store) as opened:
        sites = [load_site(opened, site)] if site else list_sites(opened)
        found = [
            refresh_site(opened, s.id, now=now)
            if pending(opened, s.id) is not None
            else judge(opened, s, stored_channels(opened, s), now=now)
            for s in sites
        ]
    found.sort(key=lambda s: (s.word.urgency, s.probability if s.probability is not None else 1))
    documents = [_standing(s) for s in found]
    rows = table(
        "site", "standing", ">promise", ">SPF", ">probability", ">coverage", ">age (h)", "why"
    )
    for s in found:
        a = s.account
        rows.add_row(
            s.site,
            s.word,
            f"{s.promise:.2f} {s.boundary}" if s.promise and s.boundary else "–",
            _spf(a) if a else "–",
            say.share(s.probability),
            say.share(a.coverage) if a else "–",
            f"{(now - s.newest_reading).total_seconds() / 3600:.0f}" if s.newest_reading else "–",
            s.why,
        )
    show(as_json, documents[0] if site else documents, rows)


def _standing(s: Standing) -> dict[str, Any]:
    a = s.account
    return {
        "site": s.site,
        "standing": s.word,
        "why": s.why,
        "promise": s.promise,
        "boundary": s.boundary,
        "terms_version": s.terms_version,
        "period_start": s.period_start,
        "period_end": s.period_end,
        "spf": a.spf if a else None,
        "u_spf": a.u_spf if a else None,
        "interval_95": [s.low, s.high] if s.low is not None else None,
        "probability": s.probability,
        "coverage": a.coverage if a else None,
        "heat_kwh": a.heat_kwh if a else None,
        "electricity_kwh": a.electricity_kwh if a else None,
        "hours": a.hours.model_dump() if a else None,
        "settlement": s.settlement,
        "money": s.money.model_dump() if s.money else None,
        "newest_reading": s.newest_reading,
        "computed_at": s.computed_at,
        "rules_version": s.rules_version,
    }
